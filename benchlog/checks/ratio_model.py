"""How a turns ratio follows from two channels: hook-up, corrections and uncertainty budget.

Voltage ratio: N = K V_secondary / V_primary, over the circuit's factor |1 + (Rw + jw Ls) / (jw L)|.
Current injection: N = n (Rb / Rs) V_primary / V_secondary, over |1 + (Rb + Rw + jw Ls) / (jw L)|.
Series opposition: a temporary winding of M turns opposes the N, and the secondary channel sees the difference:
N = M + K V_secondary / V_primary, with the sign of the phase. Gain errors then affect only the few turns left.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchlog.checks.known_resistor import known_resistor
from benchlog.checks.scope_channels import (
    DIVIDER_DELAY_S,
    GAIN_ACCURACY,
    RANGE_GAIN,
    ChannelPair,
    ScopeGains,
)
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.influence import Influence, Role
from benchlog.magnetics.classes import CurrentPoint, class_reached, composite_error_percent
from benchlog.magnetics.transformer import Transformer
from benchlog.metrology.budget import to_uncertain, uniform
from benchlog.metrology.gtc import GTC
from benchlog.number_format import format_quantity
from benchlog.result import Uncertain

#: Effect of winding resistance, leakage and probe loading if they are not known: 0.01 to 0.1 %, common practice.
UNKNOWN_WINDING = 0.001
#: Error of a divider whose tolerance is not known, ±: two 1 % resistors, the usual ones (common practice, no source).
UNKNOWN_DIVIDER = 0.02
#: Captures whose frequencies differ by more (relative) are not of one set-up; clocks differ far less.
SAME_FREQUENCY = 1e-3


@dataclass(frozen=True, slots=True)
class Winding:
    """Known data of the N-turn winding: inductance of one turn (H), resistance (ohm), leakage (H).

    If resistance or leakage is None, `UNKNOWN_WINDING` is used.
    """

    al_h: float
    winding_ohm: float | None = None
    leakage_h: float | None = None


@dataclass(frozen=True, slots=True)
class Injection:
    """Current injection: burden and the resistor for the primary current, with relative half-widths."""

    burden_ohm: float
    shunt_ohm: float
    burden_tolerance: float = 0.001
    shunt_tolerance: float = 0.001


@dataclass(frozen=True, slots=True)
class RatioSetup:
    """How the two channels are connected, and their known data."""

    #: primary, secondary: Channels on the sense loop (or current resistor) and on the N-turn winding (or burden). In a
    #: swapped capture channel `primary` with its probe is on the N-turn winding.
    primary: str
    secondary: str
    loop_turns: int = 1  #: K, turns of the sense loop, or passes of the primary current.
    #: Half-width of each channel's gain error, relative; the probe counts
    #: as part of its channel.
    gain_accuracy: float | Mapping[str, float] = GAIN_ACCURACY
    #: Half-width of the gain error between the two channels' ranges, which swapping does not remove.
    range_gain: float = RANGE_GAIN
    #: Probe factors by channel; they stay with the channel when swapped.
    probes: Mapping[str, float] = field(default_factory=dict)
    #: The winding is seen through a divider of this ratio, so that both channels use one range.
    divider: float | None = None
    divider_tolerance: float | None = None  #: Half-width of its error, relative; None if it is not known.
    winding: Winding | None = None  #: For the correction of winding resistance and leakage.
    injection: Injection | None = None  #: For current injection instead of a voltage ratio.
    generator_ohm: float = 50.0  #: Output resistance of the generator, for judging the frequency.
    #: M, turns of a temporary winding in series opposition to the N; the secondary channel sees both.
    opposed_turns: int | None = None

    def __post_init__(self) -> None:
        if self.opposed_turns is not None:
            if self.opposed_turns < 1:
                raise UsageError(
                    f"a temporary winding can't have {self.opposed_turns} turns", hint="--opposed-turns 30"
                )
            if self.injection or self.divider is not None:
                raise UsageError(
                    "series opposition can't be combined with a divider or current injection",
                    hint="the secondary channel sees the few turns left directly",
                )
        if self.loop_turns < 1:
            raise UsageError(f"a sense loop can't have {self.loop_turns} turns", hint="--loop-turns 1")
        if self.divider is not None and not self.divider >= 1:
            raise UsageError(f"a divider of {self.divider:g}:1 does not divide", hint="--divider '100:1'")
        if not 0 <= self.divider_error < 1:
            raise UsageError("the divider's tolerance must lie between 0 and 100 %")
        if self.injection and min(self.injection.burden_ohm, self.injection.shunt_ohm) <= 0:
            raise UsageError("burden and current resistor must be above zero ohm")

    @property
    def divider_error(self) -> float:
        """Half-width of the divider's error, relative; `UNKNOWN_DIVIDER` if it is not known."""
        return UNKNOWN_DIVIDER if self.divider_tolerance is None else self.divider_tolerance


