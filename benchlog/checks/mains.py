"""Mains voltage at the time of a supply's reading, with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import msgspec

from benchlog.displayed import parse_displayed
from benchlog.errors import UsageError
from benchlog.influence import Influence, Role
from benchlog.metrology.accuracy import Accuracy
from benchlog.metrology.budget import to_uncertain, uncertain
from benchlog.metrology.meter_reading import MeterReading, same_meter_and_range
from benchlog.reading import Function
from benchlog.result import BudgetLine, Uncertain
from benchlog.units import is_bare

#: Mains may deviate this far from its nominal value (IEC 60038, 230/400 V systems).
MAINS_TOLERANCE = 0.10
#: Mains moves between two readings a minute apart by about this much (standard deviation; common practice, no source).
MAINS_DRIFT = 0.003
#: A reading further off is a slip, or of mains with another nominal value (judgement).
_MAINS_PLAUSIBLE = 0.25
#: Accuracy of a plug-in mains monitor if none is stated (common practice, no source).
PLUG_IN_MONITOR = Accuracy(0.01, 1, "plug-in monitor", assumed=True)


def nominal_mains(mains_v: float) -> float:
    """Nominal mains voltage nearest to a measured one: 100, 120 or 230 V.

    Raises
    ------
    UsageError
        If it is near none of them.
    """
    for nominal in (230.0, 120.0, 100.0):
        if abs(mains_v / nominal - 1) <= 0.13:
            return nominal
    raise UsageError(
        f"mains of {mains_v:g} V is not near any usual nominal voltage",
        hint='check its digits and unit; where the nominal voltage is another one: --mains-nominal "230 V"',
    )


def mains_drift() -> Any:
    """Relative movement of the mains between two readings, as an uncertain number about zero."""
    return uncertain(
        0.0, MAINS_DRIFT, label="mains moving between the readings", influence=Influence(Role.MAINS)
    )


@dataclass(frozen=True, slots=True)
class Mains:
    """Mains voltage in the minute of a reading."""

    reading: MeterReading  #: On AC volts.
    nominal_v: float  #: Nominal voltage.
    nominal_assumed: bool = False  #: Whether the nominal voltage was taken from the reading.

    @classmethod
    def of(cls, reading: MeterReading, nominal_v: float | None = None) -> Mains:
        """Mains as read; the nominal voltage nearest to it where none is given.

        Raises
        ------
        UsageError
            If the reading can't be the mains of that nominal voltage.
        """
        nominal = nominal_mains(reading.value) if nominal_v is None else nominal_v
        if abs(reading.value / nominal - 1) > _MAINS_PLAUSIBLE:
            raise UsageError(
                f"mains of {reading.value:g} V is impossible at {nominal:g} V nominal",
                hint="check both numbers",
            )
        return cls(reading, nominal, nominal_v is None)

    @classmethod
    def typed(
        cls,
        text: str,
        nominal_v: float | None = None,
        accuracy: Accuracy = PLUG_IN_MONITOR,
        meter: str | None = None,
    ) -> Mains:
        """Mains as displayed, on a plug-in monitor if no meter is named."""
        shown = f"{text.strip()} V" if is_bare(text) else text
        reading = parse_displayed(shown, Function.AC_VOLTS, instrument=meter or "mains monitor")
        if reading.value is None or reading.value <= 0:
            raise UsageError(f"mains {text!r} must be above zero", hint="check sign and digits")
        return cls.of(MeterReading(reading, accuracy), nominal_v)

    @property
    def assumed(self) -> str:
        """What nobody stated, in words; empty if everything was."""
        parts = [f"nominal {self.nominal_v:g} V"] if self.nominal_assumed else []
        if self.reading.accuracy.assumed:
            parts.append(f"accuracy {self.reading.accuracy}")
        return f"mains: {' and '.join(parts)} assumed" if parts else ""

    @property
    def volt(self) -> float:
        """Reading, corrected for the meter's known error."""
        return self.reading.best

    @property
    def scale(self) -> float:
        """Mains over its nominal voltage."""
        return self.volt / self.nominal_v

    def to_nominal(self, beside: MeterReading, gain: Any = None) -> Any:
        """Nominal over true mains as an uncertain number, to scale a reading taken beside it.

        Parameters
        ----------
        beside : MeterReading
            The reading that is scaled.
        gain : GTC uncertain real, optional
            Its gain error, which cancels where both were read by one meter on one range.
        """
        shared = gain is not None and same_meter_and_range(self.reading, beside)
        volt = self.reading.with_gain(gain) if shared else self.reading.uncertain()
        return self.nominal_v / (volt * (1 + mains_drift()))

    def scaled(self, value: float, unit: str, beside: MeterReading | None = None) -> Uncertain:
        """What follows the mains, as uncertain as it is at the reading beside it; a shared gain is left out of that.

        Its budget says through which meter it follows, so that a recall of that one finds it.
        """
        settled = self.reading.settled()
        own = settled.standard_uncertainty
        if beside is not None and same_meter_and_range(self.reading, beside):
            own = to_uncertain(self.reading.with_gain(uncertain(0.0, 0.0)), "V").standard_uncertainty
        per_volt = value / self.volt
        left = per_volt * own / settled.standard_uncertainty if settled.standard_uncertainty > 0 else 0.0
        lines = [
            msgspec.structs.replace(
                line,
                contribution=line.contribution * left,
                sensitivity=None if line.sensitivity is None else line.sensitivity * per_volt,
                half_widths=tuple(width * left for width in line.half_widths),
            )
            for line in settled.budget
        ]
        drift = BudgetLine("mains moving between the readings", value * MAINS_DRIFT, Influence(Role.MAINS))
        u = abs(value) * math.hypot(own / self.volt, MAINS_DRIFT)
        return Uncertain(value, u, 2 * u, unit, budget=(*lines, drift))


def unread_mains(value: float, unit: str) -> Uncertain:
    """What follows mains that nobody read: anywhere within the tolerance of its nominal value."""
    width = abs(value) * MAINS_TOLERANCE
    u = width / math.sqrt(3)
    line = BudgetLine("mains, not read", u, Influence(Role.MAINS), half_widths=(width, 0.0, 0.0))
    return Uncertain(value, u, 2 * u, unit, budget=(line,))


def worst_mains_ratio(mains: Mains | None, beside: MeterReading, gain: Any = None) -> Any:
    """Highest mains over the mains at the reading; if that was not read, the lowest is assumed."""
    if mains is None:
        return (1 + MAINS_TOLERANCE) / (1 - MAINS_TOLERANCE)
    return (1 + MAINS_TOLERANCE) * mains.to_nominal(beside, gain)
