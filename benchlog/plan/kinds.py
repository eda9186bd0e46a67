"""Kinds of checks a plan may hold, each with what it needs; limits as typed."""

import hashlib
from collections.abc import Mapping

import msgspec

from benchlog.errors import UsageError
from benchlog.reading import Function
from benchlog.result import Limits
from benchlog.units import parse_quantity

__all__ = [
    "AnyCheck",
    "CompareCheck",
    "ContinuityCheck",
    "CrossCheck",
    "InductanceCheck",
    "InductanceItem",
    "IsolationCheck",
    "LimitText",
    "ListCheck",
    "PhaseItem",
    "QuestionItem",
    "RatioCheck",
    "ReadingCheck",
    "ReadingItem",
    "RectifiedCheck",
    "SupplyCheck",
]


class LimitText(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Limits as typed, e.g. ``{low = "26.1 V", high = "29.5 V"}``."""

    low: str | None = None
    high: str | None = None

    def parsed(self, source: str, what: str) -> Limits:
        """Limits in SI units."""
        low = parse_quantity(self.low, what=what) if self.low is not None else None
        high = parse_quantity(self.high, what=what) if self.high is not None else None
        either = low or high
        if either is None:
            raise UsageError(f"{what}: limits need low, high or both")
        if low and high and low.unit != high.unit:
            raise UsageError(f"{what}: low is in {low.unit}, high in {high.unit}")
        if low and high and low.value > high.value:
            raise UsageError(f"{what}: low {self.low} is above high {self.high}")
        return Limits(low.value if low else None, high.value if high else None, either.unit, source)


class _Check(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", kw_only=True):
    """What all checks have."""

    id: str
    part: str
    title: str = ""
    state: str = ""
    hookup: str = ""
    caution: str = ""
    valid_days: int | None = None
    after: tuple[str, ...] = ()
    after_hold: str | None = None
    mains_referenced: bool = False
    limits: Mapping[str, LimitText] = {}

    def parsed_limits(self) -> dict[str, Limits]:
        """Limits of the plan by quantity name."""
        return {name: text.parsed("plan", f"check {self.id}, {name}") for name, text in self.limits.items()}

    @property
    def revision(self) -> str:
        """Short digest of all that defines the check: changes when any of it but its place behind a hold is edited."""
        plain = msgspec.to_builtins(self, order="deterministic")
        del plain["after_hold"]
        return hashlib.sha256(msgspec.json.encode(plain)).hexdigest()[:12]


class SupplyCheck(_Check, frozen=True, tag="supply"):
    """A wall transformer or supply against its nameplate."""

    nameplate: str
    mains: str | None = None
    meter: str | None = None
    load: str | None = None
    load_tolerance: str = "1 %"
    capacitor: str | None = None
    tolerance: str = "6 %"


class ContinuityCheck(_Check, frozen=True, tag="continuity"):
    """A resistance, two-wire with lead null or four-wire."""

    meter: str | None = None
    max: str | None = None
    wire: str | None = None
    length: str | None = None
    temperature: str = "20 degC"
    tolerance: str = "6 %"
    four_wire: bool = False
    current: str | None = None
    current_accuracy: str | None = None
    current_meter: str | None = None
    lead_null: bool = True


class RatioCheck(_Check, frozen=True, tag="ratio"):
    """Turns ratio with scope and generator.

    With `al` the run is automatic: drive chosen from the core, flatness proved, `sweep` points fitted to a model.
    """

    expect: str
    scope: str
    primary: str
    secondary: str
    generator: str | None = None
    frequency: str | None = None
    amplitude: str | None = None
    loop_turns: int = 1
    tolerance: str | None = None
    gain_accuracy: str | None = None
    range_gain: str | None = None
    divider: str | None = None
    divider_tolerance: str | None = None
    swap: bool = True
    opposed_turns: int | None = None
    al: str | None = None
    area: str | None = None
    saturation: str | None = None
    generator_resistance: str | None = None
    sweep: int | None = None


class InductanceCheck(_Check, frozen=True, tag="inductance"):
    """Inductance by a series resistor with scope and generator."""

    scope: str
    across: str
    resistor_channel: str
    resistor: str
    resistor_tolerance: str = "1 %"
    swap: bool = False
    generator: str | None = None
    frequency: str | None = None
    amplitude: str | None = None
    turns: int | None = None
    al: str | None = None


class CrossCheck(_Check, frozen=True, tag="crosscheck"):
    """Two or more meters on one point."""

    meters: tuple[str, ...]
    function: Function = Function.AC_VOLTS


class ReadingCheck(_Check, frozen=True, tag="reading"):
    """One reading against limits of the plan."""

    function: Function
    expect: str | None = None
    meter: str | None = None
    accuracy: str | None = None


class ReadingItem(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="take", tag="reading"):
    """One reading of a list."""

    name: str
    function: Function
    limits: LimitText
    expect: str | None = None
    meter: str | None = None
    accuracy: str | None = None
    hookup: str = ""


class QuestionItem(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="take", tag="question"):
    """Something seen and answered with yes (pass) or no (fail), e.g. a protective trip."""

    name: str
    question: str
    hookup: str = ""


class PhaseItem(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="take", tag="phase"):
    """Phase of one scope channel against another."""

    name: str
    scope: str
    primary: str
    secondary: str
    frequency: str
    limits: LimitText
    hookup: str = ""


class InductanceItem(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="take", tag="inductance"
):
    """Inductance of one winding by a series resistor."""

    name: str
    scope: str
    across: str
    resistor_channel: str
    resistor: str
    frequency: str
    amplitude: str
    generator: str
    limits: LimitText
    resistor_tolerance: str = "1 %"
    turns: int | None = None
    hookup: str = ""


class ListCheck(_Check, frozen=True, tag="list"):
    """Several readings, phases and questions that make one check; the worst decides."""

    item: tuple[ReadingItem | QuestionItem | PhaseItem | InductanceItem, ...]

    def item_limits(self) -> dict[str, Limits]:
        """Limits by item name."""
        return {
            i.name: i.limits.parsed("plan", f"check {self.id}, {i.name}")
            for i in self.item
            if not isinstance(i, QuestionItem)
        }


class IsolationCheck(_Check, frozen=True, tag="isolation"):
    """Leakage resistance screened by a DC supply in series with a meter on V=; not a withstand test."""

    supply: str
    min: str
    meter: str | None = None


class RectifiedCheck(_Check, frozen=True, tag="rectified"):
    """DC behind a bridge and capacitor without load; the capacitor's rating at mains +10 %."""

    meter: str | None = None
    mains: str | None = None
    capacitor: str | None = None


class CompareCheck(_Check, frozen=True, tag="compare"):
    """A resistor against a known one carrying the same current: two readings on one range."""

    reference: str
    reference_tolerance: str = "0.1 %"
    function: Function = Function.DC_VOLTS
    meter: str | None = None


AnyCheck = (
    SupplyCheck
    | ContinuityCheck
    | RatioCheck
    | InductanceCheck
    | CrossCheck
    | ReadingCheck
    | ListCheck
    | IsolationCheck
    | CompareCheck
    | RectifiedCheck
)
