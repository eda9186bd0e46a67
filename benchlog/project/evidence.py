"""Writing a result down together with the readings and captures it rests on."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from benchlog.capture import Capture
from benchlog.clock import Clock, rfc3339
from benchlog.logbook import Logbook
from benchlog.reading import Reading
from benchlog.result import Record, Result

__all__ = ["record_result"]


def record_result(
    book: Logbook,
    clock: Clock,
    result: Result,
    *,
    readings: Sequence[Reading] = (),
    captures: Sequence[Capture] = (),
) -> Result:
    """Write a result and its evidence into an open logbook, all or nothing; returns it with time, evidence and place."""
    now, mono = clock.utc_ns(), clock.monotonic_ns()
    evidence = list(result.evidence)
    with book.transaction():
        if readings:
            stamped = [r if r.utc_ns else r.stamped(r.instrument, now, mono) for r in readings]
            evidence.append(f"readings:{book.append_readings(stamped).seq}")
        evidence.extend(f"capture:{book.append_capture(capture).seq}" for capture in captures)
        result = msgspec.structs.replace(result, time=result.time or rfc3339(now), evidence=tuple(evidence))
        entry = book.append_result(result)
    return msgspec.structs.replace(result, record=Record(str(book.path), entry.seq, f"sha256:{entry.digest}"))
