"""Enter pressed ten times a second through a whole run never confirms a hook-up that was not on the screen."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.hammering import confirmed, hammered
from helpers.systems import skip_without_terminals

from benchlog.cli import main


@pytest.mark.parametrize("terminal", [True, False], ids=["terminal", "pipe"])
def test_enter_hammered_through_a_run(
    terminal: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Readings come over links and settle for seconds, Enters pile up meanwhile; the load is put on in between."""
    if terminal:
        skip_without_terminals()
    monkeypatch.chdir(tmp_path)
    assert main(["new", "box"]) == 0
    words = ["run", "plan.toml", "--no-cards", "--no-standards"]
    words += [word for check in ("C01", "C02", "C03") for word in ("--check", check)]
    code, seen = hammered(tmp_path / "box", words, terminal=terminal)
    assert code == 0, seen[-2000:]
    enters = confirmed(seen)
    assert len(enters) >= 5, seen
    assert min(enters) >= 1, seen
    assert seen.count("\0") > 2 * len(enters)  # most of them meant nothing
