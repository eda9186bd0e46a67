"""Measure a winding's impedance by a series resistor: hook-up, measurement, findings; no verdict.

One channel across the winding (or on the generator's node, across winding and resistor together), the other across
the resistor. Impedance of the winding Z = R V_L / V_R, or R (V_node / V_R - 1); both have the reactance
R |V / V_R| sin(phase), so the resistor's own part drops out. Smallest error where R is near wL.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchlog.capture import Capture
from benchlog.checks.known_resistor import known_resistor
from benchlog.checks.scope_channels import (
    GAIN_ACCURACY,
    RANGE_GAIN,
    ChannelPair,
    ScopeGains,
    fit_pair,
    with_probes,
)
from benchlog.errors import AnalysisError, UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.influence import Role
from benchlog.metrology.budget import to_uncertain
from benchlog.metrology.gtc import GTC
from benchlog.number_format import format_quantity
from benchlog.result import Uncertain

#: Outside this range of |V_L / V_R| one signal is many times the other.
RATIO_RANGE = (0.2, 5.0)
#: A phase closer than this to 0 or 180 degrees is that of a resistor, not a winding (judgement).
IN_PHASE_DEG = 1.0


@dataclass(frozen=True, slots=True)
class SeriesSetup:
    """How the two channels are connected, and their known data."""

    #: across, resistor_channel: Channels across the winding and across the series resistor; reversed in a swapped
    #: capture.
    across: str
    resistor_channel: str
    #: resistor_ohm, resistor_tolerance: The resistor and the half-width of its error, relative.
    resistor_ohm: float
    resistor_tolerance: float = 0.01
    node: bool = False  #: Channel `across` sees winding and resistor together.
    #: gain_accuracy, range_gain, probes: As in a turns-ratio set-up.
    gain_accuracy: float | Mapping[str, float] = GAIN_ACCURACY
    range_gain: float = RANGE_GAIN
    probes: Mapping[str, float] = field(default_factory=dict)
    area_m2: float | None = None  #: Core area, to say at which flux density AL was measured.

    def __post_init__(self) -> None:
        if not self.resistor_ohm > 0:
            raise UsageError(
                f"a series resistor can't have {self.resistor_ohm:g} ohm",
                hint="write it like --resistor '1 kohm'",
            )
        if not 0 <= self.resistor_tolerance < 1:
            raise UsageError("the resistor's tolerance must lie between 0 and 100 %")


@dataclass(frozen=True, slots=True)
class MeasuredCoil:
    """One measured winding."""

    #: inductance, series_ohm: Henry; resistive part of the impedance, ohm.
    inductance: Any
    series_ohm: Any
    #: phase_deg, phase: Of the voltage of channel `across` against that of the resistor, as a number and with
    #: its uncertainty.
    phase_deg: float
    phase: Uncertain
    #: frequency_hz, frequency: As a number, and with its uncertainty.
    frequency_hz: float
    frequency: Uncertain
    voltage_peak_v: float  #: Across the winding.
    ratio: float  #: Voltage ratio of the two channels.
    #: blocked, findings, notes: Reasons for no verdict; all findings; minor ones already in the uncertainty.
    blocked: tuple[Finding, ...]
    findings: tuple[Finding, ...]
    notes: tuple[Finding, ...]
    ranges: tuple[float | None, float | None]  #: Full scales of both channels, where known.


def series_resistor(ohm: float, tolerance: float) -> Any:
    """Uncertain resistance of the series resistor from the half-width of its error, relative."""
    return known_resistor(ohm, tolerance, Role.SERIES_RESISTOR)


def measure_inductance(capture: Capture, setup: SeriesSetup) -> MeasuredCoil:
    """Measure one winding, without judging it; see `check_inductance`."""
    gains = ScopeGains(setup.gain_accuracy, setup.range_gain, capture.instrument)
    return coil_of(capture, setup, gains, series_resistor(setup.resistor_ohm, setup.resistor_tolerance), None)


def coil_of(
    capture: Capture,
    setup: SeriesSetup,
    gains: ScopeGains,
    resistor: Any,
    swapped: Capture | None,
    where: str = "",
) -> MeasuredCoil:
    """Measure one winding with gains and resistor that other measurements share.

    Parameters
    ----------
    capture, setup
        As in `measure_inductance`.
    resistor : GTC uncertain real
        Ohm; see `series_resistor`.
    swapped : Capture or None
        A second capture with probes and channels swapped.
    where : str
        Appended to the labels of the budget.

    Raises
    ------
    AnalysisError
        If both channels are exactly in phase.
    """
    capture = with_probes(capture, setup.probes)
    pairs = [fit_pair(capture, setup.across, setup.resistor_channel)]
    if swapped is not None:
        pairs.append(fit_pair(with_probes(swapped, setup.probes), setup.resistor_channel, setup.across))
    ratio, phase = _ratio_and_phase(pairs, gains, where)
    angle = phase * (math.pi / 180)
    fit = pairs[0].fit
    reactance = resistor * ratio * GTC.sin(angle)
    if float(reactance.x) == 0:
        raise AnalysisError(
            "both channels are exactly in phase: they show no inductance",
            hint="is one probe across the winding, the other across the resistor?",
        )
    series = resistor * (ratio * GTC.cos(angle) - (1 if setup.node else 0))
    if float(reactance.x) < 0:  # one channel is inverted; so is the sign of the winding's resistance
        reactance = -reactance
        series = -series if not setup.node else series
    frequency = gains.frequency(pairs[0], where)
    resistor_peak = float(fit.amplitude[1])
    z = math.hypot(float(reactance.x), float(series.x))
    first, second = (capture.channel(n).range_max for n in (setup.across, setup.resistor_channel))
    return MeasuredCoil(
        inductance=reactance / (2 * math.pi * frequency),
        series_ohm=series,
        phase_deg=float(phase.x),
        phase=to_uncertain(phase, "deg"),
        frequency_hz=fit.frequency_hz,
        frequency=to_uncertain(frequency, "Hz"),
        voltage_peak_v=resistor_peak * z / float(resistor.x),
        ratio=float(ratio.x),
        blocked=tuple(text for pair in pairs for text in pair.blocking),
        findings=(
            *(text for pair in pairs for text in pair.findings),
            *_coil_findings(float(phase.x), float(ratio.x), reactance, setup),
        ),
        notes=(*(text for pair in pairs for text in pair.notes), *_coil_notes(float(phase.x), setup)),
        ranges=(first, second),
    )


def _ratio_and_phase(pairs: list[ChannelPair], gains: ScopeGains, where: str) -> tuple[Any, Any]:
    """Ratio and phase of both channels; gains cancel in the mean of a capture and a swapped one."""
    seen, phases = [], []
    for pair in pairs:
        label = where if pair is pairs[0] else f"{where}, swapped"
        seen.append(pair.ratio(label) * gains.correction(pair))
        phases.append(pair.phase_deg(label) + gains.delay_deg(pair))
    if len(pairs) == 1:
        return seen[0], phases[0]
    ratio = GTC.sqrt(seen[0] * seen[1])
    if not all(pair.same_range for pair in pairs):
        ratio = ratio * gains.between_ranges()
    return ratio, (phases[0] + phases[1]) / 2


def _coil_findings(phase_deg: float, ratio: float, reactance: Any, setup: SeriesSetup) -> list[Finding]:
    if in_phase(phase_deg):
        return [
            Finding(
                FindingKind.HOOKUP,
                f"both channels are in phase ({phase_deg:.2f}°): both probes on one signal, or no winding in the circuit? Check "
                "the hook-up",
            )
        ]
    findings: list[Finding] = []
    if phase_deg < 0 and setup.node:
        findings.append(
            Finding(
                FindingKind.PHASE,
                f"the winding's voltage lags ({phase_deg:.1f}°): one channel is inverted, or the frequency is above "
                "the winding's self-resonance",
            )
        )
    if not RATIO_RANGE[0] <= ratio <= RATIO_RANGE[1]:
        findings.append(
            Finding(
                FindingKind.CONDITIONS,
                f"|V/V_R| is {ratio:.3g}: a resistor near {format_quantity(float(reactance.x), 'ohm', 2)} gives the smallest error",
            )
        )
    if setup.node and ratio < 1.05:
        findings.append(
            Finding(
                FindingKind.CONDITIONS,
                "the node voltage is hardly more than the resistor's: take a smaller resistor or a higher frequency",
            )
        )
    return findings


def wrong_node(coil: MeasuredCoil, setup: SeriesSetup) -> Finding | None:
    """Ask where channel `across` is connected, if the winding's resistance comes out impossible.

    If the series resistor was counted twice or not at all, the result is off by exactly that resistor.
    """
    ohm = to_uncertain(coil.series_ohm, "ohm")
    near = max(ohm.expanded_uncertainty, 0.02 * setup.resistor_ohm)
    shown = format_quantity(ohm.value, "ohm", 3)
    if setup.node and abs(ohm.value + setup.resistor_ohm) <= near:
        words = f"is channel {setup.across} across the winding alone (then leave out --node)?"
    elif not setup.node and abs(ohm.value - setup.resistor_ohm) <= near:
        words = f"that of the series resistor: is channel {setup.across} across both (then add --node)?"
    elif ohm.value < -2 * ohm.expanded_uncertainty:
        words = "below zero: are the channels swapped, or is a clip on the wrong point?"
    else:
        return None
    return Finding(FindingKind.HOOKUP, f"the winding's resistance comes out as {shown}, {words}")


def in_phase(phase_deg: float) -> bool:
    """Whether two channels show one signal; even a shorted turn has enough leakage to shift the phase."""
    return min(abs(phase_deg), abs(abs(phase_deg) - 180)) < IN_PHASE_DEG


def _coil_notes(phase_deg: float, setup: SeriesSetup) -> tuple[Finding, ...]:
    """Finding for a lagging voltage: with both grounds between winding and resistor the resistor is inverted, which is fine."""
    if phase_deg < 0 and not setup.node:
        return (
            Finding(
                FindingKind.PHASE,
                f"the winding's voltage lags ({phase_deg:.1f}°): the resistor's signal is inverted, as with both ground "
                "clips between it and the winding; otherwise the frequency is above the winding's self-resonance",
            ),
        )
    return ()
