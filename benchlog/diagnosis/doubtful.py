"""Whether a reading can be accepted as it is, what may have slipped in it, and how the engine takes it."""

from __future__ import annotations

from benchlog.diagnosis.case import plausible
from benchlog.diagnosis.slips import Slip, find_slips
from benchlog.metrology.meter_reading import MeterReading
from benchlog.reading import Function, Reading
from benchlog.result import Limits
from benchlog.units import Quantity


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
    """Return whether a reading can be accepted without being looked into.

    It can when nothing is expected of it, when it lies within its limits, or near enough to what is expected.
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


def possible_slips(reading: Reading, expect: float | None) -> tuple[Slip, ...]:
    """Find slips of hand or eye that would explain a reading; none where it is plausible as it is.

    Parameters
    ----------
    expect : float or None
        In the SI unit of the reading.
    """
    if expect is None or expect == 0 or reading.value is None:
        return ()
    wanted, shown = expected_quantity(expect, reading.function), _quantity(reading)
    return () if plausible(wanted, shown) else find_slips(wanted, shown)


def _quantity(reading: Reading) -> Quantity:
    assert reading.value is not None
    coupling = with_coupling(reading.function).strip()
    return Quantity(reading.value, reading.unit, reading.resolution, coupling, reading.displayed)
