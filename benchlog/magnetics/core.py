"""Toroidal cores: dimensions, effective path and area, inductance of one turn from the geometry.

>>> core = parse_core("25x15x10")
>>> round(core.path_m * 1e3, 2), round(core.effective_area_m2(fill=0.75) * 1e6, 2)
(61.5, 37.5)
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from benchlog.errors import UsageError
from benchlog.units import parse_number

MU_0 = 4e-7 * math.pi  # H/m; the 2019 SI value differs in the tenth digit


@dataclass(frozen=True, slots=True)
class Toroid:
    """A toroid of rectangular section; outer and inner diameter and height include no coating, all metre."""

    outer_m: float
    inner_m: float
    height_m: float
    coating_m: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.inner_m < self.outer_m:
            raise UsageError(
                f"a core of {self.outer_m * 1e3:g} mm outside and {self.inner_m * 1e3:g} mm inside is not a toroid",
                hint="write outer x inner diameter x height in mm, such as 25x15x10",
            )
        if self.height_m <= 0 or self.coating_m < 0:
            raise UsageError(
                f"a core can't be {self.height_m * 1e3:g} mm high with a coating of {self.coating_m * 1e3:g} mm",
                hint="height must be above zero, coating zero or more",
            )
        if self.window_m <= 0:
            raise UsageError(
                f"a coating of {self.coating_m * 1e3:g} mm would fill the hole of {self.inner_m * 1e3:g} mm",
                hint="the coating is the thickness on one side",
            )

    @property
    def window_m(self) -> float:
        """Diameter of the hole inside the coating."""
        return self.inner_m - 2 * self.coating_m

    @property
    def path_m(self) -> float:
        """Effective magnetic path: pi (OD - ID) / ln(OD / ID), the path on which H is the mean over the section."""
        return math.pi * (self.outer_m - self.inner_m) / math.log(self.outer_m / self.inner_m)

    def effective_area_m2(self, fill: float = 1.0) -> float:
        """Magnetic cross-section; `fill` is the part that is core material, about 0.75 for wound tape."""
        return self.height_m * (self.outer_m - self.inner_m) / 2 * fill

    def al_h(self, relative_permeability: float, fill: float = 1.0) -> float:
        """Inductance of one turn from the geometry, henry.

        Good for a sanity check only: material tables and coatings differ by 10 % and more.

        >>> round(parse_core("25x15x10").al_h(80_000, fill=0.75) * 1e6, 1)
        61.3
        """
        return MU_0 * relative_permeability * self.effective_area_m2(fill) / self.path_m


def permeability(al_h: float, path_m: float, area_m2: float) -> float:
    """Relative permeability that a measured inductance of one turn means, from path and area."""
    return al_h * path_m / (MU_0 * area_m2)


def parse_core(text: str, *, coating_m: float = 0.0) -> Toroid:
    """Read a core as outer diameter x inner diameter x height in millimetres, ``"25x15x10"``.

    Raises
    ------
    UsageError
        If there are not three numbers, or no toroid has these dimensions.
    """
    parts = re.split(r"[x×*]", text.strip().lower().removesuffix("mm").strip())
    if len(parts) != 3:
        raise UsageError(
            f"core {text!r} is not three numbers",
            hint="write outer x inner diameter x height in mm, such as 25x15x10",
        )
    try:
        outer, inner, height = (parse_number(p.strip().removesuffix("mm").strip())[0] * 1e-3 for p in parts)
    except UsageError as error:
        raise UsageError(
            f"core {text!r}: {error.message}",
            hint="write outer x inner diameter x height in mm, such as 25x15x10",
        ) from error
    return Toroid(outer, inner, height, coating_m)
