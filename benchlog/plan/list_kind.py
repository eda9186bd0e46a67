"""The list: several readings, phases, inductances and questions that make one check."""

from typing import Annotated, ClassVar

import msgspec
from msgspec import field

from benchlog.circuits import on_part, two_points, winding_and_resistor
from benchlog.errors import UsageError
from benchlog.hookup import Hookup
from benchlog.plan.check import AccuracyText, Check, Kind, LimitText, about
from benchlog.quantity_text import AnyQuantity, Hertz, Ohms, Share, Volts
from benchlog.reading import Function
from benchlog.result import Limits

_Name = Annotated[str, about("name of the item; each item needs its own")]
_Hookup = Annotated[str, about("how to connect it, in your own words; kept in the record")]


class Item(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="take"):
    """One item of a list. Don't reorder the fields: a check's revision is a digest of them in this order."""

    uses_scope: ClassVar[bool] = False

    def wiring(self, part: str) -> Hookup | None:
        """How its instruments are connected to a part; None without instruments."""
        return None

    def parsed_limits(self) -> Limits | None:
        """Limits in SI units, or None."""
        return None

    def refuse_contradictions(self) -> None:
        """Raise `UsageError` if fields contradict each other."""
        self.parsed_limits()


class ReadingItem(Item, frozen=True, tag="reading"):
    """One reading of a list."""

    name: _Name
    function: Annotated[Function, about("what the meter is set to")]
    limits: LimitText
    expect: Annotated[
        AnyQuantity | None, about("expected value; you are asked about a reading far from it")
    ] = None
    meter: Annotated[str | None, about("tag of the meter; without it the run asks")] = None
    accuracy: Annotated[AccuracyText | None, about("of the meter, if the bench file has none")] = None
    hookup: _Hookup = ""

    def wiring(self, part: str) -> Hookup:
        return on_part(part, self.meter or "meter", self.function)

    def parsed_limits(self) -> Limits:
        return self.limits.parsed("plan", self.name, self.function.unit)

    def refuse_contradictions(self) -> None:
        self.parsed_limits()
        if self.expect is not None:
            self.expect.in_unit(self.function.unit, f"{self.name}: expect")


class QuestionItem(Item, frozen=True, tag="question"):
    """Something seen and answered with yes (pass) or no (fail), e.g. a protective trip."""

    name: _Name
    question: Annotated[str, about("a question to be answered with yes or no")]
    hookup: _Hookup = ""


class PhaseItem(Item, frozen=True, tag="phase"):
    """Phase of one scope channel against another."""

    name: _Name
    scope: Annotated[str, about("tag of the scope")]
    primary: Annotated[str, about("channel on the reference point")]
    secondary: Annotated[str, about("channel on the other point")]
    frequency: Annotated[Hertz, about("of the signal")]
    limits: LimitText
    hookup: _Hookup = ""

    uses_scope = True

    def wiring(self, part: str) -> Hookup:
        return two_points(self.scope, self.primary, self.secondary)

    def parsed_limits(self) -> Limits:
        return self.limits.parsed("plan", self.name, "deg")


class InductanceItem(Item, frozen=True, tag="inductance"):
    """Inductance of one winding by a series resistor."""

    name: _Name
    scope: Annotated[str, about("tag of the scope")]
    across: Annotated[str, about("channel across the winding")]
    resistor_channel: Annotated[str, about("channel across the resistor")]
    resistor: Annotated[Ohms, about("series resistor")]
    frequency: Annotated[Hertz, about("of the drive")]
    amplitude: Annotated[Volts, about("peak to peak, open circuit")]
    generator: Annotated[str, about("tag of the generator")]
    limits: LimitText
    resistor_tolerance: Annotated[Share, about("of the resistor")] = field(
        default_factory=lambda: Share("1 %")
    )
    turns: Annotated[int | None, about("of the winding")] = None
    hookup: _Hookup = ""

    uses_scope = True

    def wiring(self, part: str) -> Hookup:
        return winding_and_resistor(
            part,
            self.resistor,
            generator=self.generator,
            drive=f"{self.frequency} {self.amplitude}",
            scope=self.scope,
            across=self.across,
            resistor_channel=self.resistor_channel,
        )

    def parsed_limits(self) -> Limits:
        return self.limits.parsed("plan", self.name, "H")


class ListCheck(Check, frozen=True, tag="list"):
    """Several readings, phases and questions that make one check; the worst decides."""

    item: Annotated[
        tuple[ReadingItem | QuestionItem | PhaseItem | InductanceItem, ...], about("the items, in order")
    ]

    @property
    def places(self) -> tuple[Item, ...]:
        return self.item

    def item_limits(self) -> dict[str, Limits]:
        """Limits by item name."""
        return {item.name: found for item in self.item if (found := item.parsed_limits()) is not None}

    def refuse_contradictions(self) -> None:
        names = [item.name for item in self.item]
        if not names or len(set(names)) != len(names):
            raise UsageError("a list check needs items with different names")
        for item in self.item:
            item.refuse_contradictions()


LIST_KINDS = (
    Kind(
        ListCheck,
        example=(
            "[[check.item]]",
            'take = "reading"',
            'name = "primary winding"',
            'function = "ohm"',
            'limits = { low = "40 ohm", high = "110 ohm" }',
            "[[check.item]]",
            'take = "question"',
            'name = "label"',
            'question = "does the label say 24 V?"',
            "[[check.item]]",
            'take = "phase"',
            'name = "burden against load"',
            'scope = "SC-03"',
            'primary = "CH1"',
            'secondary = "CH2"',
            'frequency = "50 Hz"',
            'limits = { low = "-1 deg", high = "10 deg" }',
            "[[check.item]]",
            'take = "inductance"',
            'name = "ten turns"',
            'scope = "SC-03"',
            'generator = "SG-04"',
            'across = "CH1"',
            'resistor_channel = "CH2"',
            'resistor = "47 ohm"',
            'frequency = "1 kHz"',
            'amplitude = "0.58 V"',
            'limits = { low = "4.3 mH", high = "9.2 mH" }',
        ),
    ),
)
