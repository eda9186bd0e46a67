"""The one rule for a settled display, whose reading a check may use.

`Settling` is that rule: readings go in, a state for each comes out. A reading is taken once the display has settled, but not
if it settled because contact was lost.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from enum import StrEnum

from benchlog.adapter import Reader
from benchlog.errors import ReadTimeoutError
from benchlog.reading import Function, Origin, Reading, State, agree

#: Readings in a row within two counts: the display has settled; common practice, no source.
STABLE_COUNT = 3
#: A steady display that looks like no contact is taken only after this time; judgement.
HELD_S = 5.0
_HELD_READINGS = 12
_GAP_S = 1.5
_COLLAPSE = 0.1
_NEAR_ZERO = 0.05
_COUNTS = 20.0  # below this a value is too few counts to collapse from


class Settle(StrEnum):
    """State of the settling after a reading."""

    MOVING = "settling"
    STEADY = "steady"
    NEAR_ZERO = "near zero: contact?"
    OVERLOAD = "overload"
    DROP_OUT = "dropped out: contact?"
    GAP = "link gap"


class Settling:
    """Watches one display until its reading may be taken.

    Three readings in a row within two counts are steady (common practice, no source). Never steady is a value
    that collapsed below a tenth of what was shown before, overload after numbers, or what stands on two sides of
    a gap in the link. A display that is near zero or overloaded from the start may be the truth, and is steady after
    `HELD_S`.

    Parameters
    ----------
    expect : float, optional
        What is expected, in the SI unit.
    """

    def __init__(self, expect: float | None = None) -> None:
        self._expect = expect
        self._window: deque[Reading] = deque(maxlen=STABLE_COUNT)
        self._last: Reading | None = None
        self._longest_s = 0.0
        self._high = 0.0
        self._held_since: int | None = None
        self._held = 0

    @property
    def in_row(self) -> int:
        """Readings in a row that agree, so far."""
        items = list(self._window)
        for n in range(len(items), 1, -1):
            if agree(items[-n:]):
                return n
        return min(len(items), 1)

    @property
    def high(self) -> float:
        """Largest value that two readings in a row bore out."""
        return self._high

    def update(self, reading: Reading) -> Settle:
        """Take the next reading; returns the new state."""
        gap = self._gap(reading)
        last, self._last = self._last, reading
        if last is not None and last.function is not reading.function:
            self._high = 0.0  # the dial was turned: earlier readings are another quantity
            gap = False
            self._window.clear()
            self._held_since = None
        if gap:
            self._window.clear()
            self._held_since = None
        word = self._drop_out(reading)
        if word is not None:
            self._window.clear()
            self._held_since = None
            return word
        self._remember(reading, last)
        self._window.append(reading)
        if gap:
            return Settle.GAP
        steady = len(self._window) == STABLE_COUNT and agree(self._window)
        return self._judge(reading, steady)

    def _gap(self, reading: Reading) -> bool:
        """Whether the link was silent for longer than it usually is."""
        if self._last is None:
            return False
        pause_s = (reading.mono_ns - self._last.mono_ns) / 1e9
        usual = self._longest_s
        self._longest_s = max(usual, pause_s)
        return pause_s > max(_GAP_S, 3 * usual)

    def _drop_out(self, reading: Reading) -> Settle | None:
        if self._high <= 0:
            return None
        if reading.state is not State.OK:
            return Settle.DROP_OUT
        assert reading.value is not None
        fell = abs(reading.value) < _COLLAPSE * self._high and self._high > _COUNTS * reading.resolution
        return Settle.DROP_OUT if fell and _of_a_source(reading.function) else None

    def _remember(self, reading: Reading, last: Reading | None) -> None:
        """Update the largest value only by two readings: one wrong frame must not set it."""
        if last is None or reading.value is None or last.value is None:
            return
        if reading.function is last.function:
            self._high = max(self._high, min(abs(reading.value), abs(last.value)))

    def _judge(self, reading: Reading, steady: bool) -> Settle:
        doubtful = self._doubtful(reading)
        if doubtful is None:
            self._held_since = None
            return Settle.STEADY if steady else Settle.MOVING
        if self._held_since is None:
            self._held_since, self._held = reading.mono_ns, 0
        self._held += 1
        held_ns = reading.mono_ns - self._held_since
        # A clock that is moved by hand may not advance while readings come: then they count instead.
        long_enough = held_ns >= HELD_S * 1e9 or (held_ns == 0 and self._held >= _HELD_READINGS)
        if steady and long_enough:
            return Settle.STEADY
        return doubtful

    def _doubtful(self, reading: Reading) -> Settle | None:
        if reading.value is None:
            return Settle.OVERLOAD
        if self._expect is None or not _of_a_source(reading.function):
            return None
        near = abs(reading.value) < _NEAR_ZERO * abs(self._expect)
        return Settle.NEAR_ZERO if near else None


def _of_a_source(function: Function) -> bool:
    """Whether a value near zero may mean that the tips have no contact."""
    return function.is_volts or function.is_current


SETTLE_S = 20.0
_LOOK_S = 0.25  # a silent meter's watcher is called so often
_MOST_READINGS = 2000
_SLOW_READINGS = 4  # three agree when steady, and one that was begun before may be off

#: Sees each reading with what it does to the settling, and None each quarter second that a meter is silent.
Watch = Callable[[Reading | None, Settle, Settling], None]


def _nobody(reading: Reading | None, word: Settle, settling: Settling) -> None:
    """Watch nothing."""


def read_settled(
    reader: Reader, timeout_s: float = SETTLE_S, *, expect: float | None = None, watch: Watch = _nobody
) -> Reading:
    """Return the reading that a display settles on; never a drop-out, and never from a single frame.

    Parameters
    ----------
    reader : Reader
        An open meter; what waits in its link from before is thrown away.
    timeout_s : float
        Seconds for all of it; a meter that takes long over the first reading gets as long for each that is needed.
    expect : float, optional
        What is expected, in the SI unit: near zero is then held longer.
    watch : callable, optional
        See `Watch`; what it raises ends the wait.

    Raises
    ------
    ReadTimeoutError
        If nothing came, nothing settled, or the contact was lost and did not come back; the message shows what came.
    InstrumentError
        Whatever the reader raises.
    """
    settling = Settling(expect)
    shown: list[str] = []
    word = Settle.MOVING
    for reading in _readings(reader, timeout_s):
        if reading is not None:
            word = settling.update(reading)
            shown = [*shown[-2:], reading.displayed]
        watch(reading, word, settling)
        if reading is not None and word is Settle.STEADY:
            return reading
    raise _unsettled(reader, timeout_s, shown, word)


def _readings(reader: Reader, timeout_s: float) -> Iterator[Reading | None]:
    """Yield what comes within the time, nothing that was sent before it; None while nothing comes."""
    yield from _drain(reader)
    clock = reader.clock
    start_ns, first = clock.monotonic_ns(), True
    end_ns = start_ns + round(timeout_s * 1e9)
    silent_s = 0.0  # waited for in vain, for clocks that only move by hand
    for _ in range(_MOST_READINGS):
        left_s = min((end_ns - clock.monotonic_ns()) / 1e9, timeout_s - silent_s)
        if left_s <= 0:
            return
        reading = reader.read(min(_LOOK_S, left_s))
        silent_s = 0.0 if reading is not None else silent_s + min(_LOOK_S, left_s)
        if reading is not None and first:
            first, now_ns = False, clock.monotonic_ns()
            end_ns = max(end_ns, now_ns + _SLOW_READINGS * (now_ns - start_ns))
        yield reading


def _drain(reader: Reader) -> Iterator[Reading]:
    """Drop frames that arrived while leads were moved; a replayed stream has none."""
    for _ in range(_MOST_READINGS):
        reading = reader.read(0.0)
        if reading is None:
            return
        if reading.origin is Origin.FILE:
            yield reading
            return


def _unsettled(reader: Reader, timeout_s: float, shown: list[str], word: Settle) -> ReadTimeoutError:
    if not shown:
        message, hint = (
            f"no reading within {timeout_s:g} s",
            "check that the meter is on and its link is switched on; give one that is slow longer with --wait",
        )
    elif word is Settle.DROP_OUT:
        message, hint = (
            f"dropped out, and did not come back within {timeout_s:g} s (last {', '.join(shown)}); no reading was taken",
            "check the contact: clip, tip, jack",
        )
    else:
        message, hint = (
            f"did not settle within {timeout_s:g} s (last {', '.join(shown)})",
            "hold the tips still; look at the contact and at the meter's battery",
        )
    return ReadTimeoutError(message, hint, instrument=reader.instrument)
