"""Kinds of checks done with meters."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated

from msgspec import field

from benchlog.errors import UsageError
from benchlog.plan.check import Check, Kind, about
from benchlog.plan.texts import AccuracyText, WireText
from benchlog.quantity_text import (
    Amperes,
    AnyQuantity,
    Celsius,
    Metres,
    NameplateText,
    Ohms,
    Share,
    Volts,
)
from benchlog.reading import Function

__all__ = [
    "METER_KINDS",
    "CompareCheck",
    "ContinuityCheck",
    "CrossCheck",
    "IsolationCheck",
    "ReadingCheck",
    "RectifiedCheck",
    "SupplyCheck",
]

_MeterTag = Annotated[str | None, about("tag of the meter; without it the person chooses")]
_Mains = Annotated[Volts | None, about("mains at the reading; without it the person is asked")]
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
    tolerance: Annotated[Share, about("half-width of the computed limits")] = field(
        default_factory=lambda: Share("6 %")
    )


class ContinuityCheck(Check, frozen=True, tag="continuity"):
    """A resistance, two-wire with lead null or four-wire."""

    meter: _MeterTag = None
    max: Annotated[Ohms | None, about("highest resistance allowed")] = None
    wire: Annotated[WireText | None, about("wire size; with length it gives the expected resistance")] = None
    length: Annotated[Metres | None, about("length of the wire, leads included")] = None
    temperature: Annotated[Celsius, about("of the wire")] = field(default_factory=lambda: Celsius("20 degC"))
    tolerance: Annotated[Share, about("half-width of the limits computed from the wire")] = field(
        default_factory=lambda: Share("6 %")
    )
    four_wire: Annotated[bool, about("voltage at the part's own ends with a test current through it")] = False
    current: Annotated[Amperes | None, about("test current; without it a meter reads it")] = None
    current_accuracy: Annotated[AccuracyText | None, about("of the stated test current")] = None
    current_meter: Annotated[str | None, about("what shows or reads the test current")] = None
    lead_null: Annotated[bool, about("take the test leads' own resistance off")] = True

    def refuse_contradictions(self) -> None:
        """See `Check.refuse_contradictions`."""
        if (self.wire is None) != (self.length is None):
            raise UsageError("wire and length go together")


class CrossCheck(Check, frozen=True, tag="crosscheck"):
    """Two or more meters on one point."""

    meters: Annotated[tuple[str, ...], about("tags of the meters")]
    function: Annotated[Function, about("what they are set to")] = Function.AC_VOLTS

    @property
    def meters_named(self) -> Iterator[str]:
        """See `Check.meters_named`."""
        yield from self.meters

    def refuse_contradictions(self) -> None:
        """See `Check.refuse_contradictions`."""
        if len(set(self.meters)) < 2:
            raise UsageError("a cross-check needs two different meters", hint="list them under meters")


class ReadingCheck(Check, frozen=True, tag="reading"):
    """One reading against limits of the plan."""

    function: Annotated[Function, about("what the meter is set to")]
    expect: Annotated[AnyQuantity | None, about("expected value; a reading far from it is looked into")] = (
        None
    )
    meter: _MeterTag = None
    accuracy: Annotated[AccuracyText | None, about("of the meter, where the bench file has none")] = None

    def limit_units(self) -> Mapping[str, str]:
        """See `Check.limit_units`."""
        return {self.function.quantity: self.function.unit}

    def refuse_contradictions(self) -> None:
        """See `Check.refuse_contradictions`."""
        if self.expect is not None:
            self.expect.in_unit(self.function.unit, "expect")


class IsolationCheck(Check, frozen=True, tag="isolation"):
    """Leakage resistance screened by a DC supply in series with a meter on V=; not a withstand test."""

    supply: Annotated[Volts, about("DC voltage put across the barrier")]
    min: Annotated[Ohms, about("lowest leakage resistance allowed")]
    meter: _MeterTag = None


class RectifiedCheck(Check, frozen=True, tag="rectified"):
    """DC behind a bridge and capacitor without load; the capacitor's rating at mains +10 %."""

    meter: _MeterTag = None
    mains: _Mains = None
    capacitor: _CapacitorRating = None


class CompareCheck(Check, frozen=True, tag="compare"):
    """A resistor against a known one carrying the same current: two readings on one range."""

    reference: Annotated[Ohms, about("the known resistor")]
    reference_tolerance: Annotated[Share, about("of the known resistor")] = field(
        default_factory=lambda: Share("0.1 %")
    )
    function: Annotated[Function, about("what the meter is set to")] = Function.DC_VOLTS
    meter: _MeterTag = None


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
    Kind(ContinuityCheck, shown={"resistance": "expected_resistance"}, limits={"resistance": "ohm"}),
    Kind(CrossCheck, shown={"e_n": "", "difference": ""}),
    Kind(ReadingCheck),
    Kind(IsolationCheck, shown={"resistance": ""}),
    Kind(
        RectifiedCheck,
        shown={"rectified_peak": "", "rectified_peak_worst": ""},
        limits={"rectified_peak": "V"},
        needs=("rectified_peak",),
    ),
    Kind(CompareCheck, shown={"ratio": ""}, limits={"ratio": "1"}, needs=("ratio",)),
)
