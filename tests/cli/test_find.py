"""`benchlog find` as a new user and as a script would run it."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from helpers.frames import EXAMPLES
from helpers.pty_meter import PtyMeter
from helpers.scpi_scopes import PreambleScope
from helpers.scpi_server import ScpiServer

from benchlog import serial_ports
from benchlog.bench import read_bench
from benchlog.cli import main
from benchlog_drivers import _find_serial, _find_visa


@pytest.fixture(autouse=True)
def nothing_connected(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A machine with no ports and no USB instruments, in an empty folder."""
    monkeypatch.setattr(serial_ports, "list_ports", lambda: ())
    monkeypatch.setattr(_find_visa, "usb_instruments", lambda: ([], []))
    monkeypatch.setattr(_find_serial, "_LISTEN_S", 0.25)
    monkeypatch.chdir(tmp_path)


def test_nothing_connected_is_not_a_failure(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 0, what was looked for, and what to try."""
    assert main(["find"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "No instrument was found." in said
    assert "Looked for: meters on 0 serial ports" in said
    assert "plug in" in said


def test_a_meter_and_a_scope_are_shown_and_written(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The reading is printed beside the question whether the display shows it; --write appends, twice changes nothing."""
    monkeypatch.setenv("COLUMNS", "200")
    frame, shown = EXAMPLES["segment14"]
    with PtyMeter(frame) as line, ScpiServer(PreambleScope().instrument()) as server:
        places = ["--at", line.path, "--at", server.resource]
        assert main(["find", *places]) == 0
        said = capsys.readouterr().out
        assert f"reads now {shown} ac (auto range): is that what its display shows?" in said
        assert "scope, dialect preamble_ten\n    answers simulated,SC-03,0,1.0" in said
        assert f'address = "serial:{line.path}?frames=segment14"' in said
        assert not (tmp_path / "bench.toml").exists()
        assert main(["find", *places, "--write"]) == 0
        assert list(read_bench(tmp_path / "bench.toml").instruments) == ["M1", "S1"]
        before = (tmp_path / "bench.toml").read_text(encoding="utf-8")
        assert main(["find", *places, "--write"]) == 0
        assert (tmp_path / "bench.toml").read_text(encoding="utf-8") == before
        assert "already on the bench as M1" in capsys.readouterr().out


@pytest.mark.skipif(os.name != "nt", reason="on this system small letters name another port")
def test_a_port_in_small_letters_is_on_the_bench_already(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    with ScpiServer(PreambleScope().instrument()) as server:
        assert main(["find", "--at", server.resource, "--write"]) == 0
        bench = tmp_path / "bench.toml"
        text = bench.read_text(encoding="utf-8")
        assert server.resource in text
        bench.write_text(text.replace(server.resource, server.resource.lower()), encoding="utf-8")
        assert main(["find", "--at", server.resource, "--write"]) == 0
        assert "already on the bench as S1" in capsys.readouterr().out
        assert len(read_bench(bench).instruments) == 1


def test_json_is_one_object_and_nothing_else(capsys: pytest.CaptureFixture[str]) -> None:
    """SI numbers, the address, a ready entry; nothing else on standard output."""
    frame, shown = EXAMPLES["segment14"]
    with PtyMeter(frame) as line:
        assert main(["find", "--json", "--at", line.path]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["schema"] == "benchlog.find/1"
    (found,) = said["found"]
    assert found["reading"] == {
        "function": "V~",
        "value": 27.75,
        "unit": "V",
        "state": "ok",
        "displayed": shown,
        "flags": ["auto range"],
    }
    assert found["entry"].startswith("[[instrument]]")
    assert said["written"] is None


def test_a_place_that_is_none_is_a_usage_error(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2 and examples."""
    assert main(["find", "--at", "my meter"]) == 2
    assert "socket://" in capsys.readouterr().err
