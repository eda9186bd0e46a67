"""How often each check is right, by cases whose truth is known.

Meters err in one of two styles, between which no data sheet decides: by one fraction of their whole bound, or by a gain and
a zero error of their own, both within the statement and shared by all readings on one range. Scope channels have gain
errors, errors between ranges, noise and converter steps. Run it by hand, some minutes::

    OPENBLAS_NUM_THREADS=1 python tests/performance/operating_characteristics.py [--cases 4000] [--seed 1] [--only TEXT]

Prints a row for each check: coverage of the stated intervals, false accepts (of the cases outside limits), false
rejects (of those within), the share left indeterminate, and the stated probability that is farthest from the truth, of
the tenths with 100 cases, with the standard error by chance. Truths are anywhere in a wide span. For the probabilities
every case is judged against one limit in each tenth. Exit code 1 when something misses: coverage below 0.94, a wrong
verdict in more than 1 %, a probability off by more than 0.05.
"""

from __future__ import annotations

import argparse
import cmath
import math
import random
import sys
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.known_meter import Drift, ErrorStyle, KnownMeter
from helpers.scored_row import ScoredRow, inside
from helpers.two_channels import Scope

from benchlog.checks.continuity import check_continuity
from benchlog.checks.crosscheck import check_crosscheck
from benchlog.checks.inductance import SeriesSetup, check_inductance
from benchlog.checks.isolation import check_isolation
from benchlog.checks.mains import Mains
from benchlog.checks.supply import LoadPoint, check_supply
from benchlog.checks.turns_ratio import RatioSetup, check_turns_ratio
from benchlog.errors import BenchlogError
from benchlog.metrology.accuracy import Accuracy
from benchlog.metrology.charts import ChartSignal, repeatability_chart
from benchlog.metrology.error_estimate import known_error
from benchlog.metrology.known_error import MeterRange, Observation
from benchlog.metrology.meter_reading import MeterReading
from benchlog.nameplate import parse_nameplate
from benchlog.reading import Function, Reading
from benchlog.result import Limits, Uncertain, Verdict

AC, DC, OHMS, AMPS = Function.AC_VOLTS, Function.DC_VOLTS, Function.OHMS, Function.DC_CURRENT
NAMEPLATE = parse_nameplate("24 V ac 40 VA")
NOMINAL_NO_LOAD = 24 * 1.13
NO_LOAD = Limits(0.94 * NOMINAL_NO_LOAD, 1.06 * NOMINAL_NO_LOAD, "V")
NO_LOAD_SPAN = (0.88 * NOMINAL_NO_LOAD, 1.12 * NOMINAL_NO_LOAD)
SOURCE_OHM = 0.13 * 24**2 / 40
DROPS = 0.7
DRIFT = 0.003


def exact(mains: float) -> MeterReading:
    """Mains known without error."""
    shown = Reading(AC, mains, 0.0, f"{mains:.3f} V", instrument="exact")
    return MeterReading(shown, Accuracy(0.0, 0.0))


def supply(style: ErrorStyle, cases: int, rng: random.Random, *, read: bool) -> ScoredRow:
    """No-load voltage and the capacitor's worst peak, mains known exactly or read by a meter, and drifting."""
    row = ScoredRow(f"supply, mains {'read by a 1 % + 5 meter' if read else 'exact'}")
    for _ in range(cases):
        at_nominal = rng.uniform(*NO_LOAD_SPAN)
        meter = KnownMeter("M", Accuracy(0.01, 5), 0.01, style, rng)
        mains = rng.uniform(215, 245)
        drifted = mains * (1 + rng.gauss(0, DRIFT))
        true = at_nominal * drifted / 230
        monitor = (
            KnownMeter("P", Accuracy(0.01, 5), 0.1, style, rng).read(AC, mains) if read else exact(mains)
        )
        rating = math.sqrt(2) * NOMINAL_NO_LOAD * 1.1 - DROPS
        result = check_supply(
            NAMEPLATE, meter.read(AC, true), mains=Mains.of(monitor, 230.0), capacitor_v=rating
        )
        # Half of all mains are sines, the others are flattened more or less.
        crest = rng.choice([math.sqrt(2), rng.uniform(1.36, 1.42)])
        worst = crest * at_nominal * 1.1 - DROPS
        row.interval("no load", result.quantities["no_load_voltage"], true)
        row.interval("worst peak", result.quantities["rectified_peak_worst"], worst)
        row.verdict(result.verdict, inside(NO_LOAD, at_nominal))
        row.verdict(result.design_checks[0].verdict, worst <= rating)
        high = result.limits["no_load_voltage"]  # it follows the mains
        at_truth = at_nominal / (1.06 * NOMINAL_NO_LOAD)
        row.probabilities(
            result.quantities["no_load_voltage"],
            (high.high or 0.0) * at_truth,
            high.standard_uncertainty * at_truth,
        )
    return row


