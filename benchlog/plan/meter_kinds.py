"""Kinds of checks done with meters."""

from collections.abc import Iterator, Mapping
from typing import Annotated, Literal

from msgspec import field

from benchlog.circuits import (
    across,
    comparison,
    four_wire,
    leakage,
    on_part,
    rectifier,
    same_points,
    supply_output,
)
from benchlog.errors import UsageError
from benchlog.hookup import Hookup
from benchlog.plan.check import AccuracyText, Check, Kind, WireText, about
from benchlog.quantity_text import (
    Amperes,
    AnyQuantity,
    Celsius,
    Metres,
    NameplateText,
    Ohms,
    Share,
    Volts,
    value_of,
)
from benchlog.reading import Function

_MeterTag = Annotated[str | None, about("tag of the meter; without it the run asks")]
_Mains = Annotated[Volts | None, about("mains at the reading; without it the run asks")]
_MainsAccuracy = Annotated[
    AccuracyText | None, about("of the mains reading; default: a plug-in monitor, 1 % + 1")
]
_CapacitorRating = Annotated[Volts | None, about("rating of the capacitor behind the bridge")]


class SupplyCheck(Check, frozen=True, tag="supply"):
    """A wall transformer or supply against its nameplate."""

    nameplate: Annotated[NameplateText, about("as printed on the supply")]
    mains: _Mains = None
    meter: _MeterTag = None
    load: Annotated[Ohms | None, about("load resistor for a second reading")] = None
    load_tolerance: Annotated[Share, about("of the load resistor")] = field(
        default_factory=lambda: Share("1 %")
    )
    capacitor: _CapacitorRating = None
    tolerance: Annotated[Share, about("limits, ± about the expected voltage")] = field(
        default_factory=lambda: Share("6 %")
    )
    mains_accuracy: _MainsAccuracy = None

    later_fields = ("mains_accuracy",)

    def wiring(self) -> Hookup:
        dc = self.nameplate.value.coupling == "dc"
        return supply_output(f"{self.part} output", self.meter or "meter", dc=dc)


#: Default if no temperature was stated; it is part of the digest like a stated one, so that revisions stay the same.
_NOT_STATED = Celsius("20 degC")


class ContinuityCheck(Check, frozen=True, tag="continuity"):
    """A resistance, two-wire with lead null or four-wire."""

    meter: _MeterTag = None
    max: Annotated[Ohms | None, about("highest resistance allowed")] = None
    wire: Annotated[WireText | None, about("wire size; with length it gives the expected resistance")] = None
    length: Annotated[Metres | None, about("length of the wire, leads included")] = None
    temperature: Annotated[Celsius, about("of the wire; default 20 ± 10 degC")] = field(
        default_factory=lambda: _NOT_STATED
    )
    tolerance: Annotated[Share, about("limits, ± about the resistance computed from the wire")] = field(
        default_factory=lambda: Share("6 %")
    )
    four_wire: Annotated[bool, about("voltage at the part's own ends with a test current through it")] = False
    current: Annotated[Amperes | None, about("test current; without it a meter reads it")] = None
    current_accuracy: Annotated[AccuracyText | None, about("of the stated test current")] = None
    current_meter: Annotated[str | None, about("what shows or reads the test current")] = None
    lead_null: Annotated[bool, about("subtract the test leads' own resistance")] = True

    @property
    def temperature_stated(self) -> bool:
        """Whether the plan states the wire's temperature."""
        return self.temperature is not _NOT_STATED

    def wiring(self) -> Hookup:
        meter = self.meter or "meter"
        if self.four_wire:
            return four_wire(self.part, meter, current=self.current or "", level=value_of(self.current))
        null = "first short the tips: the leads' own resistance is subtracted"
        return across(self.part, [meter], Function.OHMS, notes=(null,) if self.lead_null else ())

    def refuse_contradictions(self) -> None:
        if (self.wire is None) != (self.length is None):
            raise UsageError("wire and length go together")


class CrossCheck(Check, frozen=True, tag="crosscheck"):
    """Two or more meters on one point."""

    meters: Annotated[tuple[str, ...], about("tags of the meters")]
    function: Annotated[Function, about("what they are set to")] = Function.AC_VOLTS

    def wiring(self) -> Hookup:
        return same_points(self.part, self.meters, self.function)

    @property
    def meters_named(self) -> Iterator[str]:
        yield from self.meters

    def refuse_contradictions(self) -> None:
        if len(set(self.meters)) < 2:
            raise UsageError("a cross-check needs two different meters", hint="list them under meters")


