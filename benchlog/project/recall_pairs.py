"""Comparison of meters repeated by calculation, with the reading of a bad one corrected.

A gain error shifts the difference by error times reading; it does not scale E_n.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from benchlog.number_format import format_span
from benchlog.result import Result


class ShiftedPair(msgspec.Struct, frozen=True):
    """One pair that includes the bad meter, over the range of its error."""

    #: first, second: Differences are first minus second.
    first: str
    second: str
    #: low, high: Range of the true difference, SI.
    low: float
    high: float
    #: e_n_low, e_n_high: Resulting range of \\|E_n\\|.
    e_n_low: float
    e_n_high: float
    shift: float  #: Largest change of the difference, in units of its expanded uncertainty at k = 2.
    unit: str

    @property
    def words(self) -> str:
        """Describe the corrected pair."""
        return (
            f"{self.first} minus {self.second} corrected to {format_span(self.low, self.high, self.unit)}, "
            f"E_n {self.e_n_low:.2f} to {self.e_n_high:.2f}"
        )


def shifted_pairs(
    result: Result, instrument: str, errors: tuple[float, float]
) -> tuple[ShiftedPair, ...] | None:
    """Compare again with the bad meter corrected; None if the result has too little detail.

    Parameters
    ----------
    result : Result
        Of kind ``crosscheck``: `details` has each meter's value and each pair's difference and E_n.
    instrument : str
        The bad meter.
    errors : tuple of float
        Bounds of its relative error.
    """
    meters: Mapping[str, Any] = result.details.get("meters", {})
    pairs = [p for p in result.details.get("pairs", ()) if instrument in (p.get("first"), p.get("second"))]
    unit = result.quantities["difference"].unit if "difference" in result.quantities else ""
    if not pairs or instrument not in meters or not unit:
        return None
    value = float(meters[instrument]["value"])
    found = []
    for pair in pairs:
        difference, e_n = float(pair["difference"]), float(pair["e_n"])
        # Unit of E_n; if the difference was zero, the stated uncertainty is used.
        width = abs(difference) / e_n if e_n > 0 else float(pair["expanded_uncertainty"])
        if not width > 0:
            return None
        sign = 1.0 if pair["first"] == instrument else -1.0
        shifts = [sign * (value / (1.0 + e) - value) for e in errors]
        low, high = difference + min(shifts), difference + max(shifts)
        least = 0.0 if low <= 0 <= high else min(abs(low), abs(high)) / width
        found.append(
            ShiftedPair(
                str(pair["first"]),
                str(pair["second"]),
                low,
                high,
                least,
                max(abs(low), abs(high)) / width,
                max(map(abs, shifts)) / width,
                unit,
            )
        )
    return tuple(found)