def load_point(style: ErrorStyle, cases: int, rng: random.Random, *, how: str) -> ScoredRow:
    """Source resistance from open and loaded voltage, by one meter and range, two ranges, or two meters."""
    row = ScoredRow(f"load point, {how}")
    limits, span = Limits(None, 2 * SOURCE_OHM, "ohm"), (0.5 * SOURCE_OHM, 3.5 * SOURCE_OHM)
    for _ in range(cases):
        source = rng.uniform(*span)
        meter = KnownMeter("M", Accuracy(0.01, 5), 0.01, style, rng)
        other = KnownMeter("W", Accuracy(0.01, 5), 0.01, style, rng) if how == "two meters" else meter
        load = 15 * (1 + rng.uniform(-0.01, 0.01))
        open_v = NOMINAL_NO_LOAD * rng.uniform(0.97, 1.03)
        loaded_v = open_v * (1 + rng.gauss(0, DRIFT)) * load / (load + source)
        result = check_supply(
            NAMEPLATE,
            meter.read(AC, open_v, 0.1 if how == "two ranges" else None),
            mains=Mains.of(exact(230.0), 230.0),
            load=LoadPoint(15.0, other.read(AC, loaded_v)),
        )
        row.interval("source", result.quantities["source_resistance"], source)
        row.interval("loaded", result.quantities["loaded_voltage"], loaded_v)
        row.probabilities(result.quantities["source_resistance"], source)
        # The no-load voltage is well within its limits: the verdict is that of the source resistance.
        row.verdict(result.verdict, inside(limits, source))
    return row


def known(
    style: ErrorStyle,
    cases: int,
    rng: random.Random,
    *,
    by: str = "",
    days: int = 0,
    drift: Drift = Drift.ASSUMED,
    beyond: float = 1.0,
) -> ScoredRow:
    """No-load voltage against fixed limits, by a 1 % + 5 meter of which a standard or a better meter showed more."""
    name = f"no-load voltage, meter known by {by or 'its data sheet'}"
    name += f" {days} days ago" * bool(days) + f", {beyond:g} of its statement" * (beyond > 1)
    row = ScoredRow(name + f", {drift}" * bool(by and drift is not Drift.ASSUMED))
    for _ in range(cases):
        true = rng.uniform(*NO_LOAD_SPAN)
        one = partial(KnownMeter, resolution=0.01, style=style, rng=rng, u_counts=0.3, drift=drift)
        meter = one("M", Accuracy(0.01, 5), beyond=beyond)
        better = one("W", Accuracy(0.0025, 5))
        standard = 25 * rng.uniform(-0.0025, 0.0025)
        on, other = MeterRange("M", str(AC), 0.01), MeterRange("W", str(AC), 0.01)
        taken = meter.read(AC, true)
        seen = []
        for ago in (days, days + 30, days + 60) if by else ():
            meter.go_back(ago / 365)
            better.go_back(ago / 365)
            age_s = ago * 86400
            if by == "a standard":
                shown = meter.read(AC, 25 + standard).value
                seen.append(Observation(on, shown, 25.0, age_s, standard="CS", half_width=25 * 0.0025))
            else:
                node = rng.uniform(22, 32)
                shown, theirs = meter.read(AC, node).value, better.read(AC, node).value
                seen.append(Observation(on, shown, theirs, age_s, other=other))
        claims = {on: taken.accuracy, other: better.accuracy}
        taken = replace(taken, known=known_error(on, taken.value, claims, seen))
        result = check_supply(NAMEPLATE, taken, limits={"no_load_voltage": NO_LOAD})
        row.interval("no load", result.quantities["no_load_voltage"], true)
        row.probabilities(result.quantities["no_load_voltage"], true)
        row.verdict(result.verdict, inside(NO_LOAD, true))
    return row


