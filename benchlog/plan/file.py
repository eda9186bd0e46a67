"""The plan file: parts, checks with limits fixed beforehand, hold points, substitutions (TOML)."""

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Annotated, Any

import msgspec

from benchlog.errors import ConfigError, UsageError, did_you_mean
from benchlog.plan.check import Check, Kind, about
from benchlog.plan.kinds import KINDS, AnyCheck, kind_of
from benchlog.quantity_text import ValueText, Volts, value_of
from benchlog.reading import Function
from benchlog.toml_file import line_in, located, read_toml

#: Nominal mains voltages lie between these, three phases included (common practice, no source).
_MAINS_V = (85.0, 500.0)


class Project(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What is built, and its nominal mains voltage."""

    name: str
    mains: Annotated[Volts | None, about("nominal mains voltage, e.g. 230 V")] = None
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


class Hold(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A step you must not take before its checks have passed on these parts, are current and not recalled."""

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
    parts, checks, holds : dict
        By tag or id, in the file's order.
    """

    def __init__(self, file: _PlanFile, path: str) -> None:
        self.path = path
        self.project = file.project
        self.parts: dict[str, Part] = {p.tag: p for p in file.part}
        self.checks: dict[str, AnyCheck] = {c.id: c for c in file.check}
        self.holds: dict[str, Hold] = {h.id: h for h in file.hold}
        self.substitutions = file.substitution

    @property
    def mains_nominal_v(self) -> float | None:
        """Nominal mains voltage, volt."""
        return value_of(self.project.mains)

    def check(self, check_id: str) -> AnyCheck:
        """Return a check, or raise `UsageError` with a list of the checks."""
        try:
            return self.checks[check_id]
        except KeyError:
            raise UsageError(
                f"no check {check_id!r} in {self.path}", hint=f"checks there: {', '.join(self.checks)}"
            ) from None

    def hold(self, hold_id: str) -> Hold:
        """Return a hold point, or raise `UsageError` with a list of the hold points."""
        try:
            return self.holds[hold_id]
        except KeyError:
            raise UsageError(
                f"no hold point {hold_id!r} in {self.path}",
                hint=f"hold points there: {', '.join(self.holds) or 'none'}",
            ) from None

    def reopened_by(self, part: str) -> list[str]:
        """Checks that a change of a part re-opens: its own and those of all parts it feeds, directly or not."""
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
        If it can't be read, names something that isn't in it, or has a quantity that can't be understood.
    """
    file = read_toml(path, _PlanFile, what="plan")
    _refuse_doubles(path, {f"part[{n}].tag": part.tag for n, part in enumerate(file.part)})
    ids = {f"check[{n}].id": check.id for n, check in enumerate(file.check)}
    _refuse_doubles(path, ids | {f"hold[{n}].id": hold.id for n, hold in enumerate(file.hold)})
    _refuse_unknown_names(path, file)
    nominal = value_of(file.project.mains)
    if nominal is not None and not _MAINS_V[0] <= nominal <= _MAINS_V[1]:
        raise ConfigError(
            f"{located(path, 'project.mains')}: {file.project.mains} is not a mains voltage",
            hint='write it like mains = "230 V"',
        )
    for number, check in enumerate(file.check):
        try:
            _refuse_contradictions(check)
        except UsageError as error:
            place = located(path, f"check[{number}]")
            raise ConfigError(f"{place}: check {check.id}: {error}", hint=error.hint) from None
    _refuse_circle(path, "check", {check.id: check.after for check in file.check})
    _refuse_circle(path, "hold", {hold.id: hold.after_holds for hold in file.hold})
    for number, hold in enumerate(file.hold):
        if not hold.needs:
            raise ConfigError(
                f"{located(path, f'hold[{number}].needs')}: hold {hold.id} needs no check",
                hint="list the checks that open it under needs",
            )
    return Plan(file, str(path))


def _refuse_unknown_names(path: Path, file: _PlanFile) -> None:
    """Refuse names of parts, checks and holds that the plan does not define."""
    parts, checks = {p.tag for p in file.part}, {c.id for c in file.check}
    holds = {h.id for h in file.hold}
    for n, part in enumerate(file.part):
        _refuse_unknown(path, f"part[{n}].feeds", f"part {part.tag} feeds", part.feeds, parts)
    for n, check in enumerate(file.check):
        after_hold = (check.after_hold,) if check.after_hold is not None else ()
        place, name = f"check[{n}]", f"check {check.id}"
        _refuse_unknown(path, f"{place}.part", f"{name} is on part", (check.part,), parts)
        _refuse_unknown(path, f"{place}.after", f"{name} comes after", check.after, checks)
        _refuse_unknown(path, f"{place}.after_hold", f"{name} comes after hold", after_hold, holds)
    for n, hold in enumerate(file.hold):
        _refuse_unknown(path, f"hold[{n}].needs", f"hold {hold.id} needs", hold.needs, checks)
        _refuse_unknown(
            path, f"hold[{n}].after_holds", f"hold {hold.id} comes after", hold.after_holds, holds
        )
    for n, substitution in enumerate(file.substitution):
        _refuse_unknown(path, f"substitution[{n}].part", "substitution of", (substitution.part,), parts)


def _refuse_contradictions(check: Check) -> None:
    """Raise `UsageError` if the fields of a check contradict each other; each alone was checked with the file."""
    check.refuse_contradictions()
    kind_of(check).refuse_bad_limits(check)
    if check.mains_referenced and any(place.uses_scope for place in check.places):
        raise UsageError(
            "a scope clip on a node connected to mains (mains_referenced) is refused",
            hint="its ground clip is protective earth; measure that node with a rated meter or an isolated probe",
        )


def plan_schema() -> dict[str, Any]:
    """JSON Schema of a plan file, for editors: descriptions, examples and defaults as the fields declare them."""
    from benchlog.file_reference import described  # slower to import than a plan is to read

    schema = msgspec.json.schema(_PlanFile, schema_hook=_schema_of_value)
    for kind in KINDS:
        struct = schema["$defs"][kind.spec.__name__]
        struct["x-example"] = list(kind.example)
        properties = struct["properties"]
        properties["limits"]["description"] = _about_limits(kind)
        for field in msgspec.structs.fields(kind.spec):
            if isinstance(field.default_factory, type):
                continue
            if field.default_factory is not msgspec.NODEFAULT:
                properties[field.encode_name]["default"] = str(field.default_factory())
    return described(schema)


def _about_limits(kind: Kind) -> str:
    """What a plan may limit in checks of a kind."""
    units = kind.limits
    if kind.spec.limit_units is not Check.limit_units:  # by what the meter is set to
        units = {function.quantity: function.unit for function in Function}
    named = ", ".join(f"{name} in {unit}" if unit != "1" else name for name, unit in units.items())
    return f"limits, fixed before the reading, of {named}" if named else "none for this kind"


def _schema_of_value(kind: type) -> dict[str, Any]:
    if issubclass(kind, ValueText):
        return kind.schema()
    raise NotImplementedError


def _refuse_doubles(path: Path, names: Mapping[str, str]) -> None:
    """Refuse names that are used twice or can't be used; each comes by its place in the file."""
    first: dict[str, str] = {}
    for where, name in names.items():
        table = where.partition("[")[0]
        if name in first:
            also = line_in(path, first[name])
            raise ConfigError(
                f"{located(path, where)}: {table} {name!r} is defined twice, first in line {also}",
                hint="give each its own name",
            )
        if not name or len(name) > 40 or not name.isprintable():
            raise ConfigError(
                f"{located(path, where)}: {table} {name[:40]!r} is not a usable name",
                hint="use up to 40 printable characters",
            )
        first[name] = where


def _refuse_circle(path: Path, kind: str, after: dict[str, tuple[str, ...]]) -> None:
    """Refuse a circle of things that each come after another."""
    done: set[str] = set()
    while ready := [name for name, before in after.items() if name not in done and done.issuperset(before)]:
        done.update(ready)
    if waiting := [name for name in after if name not in done]:
        raise ConfigError(
            f"{path}: {kind}s that come after each other: {', '.join(waiting)}",
            hint="one of them must come first",
        )


def _refuse_unknown(path: Path, where: str, what: str, names: tuple[str, ...], known: set[str]) -> None:
    for name in names:
        if name not in known:
            raise ConfigError(
                f"{located(path, where)}: {what} {name!r}, which is not in the plan",
                hint=did_you_mean(name, known, f"there: {', '.join(sorted(known)) or 'none'}"),
            )