_UNKNOWN_DIVIDER = Finding(
    FindingKind.ASSUMPTION,
    f"tolerance of the divider is not known: ±{UNKNOWN_DIVIDER * 100:g} % assumed, as of two 1 % resistors",
)


def turns_number(
    pairs: list[ChannelPair], setup: RatioSetup, expected: float
) -> tuple[Any, tuple[Finding, ...], tuple[Finding, ...]]:
    """Turns as an uncertain number with its budget, and findings about the channels.

    The channels' gains cancel in the geometric mean of a capture and a swapped one. The second value holds findings, the
    third notes.
    """
    gains = ScopeGains(setup.gain_accuracy, setup.range_gain, pairs[0].instrument)
    single = []
    for number, pair in enumerate(pairs):
        where = "" if len(pairs) == 1 else (", as connected", ", swapped")[number]
        single.append(pair.ratio(where) * gains.correction(pair))
    seen, findings, notes = single[0], list[Finding](), list[Finding]()
    if len(single) == 2:
        seen = GTC.sqrt(single[0] * single[1])
        if not on_one_range(pairs, setup):
            seen = seen * gains.between_ranges()
        words, fits = swap_mismatch(pairs, gains)
        (notes if fits else findings).append(words)
        findings += _frequencies(pairs)
    if setup.divider is not None:
        if setup.divider_tolerance is None:
            findings.append(_UNKNOWN_DIVIDER)
        divider = uniform(
            setup.divider,
            setup.divider * setup.divider_error,
            label="divider",
            influence=Influence(Role.DIVIDER, f"{setup.divider:g}:1 divider"),
            scale=setup.divider,
        )
        seen = seen * divider
    turns = _injection(seen, setup) if setup.injection else setup.loop_turns * seen
    if setup.opposed_turns is not None:
        inverted = abs(phase_of(pairs, gains).value) > 90
        turns = setup.opposed_turns + (-turns if inverted else turns)
    factor = _circuit_factor(setup, expected, frequency_of(pairs).value)
    return turns / factor, tuple(findings), tuple(notes)


def on_one_range(pairs: list[ChannelPair], setup: RatioSetup) -> bool:
    """Whether both channels were on one vertical range, by the captures or because a divider was used.

    Ranges found in the captures count more than the divider's nominal value.
    """
    if setup.divider is not None:
        return all(pair.same_range is not False for pair in pairs)
    return all(pair.same_range is True for pair in pairs)


def _injection(seen: Any, setup: RatioSetup) -> Any:
    """Turns from burden voltage over current-resistor voltage."""
    injection = setup.injection
    assert injection is not None
    burden = known_resistor(injection.burden_ohm, injection.burden_tolerance, Role.BURDEN)
    shunt = known_resistor(injection.shunt_ohm, injection.shunt_tolerance, Role.CURRENT_RESISTOR)
    return setup.loop_turns * burden / shunt / seen


def _circuit_factor(setup: RatioSetup, expected: float, frequency_hz: float) -> Any:
    """Effect of the circuit: measured over true turns, uncertain by half of the correction."""
    if setup.winding is None:
        return uniform(
            1.0,
            UNKNOWN_WINDING,
            label="winding resistance, leakage, probes (not known)",
            influence=Influence(Role.MODEL),
        )
    known = setup.winding
    model = Transformer(expected, known.al_h, known.winding_ohm or 0.0, known.leakage_h or 0.0)
    if setup.injection:
        apparent = model.injection_apparent_turns(frequency_hz, setup.injection.burden_ohm)
        factor = float(apparent) / expected
    else:
        factor = abs(complex(model.drive_winding_ratio(frequency_hz))) / expected
    unknown = known.winding_ohm is None or known.leakage_h is None
    half_width = max(abs(factor - 1) / 2, UNKNOWN_WINDING if unknown else 1e-4)
    return uniform(
        factor, half_width, label="winding resistance, leakage, probes", influence=Influence(Role.MODEL)
    )


