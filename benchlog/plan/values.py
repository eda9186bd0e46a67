"""Every quantity of a check is read once when the plan is, so that a slip shows before the first measurement."""

from __future__ import annotations

from typing import Any

from benchlog.errors import UsageError
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.plan.kinds import (
    AnyCheck,
    CompareCheck,
    ContinuityCheck,
    CrossCheck,
    InductanceItem,
    IsolationCheck,
    ListCheck,
    PhaseItem,
    RatioCheck,
    ReadingCheck,
    ReadingItem,
    RectifiedCheck,
    SupplyCheck,
)
from benchlog.units import parse_nameplate, parse_quantity

__all__ = ["needed_limits", "validate_values"]

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


def validate_values(check: AnyCheck) -> None:
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
        raise UsageError("series opposition is not an automatic run", hint="leave out al, or opposed_turns")
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


def needed_limits(check: AnyCheck) -> tuple[str, ...]:
    """Limits without which a check of this kind has nothing to judge by."""
    if isinstance(check, CompareCheck):
        return ("ratio",)
    return ("rectified_peak",) if isinstance(check, RectifiedCheck) else ()
