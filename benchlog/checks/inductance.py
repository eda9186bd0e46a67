"""Inductance of a winding by a series resistor: AL, shorted turns, and a second, independent count of the turns.

One channel across the winding (or on the generator's node, across winding and resistor together), the other across
the resistor. Impedance of the winding Z = R V_L / V_R, or R (V_node / V_R - 1); both have the reactance
R |V / V_R| sin(phase), so the resistor's own part drops out. Smallest error where R is near wL.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import GTC

from benchlog.capture import Capture
from benchlog.checks.scope_channels import (
    GAIN_ACCURACY,
    RANGE_GAIN,
    ScopeGains,
    fit_pair,
    with_probes,
)
from benchlog.errors import AnalysisError, UsageError
from benchlog.magnetics.flux import peak_flux_density_t
from benchlog.magnetics.shorted_turn import ShortedTurn, find_shorted_turn
from benchlog.magnetics.turns_posterior import turns_posterior
from benchlog.metrology.budget import settle, uncertain, uniform
from benchlog.metrology.conformity import RULE, Judgement, judge
from benchlog.result import Limits, Result, Uncertain, Verdict, worst_verdict
from benchlog.units import format_quantity

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
#: Outside this range of |V_L / V_R| the larger signal is many times the smaller.
RATIO_RANGE = (0.2, 5.0)
HOOKUP_CAUTION = (
    "both ground clips at one point; for winding and resistor separately that point lies between them, "
    "for the node hook-up at the resistor's far end; never on anything that has to do with mains"
)


@dataclass(frozen=True, slots=True)
class SeriesSetup:
    """How the two channels are connected and what is known of them.

    Attributes
    ----------
    across, resistor_channel : str
        Channels across the winding and across the series resistor. In a swapped capture they have changed places.
    resistor_ohm, resistor_tolerance : float
        The resistor and the half-width of its error, relative.
    node : bool
        Channel `across` sees winding and resistor together.
    gain_accuracy, range_gain, probes
        As in a turns-ratio set-up.
    area_m2 : float, optional
        Core area, to say at which flux density AL was measured.
    """

    across: str
    resistor_channel: str
    resistor_ohm: float
    resistor_tolerance: float = 0.01
    node: bool = False
    gain_accuracy: float | Mapping[str, float] = GAIN_ACCURACY
    range_gain: float = RANGE_GAIN
    probes: Mapping[str, float] = field(default_factory=dict)
    area_m2: float | None = None

    def __post_init__(self) -> None:
        if not self.resistor_ohm > 0:
            raise UsageError(
                f"a series resistor of {self.resistor_ohm:g} ohm", hint="write it like --resistor '1 kohm'"
            )
        if not 0 <= self.resistor_tolerance < 1:
            raise UsageError("the resistor's tolerance must lie between 0 and 100 %")


@dataclass(frozen=True, slots=True)
class TestWinding:
    """A winding of few, surely counted turns on the same core, measured in the same way."""

    __test__ = False  # no test class, whatever a test runner thinks of the name

    capture: Capture
    turns: int
    resistor_ohm: float | None = None


@dataclass(frozen=True, slots=True)
class MeasuredCoil:
    """One measured winding.

    Attributes
    ----------
    inductance, series_ohm : GTC uncertain real
        Henry; resistive part of the impedance, ohm.
    phase_deg : float
        Of the voltage of channel `across` against that of the resistor.
    frequency_hz, frequency
        As a number, and with its uncertainty.
    voltage_peak_v : float
        Across the winding.
    ratio : float
        Voltage ratio of the two channels.
    blocked, findings : tuple of str
        Why no verdict may rest on it; all that is odd.
    ranges : tuple of float or None
        Full scales of both channels, where known.
    """

    inductance: Any
    series_ohm: Any
    phase_deg: float
    frequency_hz: float
    frequency: Uncertain
    voltage_peak_v: float
    ratio: float
    blocked: tuple[str, ...]
    findings: tuple[str, ...]
    ranges: tuple[float | None, float | None]


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
    setup : SeriesSetup
    turns : int, optional
        Turns of the winding; then AL is given too.
    al_h : float, optional
        Expected inductance of one turn, henry; with `turns` it makes the limits.
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
    gains = ScopeGains(setup.gain_accuracy, setup.range_gain)
    resistor = _resistor(setup.resistor_ohm, setup.resistor_tolerance)
    coil = _measure(capture, setup, gains, resistor, swapped)
    quantities = {"inductance": settle(coil.inductance, "H")}
    if turns is not None:
        quantities["al"] = settle(coil.inductance / turns**2, "H")
    quantities["phase"] = settle(uncertain(coil.phase_deg, 0.0), "deg")
    quantities["resistance"] = settle(coil.series_ohm, "ohm")
    quantities["frequency"] = coil.frequency
    findings = [*coil.findings, *_coil_findings(coil, setup)]
    if turns is not None and setup.area_m2 is not None:
        quantities["flux_density"] = Uncertain(
            peak_flux_density_t(coil.voltage_peak_v, coil.frequency_hz, turns, setup.area_m2), 0.0, 0.0, "T"
        )
    posterior = None
    if test_winding is not None and turns is not None:
        count, words = _independent_count(coil, setup, gains, resistor, test_winding, turns)
        quantities["turns_ratio"] = settle(count, "1")
        posterior = turns_posterior(
            float(count.x),
            quantities["turns_ratio"].standard_uncertainty,
            planned=turns,
            degrees_of_freedom=quantities["turns_ratio"].degrees_of_freedom or math.inf,
        )
        findings += words
    used = dict(limits) if limits else _limits(turns, al_h, tolerance, with_count=posterior is not None)
    short = _shorted(coil, turns, al_h)
    judgement = _judge(quantities, used)
    verdict = Verdict.INDETERMINATE if coil.blocked else judgement.verdict
    reason = f"the record can't carry a verdict: {coil.blocked[0]}" if coil.blocked else judgement.reason
    if short is not None:
        findings.insert(0, short.words)
        if verdict is Verdict.FAIL:
            reason = f"{short.words}; {reason}"
    if posterior is not None:
        reason = f"{posterior.words} by inductance; {reason}"
    return Result(
        check="inductance",
        verdict=verdict,
        reason=reason,
        quantities=quantities,
        limits=used,
        limits_set="plan" if limits else "computed",
        conformance_probability=judgement.conformance_probability if used else None,
        rule=RULE if used else "",
        turns=posterior.as_json() if posterior else None,
        instruments=(capture.instrument,) if capture.instrument else (),
        functions={capture.instrument: "capture"} if capture.instrument else {},
        hookup=_hookup(setup),
        cautions=(HOOKUP_CAUTION,),
        findings=tuple(findings),
        conditions={
            "level": f"{format_quantity(coil.voltage_peak_v, 'V')} peak across the winding",
            "frequency": format_quantity(coil.frequency_hz, "Hz"),
        },
        details={
            "voltage_ratio": coil.ratio,
            "voltage_peak_v": coil.voltage_peak_v,
            "shorted_turn_ohm": short.turn_ohm if short else None,
        },
    )


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
        raise UsageError(f"a tolerance of {tolerance * 100:g} % makes no limits", hint="write it like '25 %'")
    if test_winding is not None:
        if test_winding.turns < 1:
            raise UsageError(f"a test winding can't have {test_winding.turns} turns")
        if turns is None:
            raise UsageError("an independent count needs the planned turns", hint="--turns 60")


def _resistor(ohm: float, tolerance: float) -> Any:
    return uniform(ohm, ohm * tolerance, label=f"series resistor {format_quantity(ohm, 'ohm')}")


def measure_inductance(capture: Capture, setup: SeriesSetup) -> MeasuredCoil:
    """Measure one winding, without judging it; see `check_inductance`."""
    gains = ScopeGains(setup.gain_accuracy, setup.range_gain)
    return _measure(capture, setup, gains, _resistor(setup.resistor_ohm, setup.resistor_tolerance), None)


def _measure(
    capture: Capture,
    setup: SeriesSetup,
    gains: ScopeGains,
    resistor: Any,
    swapped: Capture | None,
    where: str = "",
) -> MeasuredCoil:
    capture = with_probes(capture, setup.probes)
    pairs = [fit_pair(capture, setup.across, setup.resistor_channel)]
    if swapped is not None:
        pairs.append(fit_pair(with_probes(swapped, setup.probes), setup.resistor_channel, setup.across))
    seen, phases = [], []
    for pair in pairs:
        label = where if pair is pairs[0] else f"{where}, swapped"
        seen.append(pair.ratio(label) * gains.gain(pair.numerator) / gains.gain(pair.denominator))
        phases.append(pair.phase_deg(label))
    ratio, phase = seen[0], phases[0]
    if len(pairs) == 2:
        ratio = GTC.sqrt(seen[0] * seen[1])
        if not all(pair.same_range for pair in pairs):
            ratio = ratio * gains.between_ranges()
        phase = (phases[0] + phases[1]) / 2
    angle = phase * (math.pi / 180)
    fit = pairs[0].fit
    reactance = resistor * ratio * GTC.sin(angle)
    if float(reactance.x) == 0:
        raise AnalysisError("both channels are exactly in phase: no inductance to be seen")
    series = resistor * (ratio * GTC.cos(angle) - (1 if setup.node else 0))
    if float(reactance.x) < 0:  # one channel inverted; the winding's own resistance turns with it
        reactance = -reactance
        series = -series if not setup.node else series
    frequency = uncertain(fit.frequency_hz, fit.u_frequency_hz, fit.degrees_of_freedom, f"frequency{where}")
    resistor_peak = float(fit.amplitude[1])
    z = math.hypot(float(reactance.x), float(series.x))
    first, second = (capture.channel(n).range_max for n in (setup.across, setup.resistor_channel))
    return MeasuredCoil(
        inductance=reactance / (2 * math.pi * frequency),
        series_ohm=series,
        phase_deg=float(phase.x),
        frequency_hz=fit.frequency_hz,
        frequency=settle(frequency, "Hz"),
        voltage_peak_v=resistor_peak * z / float(resistor.x),
        ratio=float(ratio.x),
        blocked=tuple(f for pair in pairs if pair.blocked for f in pair.findings),
        findings=tuple(f for pair in pairs for f in pair.findings),
        ranges=(first, second),
    )


def _coil_findings(coil: MeasuredCoil, setup: SeriesSetup) -> list[str]:
    findings = []
    if coil.phase_deg < 0:
        findings.append(
            f"the winding's voltage lags ({coil.phase_deg:.1f}°): one channel is inverted, or the frequency is above "
            "the winding's self-resonance"
        )
    if not RATIO_RANGE[0] <= coil.ratio <= RATIO_RANGE[1]:
        reactance = 2 * math.pi * coil.frequency_hz * float(coil.inductance.x)
        findings.append(
            f"|V/V_R| is {coil.ratio:.3g}: a resistor near {format_quantity(reactance, 'ohm', 2)} gives the smallest error"
        )
    if setup.node and coil.ratio < 1.05:
        findings.append(
            "the node voltage is hardly more than the resistor's: take a smaller resistor or a higher frequency"
        )
    return findings


def _shorted(coil: MeasuredCoil, turns: int | None, al_h: float | None) -> ShortedTurn | None:
    if turns is None or al_h is None:
        return None
    z = complex(float(coil.series_ohm.x), 2 * math.pi * coil.frequency_hz * float(coil.inductance.x))
    return find_shorted_turn(z, coil.frequency_hz, turns, al_h)


def _independent_count(
    coil: MeasuredCoil, setup: SeriesSetup, gains: ScopeGains, resistor: Any, test: TestWinding, turns: int
) -> tuple[Any, list[str]]:
    """Turns from both inductances: channel gains and a shared resistor cancel, gains between ranges do not."""
    ohm = test.resistor_ohm or setup.resistor_ohm
    own = resistor if ohm == setup.resistor_ohm else _resistor(ohm, setup.resistor_tolerance)
    other = _measure(test.capture, setup, gains, own, None, ", test winding")
    square = coil.inductance / other.inductance
    if None in coil.ranges or coil.ranges != other.ranges:
        square = square * uniform(1.0, setup.range_gain, label="gain between ranges, both captures")
    words = list(other.findings)
    if other.blocked:
        words.append(f"the count can't be trusted: {other.blocked[0]}")
    level = coil.voltage_peak_v / coil.frequency_hz / turns
    test_level = other.voltage_peak_v / other.frequency_hz / test.turns
    if not 0.8 < level / test_level < 1.25 or not 0.98 < coil.frequency_hz / other.frequency_hz < 1.02:
        words.append(
            "the two windings were measured at different flux density or frequency "
            f"({level / test_level:.2g} times the flux); AL depends on both: repeat at equal volts per turn"
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
        limits["turns_ratio"] = Limits(
            turns - 0.5, turns + 0.5, "1", f"computed: half a turn either way of the {turns} expected"
        )
    return limits


def _judge(quantities: Mapping[str, Uncertain], limits: Mapping[str, Limits]) -> Judgement:
    judged = []
    for name, limit in limits.items():
        if name not in quantities:
            raise UsageError(
                f"limits are given for {name}, which is not measured here",
                hint=f"measured: {', '.join(quantities)}",
            )
        judged.append(judge(quantities[name], limit, name.replace("_", " ")))
    if not judged:
        return Judgement(
            Verdict.NOT_DONE, 0.0, "measured, but nothing to judge it by: no AL and turns, no limits given"
        )
    worst = worst_verdict([j.verdict for j in judged])
    deciding = [j for j in judged if j.verdict is worst]
    return Judgement(
        worst, min(j.conformance_probability for j in judged), "; ".join(j.reason for j in deciding)
    )


def _hookup(setup: SeriesSetup) -> str:
    resistor = format_quantity(setup.resistor_ohm, "ohm")
    if setup.node:
        return (
            f"generator, winding and {resistor} in series; channel {setup.across} on the generator's end, channel "
            f"{setup.resistor_channel} across the resistor, ground at the resistor's far end"
        )
    return (
        f"generator, winding and {resistor} in series; channel {setup.across} across the winding, channel "
        f"{setup.resistor_channel} across the resistor"
    )
