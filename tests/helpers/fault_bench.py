"""A bench with one fault, written apart from the engine: one scalar truth, readings as a person would type them.

Weights and ranges follow common bench practice (judgement, no source). Nothing is imported from the engine.
"""

from __future__ import annotations

import math
import random

#: Relative frequency of each fault when an AC voltage is read; those that don't show at 50 Hz on a sine are left out.
WEIGHTS = {
    "expectation_wrong": 30,
    "part_open_output": 25,
    "part_open_primary": 25,
    "part_low": 25,
    "part_high": 12,
    "part_dc": 15,
    "part_intermittent": 12,
    "no_mains": 45,
    "mains_off_nominal": 15,
    "lead_open": 25,
    "lead_intermittent": 25,
    "lead_in_current_jack": 15,
    "contact_not_made": 30,
    "wrong_function": 35,
    "range_slip": 20,
    "hold_engaged": 15,
    "relative_mode": 8,
    "other_mode": 10,
    "not_settled": 15,
    "meter_input_damaged": 6,
    "meter_battery_low": 20,
    "meter_gain_drift": 12,
    "display_frozen": 3,
    "ac_converter_dead": 5,
    "range_switch_dirty": 10,
    "meter_offset": 4,
}


class FaultBench:
    """One measuring situation with one fault; 27 V AC or so expected, mains 230 V."""

    def __init__(self, fault: str, rng: random.Random, expect_v: float = 27.0) -> None:
        self.fault, self.rng, self.expect_v = fault, rng, expect_v
        r = rng
        self.mains = r.gauss(1.0, 0.015)
        if fault == "mains_off_nominal":
            self.mains = r.choice([r.uniform(0.82, 0.93), r.uniform(1.06, 1.12)])
        true = expect_v * self.mains * r.gauss(1.0, 0.025)
        if fault == "expectation_wrong":
            true *= r.choice([0.5, 0.354, 0.37, 0.707, 0.75, 1.41, 2.0])
        if fault == "part_low":
            true *= r.uniform(0.15, 0.92)
        if fault == "part_high":
            true *= r.uniform(1.12, 1.7)
        self.true = 0.0 if fault in ("no_mains", "part_open_primary") else true
        self.dc = true * r.uniform(0.9, 1.4) if fault == "part_dc" else r.gauss(0, 0.01)
        self.gain = r.gauss(1.0, 0.004)
        if fault == "meter_battery_low":
            self.gain *= 1 + r.uniform(0.03, 0.35)
        if fault == "meter_gain_drift":
            self.gain *= 1 + r.choice([-1, 1]) * r.uniform(0.025, 0.12)
        if fault == "meter_input_damaged":
            self.gain *= r.choice([0.0, r.uniform(0.05, 0.8)])
        self.other_gain = r.gauss(1.0, 0.005)
        self.ghost = 0.25 * math.exp(r.gauss(0, 1.4))
        self.held = abs(r.gauss(0, 0.004)) if r.random() < 0.65 else r.uniform(0.1, 60.0)
        self.reference = self.expect_v if r.random() < 0.5 else r.uniform(0.5, 30.0)
        self.decade = r.choice([-3, 3, -1, 1])
        self.mode = r.choice(["peak", "hertz", "maximum"])
        self.unit_seen = r.random() < 0.5
        self.symbol = fault == "meter_battery_low" and r.random() < 0.5
        self.offset = r.uniform(0.3, 3.0) if fault == "meter_offset" else 0.0
        self.source_r = 10 ** r.uniform(-0.5, 1.8)
        self.primary_r = 10 ** r.uniform(1.0, 3.0)
        self.lead_r = r.uniform(0.1, 0.4)
        self.dirt = r.uniform(0, 1.1)
        self.scraped = False
        self.reset = False

    @property
    def live(self) -> bool:
        """Whether the output is live."""
        return self.fault not in ("no_mains", "part_open_primary", "part_open_output")

    # -- pieces ---------------------------------------------------------------------------------------------

    def _dirt(self, turned: bool) -> float:
        if self.fault != "range_switch_dirty":
            return 1.0
        if turned or self.rng.random() < 0.2:
            self.dirt = self.rng.uniform(0, 1.1)
        return self.dirt

    def _is(self, *faults: str) -> bool:
        return self.fault in faults

    def _broken(self, *, own_leads: bool) -> bool:
        """Whether the path from part to instrument is open at this moment."""
        if self._is("part_open_output") or (self._is("contact_not_made") and not self.scraped):
            return True
        if self._is("part_intermittent"):
            return self.rng.random() < 0.55
        return own_leads and (
            self._is("lead_open") or (self._is("lead_intermittent") and self.rng.random() < 0.5)
        )

    def _lead_open(self) -> bool:
        return self._is("lead_open") or (self._is("lead_intermittent") and self.rng.random() < 0.5)

    def _volts(self, ac: float, dc: float, *, on_dc: bool, turned: bool = False) -> float:
        value = (dc if on_dc else abs(ac)) * self.gain * self._dirt(turned)
        if self._is("ac_converter_dead") and not on_dc:
            value = 0.0
        if self._is("lead_in_current_jack"):
            value = 0.0
        value += self.offset + self.rng.gauss(0, 0.003)
        return value if on_dc else abs(value)

    def _points(self, *, own_leads: bool = True) -> tuple[float, float]:
        if self._broken(own_leads=own_leads):
            scale = 0.5 if self._is("lead_open", "lead_intermittent") else 1.0
            return self.ghost * scale * math.exp(self.rng.gauss(0, 0.2)), self.rng.gauss(0, 0.005)
        drift = self.rng.gauss(1.0, 0.002)
        if self._is("part_dc"):
            return abs(self.rng.gauss(0, 0.02)), self.dc * drift
        return self.true * drift, self.dc

    def _display(self, value: float, *, turned: bool, unit: str = "V") -> str:
        if self._is("display_frozen") or (self._is("hold_engaged") and not self.reset and not turned):
            value = self.held
        elif self._is("relative_mode") and not self.reset and not turned:
            value -= self.reference
        elif self._is("range_slip") and not self.reset and not turned:
            value *= 10.0**self.decade
        elif self._is("other_mode") and not self.reset and not turned:
            if self.mode == "hertz":
                return "50.00 Hz" if self.unit_seen else "50.00 V ac"
            value = value * math.sqrt(2) if self.mode == "peak" else max(value, 1.3 * self.true)
        return typed(value, unit)

    def _own(self, *, turned: bool = False, on_dc: bool | None = None, settled: bool = True) -> str:
        ac, dc = self._points()
        direct = (self._is("wrong_function") and not self.reset) if on_dc is None else on_dc
        value = self._volts(ac, dc, on_dc=direct, turned=turned)
        if self._is("not_settled") and not settled:
            value *= self.rng.uniform(0, 0.9)
        return self._display(value, turned=turned)

    def _ohms(self, value: float, *, own_leads: bool = True) -> str:
        if self._is("display_frozen"):
            return typed(self.held, "ohm")
        if own_leads and (self._lead_open() or self._is("lead_in_current_jack")):
            return "OL"
        if not math.isfinite(value):
            return "OL"
        return typed((value + self.lead_r) * self._dirt(True) * self.rng.gauss(1, 0.003), "ohm")

    # -- what can be asked ----------------------------------------------------------------------------------

    def first(self) -> str:
        """The first reading."""
        return self._own(settled=False)

    def answer(self, action: str) -> str:
        """What a check shows."""
        reply: str = getattr(self, f"_{action}")()
        return reply

    def _look(self) -> str:
        seen = {
            "wrong_function": "wrong function",
            "range_slip": "wrong range",
            "hold_engaged": "hold shown",
            "relative_mode": "relative shown",
            "other_mode": "other mode shown",
            "lead_in_current_jack": "lead in current jack",
        }
        if self.symbol:
            return "battery symbol"
        missed = 0.02 if self.fault == "lead_in_current_jack" else 0.07
        if self.fault in seen and not self.reset and self.rng.random() > missed:
            return seen[self.fault]
        return "in order"

    def _reread(self) -> str:
        return self._own()

    def _short_tips(self) -> str:
        picked = self.ghost * 0.2 if self._lead_open() and self.rng.random() < 0.5 else 0.0
        value = self._volts(picked, 0.0, on_dc=self._is("wrong_function") and not self.reset)
        if self._is("other_mode") and self.mode == "maximum" and not self.reset:
            return typed(1.3 * self.true, "V")
        return self._display(value, turned=False)

    def _short_tips_ohms(self) -> str:
        return "jumps" if self._wiggle_leads() == "jumps" else self._ohms(0.0)

    def _reselect_function(self) -> str:
        self.reset = True
        return self._own()

    def _dc_same_points(self) -> str:
        return self._own(turned=True, on_dc=True)

    def _wiggle_leads(self) -> str:
        return "jumps" if self._is("lead_intermittent") and self.rng.random() < 0.9 else "steady"

    def _wiggle_part(self) -> str:
        return "jumps" if self._is("part_intermittent") and self.rng.random() < 0.9 else "steady"

    def _other_leads(self) -> str:
        if self._is("lead_in_current_jack"):
            return self._own()
        ac, dc = self._points(own_leads=False)
        return self._display(
            self._volts(ac, dc, on_dc=self._is("wrong_function") and not self.reset), turned=False
        )

    def _remake_contact(self) -> str:
        self.scraped = True
        return self._own()

    def _lamp_in_outlet(self) -> str:
        return "dark" if self._is("no_mains") else "lit"

    def _reread_nameplate(self) -> str:
        if self._is("expectation_wrong"):
            return "differs" if self.rng.random() < 0.9 else "agrees"
        if self._is("part_dc"):
            return "differs" if self.rng.random() < 0.4 else "agrees"
        return "agrees"

    def _fresh_cell(self) -> str:
        cell = 0.0 if self._lead_open() else self.rng.gauss(1.6, 0.012)
        return self._display(self._volts(0.0, cell, on_dc=True, turned=True), turned=True)

    def _known_resistor(self) -> str:
        return self._ohms(10_000.0)

    def _second_meter(self) -> str:
        ac, _ = self._points(own_leads=False)
        return typed(abs(ac) * self.other_gain + abs(self.rng.gauss(0, 0.003)), "V")

    def _ohms_output(self) -> str:
        if self._broken(own_leads=False):
            return "OL"
        return self._ohms(self.rng.uniform(1e3, 1e5) if self._is("part_dc") else self.source_r / 2)

    def _ohms_plug(self) -> str:
        return self._ohms(math.inf if self._is("part_open_primary") else self.primary_r)

    def _load_150(self) -> str:
        if self._is("part_open_output"):
            return self._display(self._volts(0.0, 0.0, on_dc=False), turned=False)
        ac, dc = self._points()
        drop = 150 / (150 + self.source_r)
        return self._display(
            self._volts(ac * drop, dc * drop, on_dc=self._is("wrong_function") and not self.reset),
            turned=False,
        )

    def _scope_output(self) -> str:
        ac, dc = self._points(own_leads=False)
        return typed(math.hypot(ac, dc) * self.rng.gauss(1, 0.015), "V")

    def _generator_50hz(self) -> str:
        sine = self.ghost if self._lead_open() else 5.0
        return self._display(self._volts(sine, 0.0, on_dc=False, turned=True), turned=True)

    def _read_mains(self) -> str:
        mains = 0.0 if self._is("no_mains") else 230.0 * self.mains
        return f"{mains:.1f} V ac"

    def _new_battery(self) -> str:
        if self._is("meter_battery_low"):
            self.gain = 1.0
        return self._own()


def typed(value: float, unit: str) -> str:
    """Write a value as a 4000-count display shows it."""
    full = 0.4 if unit == "V" else 400.0
    while abs(value) >= full and full < 4e7:
        full *= 10
    if abs(value) >= 4e7:
        return "OL"
    decimals = 4 - 1 - math.floor(math.log10(full)) - (1 if unit == "V" else 0) if full < 4000 else 0
    return f"{value:.{max(0, decimals)}f} {unit}"
