"""Somebody, or something, that presses Enter ten times a second through a whole guided run."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
import time
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import Thread

#: Marks an Enter that was sent, in what was seen.
SENT = "\0"
PERIOD_S = 0.1


def hammered(folder: Path, words: list[str], *, terminal: bool, limit_s: float = 120.0) -> tuple[int, str]:
    """Run benchlog in a folder under such a person; returns the exit code and what was seen, with `SENT` in its place.

    Questions that Enter does not answer are answered once they are seen: y, nothing left energised, the mains, or the display that is shown.
    """
    environment = os.environ | {"TERM": "dumb", "COLUMNS": "200", "LINES": "50"}
    command = [sys.executable, "-m", "benchlog", *words]
    if terminal:
        ours, theirs = os.openpty()
        child = subprocess.Popen(
            command, cwd=folder, env=environment, stdin=theirs, stdout=theirs, stderr=theirs
        )
        os.close(theirs)
        to_child = from_child = ours
    else:
        child = subprocess.Popen(
            command,
            cwd=folder,
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        assert child.stdin is not None
        assert child.stdout is not None
        to_child, from_child = child.stdin.fileno(), child.stdout.fileno()
    with child:
        seen = _seen(to_child, from_child, limit_s, terminal=terminal)
        try:
            code = child.wait(10)
        except subprocess.TimeoutExpired:
            child.kill()
            raise
    if terminal:
        os.close(ours)
    return code, seen


def _said(from_child: int, said: SimpleQueue[bytes]) -> None:
    """Hand on what the program says, and nothing at its end."""
    data = b"-"
    while data:
        try:
            data = os.read(from_child, 1 << 16)
        except OSError:  # how a terminal ends
            data = b""
        said.put(data)


def _seen(to_child: int, from_child: int, limit_s: float, *, terminal: bool) -> str:
    said: SimpleQueue[bytes] = SimpleQueue()
    Thread(target=_said, args=(from_child, said), daemon=True).start()
    seen, answered = "", 0
    next_s = time.monotonic()
    end_s = next_s + limit_s
    while time.monotonic() < end_s:
        with contextlib.suppress(Empty):
            data = said.get(timeout=max(0.001, next_s - time.monotonic()))
            if not data:
                break
            seen += data.decode("utf-8", "replace")
            if answer := _answer(seen[answered:], terminal=terminal):
                os.write(to_child, answer.encode())
                answered = len(seen)
        if time.monotonic() >= next_s:
            next_s += PERIOD_S
            with contextlib.suppress(OSError):
                os.write(to_child, b"\n")
                seen += SENT
    return seen


def _answer(seen: str, *, terminal: bool) -> str:
    if re.search(r"\[y/n\] \0*$", seen):
        return "y" if terminal else "y\n"
    if re.search(r"'nothing' if it is off\) \0*$", seen):
        return "nothing\n"
    if re.search(r"plug-in monitor\? (\[[^]]*\] )?\0*$", seen):
        return "233 V\n"  # without it nothing passes
    if re.search(r"show on \S+\? (\[[^]]*\] )?\0*$", seen):
        return re.findall(r"on the bench: \S+ shows ([^\r\n\x1b\0]+)", seen)[-1] + "\n"
    return ""


def confirmed(seen: str) -> list[int]:
    """How many Enters were sent at each hook-up that was confirmed, after its prompt was seen."""
    return [len(enters) for enters in re.findall(r"\[Enter (?:when )?done[^]]*\] (\0*)(?:done)?\r?\n", seen)]
