"""Inductance of a winding by a series resistor: AL, shorted turns, and an independent count of the turns.

This module judges the measurement, which is made in `benchlog.checks.series_resistor`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchlog.capture import Capture
from benchlog.checks.scope_channels import ScopeGains, scopes_used
from benchlog.checks.series_resistor import (
    MeasuredCoil,
    SeriesSetup,
    coil_of,
    in_phase,
    measure_inductance,
    series_resistor,
    wrong_node,
)
from benchlog.checks.whole_turns import half_turn_limits, judge_turns, posterior_of
from benchlog.circuits import winding_and_resistor
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.hookup import Hookup, in_words
from benchlog.influence import Role
from benchlog.magnetics.flux import peak_flux_density_t
from benchlog.magnetics.shorted_turn import ShortedTurn, find_shorted_turn
from benchlog.magnetics.turns_posterior import TurnsPosterior
from benchlog.metrology.budget import to_uncertain, uniform
from benchlog.metrology.conformity import RULE, Judgement, judge, unjudged
from benchlog.metrology.gtc import GTC
from benchlog.metrology.next_best import with_ways
from benchlog.number_format import format_quantity
from benchlog.result import Limits, Result, Uncertain, Verdict, worst_verdict
from benchlog.wording import quantity_words

__all__ = [
    "LOT_TOLERANCE",
    "MeasuredCoil",
    "SeriesSetup",
    "TestWinding",
    "check_inductance",
    "measure_inductance",
]

#: Of a data-sheet AL: ferrite 25 % either way, tape-wound cores more (common practice, no source).
LOT_TOLERANCE = 0.25
#: Usual factors of a mistyped resistor or a wrong probe setting (common practice, no source).
_FACTORS = (10, 100, 1000)
_SLIP_WITHIN = 0.1  # relative, of the value that a slip would give (judgement)
HOOKUP_CAUTION = (
    "Scope ground clips are connected to protective earth. Put both on one point: where winding and resistor join, "
    "or at the resistor's far end with the node hook-up. Never on anything connected to mains."
)


@dataclass(frozen=True, slots=True)
class TestWinding:
    """A winding of few, surely counted turns on the same core, measured in the same way."""

    __test__ = False  # not a test class, despite its name

    capture: Capture
    turns: int
    resistor_ohm: float | None = None


def check_inductance(
    capture: Capture,
    setup: SeriesSetup,
    *,
    turns: int | None = None,
    al_h: float | None = None,
    tolerance: float = LOT_TOLERANCE,
    limits: Mapping[str, Limits] | None = None,
    swapped: Capture | None = None,
    test_winding: TestWinding | None = None,
) -> Result:
    """Check a winding's inductance.

    Parameters
    ----------
    capture : Capture
        With the channels of `setup`.
    turns : int, optional
        Turns of the winding; then AL is given too.
    al_h : float, optional
        Expected inductance of one turn, henry; with `turns` it gives the limits.
    tolerance : float
        Half-width of those limits, relative: the lot tolerance of a data-sheet AL, or about 5 % for an AL
        measured on this very core.
    limits : mapping of str to Limits, optional
        Limits from a plan by quantity name; they replace the computed ones.
    swapped : Capture, optional
        A second capture with probes and channels swapped.
    test_winding : TestWinding, optional
        For an independent count: N = K sqrt(L_N / L_K); needs `turns` as the planned number.

    Raises
    ------
    UsageError
        If expectation, set-up and capture do not fit together.
    AnalysisError
        If a record can't be fitted or shows no inductance.
    """
    _check_arguments(turns, al_h, tolerance, test_winding)
    gains = ScopeGains(setup.gain_accuracy, setup.range_gain, capture.instrument)
    resistor = series_resistor(setup.resistor_ohm, setup.resistor_tolerance)
    coil = coil_of(capture, setup, gains, resistor, swapped)
    quantities = _quantities(coil, turns, setup.area_m2)
    findings, posterior = [*coil.findings], None
    if test_winding is not None and turns is not None:
        count, words = _independent_count(coil, setup, gains, resistor, test_winding, turns)
        quantities["turns_ratio"] = to_uncertain(count, "1")
        posterior = posterior_of(quantities["turns_ratio"], turns)
        findings += words
    used = dict(limits) if limits else _limits(turns, al_h, tolerance, with_count=posterior is not None)
    judgement = _judge(quantities, used, posterior)
    short = _shorted(coil, turns, al_h)
    expected_h = al_h * turns**2 if turns and al_h else None
    doubt = None if short else _hookup_doubt(coil, setup, expected_h, judgement)
    believed = _believed(judgement, coil, doubt)
    first = [Finding(FindingKind.SHORTED_TURN, short.words)] if short else []
    findings = [*first, *findings, *filter(None, [doubt])]
    reason = _reason(believed.reason, first if believed.verdict is Verdict.FAIL else [], posterior)
    wiring, scopes = _wiring(setup, capture.instrument), scopes_used(capture)
    result = Result(
        check="inductance",
        verdict=believed.verdict,
        reason=reason,
        because=believed.because,
        quantities=quantities,
        limits=used,
        limits_set="plan" if limits else "computed",
        conformance_probability=judgement.conformance_probability if used else None,
        rule=RULE if used else "",
        turns=posterior.as_json() if posterior else None,
        instruments=tuple(scopes),
        functions=scopes,
        hookup=in_words(wiring),
        wiring=wiring,
        cautions=(HOOKUP_CAUTION,),
        findings=tuple(findings),
        conditions={
            "level": f"{format_quantity(coil.voltage_peak_v, 'V')} peak across the winding",
            "frequency": format_quantity(coil.frequency_hz, "Hz"),
        },
        details=_details(coil, short),
    )
    return with_ways(result, [believed.way] if believed.way else [])


def _quantities(coil: MeasuredCoil, turns: int | None, area_m2: float | None) -> dict[str, Uncertain]:
    found = {"inductance": to_uncertain(coil.inductance, "H")}
    if turns is not None:
        found["al"] = to_uncertain(coil.inductance / turns**2, "H")
    found["phase"] = coil.phase
    found["resistance"] = to_uncertain(coil.series_ohm, "ohm")
    found["frequency"] = coil.frequency
    if turns is not None and area_m2 is not None:
        flux_density_t = peak_flux_density_t(coil.voltage_peak_v, coil.frequency_hz, turns, area_m2)
        found["flux_density"] = Uncertain(flux_density_t, 0.0, 0.0, "T")
    return found


def _details(coil: MeasuredCoil, short: ShortedTurn | None) -> dict[str, Any]:
    notes = {"notes": list(coil.notes)} if coil.notes else {}
    return {
        "voltage_ratio": coil.ratio,
        "voltage_peak_v": coil.voltage_peak_v,
        "shorted_turn_ohm": short.turn_ohm if short else None,
        **notes,
    }


def _reason(reason: str, short: list[Finding], posterior: TurnsPosterior | None) -> str:
    count = [f"{posterior.words} by inductance"] if posterior is not None else []
    return "; ".join([*count, *short, reason])


def _hookup_doubt(
    coil: MeasuredCoil, setup: SeriesSetup, expected_h: float | None, judgement: Judgement
) -> Finding | None:
    """Errors in the hook-up or its description that would explain the value, unless a shorted turn does."""
    slip = None
    if judgement.verdict is Verdict.FAIL and expected_h is not None:
        slip = _slip(coil, setup, expected_h)
    return slip or wrong_node(coil, setup)


def _slip(coil: MeasuredCoil, setup: SeriesSetup, expected_h: float) -> Finding | None:
    """Ask about swapped channels, or a mistyped resistor or probe factor, if that would explain the inductance."""
    times_expected = float(coil.inductance.x) / expected_h
    if not setup.node and abs(times_expected / coil.ratio**2 - 1) <= _SLIP_WITHIN:
        words = f"are channels {setup.across} and {setup.resistor_channel} swapped?"
        return Finding(
            FindingKind.HOOKUP, f"with the channels swapped the inductance would be as expected: {words}"
        )
    for factor in _FACTORS:
        for off, times in ((factor, f"{factor} times"), (1 / factor, f"1/{factor} of")):
            if abs(times_expected / off - 1) <= _SLIP_WITHIN:
                words = f"is the resistor really {format_quantity(setup.resistor_ohm, 'ohm')}? Is each probe's factor right?"
                return Finding(FindingKind.HOOKUP, f"the inductance is {times} the expected value: {words}")
    return None


def _believed(judgement: Judgement, coil: MeasuredCoil, doubt: Finding | None) -> Judgement:
    """The judgement, unless the record allows no verdict or the hook-up shows no winding."""
    if in_phase(coil.phase_deg) and (coil.blocked or judgement.verdict is not Verdict.NOT_DONE):
        return unjudged(next(f for f in coil.findings if f.kind is FindingKind.HOOKUP))
    if coil.blocked:
        return unjudged(coil.blocked[0], record=True)
    if doubt is not None and judgement.verdict is not Verdict.NOT_DONE:
        return unjudged(doubt)
    return judgement


def _check_arguments(
    turns: int | None, al_h: float | None, tolerance: float, test_winding: TestWinding | None
) -> None:
    if turns is not None and turns < 1:
        raise UsageError(f"a winding can't have {turns} turns", hint="turns is a whole number from 1")
    if al_h is not None and not al_h > 0:
        raise UsageError("AL must be above zero", hint="write it like --al '61 uH'")
    if al_h is not None and turns is None:
        raise UsageError("an expected AL needs the turns", hint="--turns 60 --al '61 uH'")
    if not 0 < tolerance < 1:
        raise UsageError(f"a tolerance of {tolerance * 100:g} % gives no limits", hint="write it like '25 %'")
    if test_winding is not None:
        if test_winding.turns < 1:
            raise UsageError(f"a test winding can't have {test_winding.turns} turns")
        if turns is None:
            raise UsageError("an independent count needs the planned turns", hint="--turns 60")


def _shorted(coil: MeasuredCoil, turns: int | None, al_h: float | None) -> ShortedTurn | None:
    if turns is None or al_h is None or in_phase(coil.phase_deg):
        return None
    z = complex(float(coil.series_ohm.x), 2 * math.pi * coil.frequency_hz * float(coil.inductance.x))
    return find_shorted_turn(z, coil.frequency_hz, turns, al_h)


def _independent_count(
    coil: MeasuredCoil, setup: SeriesSetup, gains: ScopeGains, resistor: Any, test: TestWinding, turns: int
) -> tuple[Any, list[Finding]]:
    """Turns from both inductances: channel gains and a shared resistor cancel, gains between ranges do not."""
    ohm = test.resistor_ohm or setup.resistor_ohm
    own = resistor if ohm == setup.resistor_ohm else series_resistor(ohm, setup.resistor_tolerance)
    other = coil_of(test.capture, setup, gains, own, None, ", test winding")
    square = coil.inductance / other.inductance
    if None in coil.ranges or coil.ranges != other.ranges:
        square = square * uniform(
            1.0,
            setup.range_gain,
            label="gain between ranges, both captures",
            influence=gains.influence(Role.RANGE_GAIN),
        )
    words = list(other.findings)
    if other.blocked:
        words.append(Finding(FindingKind.HOOKUP, f"the count can't be trusted: {other.blocked[0]}"))
    level = coil.voltage_peak_v / coil.frequency_hz / turns
    test_level = other.voltage_peak_v / other.frequency_hz / test.turns
    if not 0.8 < level / test_level < 1.25 or not 0.98 < coil.frequency_hz / other.frequency_hz < 1.02:
        words.append(
            Finding(
                FindingKind.CONDITIONS,
                "the two windings were measured at different flux density or frequency "
                f"({level / test_level:.2g} times the flux); AL depends on both: repeat at equal volts per turn",
            )
        )
    return test.turns * GTC.sqrt(square), words


def _limits(
    turns: int | None, al_h: float | None, tolerance: float, *, with_count: bool
) -> dict[str, Limits]:
    limits = {}
    if turns is not None and al_h is not None:
        expected = al_h * turns**2
        limits["inductance"] = Limits(
            expected * (1 - tolerance),
            expected * (1 + tolerance),
            "H",
            f"computed: AL {format_quantity(al_h, 'H')} times {turns}² ±{tolerance * 100:g} %",
        )
    if with_count and turns is not None:
        limits["turns_ratio"] = half_turn_limits(turns)
    return limits


def _judge(
    quantities: Mapping[str, Uncertain], limits: Mapping[str, Limits], posterior: TurnsPosterior | None
) -> Judgement:
    judged = []
    for name, limit in limits.items():
        if name not in quantities:
            raise UsageError(
                f"limits are given for {name}, but this check does not measure it",
                hint=f"measured: {', '.join(quantities)}",
            )
        if name == "turns_ratio":
            judged.append(judge_turns(quantities[name], limit, posterior))
        else:
            judged.append(judge(quantities[name], limit, quantity_words(name)))
    if not judged:
        return Judgement(Verdict.NOT_DONE, 0.0, "measured, but not judged: give AL and turns, or limits")
    worst = worst_verdict([j.verdict for j in judged])
    deciding = [j for j in judged if j.verdict is worst]
    return Judgement(
        worst, min(j.conformance_probability for j in judged), "; ".join(j.reason for j in deciding)
    )


def _wiring(setup: SeriesSetup, scope: str) -> Hookup:
    return winding_and_resistor(
        "winding",
        format_quantity(setup.resistor_ohm, "ohm"),
        generator="generator",
        drive="",
        scope=scope or "scope",
        across=setup.across,
        resistor_channel=setup.resistor_channel,
        node=setup.node,
    )
