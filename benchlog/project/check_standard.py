"""A meter against a check standard: by its specification (E_n), and by its own earlier readings (chart).

Pure: a reading, the standard's value and the earlier entries of kind ``standard`` in, a frozen judgement out.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from benchlog.checks.meter_pairs import E_N_LIMITS
from benchlog.clock import DAY_NS
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.logbook.chain import Entry
from benchlog.metrology.charts import BASELINE_READINGS, ChartPoint, ChartSignal, repeatability_chart
from benchlog.metrology.conformity import e_n
from benchlog.metrology.meter_reading import MeterReading, correction
from benchlog.number_format import format_quantity
from benchlog.project.meter_doubt import ROUND_NS, last_good, says_nothing
from benchlog.project.recall import Failure
from benchlog.reading import Origin
from benchlog.result import Result, Uncertain, Verdict
from benchlog.units import Quantity

_CLEARLY = 0.1  # standards that differ by this share can't show the same digits
_FAR_OFF = 0.2  # a slip is asked about for meters off by up to this share of the standard: judgement
_NEAR = 0.7  # from this E_n a warning says that the limit is near: judgement


@dataclass(frozen=True, slots=True)
class StandardValue:
    """A check standard: `value` in SI units and the half-width of its error, taken as uniform."""

    tag: str
    value: float
    half_width: float
    unit: str

    @property
    def expanded(self) -> float:
        """Expanded uncertainty at k = 2."""
        return 2.0 * self.half_width / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class StandardCheck:
    """Outcome of one check-standard reading."""

    meter: str
    function: str
    standard: StandardValue
    reading: MeterReading
    difference: float  #: Reading minus standard, SI.
    error: float  #: The same relative to the standard.
    e_n: float
    point: ChartPoint
    verdict: Verdict  #: Pass while \\|E_n\\| is at most 1, if the reading has digits enough; the chart warns but does not fail.
    findings: tuple[Finding, ...]  #: What the person should know.
    utc_ns: int  #: When it was read.

    def body(self, *, as_left: bool, note: str = "") -> dict[str, Any]:
        """Return the body of the logbook entry."""
        return {
            "meter": self.meter,
            "standard": self.standard.tag,
            "function": self.function,
            "displayed": self.reading.reading.displayed,
            "value": self.reading.value,
            "resolution": self.reading.reading.resolution,
            "standard_value": self.standard.value,
            "standard_half_width": self.standard.half_width,
            "unit": self.standard.unit,
            "accuracy": str(self.reading.accuracy),
            "error": self.error,
            "e_n": self.e_n,
            "verdict": str(self.verdict),
            "chart": {
                "deviation": self.point.deviation,
                "smoothed": self.point.smoothed,
                "signal": str(self.point.signal),
                "why": self.point.why,
            },
            "as": "left" if as_left else "found",
            "findings": [str(f) for f in self.findings],
            "finding_kinds": [str(f.kind) for f in self.findings],
            "note": note,
        }

    def result(self, *, as_left: bool) -> Result:
        """Return the check as a result, for screen and JSON."""
        u = abs(self.difference / self.e_n) / 2 if self.e_n else 0.0
        relation = {
            Verdict.PASS: "within its specification",
            Verdict.FAIL: "outside its specification",
            Verdict.INDETERMINATE: "too few digits to tell whether that is within its specification",
        }[self.verdict]
        known = format_quantity(self.standard.value, self.standard.unit)
        return Result(
            check="standard",
            verdict=self.verdict,
            reason=f"{self.meter} shows {self.reading.reading.displayed} on {self.standard.tag}, {known}: {relation}",
            quantities={
                "e_n": Uncertain(abs(self.e_n), 0.0, 0.0, "1"),
                "difference": Uncertain(self.difference, u, 2 * u, self.standard.unit),
            },
            limits={"e_n": E_N_LIMITS},
            rule="|E_n| <= 1 at k = 2 (ISO/IEC 17043); chart: warn 2, act 3, EWMA 0.3 and 2.7",
            instruments=(self.meter,),
            functions={self.meter: self.function},
            findings=self.findings,
            details={
                "standard": self.standard.tag,
                "as": "left" if as_left else "found",
                "relative_error": self.error,
                "chart": {
                    "deviation": self.point.deviation,
                    "smoothed": self.point.smoothed,
                    "centre": self.point.centre,
                    "sigma": self.point.sigma,
                    "signal": str(self.point.signal),
                },
            },
        )


def check_standard(
    reading: MeterReading,
    standard: StandardValue,
    history: Sequence[Entry],
    now_utc_ns: int,
    *,
    as_left: bool = False,
    step: float | None = None,
) -> StandardCheck:
    """Judge one reading of a check standard.

    Parameters
    ----------
    history : sequence of Entry
        Entries of kind ``standard``, in order, of any meter.
    now_utc_ns : int
        Time of this reading.
    as_left : bool
        After a new battery or an adjustment: the chart starts again.
    step : float, optional
        One count where the meter shows such a value, in the reading's unit, if that is known.

    Raises
    ------
    UsageError
        If the reading is in another unit than the standard.
    """
    if reading.reading.unit != standard.unit:
        raise UsageError(
            f"{standard.tag} is in {standard.unit}, the reading in {reading.reading.unit}",
            hint="measure it on the function that the standard is for",
        )
    meter, function = reading.reading.instrument, str(reading.reading.function)
    mine = [
        e
        for e in history
        if (e.body["meter"], e.body["standard"], e.body["function"]) == (meter, standard.tag, function)
        and not says_nothing(e)  # one coarse reading would make the chart coarse for good
    ]
    expanded = 2.0 * reading.accuracy.standard_uncertainty(reading.value, reading.reading.resolution)
    number = e_n(reading.value, expanded, standard.value, standard.expanded)
    resolution = max([reading.reading.resolution, *(float(e.body["resolution"]) for e in mine)])
    values = [float(e.body["value"]) for e in mine] + [reading.value]
    restarts = [i for i, e in enumerate(mine) if e.body["as"] == "left"] + ([len(mine)] if as_left else [])
    point = repeatability_chart(values, resolution, restarts=restarts)[-1]
    if point.readings < BASELINE_READINGS and abs(number) < _NEAR:
        # The repeatability is still assumed, not measured: such an alarm counts only together with E_n.
        point = dataclasses.replace(point, signal=ChartSignal.QUIET, why="")
    verdict = Verdict.PASS if abs(number) <= 1.0 else Verdict.FAIL
    findings = _assumed(reading, standard)
    if verdict is Verdict.PASS and _too_coarse(reading, step):
        verdict = Verdict.INDETERMINATE
        findings.append(Finding(FindingKind.ENTRY, "give all the digits that the display shows"))
    findings += _findings(number, point, mine, now_utc_ns, verdict, as_left)
    findings += _frozen(reading, standard, history, now_utc_ns)
    difference = reading.value - standard.value
    return StandardCheck(
        meter,
        function,
        standard,
        reading,
        difference,
        difference / standard.value,
        number,
        point,
        verdict,
        tuple(findings),
        now_utc_ns,
    )


def _too_coarse(reading: MeterReading, step: float | None) -> bool:
    """Whether the digits left out hide more than the specification allows."""
    if step is None:
        return False
    return reading.reading.resolution / 2 > reading.accuracy.bound(reading.value, step)


def _assumed(reading: MeterReading, standard: StandardValue) -> list[Finding]:
    """What nobody stated of meter and standard: the score depends on it."""
    found = correction(dataclasses.replace(reading, known=None))
    if standard.half_width == 0:
        words = f"no uncertainty of {standard.tag} is stated: taken as exact (--uncertainty)"
        found.append(Finding(FindingKind.ASSUMPTION, words))
    return found


def _findings(
    number: float, point: ChartPoint, mine: Sequence[Entry], now_utc_ns: int, verdict: Verdict, as_left: bool
) -> list[Finding]:
    found: list[Finding] = []
    if point.signal is not ChartSignal.QUIET:
        word = "alarm" if point.signal is ChartSignal.ACT else "warning"
        found.append(Finding(FindingKind.CHART, f"chart {word}: {point.why}"))
    if verdict is Verdict.PASS and abs(number) >= _NEAR:
        found.append(
            Finding(
                FindingKind.NEAR_LIMIT,
                f"E_n {abs(number):.2f}: within its specification, but close to the limit",
            )
        )
    last = mine[-1] if mine else None
    if last is None:
        return found
    if as_left and last.body["as"] == "found":
        found.append(
            Finding(
                FindingKind.ADJUSTED,
                f"as found E_n {abs(float(last.body['e_n'])):.2f}, as left {abs(number):.2f}",
            )
        )
        return found
    before, days = float(last.body["e_n"]), (now_utc_ns - last.utc_ns) / DAY_NS
    growth = abs(number) - abs(before)
    same_side = number * before >= 0
    if (
        verdict is Verdict.PASS
        and point.signal is not ChartSignal.QUIET
        and growth > 0
        and same_side
        and days >= 1
    ):
        left = (1.0 - abs(number)) / growth * days
        found.append(
            Finding(
                FindingKind.TREND,
                f"at this rate it will be out of spec in about {left:.0f} days: change the battery, recheck",
            )
        )
    return found


def _frozen(
    reading: MeterReading, standard: StandardValue, history: Sequence[Entry], now_utc_ns: int
) -> list[Finding]:
    """Say when a meter showed the same digits on standards of clearly different value, minutes apart."""
    shown = reading.reading
    same = {
        str(e.body["standard"]): float(e.body["standard_value"])
        for e in history
        if e.body["meter"] == shown.instrument
        and e.body["unit"] == shown.unit
        and float(e.body["value"]) == reading.value
        and now_utc_ns - e.utc_ns <= ROUND_NS
    }
    same[standard.tag] = standard.value
    low, high = min(same.values()), max(same.values())
    if high - low <= _CLEARLY * max(abs(low), abs(high)):
        return []
    names = ", ".join(same)
    shows = (
        f"{shown.instrument} shows {shown.displayed} on {len(same)} standards of different value ({names})"
    )
    return [
        Finding(FindingKind.FROZEN, f"{shows}: the display may be frozen (hold, or a meter that has crashed)")
    ]


def typing_slip(reading: MeterReading, standard: StandardValue) -> str:
    """Question about a typed reading a power of ten off its standard, or of the other sign, before the meter is blamed."""
    from benchlog.diagnosis.slips import SlipKind, find_slips

    shown = reading.reading
    if shown.origin is not Origin.HAND:
        return ""  # a linked meter loses neither prefix nor sign
    wanted = Quantity(standard.value, standard.unit, 0.0, "", f"{standard.value:g} {standard.unit}")
    typed = Quantity(reading.value, shown.unit, shown.resolution, "", shown.displayed)
    span = (abs(standard.value) * (1 - _FAR_OFF), abs(standard.value) * (1 + _FAR_OFF))
    sign = {SlipKind.SIGN} if span[0] <= abs(reading.value) <= span[1] else set()
    found = find_slips(wanted, typed, span=span)
    asked = [slip.question for slip in found if slip.kind.power_of_ten or slip.kind in sign]
    if not asked:
        return ""
    return f"{shown.displayed} on {standard.tag}, {format_quantity(standard.value, standard.unit)}, is {asked[0]}"


def failure_of(check: StandardCheck, history: Sequence[Entry], found_entry: int) -> Failure:
    """Return the failure that starts a recall: since when the meter may be wrong, and by how much.

    Parameters
    ----------
    history : sequence of Entry
        Entries of kind ``standard`` before this one.
    found_entry : int
        Entry of the failing reading.
    """
    failing = (check.standard.tag, check.utc_ns)
    last = last_good(history, check.meter, check.function, failing=failing)
    errors = (float(last.body["error"]) if last else 0.0, check.error)
    since = f"last good in entry {last.seq}" if last else "no good check before"
    return Failure(
        check.meter,
        check.function,
        last_good=last.seq if last else 0,
        found=found_entry,
        error_low=min(errors),
        error_high=max(errors),
        why=f"E_n {abs(check.e_n):.2f} on {check.standard.tag}, {since}",
    )