def null(style: ErrorStyle, cases: int, rng: random.Random) -> ScoredRow:
    """A joint of some 10 mohm to 2 ohm against 1 ohm at most, the test leads subtracted."""
    row = ScoredRow("continuity, lead null")
    limits = Limits(None, 1.0, "ohm")
    for _ in range(cases):
        true = rng.uniform(0.0, 2.0)
        meter = KnownMeter("M", Accuracy(0.005, 3), 0.1, style, rng, u_counts=0.3)
        leads = rng.uniform(0.1, 0.5)
        result = check_continuity(
            meter.read(OHMS, true + leads), lead_null=meter.read(OHMS, leads), max_ohm=1.0
        )
        if "resistance" in result.quantities:
            row.interval("resistance", result.quantities["resistance"], true)
            row.probabilities(result.quantities["resistance"], true)
        row.verdict(result.verdict, inside(limits, true))
    return row


def winding(style: ErrorStyle, cases: int, rng: random.Random, *, four_wire: bool) -> ScoredRow:
    """A winding against the resistance of its wire, ±6 %."""
    row = ScoredRow(f"continuity, winding, {'four-wire' if four_wire else 'two-wire'}")
    expected = 0.2 if four_wire else 12.0
    limits = Limits(0.94 * expected, 1.06 * expected, "ohm")
    for _ in range(cases):
        true = rng.uniform(0.85, 1.15) * expected
        if four_wire:
            current = rng.uniform(0.45, 0.55)
            volts = KnownMeter("V", Accuracy(0.005, 2), 1e-4, style, rng)
            amps = KnownMeter("A", Accuracy(0.01, 2), 1e-3, style, rng)
            result = check_continuity(
                volts.read(DC, true * current),
                current=amps.read(AMPS, current),
                expected=Uncertain(expected, 0.0, 0.0, "ohm"),
            )
        else:
            meter = KnownMeter("M", Accuracy(0.005, 3), 0.1, style, rng, u_counts=0.3)
            leads = rng.uniform(0.1, 0.5)
            result = check_continuity(
                meter.read(OHMS, true + leads),
                lead_null=meter.read(OHMS, leads),
                expected=Uncertain(expected, 0.0, 0.0, "ohm"),
            )
        row.interval("resistance", result.quantities["resistance"], true)
        row.probabilities(result.quantities["resistance"], true)
        row.verdict(result.verdict, inside(limits, true))
    return row


def isolation(style: ErrorStyle, cases: int, rng: random.Random) -> ScoredRow:
    """A barrier of about 5 gigohm, screened at 30 V: the reading is some tens of counts."""
    row = ScoredRow("isolation, screen")
    limits = Limits(5e9, None, "ohm")
    for _ in range(cases):
        true = 5e9 * 3 ** rng.uniform(-1, 1)
        meter = KnownMeter("M", Accuracy(0.005, 3), 0.001, style, rng, u_counts=0.3)
        own, supply_v = 10e6 * (1 + rng.uniform(-0.05, 0.05)), 30 * (1 + rng.uniform(-0.02, 0.02))
        result = check_isolation(meter.read(DC, supply_v * own / (own + true)), 30.0, 5e9)
        row.interval("resistance", result.quantities["resistance"], true)
        row.probabilities(result.quantities["resistance"], true)
        row.verdict(result.verdict, inside(limits, true))
    return row