def swap_mismatch(pairs: list[ChannelPair], gains: ScopeGains) -> tuple[Finding, bool]:
    """Compare the channels' gain difference, which a swap shows, with their stated accuracy; report whether it fits."""
    first, second = (pair.fit.ratio(0, 1).ratio for pair in pairs)
    mismatch = math.sqrt(first / second) - 1
    a, b = pairs[0].numerator, pairs[0].denominator
    allowed = gains.half_width(a) + gains.half_width(b) + 2 * gains.range_gain
    if abs(math.log(first)) > 0.5 and abs(math.log(first * second)) < 0.1:  # a swap would square it
        words = "the probes are in the same places in both captures: they were not swapped"
        return Finding(FindingKind.GAINS, words), False
    text = f"channel {a} reads {mismatch * 100:+.2f} % against channel {b}, as the swap shows"
    if abs(mismatch) > allowed:
        return (
            Finding(
                FindingKind.GAINS,
                f"{text}: more than their gain accuracy allows (±{allowed * 100:.2g} %); is it the same winding, and each probe set as before?",
            ),
            False,
        )
    return Finding(FindingKind.GAINS, f"{text}; it cancels in the mean of both captures"), True


def _frequencies(pairs: list[ChannelPair]) -> list[Finding]:
    """Report two captures that were not taken at one frequency."""
    first, second = (pair.fit.frequency_hz for pair in pairs)
    noise = 4 * math.hypot(*(pair.fit.u_frequency_hz for pair in pairs))
    if abs(first - second) <= SAME_FREQUENCY * first + noise:
        return []
    return [
        Finding(
            FindingKind.CONDITIONS,
            f"the swapped capture is at {format_quantity(second, 'Hz')}, the first at {format_quantity(first, 'Hz')}: "
            "gains that depend on frequency do not cancel; capture both at one frequency",
        )
    ]


def phase_of(pairs: list[ChannelPair], gains: ScopeGains, *, divided: bool = False) -> Uncertain:
    """Phase of secondary against primary; the mean of both captures, in which channel delays cancel.

    A divider stays with the winding, so its delay does not cancel.
    """
    first = pairs[0].phase_deg() + gains.delay_deg(pairs[0])
    if len(pairs) == 2:
        second = pairs[1].phase_deg(", swapped") + gains.delay_deg(pairs[1])
        second = second - 360 * round((float(second.x) - float(first.x)) / 360)
        first = (first + second) / 2
    if divided:
        delay = uniform(0.0, DIVIDER_DELAY_S, label="delay of the divider", influence=Influence(Role.DELAY))
        first = first + 360 * pairs[0].fit.frequency_hz * delay
    value = float(first.x)
    first = first - 360 * math.ceil((value - 180) / 360)
    return to_uncertain(first, "deg")


def frequency_of(pairs: list[ChannelPair]) -> Uncertain:
    """Shared frequency by the recorder's clock, with the clock's uncertainty."""
    best = min(pairs, key=lambda pair: pair.fit.u_frequency_hz)
    return to_uncertain(ScopeGains(instrument=best.instrument).frequency(best), "Hz")


def accuracy_class(turns: Uncertain, phase: Uncertain, expected: float, percent: float) -> dict[str, Any]:
    """Errors at one point as the standard defines them: too few turns give too much secondary current."""
    error = (expected / turns.value - 1) * 100
    expanded = expected / turns.value**2 * turns.expanded_uncertainty * 100
    lead = phase.value - (math.copysign(180, phase.value) if abs(phase.value) > 90 else 0)
    minutes, expanded_minutes = lead * 60, phase.expanded_uncertainty * 60
    reached = class_reached([CurrentPoint(percent, error, minutes, expanded, expanded_minutes)])
    return {
        "percent_of_rated_current": percent,
        "ratio_error_percent": error,
        "ratio_error_expanded_percent": expanded,
        "phase_displacement_minutes": minutes,
        "phase_displacement_expanded_minutes": expanded_minutes,
        "composite_error_percent": composite_error_percent(error, minutes),
        "class_within": reached.within,
        "words": reached.words,
    }
