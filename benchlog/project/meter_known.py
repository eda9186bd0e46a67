"""Context for a diagnosis from the record: did the meter pass or fail a check standard?"""

from __future__ import annotations

from collections.abc import Iterable

from benchlog.logbook.chain import Entry
from benchlog.project.meter_doubt import DOUBT_KINDS, MeterDoubts

STANDARD_FAILED, STANDARD_PASSED = "standard failed", "standard passed"
_SITTING_NS = (
    12 * 3600 * 1_000_000_000
)  # a check standard read within these hours counts as today's: judgement


def known_of_meter(entries: Iterable[Entry], meter: str, function: str, now_utc_ns: int) -> tuple[str, ...]:
    """Return the diagnosis context that the record gives for a meter.

    Parameters
    ----------
    entries : iterable of Entry
        In order; kinds of `DOUBT_KINDS` matter.
    function : str
        Of the reading, like ``"V="``.

    Returns
    -------
    tuple of str
        ``"standard failed"`` while a failed check standard or a recall puts the meter in doubt on this function;
        ``"standard passed"`` if it read a check standard correctly on this very function in the last hours.
    """
    known = [e for e in entries if e.kind in DOUBT_KINDS]
    if MeterDoubts(known).of(meter, function) is not None:
        return (STANDARD_FAILED,)
    superseded = {int(e.body["entry"]) for e in known if e.kind == "supersede"}
    passed = any(
        e.kind == "standard"
        and e.seq not in superseded
        and e.body.get("meter") == meter
        and e.body.get("function") == function
        and e.body.get("verdict") == "pass"
        and 0 <= now_utc_ns - e.utc_ns <= _SITTING_NS
        for e in known
    )
    return (STANDARD_PASSED,) if passed else ()
