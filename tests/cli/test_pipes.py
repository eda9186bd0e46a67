"""Pipes are UTF-8 both ways, whatever the system would have them be; JSON is ASCII."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import benchlog

LATIN = {k: v for k, v in os.environ.items() if k not in ("LANG", "LC_ALL", "LC_CTYPE", "PYTHONIOENCODING")}
#: The "C" locale with Python's own cure switched off: pipes are ASCII, as they are cp1252 on Windows.
LATIN |= {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
WORDS = ["continuity", "--reading", "0.4 ohm", "--accuracy", "1 % + 5", "--max", "1 ohm", "--no-record"]


def benchlog_in(folder: Path, *words: str, given: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "benchlog", *words],
        check=False,
        cwd=folder,
        env=LATIN,
        input=given,
        capture_output=True,
    )


def test_signs_and_units_come_out_as_utf_8(tmp_path: Path) -> None:
    text = benchlog_in(tmp_path, *WORDS, "--long").stdout.decode("utf-8")
    assert "±" in text
    assert "Ω" in text


def test_json_is_ascii(tmp_path: Path) -> None:
    out = benchlog_in(tmp_path, *WORDS, "--json").stdout
    assert out.isascii()
    assert "Ω" in json.dumps(json.loads(out), ensure_ascii=False)


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["plain", "with a byte order mark"])
def test_a_reason_typed_over_a_pipe_is_recorded_as_it_was_typed(mark: bytes, tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(
        '[project]\nname = "x"\n[[part]]\ntag = "R1"\n[[check]]\nid = "C01"\nkind = "reading"\npart = "R1"\n'
        'function = "V="\nhookup = "tips on"\nlimits.voltage = { high = "6 V" }\n',
        encoding="utf-8",
    )
    said = benchlog_in(tmp_path, "run", "plan.toml", given=mark + "s\nΩ clip lost – ü\n\n\n".encode())
    assert said.returncode == 3, said.stderr
    with benchlog.open(tmp_path / "bench.logbook") as book:
        (skip,) = book.book.entries("skip")
    assert skip.body["reason"] == "Ω clip lost – ü"


def test_other_bytes_are_refused_and_nothing_garbled_is_recorded(tmp_path: Path) -> None:
    said = benchlog_in(tmp_path, "diagnose", "--cases", "-", given=b'{"expect": "27 V\xe9"}\n')
    assert said.returncode == 2
    assert b"not UTF-8" in said.stderr + said.stdout
