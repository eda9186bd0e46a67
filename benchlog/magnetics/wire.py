"""Round copper winding wire: AWG, SWG and metric sizes, diameter over enamel, resistance at temperature.

>>> wire = parse_wire("AWG 24")
>>> round(wire.diameter_m * 1e3, 5), round(wire.resistance_per_m() * 1e3, 3)
(0.51056, 84.215)
>>> parse_wire("SWG 22").name, parse_wire("0.5 mm").name
('SWG 22', '0.5 mm')

References
----------
AWG: diameter of size n is 0.005 inch x 92^((36 - n) / 39) (ASTM B258), taken exactly. Wire tables come in two
families; this is the one of exact geometric diameters. Tables computed from diameters rounded to 0.1 mil
differ by 0.4 % at AWG 22 and 2.9 % at AWG 40.
Copper: 1/58 ohm mm²/m at 20 °C and 0.00393 per kelvin (International Annealed Copper Standard, IEC 60028).
SWG diameters: legal standard gauge of 1883, from memory.
Enamel: maximum overall diameters of IEC 60317-0-1, grades 1 and 2, from memory, interpolated.
"""

from __future__ import annotations

import math
import re

import msgspec

from benchlog.errors import UsageError
from benchlog.units import parse_quantity

COPPER_OHM_M = 1e-6 / 58  # IACS, 20 °C
COPPER_PER_K = 3.93e-3  # of the resistance at 20 °C

_INCH_M = 0.0254
_WIDEST_M = 12e-3
_SWG_THOU = {
    **dict(enumerate((128, 116, 104, 92, 80, 72, 64, 56, 48, 40, 36, 32, 28, 24, 22, 20, 18), 10)),
    **dict(enumerate((16.4, 14.8, 13.6, 12.4, 11.6, 10.8, 10.0, 9.2, 8.4, 7.6, 6.8, 6.0, 5.2), 27)),
    **dict(enumerate((4.8, 4.4, 4.0, 3.6, 3.2, 2.8, 2.4, 2.0, 1.6, 1.2, 1.0), 40)),
}
# Bare diameter, most that enamel of grade 1 and of grade 2 adds to it; millimetre.
_ENAMEL_MM = (
    (0.05, 0.010, 0.016),
    (0.1, 0.017, 0.025),
    (0.2, 0.026, 0.039),
    (0.315, 0.034, 0.052),
    (0.4, 0.039, 0.059),
    (0.5, 0.044, 0.066),
    (0.8, 0.055, 0.084),
    (1.0, 0.062, 0.094),
    (1.6, 0.070, 0.106),
    (2.0, 0.074, 0.112),
)


class Wire(msgspec.Struct, frozen=True):
    """One size of round copper wire."""

    name: str  #: As a person writes it, ``"AWG 24"``.
    diameter_m: float  #: Of the bare copper.
    enamelled_m: float | None = None  #: Over the enamel, when measured or known.

    @property
    def area_m2(self) -> float:
        """Cross-section of the copper."""
        return math.pi / 4 * self.diameter_m**2

    def over_enamel_m(self, grade: int = 2) -> float:
        """Diameter over the enamel: the known one, else the largest the grade allows.

        The largest of grade 2 is the careful assumption for what fits on a core.

        Parameters
        ----------
        grade : {1, 2}
            Enamel build, 2 the thicker.
        """
        if self.enamelled_m is not None:
            return self.enamelled_m
        if grade not in (1, 2):
            raise UsageError(f"enamel grade {grade} is not known", hint="grades here are 1 and 2")
        import numpy as np  # here, since reading a plan needs wire sizes but no enamel

        bare, *added = np.log(np.array(_ENAMEL_MM)).T
        added_mm = np.exp(np.interp(math.log(self.diameter_m * 1e3), bare, added[grade - 1]))
        return self.diameter_m + float(added_mm) * 1e-3

    def resistance_per_m(self, temperature_degc: float = 20.0) -> float:
        """Resistance of one metre at a temperature, ohm."""
        return COPPER_OHM_M / self.area_m2 * copper_factor(temperature_degc)


def copper_factor(temperature_degc: float) -> float:
    """Resistance of copper at a temperature over that at 20 °C.

    >>> round(copper_factor(70.0), 4)
    1.1965
    """
    return 1 + COPPER_PER_K * (temperature_degc - 20.0)


def awg_diameter_m(gauge: int) -> float:
    """Bare diameter of an American wire gauge size; 2/0 is -1, 4/0 is -3."""
    return 0.005 * _INCH_M * math.pow(92.0, (36 - gauge) / 39)


def parse_wire(text: str, *, enamelled_m: float | None = None) -> Wire:
    """Read a wire size: ``"AWG 24"``, ``"SWG 22"`` or a bare diameter such as ``"0.5 mm"``.

    Parameters
    ----------
    text : str
        The size; the gauge may come before or after its number.
    enamelled_m : float, optional
        Diameter over the enamel, when measured.

    Raises
    ------
    UsageError
        If the size is unknown or the enamelled wire would be thinner than its copper.
    """
    words = text.strip()
    match = re.fullmatch(r"(?i)(awg|swg)\s*#?\s*(\d+(?:/0)?)|#?\s*(\d+(?:/0)?)\s*(awg|swg)", words)
    if match:
        gauge, number = (match.group(1) or match.group(4)).upper(), match.group(2) or match.group(3)
        diameter = _gauge_diameter_m(gauge, number, text)
        name = f"{gauge} {number}"
    else:
        try:
            diameter = parse_quantity(words, "m", what="wire").value
        except UsageError as error:
            raise UsageError(
                f"wire {text!r} is not a size", hint="write it like 'AWG 24', 'SWG 22' or '0.5 mm'"
            ) from error
        # A bare "24" would be read as metres; the gauge was forgotten.
        if not 0.02e-3 <= diameter <= _WIDEST_M:
            raise UsageError(
                f"wire {text!r} is {diameter:g} m thick",
                hint="write it like 'AWG 24', 'SWG 22' or '0.5 mm'",
            )
        name = f"{diameter * 1e3:g} mm"
    if enamelled_m is not None and enamelled_m < diameter:
        raise UsageError(
            f"over its enamel the wire can't be {enamelled_m * 1e3:g} mm: the copper is {diameter * 1e3:.3f} mm",
            hint="measure over the enamel, with a micrometer",
        )
    return Wire(name, diameter, enamelled_m)


def _gauge_diameter_m(gauge: str, number: str, text: str) -> float:
    size = 1 - int(number.removesuffix("/0")) if number.endswith("/0") else int(number)
    if gauge == "AWG":
        if -3 <= size <= 50:
            return awg_diameter_m(size)
        raise UsageError(f"wire {text!r} is outside AWG 4/0 to 50", hint="check the gauge number")
    if size in _SWG_THOU and not number.endswith("/0"):
        return _SWG_THOU[size] * 1e-3 * _INCH_M
    raise UsageError(f"wire {text!r} is outside SWG 10 to 50", hint="write the diameter, such as '3.2 mm'")
