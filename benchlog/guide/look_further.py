"""Diagnose the reading of a check that is already judged: its result stays, part or meter is found."""

from __future__ import annotations

from contextlib import suppress

from benchlog.checks.near_zero import usual_value
from benchlog.diagnosis import parse_evidence
from benchlog.diagnosis.session import READ_AGAIN
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.dialogue import SkippedError
from benchlog.guide.doubt import MeterDiagnosis
from benchlog.number_format import format_quantity
from benchlog.reading import Reading
from benchlog.result import Result
from benchlog.units import parse_quantity

_NOTHING = 0.1  # share of what another meter shows: judgement


def look_further(
    acquisition: Acquisition, result: Result, key: str, mains_nominal_v: float | None
) -> MeterDiagnosis | None:
    """Diagnose a reading of a check that is already judged, without changing its result; None without expectation.

    It is the last reading, or that of the meter that others contradict, or that shows next to nothing beside another.
    """
    doubt = _gone_on(acquisition, result, key, mains_nominal_v) or _begun(
        acquisition, result, key, mains_nominal_v
    )
    if doubt is None:
        acquisition.person.show("  the plan has no expected value for this reading: use benchlog diagnose")
        return None
    expect = doubt.session.case.expect
    acquisition.person.show(
        f"  about {doubt.first.displayed}, where {format_quantity(expect.value, expect.unit)} was expected"
    )
    doubt.ask_on()
    with suppress(SkippedError):  # the check itself is done
        doubt.offer_battery(key)
    doubt.note_doubt()
    return doubt


def _gone_on(
    acquisition: Acquisition, result: Result, key: str, mains_nominal_v: float | None
) -> MeterDiagnosis | None:
    """The diagnosis made before the result was judged, with its answers; None without one."""
    earlier = result.details.get("diagnosis") or {}
    first = [r for r, _ in acquisition.kept if r.displayed == earlier.get("reading")]
    expect = parse_quantity(earlier["expect"], what="expectation").value if first else None
    if not expect:
        return None
    doubt = MeterDiagnosis.begun(
        acquisition, first[0], expect, key, mains_nominal_v, str(earlier.get("beside", ""))
    )
    acquisition.person.show("  What was found before the result still counts.")
    for action, text in earlier["path"]:
        if action != READ_AGAIN or doubt.decided:
            doubt.session.update(parse_evidence((action, text)))
    return doubt


def _begun(
    acquisition: Acquisition, result: Result, key: str, mains_nominal_v: float | None
) -> MeterDiagnosis | None:
    """A diagnosis of a reading; None without an expected value."""
    shown, tag = acquisition.doubtful_reading(result.details.get("odd_one_out") or ""), ""
    if shown is None:
        return None
    expect = acquisition.expected or _expected(result, shown)
    if result.check == "crosscheck":
        shown, beside = _examined(acquisition, shown)
        acquisition.person.show(
            f"  Is {shown.instrument} wrong? {beside.displayed} by {beside.instrument} counts as expected; "
            f"if the expected value is wrong, {beside.instrument} is."
        )
        expect, tag = beside.value, beside.instrument
    return MeterDiagnosis.begun(acquisition, shown, expect, key, mains_nominal_v, tag) if expect else None


def _examined(acquisition: Acquisition, shown: Reading) -> tuple[Reading, Reading]:
    """Of two meters on the same points, which one to examine, and the other: one that shows next to nothing comes first."""
    others = (r for r, _ in reversed(acquisition.kept) if r.instrument != shown.instrument)
    beside = next(r for r in others if r.function == shown.function)
    nothing = abs(beside.value or 0.0) < _NOTHING * abs(shown.value or 0.0)
    return (beside, shown) if nothing else (shown, beside)


def _expected(result: Result, reading: Reading) -> float | None:
    """The middle of a result's limits in a reading's unit, or the only limit."""
    for limits in result.limits.values():
        if limits.unit == reading.unit and (usual := usual_value(limits)) is not None:
            return usual
    return None