class ReadingCheck(Check, frozen=True, tag="reading"):
    """One reading against limits of the plan."""

    function: Annotated[Function, about("what the meter is set to")]
    expect: Annotated[
        AnyQuantity | None, about("expected value; you are asked about a reading far from it")
    ] = None
    meter: _MeterTag = None
    accuracy: Annotated[AccuracyText | None, about("of the meter, if the bench file has none")] = None
    source: Annotated[
        Literal["mains", "bench", "battery", "none"] | None,
        about(
            "what feeds the points, for the questions about a doubtful reading: mains (default for volts and amperes), "
            "bench (a supply, generator or reference), battery or none"
        ),
    ] = None

    later_fields = ("source",)

    def wiring(self) -> Hookup:
        return on_part(self.part, self.meter or "meter", self.function)

    def limit_units(self) -> Mapping[str, str]:
        return {self.function.quantity: self.function.unit}

    def refuse_contradictions(self) -> None:
        if self.expect is None:
            return
        expected = self.expect.in_unit(self.function.unit, "expect")
        text = self.limits.get(self.function.quantity)
        limits = text.parsed("plan", "limits", self.function.unit) if text else None
        low, high = (limits.low, limits.high) if limits else (None, None)
        if (low is not None and expected < low) or (high is not None and expected > high):
            raise UsageError(
                f"expect {self.expect} lies outside the limits {limits}", hint="correct the one that is wrong"
            )


class IsolationCheck(Check, frozen=True, tag="isolation"):
    """Leakage resistance, screened with a DC supply in series with a meter on V=; not a withstand test."""

    supply: Annotated[Volts, about("DC voltage put across the barrier")]
    min: Annotated[Ohms, about("lowest leakage resistance allowed")]
    meter: _MeterTag = None

    def wiring(self) -> Hookup:
        return leakage(self.part, self.meter or "meter", self.supply, self.supply.value)


class RectifiedCheck(Check, frozen=True, tag="rectified"):
    """DC behind a bridge and capacitor without load; the capacitor's rating at mains +10 %."""

    meter: _MeterTag = None
    mains: _Mains = None
    capacitor: _CapacitorRating = None
    mains_accuracy: _MainsAccuracy = None

    later_fields = ("mains_accuracy",)

    def wiring(self) -> Hookup:
        return rectifier(self.meter or "meter")


class CompareCheck(Check, frozen=True, tag="compare"):
    """A resistor compared with a known one in series: two readings on one range."""

    reference: Annotated[Ohms, about("the known resistor")]
    reference_tolerance: Annotated[Share, about("of the known resistor")] = field(
        default_factory=lambda: Share("0.1 %")
    )
    function: Annotated[Function, about("what the meter is set to")] = Function.DC_VOLTS
    meter: _MeterTag = None

    def wiring(self) -> Hookup:
        return comparison(self.part, self.reference, self.meter or "meter", self.function)


class TemperatureRiseCheck(Check, frozen=True, tag="temperature_rise"):
    """Temperature rise of a part above the air, by its copper winding's resistance or a thermometer on it."""

    soak: Annotated[str, about("what makes the part hot and how long, in your own words")]
    function: Annotated[
        Function, about("winding on ohm, ohm4w or V= at one test current; degC: a thermometer on the part")
    ] = Function.OHMS
    meter: _MeterTag = None
    thermometer: Annotated[str | None, about("tag of the meter that reads the air")] = None
    lead_null: Annotated[bool, about("on ohm: subtract the test leads' own resistance")] = True
    current_stability: Annotated[Share, about("on V=: how much the test current moves at most")] = field(
        default_factory=lambda: Share("0.5 %")
    )

    def wiring(self) -> Hookup:
        meter = self.meter or "meter"
        if self.function is Function.DC_VOLTS:
            return four_wire(self.part, meter)
        return on_part(self.part, meter, self.function)

    @property
    def meters_named(self) -> Iterator[str]:
        yield from (tag for tag in (self.meter, self.thermometer) if tag is not None)

    def refuse_contradictions(self) -> None:
        known = (Function.OHMS, Function.FOUR_WIRE_OHMS, Function.DC_VOLTS, Function.TEMPERATURE)
        if self.function not in known:
            raise UsageError(f"function {str(self.function)!r}", hint=f"one of {', '.join(known)}")


METER_KINDS = (
    Kind(
        SupplyCheck,
        shown={
            "no_load_voltage": "expected_no_load",
            "source_resistance": "",
            "rectified_peak_worst": "",
        },
        limits={"no_load_voltage": "V", "source_resistance": "ohm"},
        waveforms=True,
    ),
    Kind(
        ContinuityCheck,
        shown={"resistance": "expected_resistance"},
        limits={"resistance": "ohm"},
        example=('max = "1 ohm"',),
    ),
    Kind(CrossCheck, shown={"e_n": "", "difference": ""}),
    Kind(ReadingCheck, example=('limits.voltage = { low = "26.1 V", high = "29.5 V" }',)),
    Kind(IsolationCheck, shown={"resistance": ""}),
    Kind(
        RectifiedCheck,
        shown={"rectified_peak": "", "rectified_peak_worst": ""},
        limits={"rectified_peak": "V"},
        needs=("rectified_peak",),
        example=('limits.rectified_peak = { high = "41 V" }',),
    ),
    Kind(
        CompareCheck,
        shown={"ratio": ""},
        limits={"ratio": "1"},
        needs=("ratio",),
        example=('limits.ratio = { low = "0.99", high = "1.01" }',),
    ),
    Kind(
        TemperatureRiseCheck,
        shown={"temperature_rise": "", "hot_temperature": ""},
        limits={"temperature_rise": "K"},
        needs=("temperature_rise",),
        example=('soak = "2 h"', 'limits.temperature_rise = { high = "60 K" }'),
    ),
)
