"""One reading from a linked meter once its display has settled, shown while it moves."""

from __future__ import annotations

from collections.abc import Iterator

from benchlog.adapter import Reader
from benchlog.errors import ReadTimeoutError
from benchlog.guide.person import Person
from benchlog.guide.settling import Settle, Settling
from benchlog.reading import Origin, Reading
from benchlog.stable_reading import STABLE_COUNT

__all__ = ["SETTLE_S", "KeyPressedError", "read_settled"]

SETTLE_S = 20.0
_LOOK_S = 0.25  # keys are looked at so often while the meter is silent
_MOST_READINGS = 2000
_KEYS = ("t", "s", "u", "q")
_WAITING = (Settle.NEAR_ZERO, Settle.OVERLOAD)


class KeyPressedError(Exception):
    """The person pressed a key while a display was settling; the message is the key."""


def read_settled(
    reader: Reader, person: Person, *, timeout_s: float = SETTLE_S, expect: float | None = None
) -> Reading:
    """Return the reading that a display settles on; a drop-out is never it.

    Parameters
    ----------
    reader : Reader
        An open meter; what waits in its link from before is thrown away.
    person : Person
        Sees the value while it moves, and may press t (type it instead), s, u or q.
    timeout_s : float
        Seconds for all of it; a meter that takes long over each reading gets as many of them as are needed.
    expect : float, optional
        What is expected, in the SI unit.

    Raises
    ------
    KeyPressedError
        When one of those keys was pressed.
    ReadTimeoutError
        If nothing came, nothing settled, or the contact was lost and did not come back.
    InstrumentError
        Whatever the reader raises.
    """
    settling = Settling(expect)
    shown: list[str] = []
    word = Settle.MOVING
    for reading in _readings(reader, person, timeout_s):
        before, word = word, settling.update(reading)
        shown = [*shown[-2:], reading.displayed]
        if word is Settle.STEADY:
            return reading
        if word is Settle.DROP_OUT and before is not Settle.DROP_OUT:
            person.show(
                f"  {reader.instrument}: {reading.displayed}, dropped out; not taken, hold the tips on"
            )
        person.live(_line(reading, word, settling))
    raise _unsettled(reader, timeout_s, shown, word)


def _readings(reader: Reader, person: Person, timeout_s: float) -> Iterator[Reading]:
    """Yield what comes within the time, nothing that was sent before it."""
    yield from _drain(reader)
    clock = reader.clock
    end_ns = clock.monotonic_ns() + round(timeout_s * 1e9)
    silent_s = 0.0  # waited for in vain, for clocks that only move by hand
    start_ns, first = clock.monotonic_ns(), True
    for _ in range(_MOST_READINGS):
        left_s = min((end_ns - clock.monotonic_ns()) / 1e9, timeout_s - silent_s)
        if left_s <= 0:
            return
        reading = reader.read(min(_LOOK_S, left_s))
        key = person.pressed().lower()
        if key in _KEYS and key:
            raise KeyPressedError(key)
        if reading is None:
            silent_s += min(_LOOK_S, left_s)
        else:
            silent_s = 0.0
            if first:
                now_ns = clock.monotonic_ns()
                end_ns = max(end_ns, now_ns + STABLE_COUNT * (now_ns - start_ns))
                first = False
            yield reading


def _drain(reader: Reader) -> Iterator[Reading]:
    """Throw away frames that came while leads were moved; a recorded stream has none of these."""
    for _ in range(_MOST_READINGS):
        reading = reader.read(0.0)
        if reading is None:
            return
        if reading.origin is Origin.FILE:
            yield reading
            return


def _line(reading: Reading, word: Settle, settling: Settling) -> str:
    """The live line: tag, value, function, and how far it has settled in a shape and a word."""
    n = settling.in_row
    dots = "●" * n + "○" * (3 - n)
    flags = "".join(f" [{flag.value}]" for flag in sorted(reading.flags) if flag.value != "auto range")
    tail = f"{word}, held for a while" if word in _WAITING else str(word)
    return f"  {reading.instrument}  {reading.displayed} {reading.function}{flags}  {dots} {tail}"


def _unsettled(reader: Reader, timeout_s: float, shown: list[str], word: Settle) -> ReadTimeoutError:
    if not shown:
        message, hint = (
            f"no reading within {timeout_s:g} s",
            "check that the meter is on and its link is switched on",
        )
    elif word is Settle.DROP_OUT:
        message, hint = (
            f"dropped out, and stayed so within {timeout_s:g} s (last {', '.join(shown)}); nothing was taken",
            "make the contact again: clip, tip, jack",
        )
    else:
        message, hint = (
            f"did not settle within {timeout_s:g} s (last {', '.join(shown)})",
            "hold the tips still; look at the contact and at the meter's battery",
        )
    return ReadTimeoutError(message, hint, instrument=reader.instrument)
