"""What each check would show, for each set of hidden quantities.

One small circuit and one instrument for every cause, instead of a table of cause against check: a bad gain shows on
the cell as it showed on the part because it is the same gain.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.case import Case
from benchlog.diagnosis.catalogue import Catalogue
from benchlog.diagnosis.circuit import Circuit, Path
from benchlog.diagnosis.effects import REDONE, refitted, tried
from benchlog.diagnosis.hidden import Hidden, Noise, of_rows
from benchlog.diagnosis.instrument import Instrument
from benchlog.diagnosis.prediction import Prediction

Floats = npt.NDArray[np.float64]
Booleans = npt.NDArray[np.bool_]

FIRST_READING = "read"
_RESTS = (
    0.9  # share of readings at which a loose joint that rests, and was not moved, is as it was: judgement
)
_OTHER_INPUT = 0.1  # log spread of the pick-up from one 10 Mohm input to another: judgement
_JUMPS_ANYWAY = 0.03  # chance of a jump although nothing comes and goes: judgement
_RECTIFIER_OPEN = 0.4  # share of rectified outputs that show overload on ohms: judgement
_OHMS = frozenset({"short_tips_ohms", "known_resistor", "ohms_output", "ohms_plug", "ohms_jack_to_jack"})
_OWN_VOLTS = frozenset({"fresh_cell", "generator_50hz", "read_mains", "probe_on_calibrator"})
_UNMOVED = frozenset({"reread"})
_DIAL_AS_FOUND = REDONE | {"short_tips", "load_150", "generator_at_frequency"}


_NONE = np.empty(0)


class BenchModel:
    """The situation of one case: predicts what each check would show."""

    def __init__(self, case: Case, catalogue: Catalogue) -> None:
        self.kind = case.kind
        self.mains_nominal_v = case.mains_nominal_v
        self.direct = case.expect.coupling == "dc"
        self.expected = case.expect.value
        # A first reading in volts where ohms were expected, or the like: that is what a wrong function shows.
        said = case.reading.unit
        self.other_unit = said in ("V", "A", "ohm") and said != case.expect.unit
        self.look = catalogue.look
        self._floors = catalogue.engine
        mains_hz = 60.0 if case.mains_nominal_v < 150 else 50.0
        frequency_hz = case.frequency_hz or mains_hz
        self.circuit = Circuit(self.expected, self.direct, self.kind == "current")
        self.instrument = Instrument(self.kind, self.expected, self.direct, frequency_hz)
        self.at_mains = Instrument(self.kind, self.expected, False, 50.0)
        self._checks: dict[str, Callable[[Hidden, Path, Noise], Floats]] = {
            "short_tips": self._short_tips,
            "short_tips_ohms": self._short_tips_ohms,
            "dc_same_points": self._dc_same_points,
            "fresh_cell": self._fresh_cell,
            "known_resistor": self._known_resistor,
            "second_meter": self._second_meter,
            "ohms_output": self._ohms_output,
            "ohms_plug": self._ohms_plug,
            "load_150": self._load_150,
            "scope_output": self._scope_output,
            "generator_50hz": self._generator_50hz,
            "generator_at_frequency": self._generator_at_frequency,
            "read_mains": self._read_mains,
            "probe_on_calibrator": self._probe_on_calibrator,
            "ground_input": self._ground_input,
            "ohms_jack_to_jack": self._ohms_jack_to_jack,
        }

    def live(self, h: Hidden) -> Booleans:
        """Tell where the output is live."""
        return h["left_live"] > 0 if self.kind == "ohms" else self.circuit.live(h)

    def unit(self, action: str) -> str:
        """Return the SI unit that the reading of `action` should have."""
        if action in _OHMS:
            return "ohm"
        if action in _OWN_VOLTS:
            return "V"
        return {"ohms": "ohm", "current": "A"}.get(self.kind, "V")

    @staticmethod
    def coupling(action: str) -> str:
        """Return whether a check turns the dial to ac or dc; empty where it doesn't."""
        return {"dc_same_points": "dc", "fresh_cell": "dc", "generator_50hz": "ac", "read_mains": "ac"}.get(
            action, ""
        )

    def dial_shows(self, action: str, h: Hidden, coupling: str) -> Booleans:
        """Tell where a display that says `coupling`, read with the dial as found, is possible."""
        meant = "dc" if self.direct else "ac"
        if (
            not coupling
            or coupling == meant
            or self.kind in ("ohms", "scope")
            or action not in _DIAL_AS_FOUND
        ):
            return np.ones(h["gain"].shape, dtype=bool)
        return np.asarray(tried(action, h)["wrong_function"] > 0)

    def predict(self, action: str, h: Hidden, noise: Noise) -> Prediction:
        """Predict what `action` shows, a key of the catalogue or `FIRST_READING`; `h` is not changed."""
        if action in ("look", "wiggle_leads", "wiggle_part", "lamp_in_outlet", "reread_nameplate"):
            return Prediction(_NONE, _NONE, _NONE, self._in_words(action, h), 0.0)
        # The same draws for a joint that is closed and one that is open: only the joint may make a difference.
        seed = int(noise.rng.integers(2**62))
        value = self._value(action, h, False, noise.seeded(seed))
        drop = 1.0 - (1.0 - h["part_drop"]) * (1.0 - h["lead_drop"])
        loose = drop > 0
        stays = np.where((h["joint_rests"] > 0) & (action in _UNMOVED), _RESTS, h["joint_stays"])
        stays = np.where(action == FIRST_READING, 1.0, stays)
        p_other = np.where(loose, stays * h["open_now"] + (1.0 - stays) * drop, 0.0)
        other = value.copy()
        if np.any(loose):
            if loose.ndim > 1:
                rows = np.flatnonzero(loose.any(axis=-1))
                part = {name: of_rows(values, rows) for name, values in h.items()}
                other[rows] = self._value(action, part, True, noise.seeded(seed))
            else:
                other = np.where(loose, self._value(action, h, True, noise.seeded(seed)), value)
        if action == "scope_output":
            both = self._scope_with_dc(h, value)
            other, p_other = np.where(loose, other, both), np.where(loose, p_other, 0.5)
        jumps = self._tips_jump(h) if action == "short_tips_ohms" else 0.0
        return Prediction(value, other, p_other, _NONE, self.floor(action), jumps)

    # -- from check to reading ----------------------------------------------------------------------------

    def floor(self, action: str) -> float:
        """Return the value below which a reading of `action` counts as zero, in its unit."""
        if action in _OHMS or (self.kind == "ohms" and action not in _OWN_VOLTS):
            return self._floors["floor_ohm"]
        if action in _OWN_VOLTS:
            return self._floors["floor_v"]
        floor = self._floors["floor_a" if self.kind == "current" else "floor_v"]
        return min(floor, 0.01 * abs(self.expected))

    def _in_words(self, action: str, h: Hidden) -> Floats:
        if action == "look":
            slip = np.maximum(h["decade"] != 0, h["range_short"])
            columns = [
                p * ((slip if flag == "range_slip" else h[flag]) > 0) for flag, p in self.look.values()
            ]
            return np.stack([np.clip(1.0 - sum(columns), 0.0, 1.0), *columns], axis=-1)
        second = {
            "wiggle_leads": self._jumps(h, "lead_wiggle", ("output_open",)),
            "wiggle_part": self._jumps(h, "part_wiggle", ("lead_open", "contact_open")),
            "lamp_in_outlet": h["lamp_dark"],
            "reread_nameplate": h["nameplate_differs"],
        }[action]
        return np.stack([1.0 - second, second], axis=-1)

    def _jumps(self, h: Hidden, name: str, elsewhere: tuple[str, ...]) -> Floats:
        """Return the chance of a jump: a joint can be seen only if the rest of the path and the display work."""
        hidden_by = (
            *elsewhere,
            "primary_open",
            "hold",
            "frozen",
            "converter_dead",
            "fuse_blown",
            "in_current_jack",
        )
        blocked = (h["mains_on"] == 0) | np.any([h[state] > 0 for state in hidden_by], axis=0)
        return np.where(blocked, np.minimum(h[name], _JUMPS_ANYWAY), h[name])

    def _tips_jump(self, h: Hidden) -> Floats:
        """Return the chance of a jump on ohms with the tips together: there needs to be no source for it."""
        held = h["hold"] * (1.0 if self.kind == "ohms" else h["hold_sticks"])
        states = [held, *(h[state] for state in ("lead_open", "frozen", "in_current_jack"))]
        loose = (h["lead_drop"] > 0) & (h["joint_in_current_jack"] == 0) | (h["dirty"] > 0)
        seen = loose & ~np.any([state > 0 for state in states], axis=0) & (h["ohms_damage"] == 0)
        return np.where(seen, h["lead_wiggle"], _JUMPS_ANYWAY)

    def _value(self, action: str, h: Hidden, opened: bool, noise: Noise) -> Floats:
        lead = (h["lead_open"] > 0) | (opened & (h["lead_drop"] > 0))
        part = (h["output_open"] > 0) | (opened & (h["part_drop"] > 0))
        path = Path(lead, part, h["contact_open"] > 0)
        if action == FIRST_READING:
            return self._as_found(h, path, noise)
        settled = {**h, "settling": np.ones_like(h["settling"])}
        if action in REDONE:
            now = tried(action, settled)
            contact = now["contact_open"] > 0
            if action == "other_leads":
                lead, contact = np.zeros_like(lead), contact & (now["touch_works"] == 0)
            return self._as_found(now, Path(lead, part, contact), noise)
        return self._checks[action](settled, path, noise)

    def _at_points(self, h: Hidden) -> Floats:
        """Return the ohms added where the tips touch."""
        return h["contact_share"] * h["added_scale"] * h["added_at_points"] * abs(self.expected)

    def _as_found(
        self,
        h: Hidden,
        path: Path,
        noise: Noise,
        divider: Floats | float = 1.0,
    ) -> Floats:
        """Read the points with the meter as it is set."""
        if self.kind == "ohms":
            return self._resistance_as_found(h, path, noise)
        ac, dc = self.circuit.at_jacks(h, path, noise, divider)
        dc_function = (h["wrong_function"] > 0) != self.direct
        value = self.instrument.converted(h, dc_function, ac, dc, noise)
        if self.kind == "current":
            value = np.where(h["fuse_blown"] > 0, 0.0, value)
        if self.other_unit:
            value = np.where(h["wrong_function"] > 0, np.nan, value)
        return self.instrument.shown(h, value * h["settling"], noise, turned=False)

    def _resistance_as_found(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        there = self.circuit.level(h) + self._at_points(h)
        value = self.instrument.ohms(h, there, path.lead | path.part | path.contact, noise)
        anything = np.where(noise.random() < 0.5, np.inf, np.exp(noise.normal(5.0, 4.0)))
        value = np.where(h["left_live"] > 0, anything, value)
        near_zero = np.abs(noise.normal(0, 0.3))
        other_function = np.where(noise.random() < 0.5, anything, near_zero)
        if self.other_unit:
            other_function = np.full_like(value, np.nan)
        value = np.where(h["wrong_function"] > 0, other_function, value)
        return self.instrument.shown(h, value * h["settling"], noise, turned=False, is_ohms=True)

    def _short_tips(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        zero = np.zeros_like(h["gain"])
        if self.kind == "ohms":
            value = self.instrument.ohms(h, zero, path.lead, noise)
            return self.instrument.shown(h, value, noise, turned=False, is_ohms=True)
        # An open lead goes on picking up, or not: where the break is and how the stub lies decide.
        kind = noise.random()
        still = 0.5 * h["ghost"]
        stub = np.select([kind < 0.4, kind < 0.6], [still, 0.5 * self.circuit.ghost(h, noise)], 0.0)
        picked = np.where(path.lead, stub, 0.0) * (0.0 if self.kind == "current" else 1.0)
        dc_function = (h["wrong_function"] > 0) != self.direct
        value = self.instrument.converted(h, dc_function, picked, zero, noise)
        return self.instrument.shown(h, value, noise, turned=False)

    def _dc_same_points(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        ac, dc = self.circuit.at_jacks(h, path, noise)
        value = self.instrument.converted(h, np.ones(ac.shape, dtype=bool), ac, dc, noise)
        return self.instrument.shown(h, value, noise, turned=True)

    def _fresh_cell(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        shape = h["gain"].shape
        sign = np.where(h["polarity_place"] == 1, h["polarity"], 1.0)
        cell = np.where(_in_volts_jack(h, path), h["wander"] * noise.normal(0, 1.0), sign * h["cell"])
        meter = Instrument("dc_volts", self.expected, True, 0.0)
        one = np.ones(shape)
        # The ohms function does not use the voltage reference, and volts do not use that of the ohms.
        own = {**h, "gain": one, "drift": one} if self.kind == "ohms" else h
        value = meter.converted(own, np.ones(shape, dtype=bool), np.zeros(shape), cell, noise)
        return self.instrument.shown(h, value, noise, turned=True, same_function=self.kind == "dc_volts")

    def _generator_50hz(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        dial = np.zeros(h["gain"].shape, dtype=bool)
        return self._generator(h, path, noise, self.at_mains, h["generator"], dial)

    def _generator_at_frequency(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        level = h["generator"] * (abs(self.expected) / 5.0 if self.kind == "current" else 1.0)
        dial = (h["wrong_function"] > 0) & (self.kind == "current")  # only on amperes it stays where it is
        value = self._generator(h, path, noise, self.instrument, level, dial)
        return np.where(h["fuse_blown"] > 0, 0.0, value)

    def _generator(
        self,
        h: Hidden,
        path: Path,
        noise: Noise,
        instrument: Instrument,
        level: Floats,
        dial_elsewhere: Booleans,
    ) -> Floats:
        picked = 0.0 if self.kind == "current" else 0.5 * self.circuit.ghost(h, noise)
        sine = np.where(path.lead, picked, level)
        value = instrument.converted(h, dial_elsewhere, sine, np.zeros(sine.shape), noise)
        # On a sine an averaging meter is right.
        same = self.kind == "ac_volts"
        return instrument.shown(h, value / h["wave"], noise, turned=True, same_function=same)

    def _second_meter(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        contact = path.contact & (h["touch_works"] == 0)
        if self.kind == "ohms":
            broken = path.part | contact
            there = self.circuit.level(h) + self._at_points(h)
            value = np.where(broken, np.inf, there * h["second_gain"] + h["lead_r"])
            return np.where(h["left_live"] > 0, np.inf, value)
        # An input of ten times the resistance, or of the same: l = Z / (Z + R) becomes 10 l / (9 l + 1).
        first = h["source_loading"]
        lighter = 10.0 * first / (9.0 * first + 1.0)
        loading = np.where(h["second_higher"] > 0, lighter, first)
        own = {
            **h,
            "source_loading": loading,
            "ghost": h["ghost"] * np.exp(_OTHER_INPUT * noise.normal(0.0, 1.0)),
            "polarity": refitted(h, corrected=h["polarity_place"] < 2),
            "contact_share": h["contact_share"] * h["added_at_points"],
        }
        points = Path(np.zeros_like(path.lead), path.part, contact)
        ac, dc = self.circuit.at_jacks(own, points, noise)
        return np.where(self.direct, dc, np.abs(ac)) * h["second_gain"]

    def _scope_output(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        contact = path.contact & (h["touch_works"] == 0)
        own = {**h, "polarity": refitted(h, corrected=h["polarity_place"] < 2)}
        ac, dc = self.circuit.at_jacks(own, Path(np.zeros_like(path.lead), path.part, contact), noise)
        return np.where(self.direct, dc, ac) * h["scope_gain"]

    def _scope_with_dc(self, h: Hidden, value: Floats) -> Floats:
        """Return what a DC-coupled scope shows as rms of all."""
        dc = np.where(h["dc_output"] + h["half_wave"] > 0, self.circuit.level(h), 0.0)
        return np.hypot(value, dc * h["scope_gain"])

    def _load_150(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        # The load takes the pick-up off an open output and drains a source of high resistance.
        loaded = {
            **h,
            "mains_on": np.where(path.part, 0.0, h["mains_on"]),
            "source_loading": np.where(h["source_loading"] < 1.0, 1e-4, 1.0),
        }
        there = Path(path.lead, np.zeros_like(path.part), path.contact)
        return self._as_found(loaded, there, noise, 150.0 / (150.0 + h["source_r"]))

    def _read_mains(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        return np.asarray(self.mains_nominal_v * h["mains_on"] * h["mains_factor"] * h["monitor_gain"])

    def _probe_on_calibrator(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        seen = h["calibrator"] * h["gain"] * h["drift"] * h["damage"]
        level = np.where(path.lead, 0.5 * self.circuit.ghost(h, noise), seen)
        return self.instrument.shown(h, h["probe"] * level, noise, turned=True)

    def _ground_input(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        return self.instrument.shown(h, h["probe"] * np.abs(self.instrument.trace(h)), noise, turned=True)

    # -- on ohms ------------------------------------------------------------------------------------------

    def _on_ohms(self, h: Hidden, resistance: Floats, broken: Booleans, noise: Noise) -> Floats:
        value = self.instrument.ohms(h, resistance, broken, noise)
        turned = self.kind != "ohms"
        return self.instrument.shown(h, value, noise, turned=turned, is_ohms=True)

    def _short_tips_ohms(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        return self._on_ohms(h, np.zeros_like(h["gain"]), _in_volts_jack(h, path), noise)

    def _known_resistor(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        return self._on_ohms(h, h["resistor"], path.lead, noise)

    def _ohms_output(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        blocking = noise.random() < _RECTIFIER_OPEN
        rectifier = np.where(blocking, np.inf, np.exp(noise.normal(9.0, 2.0)))
        rectified = (h["dc_output"] > 0) | self.direct
        # About half of a transformer's source resistance is its secondary.
        resistance = np.where(rectified, rectifier, 0.5 * h["source_r"])
        return self._on_ohms(h, resistance, path.lead | path.part | path.contact, noise)

    def _ohms_plug(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        return self._on_ohms(h, h["primary_r"], _in_volts_jack(h, path) | (h["primary_open"] > 0), noise)

    def _ohms_jack_to_jack(self, h: Hidden, path: Path, noise: Noise) -> Floats:
        shunt = np.exp(noise.normal(-0.5, 1.0))
        tested = path.lead & ((h["lead_at_jack"] > 0) | (h["lead_drop"] > 0))
        return self._on_ohms(h, shunt, tested | (h["fuse_blown"] > 0), noise)


def _in_volts_jack(h: Hidden, path: Path) -> Booleans:
    """Tell where the lead is open with its plug in the volts jack: a joint in the current jack is left behind."""
    return np.asarray(path.lead & ((h["lead_open"] > 0) | (h["joint_in_current_jack"] == 0)))
