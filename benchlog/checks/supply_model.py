"""What a small wall transformer or supply should show: no-load voltage, source resistance, rectified peak."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

from benchlog.checks.mains import MAINS_TOLERANCE, Mains, unread_mains
from benchlog.metrology.meter_reading import MeterReading
from benchlog.nameplate import Nameplate, Regulation
from benchlog.number_format import format_quantity
from benchlog.result import Limits, Uncertain

#: Two diodes of 0.35 V at a few microamperes: for a voltage rating a small drop is the careful assumption.
DIODE_DROP_V = 0.35
#: Crest factor of real mains, flattened by rectifier loads or not (common practice, no source).
CREST_LOW, CREST_HIGH = 1.36, 1.42
#: Voltage drop of a regulated output and its cable up to the rated current, relative (common practice, no source).
REGULATED_DROP = 0.10

# Regulation (no-load rise over full-load voltage) typical for shape and class, by rated VA.
# Common practice, no source; one published 7 VA type has 0.28 to 0.31, which the interpolation gives as 0.275.
_REGULATION = (
    (3.0, 0.35),
    (5.0, 0.30),
    (10.0, 0.25),
    (20.0, 0.18),
    (40.0, 0.13),
    (80.0, 0.10),
    (120.0, 0.08),
    (225.0, 0.06),
    (500.0, 0.04),
)


def typical_regulation(power_va: float) -> float:
    """Regulation (V_noload - V_fullload)/V_fullload typical of a transformer of that rating.

    Interpolated over the logarithm of the rating; constant beyond the table.

    >>> typical_regulation(40.0)
    0.13
    """
    first, last = _REGULATION[0], _REGULATION[-1]
    if power_va <= first[0]:
        return first[1]
    for (va0, r0), (va1, r1) in itertools.pairwise(_REGULATION):
        if power_va <= va1:
            return r0 + (r1 - r0) * math.log(power_va / va0) / math.log(va1 / va0)
    return last[1]


@dataclass(frozen=True, slots=True)
class Expected:
    """Expected values by the nameplate at the present mains."""

    no_load_v: float  #: Middle of what is expected, volt.
    #: low_v, high_v: Limits of the no-load voltage.
    low_v: float
    high_v: float
    source: str  #: How the values were found, in words.
    source_ohm: float | None = None  #: Typical source resistance; None without a rating.
    source_high_ohm: float | None = None  #: Highest source resistance allowed.
    #: loaded_low_v, loaded_high_v: Limits of a DC output under any load up to the rated one.
    loaded_low_v: float | None = None
    loaded_high_v: float | None = None
    assumptions: tuple[str, ...] = ()
    regulation: Regulation = Regulation.UNKNOWN  #: Kind of output assumed; unknown for AC.
    mains: Mains | None = None  #: Mains the limits scale with; None if it was not read or does not matter.
    mains_unread: bool = False  #: Whether it was not read, though it matters.

    def no_load(self, beside: MeterReading | None = None) -> Uncertain:
        """Expected no-load voltage with the uncertainty of the mains; the limits' width is separate."""
        if self.mains is not None:
            return self.mains.scaled(self.no_load_v, "V", beside)
        if self.mains_unread:
            return unread_mains(self.no_load_v, "V")
        return Uncertain(self.no_load_v, 0.0, 0.0, "V")

    def no_load_limits(self, beside: MeterReading | None = None) -> Limits:
        """Limits of the no-load voltage, with the uncertainty of the expected value."""
        u = self.no_load(beside).standard_uncertainty
        return Limits(self.low_v, self.high_v, "V", f"computed: {self.source}", u)

    def load_limits(self, beside: MeterReading | None = None) -> dict[str, Limits]:
        """Limits of the quantities of a load point; those of a voltage follow the mains as without load."""
        found: dict[str, Limits] = {}
        if self.loaded_low_v is not None:
            source = f"computed: {self.regulation} output up to its rated current, {self.source}"
            u = self.no_load(beside).standard_uncertainty / self.no_load_v * self.loaded_low_v
            found["loaded_voltage"] = Limits(self.loaded_low_v, self.loaded_high_v, "V", source, u)
        if self.source_high_ohm is not None:
            if self.regulation is Regulation.UNKNOWN and self.source_ohm is not None:
                source = f"computed: at most twice the {format_quantity(self.source_ohm, 'ohm')} typical of the rating"
            else:
                source = f"computed: largest drop of the {self.regulation} output up to its rated current"
            found["source_resistance"] = Limits(None, self.source_high_ohm, "ohm", source)
        return found


