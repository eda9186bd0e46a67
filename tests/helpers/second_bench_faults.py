"""Faults of the second bench, by the engine's cause names, how often each is met, and how a case is drawn."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from helpers.second_bench import SecondBench
from helpers.second_bench_circuit import Contact, Leads, Meter, Source, ghost

from benchlog.diagnosis import plausible
from benchlog.diagnosis.outcome import parse_shown
from benchlog.units import Quantity, parse_quantity

KINDS = ("ac_volts", "dc_volts", "ohms", "current", "scope")
VOLTS = ("ac_volts", "dc_volts")
SPREAD = 2.2  # frequencies are moved by this factor, case by case, so that nobody's priors are the truth


def draw_bench(kind: str, rng: random.Random) -> SecondBench:
    """Set up a good bench: part, supply, leads, meters."""
    function = {"ac_volts": "ac", "ohms": "ohm"}.get(kind, "dc")
    if kind in ("current", "scope"):
        dc = rng.random() < 0.3
        function = {"current": "A dc" if dc else "A ac", "scope": "dc" if dc else "ac"}[kind]
    mains = 230.0 * rng.gauss(1.0, 0.015)
    source = Source(kind, mains=mains, factor=1.0)
    spread = rng.gauss(1.0, 0.022)
    if kind == "ohms":
        expected = 10.0 ** rng.uniform(-0.3, 5.0)
        source.ohms = expected * spread
    elif kind == "current":
        expected = rng.choice([0.5, 1.0, 1.6, 2.5, 3.0, 5.0, 8.0])
        source.ohms = rng.choice([12.0, 24.0, 60.0, 230.0]) / expected
        source.factor = rng.choice([1.0, 1.0, 1.007])
        _drive(source, function, expected * spread)
    elif function == "dc":
        expected = rng.choice([5.0, 9.0, 12.0, 15.0, 24.0, 48.0])
        source.follows_mains = rng.random() < 0.35
        source.ohms = 10.0 ** rng.uniform(-1.0, 0.5)
        source.ac = rng.uniform(0.001, 0.03)
        _drive(source, function, expected * (spread if source.follows_mains else rng.gauss(1.0, 0.012)))
    else:
        expected = rng.choice([6.8, 10.5, 13.9, 17.2, 27.0, 34.0])
        source.ohms = 10.0 ** rng.uniform(-0.5, 1.4)
        source.primary_ohms = 10.0 ** rng.uniform(1.0, 3.0)
        _drive(source, function, expected * spread)
    source.bleeder = 10.0 ** rng.uniform(3.0, 4.7)
    scope = kind == "scope"
    meter = _meter(rng, scope)
    return SecondBench(
        kind, rng, float(f"{expected:.4g}"), function, source, Leads(rng.uniform(0.08, 0.45)), Contact(), meter,
        _meter(rng, False), dial=function, notices=rng.random() < 0.2, calibrator=rng.choice([1.0, 3.0, 3.0, 5.0]), level=ghost(rng),
    )  # fmt: skip


def _drive(source: Source, function: str, level: float) -> None:
    if function.endswith("ac"):
        source.ac = level
    else:
        source.dc = level


def _meter(rng: random.Random, scope: bool) -> Meter:
    if scope:
        return Meter(counts=1000, gain=rng.uniform(0.98, 1.02), input_ohms=10e6, band_hertz=2e7, wobble=0.003)
    gain = rng.gauss(1.0, 0.004)
    return Meter(
        counts=rng.choice([2000, 4000, 6000, 20000]), gain=gain, ac_gain=rng.gauss(1.0, 0.004),
        ohms_gain=rng.gauss(1.0, 0.004), true_rms=rng.random() < 0.7, couples_dc=rng.random() < 0.15,
    )  # fmt: skip


# -- faults ------------------------------------------------------------------------------------------------------


def _scale(bench: SecondBench, factor: float) -> None:
    if bench.kind == "ohms":
        bench.source.ohms *= factor
    else:
        bench.source.ac *= factor
        bench.source.dc *= factor


def _expectation_wrong(b: SecondBench) -> None:
    b.expected = float(f"{b.expected * b.rng.choice([0.5, 0.707, 1.414, 2.0, 2.83, 1.33, 0.75, 0.6]):.4g}")
    b.plan_wrong = 0.9


def _part_low(b: SecondBench) -> None:
    _scale(b, b.rng.choice([0.5, b.rng.uniform(0.15, 0.92), b.rng.uniform(0.6, 0.92)]))
    b.plan_wrong = 0.03


def _part_high(b: SecondBench) -> None:
    _scale(b, b.rng.uniform(1.1, 1.8) if b.kind != "ohms" else math.exp(b.rng.uniform(0.1, 1.8)))
    b.plan_wrong = 0.03


def _part_dc(b: SecondBench) -> None:
    b.source.dc, b.source.ac = b.source.ac * b.rng.uniform(0.85, 1.4), b.rng.uniform(0.002, 0.05)
    b.plan_wrong = 0.5


def _mains_off_nominal(b: SecondBench) -> None:
    b.source.mains = 230.0 * (b.rng.uniform(0.8, 0.93) if b.rng.random() < 0.6 else b.rng.uniform(1.06, 1.13))
    b.source.follows_mains = True


def _lead_open(b: SecondBench) -> None:
    b.leads.broken = b.rng.choice(["red", "black"])


def _contact_resistance(b: SecondBench) -> None:
    at_jack = b.rng.random() < 0.5
    if at_jack:
        b.leads.ohms += b.rng.uniform(0.5, 5.0)
    else:  # enamel half scraped, oxide
        b.contact.ohms = b.expected * b.rng.uniform(0.1, 0.8) if b.kind == "ohms" else b.rng.uniform(0.5, 6.0)


def _reversed_polarity(b: SecondBench) -> None:
    b.contact.swapped, b.contact.at_part = True, b.rng.random() < 0.5


def _wrong_function(b: SecondBench) -> None:
    other = {"ac": ["dc"], "dc": ["ac"], "A ac": ["A dc"], "A dc": ["A ac"], "ohm": ["dc"]}[b.function]
    b.dial = b.rng.choice(other)


def _range_slip(b: SecondBench) -> None:
    b.slip = b.rng.choice([-3, 3, -3, 3, 1, -1])


def _hold(b: SecondBench) -> None:
    blank = "OL" if b.function == "ohm" else "0.000"
    old = blank if b.rng.random() < 0.6 else f"{b.expected * b.rng.uniform(0.05, 1.6):.4g}"
    unit = b.expect.partition(" ")[2]
    b.held = old if old == "OL" else f"{old} {unit}"


def _relative(b: SecondBench) -> None:
    true = b.source.ohms if b.kind == "ohms" else (b.source.dc if b.function.endswith("dc") else b.source.ac)
    b.subtracted = true * (b.rng.gauss(1.0, 0.003) if b.rng.random() < 0.5 else b.rng.uniform(0.1, 0.9))


def _other_mode(b: SecondBench) -> None:
    ac = b.function.endswith("ac")
    b.other = b.rng.choice(["peak", "peak", "hertz", "maximum", "minimum"] if ac else ["maximum", "minimum"])


def _frozen(b: SecondBench) -> None:
    _hold(b)
    b.meter.frozen, b.held = b.held, ""


def _damaged(b: SecondBench) -> None:
    b.meter.damaged = 0.0 if b.rng.random() < 0.5 else b.rng.uniform(0.05, 0.8)
    b.meter.floats_inside, b.meter.inside = b.rng.random() < 0.5, ghost(b.rng)
    if b.kind == "ohms":
        b.meter.ohms_dead = b.rng.random() < 0.4
        b.meter.ohms_gain = b.rng.uniform(0.1, 0.8) if b.rng.random() < 0.5 else b.rng.uniform(1.3, 4.0)
    else:
        b.meter.ohms_dead = b.rng.random() < 0.35


def _drift(b: SecondBench) -> None:
    factor = 1.0 + b.rng.choice([-1, 1]) * b.rng.uniform(0.07, 0.18)
    if b.kind == "ohms":
        b.meter.ohms_gain *= factor
    else:
        b.meter.gain *= factor


def _average(b: SecondBench) -> None:
    b.meter.true_rms, b.spare.true_rms = False, b.rng.random() < 0.85
    b.meter.couples_dc = False
    b.source.factor = b.rng.choice([1.111, 0.836, 0.707, 0.565, 0.5])


def _offset(b: SecondBench) -> None:
    b.meter.offset = (
        b.expected * b.rng.uniform(0.07, 0.3) * (1 if b.kind == "ohms" else b.rng.choice([-1, 1, 1]))
    )


def _input_loading(b: SecondBench) -> None:
    b.source.ohms = 10.0 ** b.rng.uniform(6.0, 7.0)
    if b.kind == "scope":
        b.meter.input_ohms = 1e6


def _ac_plus_dc(b: SecondBench) -> None:
    b.meter.couples_dc = False
    b.source.dc = b.source.ac * 0.64
    b.source.ac *= 0.77
    b.spare.couples_dc = b.rng.random() < 0.4
    b.spare.true_rms = b.meter.true_rms = True


def _outside_band(b: SecondBench) -> None:
    b.source.hertz = 10.0 ** b.rng.uniform(3.3, 4.5)
    b.meter.band_hertz = b.source.hertz * b.rng.uniform(0.2, 1.5)
    b.spare.band_hertz = 1e6


def _coupling(b: SecondBench) -> None:
    if b.function == "dc":
        b.scope_ac_only = True
    else:
        b.scope_offset = b.expected * b.rng.uniform(0.4, 1.2)


def _set(part: str, **values: object) -> Callable[[SecondBench], None]:
    def do(bench: SecondBench) -> None:
        target = getattr(bench, part)
        for name, value in values.items():
            setattr(target, name, value)

    return do


def _flaky(part: str) -> Callable[[SecondBench], None]:
    def do(bench: SecondBench) -> None:
        target = getattr(bench, part)
        target.flaky, target.apart = True, bench.rng.random() < 0.6

    return do


@dataclass(frozen=True)
class Fault:
    """How a cause is planted and how often it is met, per kind of reading (judgement, from the trade's table)."""

    plant: Callable[[SecondBench], None]
    weight: Mapping[str, float]


def _w(ac: float, dc: float, ohms: float, current: float, scope: float) -> dict[str, float]:
    return dict(zip(KINDS, (ac, dc, ohms, current, scope), strict=True))


FAULTS = {
    "all_good": Fault(lambda b: None, _w(40, 40, 40, 40, 40)),
    "expectation_wrong": Fault(_expectation_wrong, _w(30, 30, 30, 30, 30)),
    "part_open_output": Fault(_set("source", open_output=True), _w(25, 25, 40, 30, 25)),
    "part_open_primary": Fault(_set("source", open_primary=True), _w(25, 20, 0, 15, 20)),
    "part_low": Fault(_part_low, _w(25, 25, 25, 25, 25)),
    "part_high": Fault(_part_high, _w(12, 12, 25, 15, 12)),
    "part_dc": Fault(_part_dc, _w(15, 0, 0, 0, 0)),
    "part_intermittent": Fault(_flaky("source"), _w(12, 12, 15, 10, 12)),
    "no_mains": Fault(_set("source", mains_on=False), _w(45, 40, 0, 40, 40)),
    "mains_off_nominal": Fault(_mains_off_nominal, _w(15, 8, 0, 12, 12)),
    "lead_open": Fault(_lead_open, _w(25, 25, 30, 25, 25)),
    "lead_intermittent": Fault(_flaky("leads"), _w(25, 25, 25, 15, 20)),
    "lead_in_current_jack": Fault(_set("leads", in_current_jack=True), _w(15, 15, 10, 0, 0)),
    "contact_not_made": Fault(_set("contact", made=False), _w(30, 30, 40, 20, 30)),
    "contact_resistance": Fault(_contact_resistance, _w(0, 0, 40, 10, 0)),
    "reversed_polarity": Fault(_reversed_polarity, _w(0, 30, 0, 15, 10)),
    "wrong_function": Fault(_wrong_function, _w(35, 30, 12, 35, 0)),
    "range_slip": Fault(_range_slip, _w(20, 20, 30, 20, 15)),
    "hold_engaged": Fault(_hold, _w(15, 15, 12, 12, 5)),
    "relative_mode": Fault(_relative, _w(8, 8, 12, 8, 0)),
    "other_mode": Fault(_other_mode, _w(10, 8, 5, 10, 10)),
    "not_settled": Fault(_set("", settled=False), _w(15, 10, 15, 10, 0)),
    "outside_bandwidth": Fault(_outside_band, _w(0, 0, 0, 8, 0)),
    "probe_setting": Fault(lambda b: setattr(b, "probe", b.rng.choice([10.0, 0.1])), _w(0, 0, 0, 0, 60)),
    "scope_coupling": Fault(_coupling, _w(0, 0, 0, 0, 30)),
    "meter_input_damaged": Fault(_damaged, _w(8, 8, 8, 0, 4)),
    "meter_battery_low": Fault(lambda b: setattr(b.meter, "battery", b.rng.uniform(1.06, 1.35)), _w(20, 20, 0, 15, 0)),
    "meter_gain_drift": Fault(_drift, _w(12, 12, 8, 12, 10)),
    "display_frozen": Fault(_frozen, _w(3, 3, 3, 3, 3)),
    "ac_converter_dead": Fault(_set("meter", ac_dead=True), _w(6, 0, 0, 5, 0)),
    "average_responding": Fault(_average, _w(6, 0, 0, 20, 0)),
    "range_switch_dirty": Fault(_set("meter", dirty=True), _w(10, 10, 10, 8, 0)),
    "input_loading": Fault(_input_loading, _w(0, 3, 0, 0, 12)),
    "meter_offset": Fault(_offset, _w(4, 4, 6, 5, 5)),
    "current_fuse_blown": Fault(_set("meter", fuse_blown=True), _w(0, 0, 0, 50, 0)),
    "ac_of_ac_plus_dc": Fault(_ac_plus_dc, _w(3, 0, 0, 8, 0)),
}  # fmt: skip
"""Weights are parts of a thousand looks at a new part, after the trade's table for AC volts; other kinds are judgement."""

ONLY_ON_AC = {"ac_converter_dead", "average_responding", "ac_of_ac_plus_dc", "outside_bandwidth"}
FIRST = ("lead_open", "lead_intermittent", "contact_not_made", "wrong_function", "range_slip", "hold_engaged",
         "relative_mode", "meter_battery_low", "meter_gain_drift", "meter_input_damaged", "range_switch_dirty",
         "current_fuse_blown", "probe_setting", "contact_resistance", "meter_offset")  # fmt: skip
SECOND = ("part_low", "part_high", "part_open_output", "part_open_primary", "part_dc", "part_intermittent",
          "no_mains", "mains_off_nominal")  # fmt: skip


def plant(bench: SecondBench, faults: tuple[str, ...]) -> None:
    """Make the causes true; the part before the meter, so that a stored value is of the faulty part."""
    bench.faults = faults
    for name in sorted(faults, key=lambda f: f not in SECOND):
        if name == "not_settled":
            bench.settled = False
        elif name == "range_switch_dirty":
            bench.meter.dirty, bench.meter.touch = True, bench.rng.uniform(0.0, 0.9)
        else:
            FAULTS[name].plant(bench)


def draw_faults(kind: str, rng: random.Random, *, two: bool = False) -> tuple[str, ...]:
    """Draw one fault, or a lead, setting or meter with a part or supply."""

    def one(names: tuple[str, ...]) -> str:
        weights = [FAULTS[n].weight[kind] * SPREAD ** rng.choice([-1, 0, 1]) for n in names]
        return rng.choices(names, weights)[0]

    return (one(FIRST), one(SECOND)) if two else (one(tuple(FAULTS)),)


def looks_right(bench: SecondBench, first: str) -> bool:
    """Whether nobody would ask: the first reading is within 6 % of the expectation."""
    outcome = parse_shown(first, what="first reading")
    if outcome.value is None:
        return False
    read = Quantity(outcome.value, outcome.unit, outcome.resolution, outcome.coupling, first)
    return plausible(parse_quantity(bench.expect), read)


def draw_case(
    kind: str, seed: int, *, two: bool = False, faults: tuple[str, ...] = ()
) -> tuple[SecondBench, str]:
    """Return a broken bench and its first reading, which looks wrong (a good bench: as it comes)."""
    rng = random.Random(f"second bench {kind} {seed} {two} {'+'.join(faults)}")
    while True:
        bench = draw_bench(kind, rng)
        plant(bench, faults or draw_faults(kind, rng, two=two))
        if bench.function.endswith("dc") and ONLY_ON_AC & set(bench.faults):
            continue
        if kind == "scope" and bench.function == "ac" and "meter_offset" in bench.faults:
            continue  # an offset adds in quadrature to an rms value and does not show
        first = bench.first()
        if bench.faults == ("all_good",) or not looks_right(bench, first):
            return bench, first
