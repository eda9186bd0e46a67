"""What a small wall transformer or supply should show: no-load voltage, source resistance, rectified peak."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from benchlog.errors import UsageError
from benchlog.units import Nameplate

__all__ = [
    "DIODE_DROP_V",
    "MAINS_TOLERANCE",
    "Expected",
    "expected_supply",
    "nominal_mains",
    "rectified_peak",
    "typical_regulation",
]

#: Two diodes of 0.35 V at a few microamperes: the small drop is the careful assumption for a voltage rating.
DIODE_DROP_V = 0.35
#: Mains may be this far off its nominal value (IEC 60038, 230/400 V systems).
MAINS_TOLERANCE = 0.10

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

    Interpolated over the logarithm of the rating, held constant beyond the table.

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
    """What the nameplate promises at the mains of the moment.

    `no_load_v` is the middle, `low_v`..`high_v` the limits; `source_ohm` is None without a rating;
    `source` says in words where it comes from.
    """

    no_load_v: float
    low_v: float
    high_v: float
    source_ohm: float | None
    source: str
    assumptions: tuple[str, ...]


def nominal_mains(mains_v: float) -> float:
    """Nominal mains voltage that a measured one belongs to: 100, 120 or 230 V.

    Raises
    ------
    UsageError
        If it is near none of them.
    """
    for nominal in (230.0, 120.0, 100.0):
        if abs(mains_v / nominal - 1) <= 0.13:
            return nominal
    raise UsageError(
        f"mains of {mains_v:g} V belongs to no nominal voltage known here",
        hint='say it with --mains-nominal "230 V"',
    )


def expected_supply(
    nameplate: Nameplate, mains_v: float | None, mains_nominal_v: float | None, tolerance: float = 0.06
) -> Expected:
    """Expected no-load voltage with limits, and source resistance.

    No-load = nameplate x (1 + regulation) x mains/nominal. What isn't known widens the limits instead of
    being guessed: mains not read is +-10 %, no rating is a regulation anywhere in the table, and a DC
    nameplate may belong to a regulated supply (nameplate) or not (up to the peak of the rectified no-load).
    """
    low = high = middle = nameplate.voltage_v
    notes: list[str] = []
    words = [f"nameplate {nameplate.text or f'{nameplate.voltage_v:g} V'}"]
    regulation = None if nameplate.power_va is None else typical_regulation(nameplate.power_va)
    if nameplate.coupling == "dc":
        top = math.sqrt(2) * (1 + (regulation if regulation is not None else _REGULATION[0][1]))
        low, high, middle = low * 0.95 / (1 - tolerance), high * top, nameplate.voltage_v
        notes.append("a DC nameplate does not tell whether the supply is regulated: wide limits")
    elif regulation is None:
        r_low, r_high = _REGULATION[-1][1], _REGULATION[0][1]
        low, high = low * (1 + r_low), high * (1 + r_high)
        middle = (low + high) / 2
        notes.append("no VA rating given: regulation between 4 % and 35 % allowed for")
    else:
        low = high = middle = middle * (1 + regulation)
        words.append(f"regulation {regulation:.3g} typical of {nameplate.power_va:g} VA")
    if mains_v is None:
        low, high = low * (1 - MAINS_TOLERANCE), high * (1 + MAINS_TOLERANCE)
        notes.append("mains not read: limits widened by its ±10 %; read it in the same minute to narrow them")
    else:
        if mains_nominal_v is None:
            mains_nominal_v = nominal_mains(mains_v)
            notes.append(f"nominal mains taken as {mains_nominal_v:g} V")
        if not 0.5 < mains_v / mains_nominal_v < 1.5:
            raise UsageError(
                f"mains of {mains_v:g} V on a nominal {mains_nominal_v:g} V can't be",
                hint="check both numbers",
            )
        scale = mains_v / mains_nominal_v
        low, high, middle = low * scale, high * scale, middle * scale
        words.append(f"mains {mains_v:g} V of {mains_nominal_v:g} V")
    words.append(f"±{tolerance * 100:g} %")
    source_ohm = None
    if regulation is not None and nameplate.power_va and nameplate.coupling == "ac":
        source_ohm = regulation * nameplate.voltage_v**2 / nameplate.power_va
    return Expected(
        no_load_v=middle,
        low_v=low * (1 - tolerance),
        high_v=high * (1 + tolerance),
        source_ohm=source_ohm,
        source=", ".join(words),
        assumptions=tuple(notes),
    )


def rectified_peak(no_load_rms_v: float, mains_ratio: float = 1.0) -> float:
    """Peak DC voltage behind a bridge and a capacitor without load, volt.

    sqrt 2 times the no-load voltage (a sine) times `mains_ratio`, less two diode drops.

    >>> round(rectified_peak(27.75), 1)
    38.5
    """
    return math.sqrt(2) * no_load_rms_v * mains_ratio - 2 * DIODE_DROP_V
