"""The plan: parts, checks with limits fixed beforehand, hold points, substitutions (TOML)."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any

import msgspec

from benchlog.errors import BenchlogError, ConfigError, UsageError
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.reading import Function
from benchlog.result import Limits
from benchlog.toml_file import read_toml
from benchlog.units import parse_nameplate, parse_quantity

__all__ = [
    "AnyCheck",
    "CompareCheck",
    "ContinuityCheck",
    "CrossCheck",
    "Hold",
    "InductanceCheck",
    "InductanceItem",
    "IsolationCheck",
    "LimitText",
    "ListCheck",
    "Part",
    "PhaseItem",
    "Plan",
    "QuestionItem",
    "RatioCheck",
    "ReadingCheck",
    "ReadingItem",
    "RectifiedCheck",
    "Substitution",
    "SupplyCheck",
    "plan_schema",
    "read_plan",
]


class Project(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is built, and the nominal mains it is built for."""

    name: str
    mains: str | None = None
    note: str = ""


class Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One physical item: tag, name, state (as received, wound, fitted), what it feeds."""

    tag: str
    name: str = ""
    state: str = "as received"
    supplier: str = ""
    lot: str = ""
    feeds: tuple[str, ...] = ()
    stored_energy: str = ""
    note: str = ""


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


class Hold(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A step that must not be taken before its checks are passed, current, not recalled, on these parts."""

    id: str
    step: str
    needs: tuple[str, ...]
    after_holds: tuple[str, ...] = ()
    irreversible: bool = True
    caution: str = ""


