"""Advice on a reading that looks wrong: questions about slips, and how to continue."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

import msgspec

from benchlog.finding import Finding, FindingKind
from benchlog.result import Verdict

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterable, Sequence

    from benchlog.bench import Bench
    from benchlog.metrology.meter_reading import MeterReading
    from benchlog.result import Limits, Result


#: What settles a reading that looks like a slip.
_READ_AGAIN = "read the display again: digits, point, prefix; --as-read keeps the value"

_TYPE_ALL = ("type all the digits that the display shows", 0.8, 0.2)


def add_as_read(parser: argparse._ActionsContainer) -> None:
    """Add the option that insists on a value which looks like a slip."""
    parser.add_argument(
        "--as-read",
        action="store_true",
        help="the display was read again: take the value although it is 10x or 1000x off",
    )


def with_questions(
    result: Result,
    reading: MeterReading,
    expect: float | None,
    *,
    limits: Limits | None = None,
    than: str = "the expected value",
    as_read: bool = False,
    mains_nominal_v: float | None = None,
    second: MeterReading | None = None,
) -> Result:
    """Add questions about slips and a ready command line to a result whose reading looks wrong.

    A typed reading that looks like a slip of the decimal point or the prefix condemns nothing: its fail becomes
    indeterminate.

    Parameters
    ----------
    expect : float or None
        What was expected, in the reading's unit, where that is known.
    limits : Limits, optional
        A reading within them is accepted without questions.
    than : str
        What it is that was expected, in words.
    as_read : bool
        Whether the person read the display again and keeps the value.
    mains_nominal_v : float, optional
        Nominal mains, if stated.
    second : MeterReading, optional
        What a second meter shows on the same points.
    """
    if _inside(reading, limits) or (expect is None and limits is None):
        return result  # the usual case does not need the imports below

    from benchlog.diagnosis.doubtful import acceptable, possible_slips, unless_misread

    if expect is not None and acceptable(reading, expect, limits):
        return result
    shown = reading.reading
    slips = possible_slips(shown, expect, than=than, limits=limits)
    asked = [Finding(FindingKind.ENTRY, slip.noted_of(shown.displayed)) for slip in slips]
    if expect is not None and shown.unit in ("V", "A", "ohm"):
        line = diagnose_line(reading, expect, mains_nominal_v, second)
        asked.append(Finding(FindingKind.ADVICE, f"part or meter? {line}"))
    result = msgspec.structs.replace(result, findings=(*result.findings, *asked))
    return result if as_read else unless_misread(result, shown.displayed, slips, _READ_AGAIN)


def with_slip(result: Result, reading: MeterReading, expect: float, limits: Limits, than: str) -> Result:
    """Make a result indeterminate where one of several typed readings looks like a slip.

    Parameters
    ----------
    expect : float
        About what was expected, in the reading's unit; a slip would put it there, or within the limits.
    than : str
        What it is that was expected, in words.
    """
    if _inside(reading, limits):
        return result
    from benchlog.diagnosis.doubtful import possible_slips, unless_misread

    slips = possible_slips(reading.reading, expect, than=than, limits=limits)
    if result.verdict is Verdict.PASS and any(slip.kind.power_of_ten for slip in slips):
        result = msgspec.structs.replace(result, verdict=Verdict.INDETERMINATE)
    return unless_misread(result, reading.reading.displayed, slips, _READ_AGAIN)


def with_digits(
    result: Result, readings: Iterable[MeterReading], bench: Bench, *, fewer_withhold: bool = False
) -> Result:
    """Ask about typed readings with other digits than their meter shows, by the bench file.

    With more they can't be from that display, so nothing is decided by them; fewer only make a result less sure.

    Parameters
    ----------
    fewer_withhold : bool
        Whether the result would be another with all digits.
    """
    for one in readings:
        if not (doubt := bench.other_digits(one.reading)):
            continue
        from benchlog.diagnosis.doubtful import withheld
        from benchlog.metrology.next_best import Way, ways_to_settle, with_ways

        more = one.reading.resolution < (bench.display_step(one.reading) or 0.0)
        if more or fewer_withhold:
            result = withheld(result, doubt, _READ_AGAIN)
        else:
            noted = Finding(FindingKind.ENTRY, doubt)
            result = msgspec.structs.replace(result, findings=(*result.findings, noted))
            result = with_ways(result, [Way(*_TYPE_ALL), *ways_to_settle(result)])
    return result


def with_same_digits(result: Result, readings: Sequence[MeterReading | None], bench: Bench) -> Result:
    """Ask about typed readings with fewer digits than another one that the same meter took on the same range.

    Parameters
    ----------
    readings : sequence of MeterReading
        Those without a tag are of one meter if their accuracy is the same.
    """
    from itertools import permutations

    from benchlog.displayed import digits_left_out

    asked = []
    for coarse, fine in permutations(filter(None, readings), 2):
        same = fine.reading.instrument == coarse.reading.instrument and fine.accuracy == coarse.accuracy
        if same and bench.display_step(coarse.reading) is None:  # else `with_digits` knows more
            asked.append(digits_left_out(coarse.reading, fine.reading))
    said = (
        f"{words} Type all digits shown; --as-read keeps the value" for words in dict.fromkeys(asked) if words
    )
    return msgspec.structs.replace(
        result, findings=(*result.findings, *(Finding(FindingKind.ENTRY, words) for words in said))
    )


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
