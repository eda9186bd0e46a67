"""Shared fixtures: a clean environment, the folder of published values, the folder of real captures."""

from __future__ import annotations

import contextlib
import io
import json
import os
import signal
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# Properties are about numbers, not time: a busy computer must not fail them.
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")

# A shell without job control starts what runs in the background with Ctrl-C ignored, and every program it starts inherits that.
if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

GOLDEN = Path(__file__).parent / "golden"


@pytest.fixture(autouse=True)
def clean_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep a developer's own settings out of the tests."""
    for name in ("BENCHLOG_LOGBOOK", "NO_COLOR", "FORCE_COLOR", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture(scope="session")
def golden() -> Path:
    """Folder of published values; each file's source is in its README there."""
    return GOLDEN


@pytest.fixture(scope="session")
def worked_examples() -> dict[str, dict[str, Any]]:
    """Worked examples of guides and standards by id; `mark` in each says how it was checked."""
    cases = json.loads((GOLDEN / "worked_examples.json").read_text(encoding="utf-8"))["cases"]
    return {case["id"]: case for case in cases}


@pytest.fixture(scope="session")
def datasets() -> Path:
    """Folder of real captures, named by BENCHLOG_DATASETS; the test is skipped where that is unset."""
    folder = os.environ.get("BENCHLOG_DATASETS")
    if not folder:
        pytest.skip("BENCHLOG_DATASETS is not set: no folder of real captures to read")
    return Path(folder)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any], float]:
    """Folder of a demo run once for all tests, its JSON summary, and the seconds it took; copy, don't write."""
    from benchlog.cli import main

    folder = tmp_path_factory.mktemp("demo") / "kc1"
    out = io.StringIO()
    began = time.process_time()
    with contextlib.redirect_stdout(out):
        code = main(["demo", "--out", str(folder), "--json"])
    assert code == 0
    return folder, json.loads(out.getvalue()), time.process_time() - began
