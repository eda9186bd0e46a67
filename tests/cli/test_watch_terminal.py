"""The command ``watch`` on a terminal: keys, and how it leaves."""

from __future__ import annotations

import os
import select
import struct
import subprocess
import sys
import time
from pathlib import Path

import pytest
from helpers.systems import NO_TERMINALS

from benchlog_drivers.simbench.bench import SimulatedBench

termios = pytest.importorskip("termios", reason=NO_TERMINALS)


class Terminal:
    """``benchlog watch`` on a pseudo-terminal."""

    def __init__(self, folder: Path, *words: str) -> None:
        import fcntl

        self.master, slave = os.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        env = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")} | {"TERM": "xterm"}
        self.child = subprocess.Popen(
            [sys.executable, "-m", "benchlog", "watch", *words],
            cwd=folder,
            env=env,
            stdin=slave,
            stdout=slave,
            stderr=slave,
        )
        self.slave = slave
        self.text = ""

    def until(self, words: str, timeout_s: float = 20.0) -> None:
        """Read until some text was drawn."""
        end = time.monotonic() + timeout_s
        while words not in self.text:
            left = end - time.monotonic()
            assert left > 0, f"{words!r} never came: {self.text[-2000:]}"
            if select.select([self.master], [], [], min(left, 0.2))[0]:
                self.text += os.read(self.master, 1 << 16).decode("utf-8", "replace")

    def press(self, keys: str) -> None:
        """Type keys."""
        os.write(self.master, keys.encode())

    def close(self) -> int:
        """Read to the end; returns the exit code."""
        end = time.monotonic() + 20
        while self.child.poll() is None and time.monotonic() < end:
            if select.select([self.master], [], [], 0.05)[0]:
                self.text += os.read(self.master, 1 << 16).decode("utf-8", "replace")
        if self.child.poll() is None:
            self.child.kill()
        code = self.child.wait()
        os.close(self.master)
        os.close(self.slave)
        return code


def test_on_a_terminal_a_reading_is_typed_by_key_and_q_leaves_the_terminal_in_order(
    bench: SimulatedBench, tmp_path: Path
) -> None:
    terminal = Terminal(tmp_path)
    terminal.until("MA-01")
    assert not termios.tcgetattr(terminal.slave)[3] & termios.ICANON
    terminal.press("t")
    terminal.until("MB-02 shows:")
    terminal.press("27.3 V ac\n")
    terminal.until("no meter is in doubt")  # all four compared
    terminal.press("q")
    terminal.until("saved in bench.logbook")
    assert termios.tcgetattr(terminal.slave)[3] & termios.ICANON
    assert terminal.close() == 0
    assert terminal.text.count("\x1b[?1049h") == terminal.text.count("\x1b[?1049l") == 1


def test_a_request_to_end_leaves_the_terminal_in_order_too(bench: SimulatedBench, tmp_path: Path) -> None:
    terminal = Terminal(tmp_path, "MA-01", "--no-record")
    terminal.until("± 0.")  # a reading is there
    terminal.child.terminate()
    terminal.until("in doubt: none")
    assert termios.tcgetattr(terminal.slave)[3] & termios.ICANON
    assert terminal.close() == 0


def test_t_does_nothing_where_no_meter_is_typed(bench: SimulatedBench, tmp_path: Path) -> None:
    """The key begins an entry only where there is a meter to enter a reading of."""
    terminal = Terminal(tmp_path, "MA-01", "--no-record")
    terminal.until("± 0.")
    terminal.press("t")
    terminal.press("q")
    terminal.until("in doubt: none")
    assert terminal.close() == 0
