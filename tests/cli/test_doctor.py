"""`benchlog doctor`: one screen, one object, and an exit code that says whether benchlog is usable."""

from __future__ import annotations

import json
import os
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest
from helpers.systems import needs_file_modes

from benchlog import serial_ports
from benchlog.cli import main
from benchlog.cli.doctor import CORE
from benchlog.serial_ports import Port


@pytest.fixture(autouse=True)
def empty_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No bench file, no ports, a wide terminal."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(serial_ports, "list_ports", lambda: ())
    monkeypatch.setenv("COLUMNS", "250")


def test_a_usable_machine(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 0 on one screen, with versions, adapters, no ports, no bench file; nothing is created."""
    assert main(["doctor"]) == 0
    said = capsys.readouterr().out
    assert "● ready to use" in said
    for word in ("numpy", "visa", "serial", "none found", "not created yet"):
        assert word in said
    assert len(said.splitlines()) <= 24
    assert list(Path.cwd().iterdir()) == []


def test_json(capsys: pytest.CaptureFixture[str]) -> None:
    """Every core library with its version, adapters by origin, the logbook's state."""
    assert main(["doctor", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["schema"] == "benchlog.doctor/1"
    assert said["usable"] is True
    assert all(said["versions"][name] for name in CORE)
    assert said["adapters"]["visa"] == "built-in"
    assert said["logbook"]["writable"] is True


def test_the_core_list_is_what_the_package_depends_on() -> None:
    """A new dependency must show here too."""
    import re
    from importlib.metadata import requires

    wanted = [r for r in requires("benchlog") or [] if "extra ==" not in r]
    names = {re.split(r"[<>=!~; ]", r)[0].lower().replace("_", "-") for r in wanted}
    assert {name.lower() for name in CORE} == names


def test_a_broken_plug_in_is_named_and_stops_nothing(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its name and the reason are on the screen; benchlog stays usable."""
    broken = EntryPoint("wonder", "no_such_module_at_all:Adapter", "benchlog.adapters")
    monkeypatch.setattr("importlib.metadata.entry_points", lambda group: [broken])
    assert main(["doctor"]) == 0
    said = capsys.readouterr().out
    assert "wonder" in said
    assert "no_such_module_at_all" in said


def test_a_port_without_permission_says_what_gives_access(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What to type is on the screen."""
    port = Port("/dev/ttyUSB0", "USB-Serial", "A1", "no permission", "dialout")
    monkeypatch.setattr(serial_ports, "list_ports", lambda: (port,))
    assert main(["doctor"]) == 0
    assert serial_ports.access_hint("dialout") in " ".join(capsys.readouterr().out.split())
    assert main(["doctor", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["ports"][0]["access"] == "no permission"


def test_a_logbook_that_can_not_be_written_is_exit_5(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert main(["doctor", "--logbook", str(tmp_path / "none" / "x.logbook")]) == 5
    assert "does not exist" in capsys.readouterr().out


@needs_file_modes
def test_a_folder_that_can_not_be_written_is_exit_5(tmp_path: Path) -> None:
    if os.geteuid() == 0:
        pytest.skip("root may write everywhere")
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o500)
    assert main(["doctor", "--logbook", str(closed / "x.logbook")]) == 5


def test_a_wrong_bench_file_is_reported(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Exit 2, as every command that needs the bench file ends with it; all else is shown."""
    (tmp_path / "bench.toml").write_text("[[instrument", encoding="utf-8")
    assert main(["doctor"]) == 2
    assert "not valid TOML" in capsys.readouterr().out


def test_a_missing_library_is_exit_4(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The library and how to install it are named."""
    from importlib import metadata

    real = metadata.version

    def version(name: str) -> str:
        if name == "PyVISA":
            raise metadata.PackageNotFoundError(name)
        return real(name)

    monkeypatch.setattr(metadata, "version", version)
    assert main(["doctor"]) == 4
    said = capsys.readouterr().out
    assert "pip install PyVISA" in said
    assert "not ready" in said


def test_the_screen_fits_80_columns_and_24_lines(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is cut off and nothing scrolls away, whatever is missing."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr(serial_ports, "list_ports", lambda: (Port("/dev/ttyUSB0", "USB-Serial", "A1"),))
    assert main(["doctor"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 24
    assert "…" not in "".join(lines)
