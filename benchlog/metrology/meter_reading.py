"""A meter's reading with its accuracy statement, and its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from benchlog.errors import AnalysisError
from benchlog.finding import Finding, FindingKind
from benchlog.influence import Influence, Role
from benchlog.metrology.accuracy import Accuracy
from benchlog.metrology.budget import to_uncertain, uncertain, uniform
from benchlog.metrology.known_error import AT_REST, KnownError
from benchlog.number_format import format_quantity, format_uncertain
from benchlog.reading import Flag, Reading, State
from benchlog.result import Uncertain

_NO_NUMBER = {
    State.INVALID: "the meter sent no valid number: look at its screen, then read again",
    State.UNDERLOAD: "choose a lower range",
}


def no_number_hint(reading: Reading) -> str:
    """What to do about a display that shows no number."""
    return _NO_NUMBER.get(reading.state, "choose a higher range, or check leads and connection")


@dataclass(frozen=True, slots=True)
class MeterReading:
    """One reading, the accuracy of its meter, and what checks showed of the meter's error.

    `value` is as displayed; uncertain numbers are corrected by what is known.
    """

    reading: Reading
    accuracy: Accuracy
    known: KnownError | None = field(default=None, kw_only=True)

    @property
    def value(self) -> float:
        """The number shown, in the SI unit.

        Raises
        ------
        AnalysisError
            If the display shows none (overload).
        """
        if self.reading.value is None:
            raise AnalysisError(
                f"the display shows {self.reading.displayed!r}: no number to work with",
                hint=no_number_hint(self.reading),
            )
        return self.reading.value

    @property
    def name(self) -> str:
        """Name of the meter in budgets and texts."""
        return self.reading.instrument or "meter"

    @property
    def best(self) -> float:
        """The number shown, corrected by what is known of the meter."""
        return self.value if self.known is None else self.value - self.known.value

    def uncertain(self) -> Any:
        """Uncertain number of a single reading: the whole bound as one uniform half-width, or the known error."""
        if self.known is not None:
            label = f"accuracy of {self.name} ({self.accuracy}; known by {', '.join(self.known.by)})"
            return self.value + self.known.whole(label, self.influence(Role.READING), self.value)
        u = self.accuracy.standard_uncertainty(self.value, self.reading.resolution)
        assumed = " assumed" if self.accuracy.assumed else ""
        return uncertain(
            self.value,
            u,
            label=f"accuracy of {self.name} ({self.accuracy}{assumed})",
            influence=self.influence(Role.READING),
            scale=self.value,
            half_widths=self.accuracy.half_widths(self.value, self.reading.resolution),
        )

    def influence(self, role: Role) -> Influence:
        """Return the influence of an input taken from this reading."""
        shown = self.reading
        return Influence(role, shown.instrument, str(shown.function), range_max=shown.range_max)

    def settled(self) -> Uncertain:
        """The same as a plain value with uncertainty."""
        return to_uncertain(self.uncertain(), self.reading.unit)

    def gain_error(self) -> Any:
        """Correction of the percentage part, relative: common to readings on one meter and range."""
        label, influence = f"gain of {self.name}", self.influence(Role.GAIN)
        if self.known is not None:
            return self.known.gain(label, influence)
        return uniform(0.0, self.accuracy.fraction, label=label, influence=influence, scale=1.0)

    def peak(self, gain: Any, crest: tuple[float, float]) -> Any:
        """Uncertain peak of a sine that may be flattened, from an rms reading.

        Parameters
        ----------
        gain : GTC uncertain real or None
            Its gain error, if it cancels against another reading; None uses the whole bound.
        crest : tuple of float
            Smallest and largest crest factor of such a waveform; the one farther from a sine sets the half-width.
        """
        sine = math.sqrt(2)
        off = max(abs(limit - sine) for limit in crest)
        factor = uniform(sine, off, label="crest factor of the mains", influence=Influence(Role.MODEL))
        return (self.uncertain() if gain is None else self.with_gain(gain)) * factor

    def zero_error(self) -> Any:
        """Correction of the counts part, in the reading's unit: common to readings on one meter and range, like a null."""
        label, influence = f"counts of {self.name}", self.influence(Role.COUNTS)
        if self.known is not None:
            return self.known.zero(label, influence)
        half_width = max(self.accuracy.fixed(self.reading.resolution), self.reading.resolution / 2)
        return uniform(0.0, half_width, label=label, influence=influence)

    def with_gain(self, gain: Any, zero: Any = None) -> Any:
        """Uncertain number of a reading whose gain error is `gain`, for ratios and differences in which it cancels.

        Parameters
        ----------
        gain : GTC uncertain real
            Relative, shared by readings on one meter and range.
        zero : GTC uncertain real, optional
            Zero error shared in the same way, for example after a lead null: each reading then has only the rounding and
            scatter of its display left. Without it the whole counts part belongs to this reading alone.
        """
        if zero is None:
            return self.value * (1 + gain) + self.zero_error()
        rest = uncertain(
            0.0,
            AT_REST * self.reading.resolution,
            label=f"rounding and scatter of {self.name}",
            influence=self.influence(Role.SCATTER),
        )
        return self.value * (1 + gain) + zero + rest


def correction(metered: MeterReading, note: str = "", who: str = "the meter") -> list[Finding]:
    """Say how a reading is corrected, or that its accuracy is only assumed; empty if its data sheet alone is used."""
    known, shown = metered.known, metered.reading
    found = []
    if metered.accuracy.assumed and shown.value is not None:  # an overload has no value
        words = f"accuracy of {shown.instrument or who} on {shown.function} is not known{note}: {metered.accuracy.words} assumed"
        found.append(Finding(FindingKind.ACCURACY, words))
    elif doubt := metered.accuracy.doubt:
        words = f"accuracy of {shown.instrument or who} {doubt}"
        found.append(Finding(FindingKind.STATED_ACCURACY, words))
    if known is None:
        return found
    days = round(known.last_age_s / 86400)
    when = "the same day" if days < 1 else f"{days} day{'s' if days > 1 else ''} before"
    words = (
        f"{metered.name} shows {shown.displayed}: corrected to "
        f"{format_uncertain(metered.best, 2 * known.standard_uncertainty, shown.unit)}, from checks against {' and '.join(known.by)} "
        f"(last {when}); its data sheet alone allows ± {format_quantity(2 * known.u_data_sheet, shown.unit, 2)}"
    )
    return [*found, Finding(FindingKind.CORRECTED, words)]


def same_meter_and_range(a: MeterReading, b: MeterReading) -> bool:
    """Tell whether two readings share their gain error: one meter, one function, one count size."""
    first, second = a.reading, b.reading
    return (
        first.instrument == second.instrument
        and first.function is second.function
        and first.resolution == second.resolution
        and a.accuracy == b.accuracy
    )


def functions_used(*metered: MeterReading) -> dict[str, str]:
    """Function of each meter, by its tag; a meter used on two functions has both."""
    found: dict[str, dict[str, None]] = {}
    for m in metered:
        found.setdefault(m.reading.instrument, {})[str(m.reading.function)] = None
    return {tag: ", ".join(functions) for tag, functions in found.items() if tag}


def misleading_flags(*metered: MeterReading) -> list[Finding]:
    """Findings for displays that show hold, relative, low battery and the like."""
    todo = {flag: "clear it" for flag in Flag if flag.misleads} | {Flag.LOW_BATTERY: "change the battery"}
    return [
        Finding(FindingKind.DISPLAY, f"{m.name} shows '{flag.value}': {todo[flag]} and read again")
        for m in metered
        for flag in sorted(m.reading.flags)
        if flag in todo
    ]