def scope(rng: random.Random) -> Scope:
    """A scope with gain errors within 3 % a channel and 0.5 % between ranges."""
    return Scope(
        gain={"A": 1 + rng.uniform(-0.03, 0.03), "B": 1 + rng.uniform(-0.03, 0.03)},
        range_error=rng.uniform(-0.005, 0.005),
        delay_s={"A": 0.0, "B": rng.uniform(-5e-9, 5e-9)},
        seed=rng.randrange(1 << 30),
    )


def ratio(style: ErrorStyle, cases: int, rng: random.Random, *, how: str) -> ScoredRow:
    """Turns of a winding planned with 60, wound by somebody who errs as the counting prior says."""
    del style
    row = ScoredRow(f"ratio, {how}")
    for case in range(cases):
        off = rng.choices([0, 1, 2, 3], [0.919, 0.06, 0.015, 0.006])[0] * rng.choice([-1, 1])
        if case % 2:  # miscounts for the wrong verdicts; they say nothing of the probabilities
            off = rng.choice([-3, -2, -1, 1, 2, 3])
        turns, planned = 60 + off, 60
        loop = 15 if how == "more sense turns" else 1
        divider = {"divider, one range": 60.0, "divider, two ranges": 3.0}.get(how)
        frequency, device = rng.uniform(4e3, 6e3), scope(rng)
        true_divider = (divider or 1.0) * (1 + rng.uniform(-0.001, 0.001))
        winding_ohm = 1 + rng.uniform(-0.001, 0.001)
        wound = cmath.rect(3.5, rng.uniform(-3, 3)) / true_divider
        sense = wound * true_divider * loop / turns / winding_ohm
        setup = RatioSetup("B", "A", loop_turns=loop, divider=divider, divider_tolerance=0.001)
        first = device.capture({"A": wound, "B": sense}, frequency)
        second = replace(device, seed=device.seed + 1).capture({"A": sense, "B": wound}, frequency)
        swapped = None if how == "plain" else second
        try:
            result = check_turns_ratio(first, setup, expected_turns=planned, swapped=swapped)
        except BenchlogError as error:
            raise AssertionError(f"{how}: {error}") from error
        row.interval("ratio", result.quantities["turns_ratio"], turns)
        row.interval("phase", result.quantities["phase"], 0.0)
        row.interval("frequency", result.quantities["frequency"], frequency)
        row.verdict(result.verdict, turns == planned)
        if not case % 2 and result.turns is not None:
            row.probability(result.turns["probability"], result.turns["most_likely"] == turns)
            row.probability(result.conformance_probability, turns == planned)
    return row


def inductance(style: ErrorStyle, cases: int, rng: random.Random, *, how: str) -> ScoredRow:
    """AL of 61 uH ±25 % on ten turns, against a 100 ohm resistor of 1 %."""
    del style
    row = ScoredRow(f"inductance, {how}")
    limits, span = Limits(0.75 * 6.1e-3, 1.25 * 6.1e-3, "H"), (0.6 * 6.1e-3, 1.4 * 6.1e-3)
    for _ in range(cases):
        henry = rng.uniform(*span)
        resistor = 100 * (1 + rng.uniform(-0.01, 0.01))
        frequency, device = rng.uniform(2.5e3, 4e3), scope(rng)
        ohm = rng.uniform(0.1, 2.0)
        # The recorder's clock is off by up to 50 ppm.
        true_f = frequency * (1 + rng.uniform(-50e-6, 50e-6))
        coil = complex(ohm, 2 * math.pi * true_f * henry)
        current = cmath.rect(3.0, rng.uniform(-3, 3)) / (coil + resistor)
        node = how == "node"
        across, over = current * (coil + (resistor if node else 0)), current * resistor
        setup = SeriesSetup("A", "B", 100.0, node=node)
        first = device.capture({"A": across, "B": over}, frequency)
        second = replace(device, seed=device.seed + 1).capture({"A": over, "B": across}, frequency)
        result = check_inductance(
            first, setup, turns=10, al_h=61e-6, swapped=second if how == "swap" else None
        )
        row.interval("L", result.quantities["inductance"], henry)
        row.interval("R", result.quantities["resistance"], ohm)
        row.interval("phase", result.quantities["phase"], math.degrees(cmath.phase(across / over)))
        row.interval("frequency", result.quantities["frequency"], true_f)
        row.probabilities(result.quantities["inductance"], henry)
        row.verdict(result.verdict, inside(limits, henry))
    return row


