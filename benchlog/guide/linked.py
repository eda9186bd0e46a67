"""One settled reading from a linked meter; the value is shown while it settles."""

from __future__ import annotations

from benchlog.adapter import Reader
from benchlog.guide.person import Person
from benchlog.reading import Reading
from benchlog.stable_reading import SETTLE_S, Settle, Settling, read_settled

_KEYS = ("t", "s", "u", "q")
_WAITING = (Settle.NEAR_ZERO, Settle.OVERLOAD)


class KeyPressedError(Exception):
    """The user pressed a key while a display was settling; the message is the key."""


def read_shown(
    reader: Reader, person: Person, *, timeout_s: float = SETTLE_S, expect: float | None = None
) -> Reading:
    """Return the reading that a display settles on, as `read_settled` does.

    Parameters
    ----------
    reader : Reader
        An open meter.
    person : Person
        Sees the value while it settles, and may press t (type it instead), s, u or q.
    timeout_s, expect : float
        As for `read_settled`.

    Raises
    ------
    KeyPressedError
        If one of those keys was pressed.
    ReadTimeoutError, InstrumentError
        As `read_settled` does.
    """
    before = Settle.MOVING

    def watch(reading: Reading | None, word: Settle, settling: Settling) -> None:
        nonlocal before
        key = person.pressed().lower()
        if key and key in _KEYS:
            raise KeyPressedError(key)
        if reading is None:
            return
        if word is Settle.DROP_OUT and before is not Settle.DROP_OUT:
            person.show(f"  {reading.instrument}: {reading.displayed}, dropped out: hold the tips on")
        before = word
        person.live(_line(reading, word, settling))

    return read_settled(reader, timeout_s, expect=expect, watch=watch)


def _line(reading: Reading, word: Settle, settling: Settling) -> str:
    """The live line: tag, value, function, and a sign and word for how far it has settled."""
    n = settling.in_row
    dots = "●" * n + "○" * (3 - n)
    flags = "".join(f" [{flag.value}]" for flag in sorted(reading.flags) if flag.value != "auto range")
    tail = f"{word}, held for a while" if word in _WAITING else str(word)
    return f"  {reading.instrument}  {reading.displayed} {reading.function}{flags}  {dots} {tail}"
