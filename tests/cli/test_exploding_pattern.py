"""A pattern with exponential backtracking blocks nothing: the program ends at once, and what other meters sent is kept."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from helpers.frames import EXAMPLES
from helpers.pty_meter import PtyMeter
from helpers.systems import needs_terminals

import benchlog

#: Nested repeats meet lines that almost fit: without a limit, one line would take longer than the age of the bench.
EXPLODING = r"(?P<value>(\d|\d\d)+) V"
BENCH = """
[[instrument]]
tag = "MA-01"
kind = "meter"
address = "serial:{good}?frames=segment14"
[[instrument]]
tag = "MB-02"
kind = "meter"
address = "serial:{bad}?frames=pattern"
[instrument.options]
pattern = '{pattern}'
function = "V="
"""


@needs_terminals
@pytest.mark.parametrize("sent", [signal.SIGTERM, signal.SIGINT])
def test_a_pattern_that_explodes_delays_no_end_and_no_other_meter(
    tmp_path: Path, sent: signal.Signals
) -> None:
    """`watch` of two meters, one of whose lines the pattern can't get through; ended by a signal."""
    frame, _ = EXAMPLES["segment14"]
    with PtyMeter(frame, every_s=0.1) as good, PtyMeter(b"1" * 60 + b"! V\n", every_s=0.05) as bad:
        (tmp_path / "bench.toml").write_text(
            BENCH.format(good=good.path, bad=bad.path, pattern=EXPLODING), encoding="utf-8"
        )
        with subprocess.Popen(
            [sys.executable, "-m", "benchlog", "watch", "MA-01", "MB-02", "--plain"],
            cwd=tmp_path,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
        ) as program:
            assert program.stdout is not None
            while "MB-02" not in (
                line := program.stdout.readline()
            ):  # its silence is in doubt after some seconds
                assert line, "the program ended"
            program.send_signal(sent)
            start = time.monotonic()
            said = program.communicate(timeout=30)[0]
            took_s = time.monotonic() - start
    assert took_s < 4.0, said
    assert "Traceback" not in said
    assert program.returncode == 4  # one of the meters gave nothing
    with benchlog.open(tmp_path / "bench.logbook") as book:
        readings = book.readings()
    assert set(readings["instrument"]) == {"MA-01"}
    assert len(readings) >= 20  # ten a second came