def crosscheck(style: ErrorStyle, cases: int, rng: random.Random, *, meters: int) -> ScoredRow:
    """Healthy meters on one node, and as often one of them 5 % off."""
    row = ScoredRow(f"crosscheck, {meters} meters")
    for case in range(cases):
        true = rng.uniform(20, 30)
        readings = [
            KnownMeter(f"M{i}", Accuracy(0.01, 5), 0.01, style, rng).read(
                AC, true * (1.05 if case % 2 and not i else 1)
            )
            for i in range(meters)
        ]
        result = check_crosscheck(readings)
        row.verdict(result.verdict, not case % 2)
    return row


def chart(style: ErrorStyle, cases: int, rng: random.Random, *, counts: float) -> ScoredRow:
    """A healthy meter read 30 times on its check standard: any alarm is a false one."""
    del style
    row = ScoredRow(f"chart of 30 readings, {counts:g} counts of scatter", most_rejected=0.25)
    for _ in range(cases):
        values = [float(round(5000.3 + rng.gauss(0, counts))) for _ in range(30)]
        points = repeatability_chart(values, 1.0)
        alarm = any(p.signal is ChartSignal.ACT for p in points if p.readings >= 5)
        row.verdict(Verdict.FAIL if alarm else Verdict.PASS, True)
    return row


Row = Callable[[ErrorStyle, int, random.Random], ScoredRow]


def rows() -> list[tuple[bool, Row]]:
    """Whether the style of the meters matters, and the row."""

    def of(function: Callable[..., ScoredRow], styled: bool, **keys: object) -> tuple[bool, Row]:
        return styled, lambda style, n, rng: function(style, n, rng, **keys)

    return [
        *(of(supply, True, read=read) for read in (False, True)),
        of(known, True, drift=Drift.NONE),
        *(of(known, True, by=by) for by in ("a standard", "a better meter")),
        of(known, True, by="a standard", days=90),
        of(known, True, by="a standard", beyond=1.1),
        *(of(known, True, by=by, drift=Drift.NONE) for by in ("a standard", "a better meter")),
        *(of(known, True, by="a standard", days=days, drift=Drift.STRAIGHT) for days in (0, 90)),
        *(of(load_point, True, how=how) for how in ("one range", "two ranges", "two meters")),
        of(null, True),
        of(winding, True, four_wire=False),
        of(winding, True, four_wire=True),
        *(
            of(ratio, False, how=how)
            for how in ("plain", "swap", "divider, one range", "divider, two ranges", "more sense turns")
        ),
        *(of(inductance, False, how=how) for how in ("separate", "node", "swap")),
        *(of(crosscheck, True, meters=meters) for meters in (2, 3, 4)),
        *(of(chart, False, counts=counts) for counts in (0.3, 1.0, 2.0)),
        of(isolation, True),
    ]


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--cases", type=int, default=4000, help="of each row")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="rows whose name holds this")
    args = parser.parse_args()
    print("| check | cases | coverage | false accept | false reject | indeterminate | said → true |")
    print("|---|---|---|---|---|---|---|")
    missed = []
    for number, (styled, row) in enumerate(rows()):
        for style in ErrorStyle if styled else [ErrorStyle.BOUND]:
            rng = random.Random(f"{args.seed}/{number}/{style}")
            if args.only not in row(style, 0, rng).name:
                continue
            scored = row(style, args.cases, rng)
            if styled:
                scored.name += f" ({style})"
            print(scored.line(), flush=True)
            missed += [f"{scored.name}: {text}" for text in scored.misses()]
    print("\n".join(["", *(f"missed: {text}" for text in missed)]))
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
