"""Recording of a check-standard reading, and the recall if the meter fails."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from benchlog.bench import Standard
from benchlog.errors import UsageError
from benchlog.logbook import EntryRef, Logbook
from benchlog.logbook.recalled import RECALL_KINDS, Recalls
from benchlog.metrology.meter_reading import MeterReading
from benchlog.project.check_standard import StandardCheck, StandardValue, check_standard, failure_of
from benchlog.project.recall import Failure, Recall, recall_results
from benchlog.project.wrong_standard import recall_standard
from benchlog.result import Verdict
from benchlog.units import parse_quantity


def standard_of(known: Standard) -> StandardValue:
    """Value of a check standard of the bench file."""
    return standard_value(known.tag, known.value, known.uncertainty)


def standard_value(tag: str, value: str, uncertainty: str) -> StandardValue:
    """Value of a check standard from text; `uncertainty` is the half-width, relative or in its unit.

    Raises
    ------
    UsageError
        If they can't be read or don't fit together.
    """
    nominal = parse_quantity(value, what="nominal value")
    half = parse_quantity(uncertainty, what="uncertainty")
    if nominal.value == 0 or half.value < 0 or half.unit not in ("1", nominal.unit):
        raise UsageError(
            f"standard {tag}: {value!r} with uncertainty {uncertainty!r} can't be used",
            hint="write them like '5.000 V dc' and '0.05 %' or '2.5 mV'",
        )
    width = half.value * abs(nominal.value) if half.unit == "1" else half.value
    return StandardValue(tag, nominal.value, width, nominal.unit)


def record_standard(
    book: Logbook,
    reading: MeterReading,
    standard: StandardValue,
    now_utc_ns: int,
    *,
    as_left: bool = False,
    note: str = "",
    undoable: Sequence[str] = (),
    step: float | None = None,
) -> tuple[StandardCheck, EntryRef, Recall | None]:
    """Judge a reading of a check standard and record it, with a recall if the meter fails.

    Parameters
    ----------
    book : Logbook
        Open for writing.
    as_left : bool
        After a new battery or an adjustment.
    note : str
        Kept with the reading.
    undoable : sequence of str
        Hold points whose step can be undone.
    step : float, optional
        One count where the meter shows such a value, if that is known.
    """
    with book.transaction():
        superseded = book.superseded()
        history = [e for e in book.entries("standard") if e.seq not in superseded]
        check = check_standard(reading, standard, history, now_utc_ns, as_left=as_left, step=step)
        ref = book.append("standard", check.body(as_left=as_left, note=note))
        recall = None
        if check.verdict is Verdict.FAIL:
            recall = record_recall(book, failure_of(check, history, ref.seq), undoable)
    return check, ref, recall


def record_exploratory(
    book: Logbook, reading: MeterReading, standard: StandardValue, question: str
) -> EntryRef:
    """Record a reading that may be a slip, to be asked about first; no recall."""
    shown = reading.reading
    return book.append(
        "exploratory",
        {
            "meter": shown.instrument,
            "standard": standard.tag,
            "function": str(shown.function),
            "displayed": shown.displayed,
            "value": reading.value,
            "standard_value": standard.value,
            "unit": standard.unit,
            "question": question,
        },
    )


def record_recall(book: Logbook, failure: Failure, undoable: Sequence[str] = ()) -> Recall:
    """Record which results used a meter; one recalled before is listed again only if it is now judged worse."""
    entries = list(book.entries(("result", "supersede", "release", "concession", "step")))
    standards = list(book.entries("standard"))
    if any(e.body["standard"] == failure.instrument for e in standards):
        recall = recall_standard(entries, standards, failure, undoable)
    else:
        recall = recall_results(entries, failure, undoable=undoable)
    before = Recalls(book.entries(RECALL_KINDS))
    new = tuple(r for r in recall.results if r.is_worse_than(before.of(r.entry), failure))
    recall = msgspec.structs.replace(recall, results=new, known=len(recall.results) - len(new))
    book.append("recall", recall.body())
    return recall
