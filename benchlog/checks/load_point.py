"""A supply under a known load: source resistance, regulation, and doubts about the load."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchlog.checks.known_resistor import known_resistor
from benchlog.checks.mains import mains_drift
from benchlog.finding import Finding, FindingKind
from benchlog.influence import Role
from benchlog.metrology.budget import to_uncertain
from benchlog.metrology.conformity import Judgement, judge
from benchlog.metrology.meter_reading import MeterReading, same_meter_and_range
from benchlog.metrology.next_best import Way
from benchlog.nameplate import Nameplate, Regulation
from benchlog.number_format import format_quantity
from benchlog.result import Limits, Uncertain, Verdict
from benchlog.wording import quantity_words

#: Above this a load resistor gets hot within seconds (judgement).
HOT_W = 2.0
#: A load that draws this share of the rated current, or its inverse, was typed with a wrong prefix (judgement).
_PREFIX_SLIP = 0.01
#: A load that draws more than this multiple of the rated current is an overload; covers the resistor's tolerance.
_OVERLOAD = 1.05

#: For an output of unknown rating; chances and minutes are judgement.
_LIGHTER = Way(
    "find its rated current (print on the case, data sheet), or load it with ten times the resistance",
    0.8,
    3.0,
)


@dataclass(frozen=True, slots=True)
class LoadPoint:
    """One loaded reading."""

    resistance_ohm: float  #: Load resistor.
    loaded: MeterReading  #: Voltage across it.
    tolerance: float = 0.01  #: Half-width of the resistor's relative error.

    @property
    def power_w(self) -> float:
        """Heat in the resistor."""
        return self.loaded.value**2 / self.resistance_ohm

    @property
    def current_a(self) -> float:
        """Current drawn."""
        return self.loaded.value / self.resistance_ohm


def load_quantities(nameplate: Nameplate, no_load: MeterReading, load: LoadPoint) -> dict[str, Uncertain]:
    """Loaded voltage, source resistance and, with a rating, regulation.

    The gain of one meter on one range cancels; otherwise the whole bound of each reading counts.
    """
    if same_meter_and_range(no_load, load.loaded):
        gain = no_load.gain_error()
        open_v, loaded_v = no_load.with_gain(gain), load.loaded.with_gain(gain)
    else:
        open_v, loaded_v = no_load.uncertain(), load.loaded.uncertain()
    resistor = known_resistor(load.resistance_ohm, load.tolerance, Role.LOAD_RESISTOR)
    if nameplate.regulation is not Regulation.REGULATED:
        open_v = open_v * (1 + mains_drift())
    source: Any = resistor * (open_v / loaded_v - 1)
    found = {"loaded_voltage": load.loaded.settled(), "source_resistance": to_uncertain(source, "ohm")}
    if nameplate.current_a:
        full_load = open_v - nameplate.current_a * source
        found["regulation"] = to_uncertain(open_v / full_load - 1, "1")
    return found


def load_doubts(nameplate: Nameplate, no_load: MeterReading, load: LoadPoint) -> list[Finding]:
    """Doubts about a load point that make its source resistance meaningless."""
    doubts: list[Finding] = []
    if nameplate.current_a:
        part = load.current_a / nameplate.current_a
        shown = format_quantity(load.resistance_ohm, "ohm")
        if part < _PREFIX_SLIP:
            doubts.append(
                Finding(
                    FindingKind.ENTRY,
                    f"a load of {shown} draws 1/{1 / part:.0f} of the rated current: is it really kilohm?",
                )
            )
        elif part > 1 / _PREFIX_SLIP:
            doubts.append(
                Finding(
                    FindingKind.ENTRY,
                    f"a load of {shown} draws {part:.0f} times the rated current: is it really milliohm?",
                )
            )
        elif (
            nameplate.coupling == "dc"
            and nameplate.voltage_v / load.resistance_ohm > _OVERLOAD * nameplate.current_a
        ):
            doubts.append(
                Finding(
                    FindingKind.ENTRY,
                    f"a load of {shown} draws more than the rated {format_quantity(nameplate.current_a, 'A')}, so a low "
                    "voltage is normal; use a larger resistor",
                )
            )
    # A regulated output stays the same within some counts.
    steps = no_load.accuracy.counts * no_load.reading.resolution if nameplate.coupling == "dc" else 0.0
    if load.loaded.value > no_load.value + steps:
        doubts.append(
            Finding(
                FindingKind.ENTRY,
                f"loaded {load.loaded.reading.displayed} is above no-load {no_load.reading.displayed}: "
                "readings swapped, or load not connected?",
            )
        )
    return doubts


def gains_left(no_load: MeterReading, load: LoadPoint) -> list[Finding]:
    """Report readings whose gains do not cancel."""
    if same_meter_and_range(no_load, load.loaded):
        return []
    words = "open and loaded voltage come from different meters or ranges: their gains do not cancel"
    return [Finding(FindingKind.GAINS, words)]


def judge_load(
    nameplate: Nameplate, quantities: Mapping[str, Uncertain], limits: Mapping[str, Limits]
) -> list[Judgement]:
    """Judge a load point; without a rated current a low loaded voltage proves nothing."""
    found = []
    for name in ("loaded_voltage", "source_resistance"):
        if name not in limits:
            continue
        judgement = judge(quantities[name], limits[name], quantity_words(name))
        if judgement.verdict is Verdict.FAIL and nameplate.coupling == "dc" and nameplate.current_a is None:
            judgement = Judgement(
                Verdict.INDETERMINATE,
                judgement.conformance_probability,
                f"{judgement.reason}, but the nameplate has no rated current: it may be an overload",
                _LIGHTER,
            )
        found.append(judgement)
    return found


def about_a_fail(judgements: Sequence[Judgement]) -> list[Finding]:
    """Cheap remedies before a part is rejected for its behaviour under load."""
    if all(judgement.verdict is not Verdict.FAIL for judgement in judgements):
        return []
    words = "before you reject the part, check the load resistor's value and its clips, then read both again"
    return [Finding(FindingKind.ADVICE, words)]