class Substitution(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A part or value that differs from the published design."""

    part: str
    what: str
    reason: str
    on: date | None = None


class _PlanFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    project: Project
    part: tuple[Part, ...] = ()
    check: tuple[AnyCheck, ...] = ()
    hold: tuple[Hold, ...] = ()
    substitution: tuple[Substitution, ...] = ()


class Plan:
    """A validated plan.

    Attributes
    ----------
    path : str
        File it was read from.
    project : Project
    parts, checks, holds : dict
        By tag or id, in the file's order.
    substitutions : tuple of Substitution
    """

    def __init__(self, file: _PlanFile, path: str) -> None:
        self.path = path
        self.project = file.project
        self.parts: dict[str, Part] = {p.tag: p for p in file.part}
        self.checks: dict[str, AnyCheck] = {c.id: c for c in file.check}
        self.holds: dict[str, Hold] = {h.id: h for h in file.hold}
        self.substitutions = file.substitution

    @cached_property
    def mains_nominal_v(self) -> float | None:
        """Nominal mains voltage, volt."""
        return parse_quantity(self.project.mains, "V").value if self.project.mains else None

    def check(self, check_id: str) -> AnyCheck:
        """Return a check, or raise `UsageError` naming those there are."""
        try:
            return self.checks[check_id]
        except KeyError:
            raise UsageError(
                f"no check {check_id!r} in {self.path}", hint=f"checks there: {', '.join(self.checks)}"
            ) from None

    def hold(self, hold_id: str) -> Hold:
        """Return a hold point, or raise `UsageError` naming those there are."""
        try:
            return self.holds[hold_id]
        except KeyError:
            raise UsageError(
                f"no hold point {hold_id!r} in {self.path}",
                hint=f"hold points there: {', '.join(self.holds) or 'none'}",
            ) from None

    def reopened_by(self, part: str) -> list[str]:
        """Checks that a change of a part re-opens: its own and those of every part it feeds, however far."""
        touched, todo = set[str](), [part]
        while todo:
            tag = todo.pop()
            if tag not in touched:
                touched.add(tag)
                todo += self.parts[tag].feeds if tag in self.parts else ()
        return [c.id for c in self.checks.values() if c.part in touched]


def read_plan(path: Path) -> Plan:
    """Read and check a plan file.

    Raises
    ------
    ConfigError
        If it can't be read, refers to what isn't there, or a quantity in it can't be understood.
    """
    file = read_toml(path, _PlanFile, what="plan")
    _refuse_doubles(path, "part", [p.tag for p in file.part])
    _refuse_doubles(path, "check or hold", [*(c.id for c in file.check), *(h.id for h in file.hold)])
    tags, checks, holds = {p.tag for p in file.part}, {c.id for c in file.check}, {h.id for h in file.hold}
    for part in file.part:
        _refuse_unknown(path, f"part {part.tag} feeds", part.feeds, tags, "part")
    for check in file.check:
        _refuse_unknown(path, f"check {check.id} is on part", (check.part,), tags, "part")
        _refuse_unknown(path, f"check {check.id} comes after", check.after, checks, "check")
        if check.after_hold is not None:
            _refuse_unknown(path, f"check {check.id} comes after hold", (check.after_hold,), holds, "hold")
        try:
            _try_values(check)
        except BenchlogError as error:
            raise ConfigError(f"{path}: check {check.id}: {error}", hint=error.hint) from None
        for name in _needed_limits(check):
            if name not in check.limits:
                raise ConfigError(
                    f"{path}: check {check.id}: limits.{name} is missing",
                    hint=f"add limits.{name} = {{ high = ... }}",
                )
        if isinstance(check, RatioCheck | InductanceCheck) and check.mains_referenced:
            raise ConfigError(
                f"{path}: check {check.id}: a scope clip on a mains-referenced node is refused",
                hint="its ground clip is protective earth; measure that node with a rated meter or an isolated probe",
            )
    for hold in file.hold:
        if not hold.needs:
            raise ConfigError(
                f"{path}: hold {hold.id} needs no check", hint="list the checks that open it under needs"
            )
        _refuse_unknown(path, f"hold {hold.id} needs", hold.needs, checks, "check")
        _refuse_unknown(path, f"hold {hold.id} comes after", hold.after_holds, holds, "hold")
    for substitution in file.substitution:
        _refuse_unknown(path, "substitution of", (substitution.part,), tags, "part")
    plan = Plan(file, str(path))
    try:
        _ = plan.mains_nominal_v
    except UsageError as error:
        raise ConfigError(f"{path}: project.mains: {error}", hint=error.hint) from None
    return plan


def plan_schema() -> dict[str, Any]:
    """JSON Schema of a plan file, for editors."""
    return msgspec.json.schema(_PlanFile)


def _refuse_doubles(path: Path, what: str, names: list[str]) -> None:
    for name in names:
        if names.count(name) > 1:
            raise ConfigError(f"{path}: {what} {name!r} is there twice", hint="give each its own name")
        if not name or len(name) > 40 or not name.isprintable():
            raise ConfigError(
                f"{path}: {what} {name[:40]!r} is no usable name", hint="use up to 40 printable characters"
            )


def _refuse_unknown(path: Path, what: str, names: tuple[str, ...], known: set[str], kind: str) -> None:
    for name in names:
        if name not in known:
            raise ConfigError(
                f"{path}: {what} {name!r}, which is not in the plan",
                hint=f"{kind}s there: {', '.join(sorted(known)) or 'none'}",
            )


_QUANTITY_FIELDS = {
    "mains": "V",
    "load": "ohm",
    "load_tolerance": "1",
    "capacitor": "V",
    "tolerance": "1",
    "max": "ohm",
    "length": "m",
    "temperature": "degC",
    "frequency": "Hz",
    "amplitude": "V",
    "gain_accuracy": "1",
    "range_gain": "1",
    "divider_tolerance": "1",
    "resistor": "ohm",
    "resistor_tolerance": "1",
    "reference": "ohm",
    "reference_tolerance": "1",
    "min": "ohm",
    "current": "A",
    "al": "H",
    "area": "m2",
    "saturation": "T",
    "generator_resistance": "ohm",
    "expect": None,
}


def _try_values(check: AnyCheck) -> None:
    """Read every quantity once, so that a slip shows before the first measurement."""
    fields: dict[str, Any] = {f: getattr(check, f) for f in check.__struct_fields__}
    for name, unit in _QUANTITY_FIELDS.items():
        if isinstance(fields.get(name), str):
            parse_quantity(fields[name], unit, what=name)
    if isinstance(check, SupplyCheck):
        parse_nameplate(check.nameplate)
    if isinstance(check, ContinuityCheck):
        if (check.wire is None) != (check.length is None):
            raise UsageError("wire and length go together")
        if check.wire is not None:
            from benchlog.magnetics.wire import parse_wire

            parse_wire(check.wire)
    if isinstance(check, ReadingCheck) and check.accuracy is not None:
        parse_accuracy(check.accuracy)
    if isinstance(check, ContinuityCheck) and check.current_accuracy is not None:
        parse_accuracy(check.current_accuracy)
    if isinstance(check, IsolationCheck):
        parse_quantity(check.supply, "V", what="supply")
    if isinstance(check, RatioCheck):
        _try_automatic(check)
    if isinstance(check, ListCheck):
        _try_items(check)
    if isinstance(check, CrossCheck) and len(set(check.meters)) < 2:
        raise UsageError("a cross-check needs two different meters", hint="list them under meters")
    check.parsed_limits()


def _try_automatic(check: RatioCheck) -> None:
    """What belongs to the automatic run needs AL and a generator."""
    if check.al is None:
        given = [n for n in ("area", "saturation", "sweep") if getattr(check, n) is not None]
        if given:
            raise UsageError(f"{given[0]} belongs to the automatic run", hint='give al too: al = "61 uH"')
        return
    if check.generator is None:
        raise UsageError(
            "al makes the run automatic, which needs a generator", hint="name it under generator"
        )
    if check.opposed_turns is not None:
        raise UsageError("series opposition is no automatic run", hint="leave out al, or opposed_turns")
    if (check.area is None) != (check.saturation is None):
        raise UsageError("area and saturation go together")
    if check.sweep is not None and check.sweep != 0 and not 5 <= check.sweep <= 61:
        raise UsageError(f"a sweep of {check.sweep} points", hint="5 to 61 points, or 0 for none")


def _try_items(check: ListCheck) -> None:
    names = [item.name for item in check.item]
    if not names or len(set(names)) != len(names):
        raise UsageError("a list check needs items with different names")
    for item in check.item:
        if isinstance(item, ReadingItem) and item.accuracy is not None:
            parse_accuracy(item.accuracy)
        if isinstance(item, PhaseItem | InductanceItem):
            parse_quantity(item.frequency, "Hz", what="frequency")
            if check.mains_referenced:
                raise UsageError(
                    "a scope clip on a mains-referenced node is refused",
                    hint="its ground clip is protective earth",
                )
    check.item_limits()


def _needed_limits(check: AnyCheck) -> tuple[str, ...]:
    """Limits without which a check of this kind has nothing to judge by."""
    if isinstance(check, CompareCheck):
        return ("ratio",)
    return ("rectified_peak",) if isinstance(check, RectifiedCheck) else ()
