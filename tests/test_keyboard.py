"""Keys of a terminal and of a Windows console, a line made of keys, lines over a pipe."""

from __future__ import annotations

import io
import os
import threading
import time
from collections.abc import Iterator

import pytest
from helpers.systems import skip_without_terminals

from benchlog.errors import UsageError
from benchlog.keyboard import BACKSPACE, END, ENTER, ESCAPE, ConsoleKeys, Entry, Lines, single_keys


class Console:
    """What ``msvcrt`` offers, with keys that were pressed; a character beyond 16 bits comes as two."""

    def __init__(self, keys: str) -> None:
        units = keys.encode("utf-16-le", "surrogatepass")
        self.units = [units[i : i + 2].decode("utf-16-le", "surrogatepass") for i in range(0, len(units), 2)]

    def kbhit(self) -> bool:
        return bool(self.units)

    def getwch(self) -> str:
        return self.units.pop(0)


@pytest.mark.parametrize(
    ("pressed", "keys"),
    [
        ("y\r\b\x1b\x1a", ["y", ENTER, BACKSPACE, ESCAPE, END]),
        ("\xe0Ha", ["a"]),  # arrow up
        ("\0;a", ["a"]),  # F1
        ("Ω±", ["Ω", "±"]),
        ("\U0001f50b", ["\U0001f50b"]),
        ("\xe0", ["à"]),  # the letter: nothing follows at once
    ],
)
def test_keys_of_a_windows_console(pressed: str, keys: list[str]) -> None:
    """Special keys are 00 or E0 and a second code (READ: the C library's reference of _getwch)."""
    console = ConsoleKeys(Console(pressed))
    assert [console.next(0.0) for _ in keys] == keys
    assert console.next(0.0) == ""


def test_ctrl_c_on_a_windows_console_interrupts() -> None:
    with pytest.raises(KeyboardInterrupt):
        ConsoleKeys(Console("\x03")).next()


def test_typed_before_is_dropped_on_a_windows_console() -> None:
    console = Console("\r\ry")
    keys = ConsoleKeys(console)
    keys.drop()
    assert keys.next(0.05) == ""


def test_keys_pressed_before_a_console_can_have_drawn_are_dropped() -> None:
    """They come through another program, later than they were pressed."""
    console = Console("")
    keys = ConsoleKeys(console)
    threading.Timer(0.1, console.units.append, ["\r"]).start()
    keys.drop_unseen()
    assert keys.next(0.0) == ""
    console.units.append("\r")
    assert keys.next(0.0) == ENTER


def test_ctrl_c_among_dropped_keys_still_interrupts() -> None:
    with pytest.raises(KeyboardInterrupt):
        ConsoleKeys(Console("\r\x03")).drop()


@pytest.mark.parametrize(
    ("pressed", "keys"),
    [
        ("y\n\x7f\b\x04", ["y", ENTER, BACKSPACE, BACKSPACE, END]),
        ("\x1b[A\x1bOPa", ["a"]),  # arrow up, F1
        ("Ω±\U0001f50b", ["Ω", "±", "\U0001f50b"]),
        ("\x1b", [ESCAPE]),
    ],
)
def test_keys_of_a_terminal(pressed: str, keys: list[str]) -> None:
    skip_without_terminals()
    master, slave = os.openpty()
    with os.fdopen(slave, "r") as stream, single_keys(stream) as terminal:
        assert terminal is not None
        os.write(master, pressed.encode())
        assert [terminal.next(1.0) for _ in keys] == keys
        assert terminal.next(0.0) == ""
        os.write(master, b"\n\n")
        terminal.drop()
        assert terminal.next(0.05) == ""
    os.close(master)


def test_a_pipe_has_no_keys() -> None:
    for stream in (io.StringIO("y"), None):
        with single_keys(stream) as keys:
            assert keys is None


def test_a_line_made_of_keys() -> None:
    entry = Entry()
    for key in (*"27,8", BACKSPACE, "5", "\x01"):
        entry.feed(key)
    assert entry.text == "27,5"
    entry.feed(ESCAPE)
    assert entry.text == ""


# ---- lines ----


@pytest.fixture
def pipe() -> Iterator[tuple[int, io.TextIOWrapper]]:
    read, write = os.pipe()
    with open(read, encoding="ascii") as stream:
        yield write, stream


def test_lines_come_whole_and_the_end_is_noticed(pipe: tuple[int, io.TextIOWrapper]) -> None:
    write, stream = pipe
    lines = Lines(stream)
    os.write(write, "\ufeffMB-02=27.8 V ac\r\n\nMB-0".encode())
    assert lines.take(5.0) == ["MB-02=27.8 V ac"]
    assert lines.take(0.0) == []
    os.write(write, b"2=27.9 V ac")
    os.close(write)
    assert lines.take(5.0) == ["MB-02=27.9 V ac"]
    assert lines.take(5.0) == []
    assert lines.ended


def test_lines_are_utf_8_whatever_the_stream_thinks(pipe: tuple[int, io.TextIOWrapper]) -> None:
    write, stream = pipe
    os.write(write, "Ω clip lost – ü\n".encode() + "Ω".encode("utf-16") + b"\n")
    os.close(write)
    lines = Lines(stream)
    assert lines.next() == "Ω clip lost – ü"
    with pytest.raises(UsageError, match="not UTF-8"):
        lines.next()


def test_waiting_for_a_line_ends_in_time(pipe: tuple[int, io.TextIOWrapper]) -> None:
    write, stream = pipe
    lines = Lines(stream)
    began = time.monotonic()
    assert lines.next(0.2) is None
    assert 0.15 < time.monotonic() - began < 5.0
    assert not lines.ended
    threading.Timer(0.1, os.write, (write, b"late\n")).start()
    assert lines.next() == "late"
    os.close(write)


def test_empty_lines_that_came_before_are_dropped_while_somebody_may_be_typing(
    pipe: tuple[int, io.TextIOWrapper],
) -> None:
    write, stream = pipe
    lines = Lines(stream)
    assert not lines.script
    os.write(write, b"\n\ns\n\n")
    lines.drop_empty()
    os.write(write, b"\n")
    os.close(write)
    assert [lines.next(), lines.next(), lines.next()] == ["s", "", None]


def test_a_closed_pipe_is_a_script_whose_lines_all_count(pipe: tuple[int, io.TextIOWrapper]) -> None:
    write, stream = pipe
    os.write(write, b"\n\n")
    os.close(write)
    lines = Lines(stream)
    lines.drop_empty()
    assert [lines.next(), lines.next(), lines.next()] == ["", "", None]


def test_a_stream_that_never_stops_holds_nobody_up_and_fills_no_memory(
    pipe: tuple[int, io.TextIOWrapper],
) -> None:
    write, stream = pipe
    stop = threading.Event()

    def pour() -> None:
        while not stop.is_set():
            os.write(write, b"\n" * 4096)
        os.close(write)

    source = threading.Thread(target=pour, daemon=True)
    source.start()
    lines = Lines(stream)
    assert lines.next(5.0) == ""
    began = time.monotonic()
    lines.drop_empty()
    assert time.monotonic() - began < 5.0
    assert len(lines._lines) < 100_000
    stop.set()
    while lines.next() is not None:
        lines.drop_empty()
    source.join(10.0)
