"""How each kind of check is done with a person, leads and meters: the steps between card and verdict."""

from __future__ import annotations

import msgspec

from benchlog.checks.continuity import check_continuity
from benchlog.checks.crosscheck import check_crosscheck
from benchlog.checks.metered import Metered
from benchlog.checks.plain import check_observation, check_reading, quantity_name
from benchlog.checks.supply import LoadPoint, check_supply
from benchlog.checks.supply_model import expected_supply
from benchlog.errors import UsageError
from benchlog.guide.doubt import Doubt, diagnose_with
from benchlog.guide.hands import Hands
from benchlog.guide.measured import Measured
from benchlog.guide.person import Prompt
from benchlog.magnetics.wire import parse_wire
from benchlog.plan import (
    AnyCheck,
    ContinuityCheck,
    CrossCheck,
    ObservationCheck,
    Plan,
    RatioCheck,
    ReadingCheck,
    SupplyCheck,
)
from benchlog.reading import Function, Reading
from benchlog.result import Uncertain
from benchlog.units import format_quantity, parse_nameplate, parse_quantity

__all__ = ["expectation", "measure"]


def expectation(check: AnyCheck, plan: Plan) -> str:
    """What is expected, in one line, before anything is read."""
    limits = check.parsed_limits()
    if isinstance(check, SupplyCheck):
        mains = parse_quantity(check.mains, "V").value if check.mains else None
        nominal = plan.mains_nominal_v
        tolerance = parse_quantity(check.tolerance, "1").value
        expected = expected_supply(
            parse_nameplate(check.nameplate), mains, nominal if mains else None, tolerance
        )
        low, high = expected.low_v, expected.high_v
        return (
            f"no-load {format_quantity(expected.no_load_v, 'V')}, "
            f"{format_quantity(low, 'V')} to {format_quantity(high, 'V')} ({expected.source})"
        )
    if isinstance(check, ContinuityCheck) and check.wire and check.length:
        ohm = _wire_resistance(check)
        return f"{format_quantity(ohm, 'ohm')} ±{check.tolerance} ({check.length} of {check.wire})"
    if isinstance(check, ContinuityCheck) and check.max:
        return f"at most {check.max}"
    if isinstance(check, RatioCheck):
        return f"{check.expect} turns, whole number, in phase"
    if isinstance(check, CrossCheck):
        return "E_n at most 1"
    if isinstance(check, ObservationCheck):
        return "yes"
    parts = [f"{name.replace('_', ' ')} {_span(text.low, text.high)}" for name, text in check.limits.items()]
    expect = getattr(check, "expect", None)
    return "; ".join([*([str(expect)] if expect else []), *parts]) or ("no limits" if not limits else "")


def _span(low: str | None, high: str | None) -> str:
    if low is None:
        return f"at most {high}"
    return f"at least {low}" if high is None else f"{low} to {high}"


def measure(check: AnyCheck, plan: Plan, hands: Hands) -> Measured:
    """Do one check and judge it; nothing is recorded here.

    Raises
    ------
    SkippedError
        When the person skips a step.
    InstrumentError
        When an instrument does not answer.
    """
    if isinstance(check, SupplyCheck):
        measured = _supply(check, plan, hands)
    elif isinstance(check, ContinuityCheck):
        measured = _continuity(check, hands)
    elif isinstance(check, CrossCheck):
        measured = _crosscheck(check, hands)
    elif isinstance(check, ReadingCheck):
        measured = _reading(check, hands)
    elif isinstance(check, ObservationCheck):
        yes = hands.confirm(check.question, f"{check.id}/seen")
        measured = Measured(
            check_observation(check.question, yes, hookup=check.hookup, caution=check.caution)
        )
    else:
        from benchlog.guide.scope_steps import measure_with_scope

        measured = measure_with_scope(check, hands)
    part = plan.parts[check.part]
    result = measured.result
    result = msgspec.structs.replace(
        result,
        check_id=check.id,
        check_revision=check.revision,
        part=check.part,
        part_state=check.state or part.state,
        hookup=check.hookup or result.hookup,
        cautions=tuple(dict.fromkeys([*([check.caution] if check.caution else []), *result.cautions])),
    )
    return Measured(result, measured.readings, measured.captures)


def _supply(check: SupplyCheck, plan: Plan, hands: Hands) -> Measured:
    nameplate = parse_nameplate(check.nameplate)
    mains = _mains(check, hands)
    nominal = plan.mains_nominal_v if mains else None
    function = Function.DC_VOLTS if nameplate.coupling == "dc" else Function.AC_VOLTS
    limits = check.parsed_limits()
    tolerance = parse_quantity(check.tolerance, "1").value
    no_load = hands.reading(check.meter, function, "no-load voltage", f"{check.id}/no_load")
    readings = [no_load.reading]
    second: Metered | None = None
    doubt: Doubt | None = None
    expected = expected_supply(nameplate, mains, nominal, tolerance)
    if not expected.low_v <= no_load.value <= expected.high_v:
        hands.person.show(
            f"  {no_load.reading.displayed} where {format_quantity(expected.no_load_v, 'V')} is expected: part or meter?"
        )
        no_load, second, doubt, extra = _resolve(check, plan, hands, no_load, expected.no_load_v)
        readings += extra
    load: LoadPoint | None = None
    if check.load is not None:
        resistance = parse_quantity(check.load, "ohm").value
        hands.do(
            f"power off, connect {check.load}, power on; read within 10 s: the load gets hot",
            f"{check.id}/load",
        )
        loaded = hands.reading(
            no_load.reading.instrument or None, function, "loaded voltage", f"{check.id}/loaded"
        )
        hands.do("power off, remove the load", f"{check.id}/unload")
        readings.append(loaded.reading)
        load = LoadPoint(resistance, loaded, parse_quantity(check.load_tolerance, "1").value)
    result = check_supply(
        nameplate,
        no_load,
        mains_v=mains,
        mains_nominal_v=nominal,
        second=second,
        load=load,
        capacitor_v=parse_quantity(check.capacitor, "V").value if check.capacitor else None,
        tolerance=tolerance,
        limits=limits or None,
    )
    if doubt is not None:
        result = msgspec.structs.replace(
            result,
            details={**result.details, "diagnosis": doubt.to_json()},
            findings=(
                *result.findings,
                f"first reading {readings[0].displayed} was looked into: {doubt.in_words()}",
            ),
        )
    return Measured(result, tuple(readings))