def expected_supply(
    nameplate: Nameplate,
    mains: Mains | None,
    tolerance: float = 0.06,
    regulation: Regulation = Regulation.UNKNOWN,
) -> Expected:
    """Expected no-load voltage with limits, and source resistance.

    No-load = nameplate x (1 + regulation) x mains/nominal. Without a mains reading the limits are those at nominal mains and
    as uncertain as it may be (±10 %); without a rating they hold any regulation in the table. A DC output that may be
    regulated or not may lie anywhere between the limits of both.

    Parameters
    ----------
    tolerance : float
        Half-width of the limits, relative.
    regulation : Regulation
        Of a DC output, if the nameplate does not say.
    """
    if nameplate.coupling == "dc":
        kind = nameplate.regulation if regulation is Regulation.UNKNOWN else regulation
        if kind is Regulation.REGULATED:
            return _regulated(nameplate, tolerance)
        unregulated = _unregulated(nameplate, mains, tolerance)
        return unregulated if kind is Regulation.UNREGULATED else _either(nameplate, unregulated, tolerance)
    words = [f"nameplate {nameplate.text or f'{nameplate.voltage_v:g} V'}"]
    notes: list[str] = []
    source_ohm = None
    if nameplate.power_va is None:
        low, high = (nameplate.voltage_v * (1 + r) for r in (_REGULATION[-1][1], _REGULATION[0][1]))
        notes.append("no VA rating given: regulation between 4 % and 35 % allowed for")
    else:
        rise = typical_regulation(nameplate.power_va)
        low = high = nameplate.voltage_v * (1 + rise)
        words.append(f"regulation {rise:.3g} typical of {nameplate.power_va:g} VA")
        source_ohm = rise * nameplate.voltage_v**2 / nameplate.power_va
    return replace(
        _at_mains(low, high, mains, tolerance, words, notes),
        source_ohm=source_ohm,
        source_high_ohm=None if source_ohm is None else 2 * source_ohm,
    )


def _at_mains(
    low: float, high: float, mains: Mains | None, tolerance: float, words: list[str], notes: list[str]
) -> Expected:
    """Scale values at nominal mains to the present mains, and add the tolerance."""
    middle = (low + high) / 2
    if mains is None:
        words.append(f"mains not read: nominal ±{MAINS_TOLERANCE * 100:g} %")
        notes.append(f"mains not read: it may be {MAINS_TOLERANCE * 100:g} % off, and the limits with it")
    else:
        low, high, middle = low * mains.scale, high * mains.scale, middle * mains.scale
        words.append(f"mains {mains.volt:g} V, nominal {mains.nominal_v:g} V")
        notes += filter(None, [mains.assumed])
    words.append(f"±{tolerance * 100:g} % for the part")
    return Expected(
        no_load_v=middle,
        low_v=low * (1 - tolerance),
        high_v=high * (1 + tolerance),
        source=", ".join(words),
        assumptions=tuple(notes),
        mains=mains,
        mains_unread=mains is None,
    )


def _regulated(nameplate: Nameplate, tolerance: float) -> Expected:
    """The nameplate's voltage at any load up to the rated one, at any mains voltage."""
    volt = nameplate.voltage_v
    low, high = volt * (1 - tolerance), volt * (1 + tolerance)
    ohm = None if nameplate.current_a is None else REGULATED_DROP * volt / nameplate.current_a
    return Expected(
        no_load_v=volt,
        low_v=low,
        high_v=high,
        source=f"nameplate {nameplate.text}, regulated, ±{tolerance * 100:g} %",
        source_ohm=None if ohm is None else ohm / 2,
        source_high_ohm=ohm,
        loaded_low_v=min(low, volt * (1 - REGULATED_DROP)),
        loaded_high_v=high,
        regulation=Regulation.REGULATED,
    )


def _unregulated(nameplate: Nameplate, mains: Mains | None, tolerance: float) -> Expected:
    """Transformer, rectifier and capacitor: from nameplate voltage at rated current to the peak without load.

    Without load it is at least the transformer's own no-load rise above the nameplate, and at most the peak of the
    transformer's no-load voltage.
    """
    volt = nameplate.voltage_v
    if nameplate.power_va is None:
        least, most = _REGULATION[-1][1], _REGULATION[0][1]
        notes = ["no rating given: regulation between 4 % and 35 % allowed for"]
    else:
        least = most = typical_regulation(nameplate.power_va)
        notes = []
    top = math.sqrt(2) * (1 + most)
    words = [f"nameplate {nameplate.text}", "unregulated: rises to 1.41 times its transformer's no-load"]
    found = _at_mains(volt * (1 + least), volt * top, mains, tolerance, words, notes)
    per_volt = None if nameplate.current_a is None else volt / nameplate.current_a
    scale = 1.0 if mains is None else mains.scale
    return replace(
        found,
        source_ohm=None if per_volt is None else per_volt * (least + top - 1) / 2,
        source_high_ohm=None if per_volt is None else per_volt * (top - 1) * (1 + tolerance),
        loaded_low_v=volt * scale * (1 - tolerance),
        loaded_high_v=found.high_v,
        regulation=Regulation.UNREGULATED,
    )


def _either(nameplate: Nameplate, unregulated: Expected, tolerance: float) -> Expected:
    """A DC output of unknown regulation: anything between the limits of both kinds."""
    regulated = _regulated(nameplate, tolerance)
    return Expected(
        no_load_v=nameplate.voltage_v,
        low_v=regulated.low_v,
        high_v=unregulated.high_v,
        source=f"nameplate {nameplate.text}: {regulated.low_v:.4g} to {regulated.high_v:.4g} V if regulated, "
        f"{unregulated.low_v:.4g} to {unregulated.high_v:.4g} V if not",
        assumptions=unregulated.assumptions,
        mains=unregulated.mains,
        mains_unread=unregulated.mains_unread,
    )
