"""The instrument with its leads' resistance, converter, reference, setting and display.

A reading is a number in the SI unit, infinity for overload, NaN for a display in another unit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.hidden import Hidden, Noise

Floats = npt.NDArray[np.float64]
Booleans = npt.NDArray[np.bool_]

_OPENS = 0.35  # share below which a dirty contact counts as open on ohms: judgement
_DEAD = 0.01  # share of the input that passes, below which nothing does
_AVERAGING_ON_DC = 2.22  # half-wave averaging input scaled for a sine: pi / sqrt 2


@dataclass(frozen=True, slots=True)
class Instrument:
    """A meter or scope as used for one kind of reading.

    Attributes
    ----------
    kind : str
        Kind of reading, one of `catalogue.KINDS`.
    expected : float
        Expected value, SI.
    direct : bool
        The expected quantity is DC.
    frequency_hz : float
        Of the signal.
    """

    kind: str
    expected: float
    direct: bool
    frequency_hz: float

    def converted(self, h: Hidden, dc_function: Booleans, ac: Floats, dc: Floats, noise: Noise) -> Floats:
        """Return what the converter makes of volts or amperes at the jacks."""
        gain = h["gain"] * h["drift"] * h["battery"] * h["damage"]
        band = 1.0 / np.sqrt(1.0 + (self.frequency_hz / h["filter_hz"]) ** 2)
        step = noise.normal(0, 0.002 if self.kind != "current" else 0.0002)
        offset = h["offset"] * abs(self.expected)
        if self.kind == "scope":
            trace = self.trace(h)
            lost = (h["coupling_lost"] > 0) & dc_function
            shown = np.where(
                dc_function, np.where(lost, 0.0, dc * gain) + trace, np.hypot(ac * band * gain, trace)
            )
            return np.asarray(h["probe"] * shown + step)
        both = np.hypot(np.abs(ac) * band, dc)
        averaged = np.where(np.abs(dc) > np.abs(ac), _AVERAGING_ON_DC * np.abs(dc), 0.0)
        coupled = np.abs(ac) * h["wave"] * band
        sensed = np.select([h["uncoupled"] == 1, h["uncoupled"] == 2], [coupled + averaged, both], coupled)
        alternating = sensed * h["ac_gain"] * gain
        dead = h["damage"] < _DEAD
        floats = dead & (h["input_floats"] > 0)
        floating = np.where(floats, h["wander"] * h["wandered"], 0.0)
        alternating = np.where(floats, h["ghost"] * h["ac_gain"], alternating)
        alternating = np.where(h["converter_dead"] > 0, 0.0, alternating)
        shown = np.where(
            dc_function, dc * gain + offset + step + floating, np.abs(alternating + offset + step)
        )
        return np.where(h["in_current_jack"] > 0, np.abs(step), shown)

    def trace(self, h: Hidden) -> Floats:
        """Return where a scope's trace lies with its input at zero; AC coupling is another slip than an offset."""
        lost = h["coupling_lost"] if self.direct else 0.0
        moved = h["trace_offset"] + h["trace_moved"] * (1.0 - lost) + h["offset"]
        return np.asarray(moved * self.expected)

    def ohms(self, h: Hidden, resistance: Floats, broken: Booleans, noise: Noise) -> Floats:
        """Return what the ohms function makes of a resistance at the tips.

        Ratiometric: independent of the reference that a weak battery moves.
        """
        in_leads = h["added_r"] * h["added_scale"] * (1.0 - h["added_at_points"])
        shown = resistance + h["lead_r"] + in_leads
        if self.kind == "ohms":
            shown = shown * h["gain"] * h["drift"] + h["offset"] * abs(self.expected)
        else:
            shown = shown * (1.0 + noise.normal(0, 0.004))
        damage = h["ohms_damage"]
        shown = np.select(
            [damage == 1, damage == 2, damage == 3], [np.inf, 0.0, shown * h["ohms_scale"]], shown
        )
        return np.where(broken | (h["in_current_jack"] > 0), np.inf, shown)

    def shown(
        self,
        h: Hidden,
        value: Floats,
        noise: Noise,
        *,
        turned: bool,
        is_ohms: bool = False,
        same_function: bool = False,
    ) -> Floats:
        """Return what the person reads.

        `turned` when the card has the dial moved to another function for it; `same_function` when that is the one it is on.
        """
        value = self._through_switch(h, value, noise, turned, is_ohms)
        if turned:
            stored = (h["relative"] * h["relative_sticks"]) > 0
            held = (h["hold"] * h["hold_sticks"]) > 0
            decade = h["decade"] * h["decade_again"]
        else:
            stored, held, decade = h["relative"] > 0, h["hold"] > 0, h["decade"]
        value = (value - np.where(stored, h["reference"] * self.expected, 0.0)) * 10.0**decade
        if not turned:
            value = self._in_mode(h, value, is_ohms)
            short = (h["range_short"] > 0) & (h["decade"] == 0) & (np.abs(value) > 0.3 * abs(self.expected))
            value = np.where(short, np.inf, value)
        elif same_function:
            value = np.where(h["mode_sticks"] > 0, self._in_mode(h, value, is_ohms), value)
        stuck = (h["frozen"] > 0) | held
        # A stuck display keeps the unit and coupling of the old function; mostly that is what is typed.
        old_unit = h["unit_typed"] > 0 if turned else np.zeros(value.shape, dtype=bool)
        kept = np.where(h["held_overload"] > 0, np.inf, h["held"])
        return np.where(stuck, np.where(old_unit, np.nan, kept), value)

    def _through_switch(self, h: Hidden, value: Floats, noise: Noise, turned: bool, is_ohms: bool) -> Floats:
        dirt = noise.wiped() if turned else h["dirt"]
        passed = value * dirt
        if is_ohms:
            added = value + np.exp(noise.normal(1.6, 2.0))
            with np.errstate(divide="ignore"):
                raised = np.where(dirt < _OPENS, np.inf, value / dirt)
            passed = np.select([h["dirt_on_ohms"] == 1, h["dirt_on_ohms"] == 2], [added, raised], passed)
        return np.where(h["dirty"] > 0, passed, value)

    def _in_mode(self, h: Hidden, value: Floats, is_ohms: bool) -> Floats:
        steady = self.direct or is_ohms
        hertz = np.where(h["mode_noticed"] > 0, np.nan, 0.0 if steady else self.frequency_hz)
        peak = value if steady else np.sqrt(2.0) * value
        stale = h["stale"] * self.expected
        extreme = np.where(h["stale"] > 1.0, np.maximum(value, stale), np.minimum(value, stale))
        return np.select([h["mode"] == 1, h["mode"] == 2, h["mode"] == 3], [peak, hertz, extreme], value)
