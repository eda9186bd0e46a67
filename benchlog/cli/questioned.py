"""Advice on a reading that looks wrong: questions about slips, and how to continue."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

import msgspec

from benchlog.finding import Finding, FindingKind
from benchlog.result import Verdict

if TYPE_CHECKING:
    from benchlog.metrology.meter_reading import MeterReading
    from benchlog.result import Limits, Result


def with_questions(
    result: Result,
    reading: MeterReading,
    expect: float | None,
    *,
    limits: Limits | None = None,
    mains_nominal_v: float | None = None,
    second: MeterReading | None = None,
) -> Result:
    """Add questions about slips and a ready command line to a result whose reading looks wrong.

    If a prefix was probably forgotten or added, a fail becomes indeterminate.

    Parameters
    ----------
    expect : float or None
        Expected value in the reading's unit; None adds nothing.
    limits : Limits, optional
        A reading within them is accepted without questions.
    mains_nominal_v : float, optional
        Nominal mains, if stated.
    second : MeterReading, optional
        What a second meter shows on the same points.
    """
    if expect is None or _inside(reading, limits):  # the usual case does not need the imports below
        return result

    from benchlog.diagnosis.doubtful import acceptable, possible_slips
    from benchlog.diagnosis.slips import SlipKind
    from benchlog.metrology.next_best import Way, with_ways

    if acceptable(reading, expect, limits):
        return result
    shown = reading.reading
    slips = possible_slips(shown, expect)
    asked = [Finding(FindingKind.ENTRY, slip.noted_of(shown.displayed)) for slip in slips]
    if result.verdict is Verdict.FAIL and any(slip.kind is SlipKind.FACTOR_1000 for slip in slips):
        result = with_ways(
            msgspec.structs.replace(result, verdict=Verdict.INDETERMINATE, reason=asked[0]),
            [Way("look at the unit and prefix on the display, and type it again", 0.9, 0.5)],
        )
    if shown.unit in ("V", "A", "ohm"):
        line = diagnose_line(reading, expect, mains_nominal_v, second)
        asked.append(Finding(FindingKind.ADVICE, f"part or meter? {line}"))
    return msgspec.structs.replace(result, findings=(*result.findings, *asked))


def _inside(reading: MeterReading, limits: Limits | None) -> bool:
    """Whether a reading lies within limits, at least one of which is given."""
    value = reading.reading.value
    if value is None or limits is None or (limits.low is None and limits.high is None):
        return False
    return (limits.low is None or limits.low <= value) and (limits.high is None or value <= limits.high)


def diagnose_line(
    reading: MeterReading,
    expect: float,
    mains_nominal_v: float | None = None,
    second: MeterReading | None = None,
) -> str:
    """Return the command line that diagnoses a reading.

    Parameters
    ----------
    expect : float
        In the reading's unit.
    mains_nominal_v : float, optional
        Left out if it is the default.
    second : MeterReading, optional
        What a second meter shows on the same points.
    """
    from benchlog.diagnosis.case import MAINS_NOMINAL_V
    from benchlog.diagnosis.doubtful import display_text, with_coupling

    shown = reading.reading
    expected = f"{expect:.4g} {shown.unit}{with_coupling(shown.function)}"
    line = f"benchlog diagnose --expect {shlex.quote(expected)} --reading {shlex.quote(display_text(shown))}"
    if mains_nominal_v is not None and mains_nominal_v != MAINS_NOMINAL_V:
        line += f" --mains-nominal {shlex.quote(f'{mains_nominal_v:g} V')}"
    if second is not None:
        line += f" --evidence second_meter={shlex.quote(display_text(second.reading))}"
    return line
