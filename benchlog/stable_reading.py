"""A reading that a check may rest on: one rule for a settled display, whoever asks for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from benchlog.adapter import Reader
from benchlog.errors import ReadTimeoutError
from benchlog.reading import Origin, Reading
from benchlog.settling import Settle, Settling

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
    """Return the reading that a display settles on; a drop-out is never it, and one frame is never enough.

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
    """Throw away frames that came while leads were moved; a recorded stream has none of these."""
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
            f"dropped out, and stayed so within {timeout_s:g} s (last {', '.join(shown)}); nothing was taken",
            "make the contact again: clip, tip, jack",
        )
    else:
        message, hint = (
            f"did not settle within {timeout_s:g} s (last {', '.join(shown)})",
            "hold the tips still; look at the contact and at the meter's battery",
        )
    return ReadTimeoutError(message, hint, instrument=reader.instrument)
