"""How each kind of check is done with a person, leads and meters: the steps between card and verdict."""

from __future__ import annotations

from dataclasses import dataclass, field

import msgspec

from benchlog.capture import Capture
from benchlog.checks.continuity import check_continuity
from benchlog.checks.crosscheck import check_crosscheck
from benchlog.checks.metered import Metered
from benchlog.checks.plain import check_observation, check_reading, quantity_name
from benchlog.checks.supply import LoadPoint, check_supply
from benchlog.checks.supply_model import expected_supply
from benchlog.errors import UsageError
from benchlog.guide.hands import Hands
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
from benchlog.result import Result, Uncertain
from benchlog.units import format_quantity, parse_nameplate, parse_quantity

__all__ = ["Measured", "expectation", "measure"]


@dataclass(frozen=True, slots=True)
class Measured:
    """A result with the evidence it rests on."""

    result: Result
    readings: tuple[Reading, ...] = ()
    captures: tuple[Capture, ...] = field(default=())


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
    function = Function.DC_VOLTS if nameplate.coupling == "dc" else Function.AC_VOLTS
    no_load = hands.reading(check.meter, function, "no-load voltage", f"{check.id}/no_load")
    readings = [no_load.reading]
    second: Metered | None = None
    limits = check.parsed_limits()
    trial = check_supply(
        nameplate,
        no_load,
        mains_v=mains,
        mains_nominal_v=plan.mains_nominal_v if mains else None,
        tolerance=parse_quantity(check.tolerance, "1").value,
        limits=limits or None,
    )
    if trial.verdict.value != "pass":
        hands.person.show(f"  {trial.reason}")
        no_load, second, extra = _second_opinion(check, hands, function, no_load)
        readings += extra
    load: LoadPoint | None = None
    if check.load is not None:
        resistance = parse_quantity(check.load, "ohm").value
        key = f"{check.id}/load"
        hands.do(f"power off, connect {check.load}, power on; read within 10 s: the load gets hot", key)
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
        mains_nominal_v=plan.mains_nominal_v if mains else None,
        second=second,
        load=load,
        capacitor_v=parse_quantity(check.capacitor, "V").value if check.capacitor else None,
        tolerance=parse_quantity(check.tolerance, "1").value,
        limits=limits or None,
    )
    return Measured(result, tuple(readings))


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


def _second_opinion(
    check: SupplyCheck, hands: Hands, function: Function, first: Metered
) -> tuple[Metered, Metered | None, list[Reading]]:
    """Let another meter with its own leads read the same points; on disagreement find out which one lies.

    Returns the reading to go on with, the one that confirms it, and all that was read.
    """
    others = [
        i.tag
        for i in hands.bench.instruments.values()
        if i.kind == "meter" and i.tag != first.reading.instrument
    ]
    if not others:
        hands.person.show("  no second meter on the bench: benchlog diagnose finds part or meter")
        return first, None, []
    other = others[0]
    hands.do(f"connect {other} with its own leads to the same points, {function}", f"{check.id}/second")
    second = hands.reading(other, function, "no-load voltage", f"{check.id}/second_reading")
    compared = check_crosscheck([first, second])
    hands.person.show(f"  cross-check: {compared.reason}")
    if compared.verdict.value == "pass":
        return first, second, [second.reading]
    tag = first.reading.instrument
    hands.do(f"tips of {tag} off the circuit, short them together, {tag} on ohms", f"{check.id}/short_tips")
    tips = hands.reading(tag, Function.OHMS, "tips shorted", f"{check.id}/tips")
    readings = [second.reading, tips.reading]
    if tips.reading.value is None or tips.value > 1.0:
        hands.person.show(
            f"  tips shorted read {tips.reading.displayed}: a lead of {tag} is open, not the part",
            style="bold",
        )
        hands.do(
            f"put other leads on {tag}, connect it to the same points, {function}", f"{check.id}/other_leads"
        )
        again = hands.reading(tag, function, "no-load voltage", f"{check.id}/again")
        readings.append(again.reading)
        return second, again, readings
    hands.person.show(f"  the leads of {tag} are whole: benchlog diagnose finds what else it is")
    return first, second, readings


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
