"""A reading that a check may rest on: frames in a row that agree, and, where asked, a display at rest."""

from __future__ import annotations

from collections import deque

from benchlog.adapter import Reader
from benchlog.errors import ReadTimeoutError
from benchlog.reading import Reading, agree

__all__ = ["STABLE_COUNT", "read_stable"]

STABLE_COUNT = 3  # readings in a row within two counts: the display has settled; common practice, no source


def read_stable(reader: Reader, timeout_s: float, count: int = 2, *, stable: bool = False) -> Reading:
    """Return the last of `count` consecutive readings that agree (see `benchlog.reading.agree`).

    One frame is never enough: a flipped bit can turn a digit into another.

    Parameters
    ----------
    reader : Reader
        An open meter.
    timeout_s : float
        Seconds for all of it; a meter that takes long over each reading gets as many of them as are needed.
    count : int
        Agreeing readings in a row, at least 2.
    stable : bool
        Wait for a settled display: at least three in a row within two counts.

    Raises
    ------
    ReadTimeoutError
        If nothing came, or nothing agreed, in time; the message shows what came.
    InstrumentError
        Whatever the reader raises.
    """
    count = max(count, STABLE_COUNT if stable else 2)
    clock = reader.clock
    end_ns = clock.monotonic_ns() + round(timeout_s * 1e9)
    latest: deque[Reading] = deque(maxlen=count)
    before_ns = clock.monotonic_ns()
    while (left_s := (end_ns - clock.monotonic_ns()) / 1e9) > 0:
        reading = reader.read(left_s)
        if reading is None:
            break
        now_ns = clock.monotonic_ns()
        if not latest:
            end_ns = max(end_ns, now_ns + count * (now_ns - before_ns))
        latest.append(reading)
        if len(latest) == count and agree(latest):
            return reading
    if not latest:
        raise ReadTimeoutError(
            f"no reading within {timeout_s:g} s",
            hint="check that the meter is on and its link is switched on; a slow meter needs a longer --wait",
            instrument=reader.instrument,
        )
    shown = ", ".join(r.displayed for r in latest)
    if len(latest) < count:
        raise ReadTimeoutError(
            f"{len(latest)} reading(s) within {timeout_s:g} s ({shown}), {count} are needed",
            hint="give it more time, or read it by eye and type what it shows",
            instrument=reader.instrument,
        )
    raise ReadTimeoutError(
        f"no {count} readings in a row agreed within {timeout_s:g} s; the last were {shown}",
        hint="hold the probes still and let the display settle; look at the contact and at the meter's battery",
        instrument=reader.instrument,
    )
