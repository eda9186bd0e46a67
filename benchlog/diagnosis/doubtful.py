"""Whether a reading can be accepted as it is, which slip it may contain, and how the engine gets it."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from benchlog.diagnosis.case import plausible
from benchlog.diagnosis.slips import Slip, SlipKind, find_slips
from benchlog.finding import Finding, FindingKind
from benchlog.metrology.meter_reading import MeterReading
from benchlog.metrology.next_best import Way, with_ways
from benchlog.reading import Function, Origin, Reading
from benchlog.result import Limits, Result, Verdict
from benchlog.units import Quantity

_LARGE_PREFIXES = {"k": 1e3, "K": 1e3, "M": 1e6}
_READ_AGAIN = (
    0.9,
    0.5,
)  # how often reading a display again settles a slip, and in how many minutes; judgement


def with_coupling(function: Function) -> str:
    """Return ``" ac"`` or ``" dc"``, empty where the function is neither."""
    return f" {function.coupling}" if function.coupling else ""


def display_text(reading: Reading) -> str:
    """Return what the display shows, with unit and ac or dc, in the form that the diagnosis reads."""
    if reading.value is None:
        return "OL"
    digits = f"{reading.value:.9g}"
    if reading.resolution > 0:
        exponent = int(f"{reading.resolution:e}".partition("e")[2])
        digits = f"{reading.value:.{max(0, -exponent)}f}"
    return f"{digits} {reading.unit}{with_coupling(reading.function)}"


def expected_quantity(expect: float, function: Function) -> Quantity:
    """Return an expected value as the slip questions and the diagnosis take it."""
    return Quantity(
        expect,
        function.unit,
        0.0,
        with_coupling(function).strip(),
        f"{expect:.4g} {function.unit}{with_coupling(function)}",
    )


def acceptable(reading: MeterReading, expect: float | None, limits: Limits | None = None) -> bool:
    """Return whether a reading can be accepted without a diagnosis.

    It can if no value is expected, if it lies within its limits, or if it is near enough to the expected value.
    """
    if expect is None or expect == 0:
        return True
    shown = reading.reading
    if shown.value is None:
        return False
    if limits is not None and (limits.low is not None or limits.high is not None):
        low = -float("inf") if limits.low is None else limits.low
        high = float("inf") if limits.high is None else limits.high
        if low <= shown.value <= high:
            return True
    wanted = expected_quantity(expect, shown.function)
    return plausible(wanted, _quantity(shown), reading.settled().standard_uncertainty)


def possible_slips(
    reading: Reading,
    expect: float | None,
    *,
    than: str = "the expected value",
    limits: Limits | None = None,
) -> tuple[Slip, ...]:
    """Find slips of hand or eye that would explain a reading; none where it is plausible as it is.

    Parameters
    ----------
    expect : float or None
        In the SI unit of the reading.
    than : str
        What the reading is compared with, in words.
    limits : Limits, optional
        A value that a slip would put within them is as good as the expected one.
    """
    if reading.value is None:
        return ()
    if not expect:
        return _slips_by_limits(reading, limits)
    wanted, shown = expected_quantity(expect, reading.function), _quantity(reading)
    if plausible(wanted, shown):
        return ()
    by_hand = reading.origin is Origin.HAND  # a link moves no decimal point
    return tuple(
        slip
        for slip in find_slips(wanted, shown, than=than, span=_span(limits))
        if by_hand or not slip.kind.power_of_ten
    )


def _span(limits: Limits | None) -> tuple[float, float] | None:
    return None if limits is None or limits.low is None or limits.high is None else (limits.low, limits.high)


def _slips_by_limits(reading: Reading, limits: Limits | None) -> tuple[Slip, ...]:
    """Ask about a typed value that would be within its limits if point or prefix were another."""
    if limits is None or reading.value is None or reading.origin is not Origin.HAND:
        return ()
    span = _span(limits)
    if span is None:
        return _prefix_too_many(reading, limits)
    if span[0] <= reading.value <= span[1]:
        return ()
    middle = expected_quantity((span[0] + span[1]) / 2, reading.function)
    found = find_slips(middle, _quantity(reading), than="what its limits allow", span=span)
    return tuple(slip for slip in found if slip.kind.power_of_ten)


def _prefix_too_many(reading: Reading, limits: Limits) -> tuple[Slip, ...]:
    """Ask about a typed k or M without which a reading would be within its only limit, an upper one."""
    if limits.high is None or limits.low is not None:
        return ()
    for prefix, factor in _LARGE_PREFIXES.items():
        if prefix in reading.displayed and abs(reading.value or 0.0) / factor <= limits.high:
            words = f"within the limit without its {prefix}: is that {prefix} on the display?"
            return (Slip(SlipKind.FACTOR_1000, words),)
    return ()


def unless_misread(result: Result, shown: str, slips: Sequence[Slip], remedy: str) -> Result:
    """Turn a fail into indeterminate if its typed reading may be a slip of the point or the prefix.

    Parameters
    ----------
    shown : str
        The reading as typed.
    slips : sequence of Slip
        Possible slips in it; other kinds than powers of ten change nothing.
    remedy : str
        What settles it.
    """
    misread = next((slip for slip in slips if slip.kind.power_of_ten), None)
    if misread is None or result.verdict not in (Verdict.FAIL, Verdict.INDETERMINATE):
        return result
    return withheld(result, misread.noted_of(shown), remedy)


def withheld(result: Result, words: str, remedy: str) -> Result:
    """Make a result indeterminate because of a doubt about what was typed; reading it again settles that."""
    doubt = Finding(FindingKind.ENTRY, words)
    findings = result.findings if doubt in result.findings else (*result.findings, doubt)
    verdict = Verdict.INDETERMINATE
    result = msgspec.structs.replace(result, verdict=verdict, reason=words, because=words, findings=findings)
    return with_ways(result, [Way(remedy, *_READ_AGAIN)])


def _quantity(reading: Reading) -> Quantity:
    assert reading.value is not None
    coupling = with_coupling(reading.function).strip()
    return Quantity(reading.value, reading.unit, reading.resolution, coupling, reading.displayed)