def _resolve(
    check: SupplyCheck, plan: Plan, hands: Hands, first: Metered, expected_v: float
) -> tuple[Metered, Metered | None, Doubt, list[Reading]]:
    """Diagnose a reading that looks wrong, mend what can be mended, read again, and let a second meter confirm.

    Returns the reading to judge, the one that confirms it, the diagnosis, and all that was read.
    """
    key = f"{check.id}/doubt"
    doubt = diagnose_with(hands, first, expected_v, key, mains_nominal_v=plan.mains_nominal_v)
    readings = list(doubt.readings)
    function, tag = first.reading.function, first.reading.instrument
    if doubt.decided and doubt.family in ("lead", "setting", "supply"):
        hands.do(
            f"put that right ({doubt.in_words()}), then {tag} on the same points, {function}", f"{key}/mended"
        )
        again = hands.reading(tag or None, function, "no-load voltage", f"{key}/again")
        readings.append(again.reading)
    else:
        again = first
    second = doubt.second
    if second is None:
        others = [i.tag for i in hands.bench.instruments.values() if i.kind == "meter" and i.tag != tag]
        if not others:
            return again, None, doubt, readings
        hands.do(f"connect {others[0]} with its own leads to the same points, {function}", f"{key}/second")
        second = hands.reading(others[0], function, "no-load voltage", f"{key}/second_reading")
        readings.append(second.reading)
    if doubt.decided and doubt.family == "meter":
        return second, None, doubt, readings
    better = min((again, second), key=lambda m: m.settled().standard_uncertainty)
    return better, (second if better is again else again), doubt, readings


def _mains(check: SupplyCheck, hands: Hands) -> float | None:
    if check.mains is not None:
        return parse_quantity(check.mains, "V").value
    while True:
        text = hands.person.answer(
            Prompt(
                "quantity",
                "mains voltage now, on a plug-in monitor?",
                f"{check.id}/mains",
                function=Function.AC_VOLTS,
            )
        )
        if not text:
            return None
        try:
            return parse_quantity(text, "V", what="mains").value
        except UsageError as error:
            hands.person.show(f"  {error}; {error.hint}")


def _wire_resistance(check: ContinuityCheck) -> float:
    wire = parse_wire(check.wire or "")
    length = parse_quantity(check.length or "", "m").value
    return wire.resistance_per_m(parse_quantity(check.temperature, "degC").value) * length


def _continuity(check: ContinuityCheck, hands: Hands) -> Measured:
    lead_null: Metered | None = None
    current: Metered | None = None
    limits = check.parsed_limits().get("resistance")
    if check.four_wire:
        current = hands.reading(check.meter, Function.DC_CURRENT, "test current", f"{check.id}/current")
        hands.do("voltage leads on the object's own ends, same current flowing", f"{check.id}/drop_leads")
        reading = hands.reading(check.meter, Function.DC_VOLTS, "voltage drop", f"{check.id}/drop")
    else:
        if check.lead_null:
            hands.do("short the tips, ohms", f"{check.id}/short_tips")
            lead_null = hands.reading(check.meter, Function.OHMS, "tips shorted", f"{check.id}/null")
            hands.do("tips on the object, everything unplugged and discharged", f"{check.id}/on_object")
        reading = hands.reading(check.meter, Function.OHMS, "resistance", f"{check.id}/resistance")
    result = check_continuity(
        reading,
        lead_null=lead_null,
        current=current,
        max_ohm=parse_quantity(check.max, "ohm").value if check.max else None,
        expected_ohm=_wire_resistance(check) if check.wire else None,
        expected_source=f"{check.length} of {check.wire} copper at {check.temperature}" if check.wire else "",
        tolerance=parse_quantity(check.tolerance, "1").value,
        limits=limits,
    )
    return Measured(result, tuple(m.reading for m in (lead_null, current, reading) if m is not None))


def _crosscheck(check: CrossCheck, hands: Hands) -> Measured:
    taken = [hands.reading(tag, check.function, f"{check.part}", f"{check.id}/{tag}") for tag in check.meters]
    return Measured(check_crosscheck(taken), tuple(m.reading for m in taken))


def _reading(check: ReadingCheck, hands: Hands) -> Measured:
    name = quantity_name(check.function)
    taken = hands.reading(check.meter, check.function, name, f"{check.id}/{name}")
    limits = check.parsed_limits()
    unknown = set(limits) - {name}
    if unknown:
        raise UsageError(
            f"check {check.id} has limits of {', '.join(sorted(unknown))}, but reads {name}",
            hint=f"name them limits.{name}",
        )
    expected = None
    if check.expect:
        expected = Uncertain(
            parse_quantity(check.expect, check.function.unit).value, 0.0, 0.0, check.function.unit
        )
    result = check_reading(
        taken, limits.get(name), expected=expected, hookup=check.hookup, caution=check.caution
    )
    return Measured(result, (taken.reading,))
