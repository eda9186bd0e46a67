"""What every check of a plan has, and the table row that defines a kind of check.

Modules of kinds don't use ``from __future__ import annotations``: msgspec would compile each annotation again for every
kind that inherits it, which doubles the time to read a plan.
"""

import hashlib
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

import msgspec

from benchlog.errors import UsageError
from benchlog.hookup import Hookup
from benchlog.metrology.accuracy import Accuracy, parse_accuracy
from benchlog.quantity_text import AnyQuantity, ValueText
from benchlog.result import Limits

if TYPE_CHECKING:
    from benchlog.magnetics.wire import Wire


class AccuracyText(ValueText[Accuracy]):
    """Accuracy statement of a meter."""

    example, about = "0.5 % + 2", "accuracy: per cent of the reading + counts"

    @classmethod
    def read(cls, text: str) -> Accuracy:
        return parse_accuracy(text, "plan")


class WireText(ValueText["Wire"]):
    """Size of a round copper wire."""

    example, about = "AWG 24", "wire size: AWG, SWG or diameter"

    @classmethod
    def read(cls, text: str) -> "Wire":
        from benchlog.magnetics.wire import parse_wire  # only plans that name a wire need it

        return parse_wire(text)


def about(text: str) -> msgspec.Meta:
    """Describe a field, for editors: ``load: Annotated[Ohms, about("load resistor")]``."""
    return msgspec.Meta(description=text)


class LimitText(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Limits as typed, e.g. ``{low = "26.1 V", high = "29.5 V"}``."""

    low: Annotated[AnyQuantity | None, about("lowest value allowed")] = None
    high: Annotated[AnyQuantity | None, about("highest value allowed")] = None

    def parsed(self, source: str, what: str, unit: str | None = None) -> Limits:
        """Limits in SI units.

        Raises
        ------
        UsageError
            If there is no limit, low is above high, or the unit is wrong.
        """
        either = self.low or self.high
        if either is None:
            raise UsageError(f"{what}: limits need low, high or both")
        units = [q.value.unit for q in (self.low, self.high) if q is not None]
        if len(set(units)) > 1 and "1" not in units:
            raise UsageError(f"{what}: low is in {units[0]}, high in {units[1]}")
        unit = unit or either.value.unit
        low, high = (None if q is None else q.in_unit(unit, what) for q in (self.low, self.high))
        if low is not None and high is not None and low > high:
            raise UsageError(f"{what}: low {self.low} is above high {self.high}")
        return Limits(low, high, unit, source)


class Check(msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", kw_only=True):
    """What all checks have. Subclasses add their own fields, with a tag that is their `kind` in plan files."""

    id: Annotated[str, about("short name, e.g. C03")]
    part: Annotated[str, about("tag of the part it is on")]
    title: Annotated[str, about("short title, for screens and the certificate")] = ""
    state: Annotated[str, about("state the part must be in: as received, wound, fitted...")] = ""
    hookup: Annotated[str, about("how to connect it, in your own words; kept in the record")] = ""
    caution: Annotated[str, about("what can hurt here; shown before the hook-up")] = ""
    valid_days: Annotated[
        Annotated[int, msgspec.Meta(ge=1)] | None, about("days after which a result is stale")
    ] = None
    after: Annotated[tuple[str, ...], about("checks that must have passed before")] = ()
    after_hold: Annotated[str | None, about("hold point that must be released before")] = None
    mains_referenced: Annotated[bool, about("the node is connected to mains: no scope clip may go there")] = (
        False
    )
    limits: Annotated[Mapping[str, LimitText], about("limits by quantity, fixed before the reading")] = {}

    #: Whether it puts a scope's clips on the part.
    uses_scope: ClassVar[bool] = False
    #: Fields added to its kind later: older results still count for a check that uses none of them.
    later_fields: ClassVar[tuple[str, ...]] = ()

    @property
    def places(self) -> tuple[Any, ...]:
        """Where readings are taken: the check itself, or each item of a list."""
        return (self,)

    @property
    def meters_named(self) -> Iterator[str]:
        """Tags of the meters it names."""
        for place in self.places:
            if (tag := getattr(place, "meter", None)) is not None:
                yield tag

    @property
    def meter_left_open(self) -> bool:
        """Whether the user must choose a meter."""
        return any(getattr(place, "meter", "none wanted") is None for place in self.places)

    @property
    def hookups(self) -> str:
        """The plan's own words on the hook-up, of each item where there are several."""
        return "; ".join(dict.fromkeys(place.hookup for place in self.places if place.hookup))

    def wiring(self) -> Hookup | None:
        """How its instruments are connected; None if each item has its own hook-up."""
        return None

    def limit_units(self) -> Mapping[str, str] | None:
        """Unit of each quantity that limits may be given for, in addition to those of the kind's row."""
        return None

    def parsed_limits(self) -> dict[str, Limits]:
        """Limits of the plan by quantity name."""
        return {name: text.parsed("plan", f"check {self.id}, {name}") for name, text in self.limits.items()}

    def refuse_contradictions(self) -> None:
        """Raise `UsageError` if fields contradict each other; each alone was checked when the file was read."""

    @property
    def revision(self) -> str:
        """Short digest of the check's definition; it changes with any edit, except to `after_hold`."""
        plain = msgspec.to_builtins(self, order="deterministic", enc_hook=str)
        del plain["after_hold"]
        for name in self.later_fields:
            if plain[name] is None:
                del plain[name]
        return hashlib.sha256(msgspec.json.encode(plain)).hexdigest()[:12]


class Kind(msgspec.Struct, frozen=True):
    """One row of the table of check kinds."""

    #: Its fields in a plan; the tag is its name there and the name of its module in `guide.steps`.
    spec: type[Check]
    result: str = ""  #: Kind of its results, if not the tag.
    #: Quantities shown on the certificate, each with the quantity that holds its expected value; empty: all.
    shown: Mapping[str, str] = {}
    limits: Mapping[str, str] = {}  #: Unit of each quantity that a plan may limit.
    needs: tuple[str, ...] = ()  #: Limits that the plan must give.
    waveforms: bool = False  #: Whether the certificate shows the first cycles of its record.
    #: TOML lines that the manual's example needs besides the required keys.
    example: tuple[str, ...] = ()

    @property
    def tag(self) -> str:
        """Name of the kind in plan files."""
        return str(self.spec.__struct_config__.tag)

    def refuse_bad_limits(self, check: Check) -> None:
        """Raise `UsageError` for limits on what is not measured, in another unit, or missing."""
        known = {**self.limits, **(check.limit_units() or {})}
        for name, text in check.limits.items():
            if name not in known:
                raise UsageError(
                    f"limits.{name}: not measured by a {self.tag} check",
                    hint=f"limits can be given for {', '.join(known) or 'nothing here'}",
                )
            text.parsed("plan", f"limits.{name}", known[name])
        for name in self.needs:
            if name not in check.limits:
                raise UsageError(
                    f"limits.{name} is missing", hint=f"add limits.{name} = {{ low = ..., high = ... }}"
                )
