"""How each kind of check is done with a person, leads and meters: the steps between card and verdict."""

from __future__ import annotations

import msgspec

from benchlog.checks.compare import check_compare
from benchlog.checks.continuity import check_continuity
from benchlog.checks.crosscheck import check_crosscheck
from benchlog.checks.isolation import check_isolation
from benchlog.checks.mains import Mains
from benchlog.checks.meter_reading import MeterReading
from benchlog.checks.plain import check_reading, quantity_name
from benchlog.checks.rectified import check_rectified
from benchlog.checks.supply_model import expected_supply
from benchlog.displayed import parse_displayed
from benchlog.errors import UsageError
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_outcome import CheckOutcome
from benchlog.guide.doubt import Resolved, believed, look_into, with_doubt
from benchlog.guide.list_steps import measure_list
from benchlog.guide.scope_steps import measure_with_scope
from benchlog.guide.supply_steps import ask_mains, measure_supply
from benchlog.magnetics.wire import parse_wire
from benchlog.metrology.accuracy import UNKNOWN_ACCURACY, parse_accuracy
from benchlog.plan import (
    AnyCheck,
    CompareCheck,
    ContinuityCheck,
    CrossCheck,
    IsolationCheck,
    ListCheck,
    Plan,
    QuestionItem,
    RatioCheck,
    ReadingCheck,
    RectifiedCheck,
    SupplyCheck,
)
from benchlog.reading import Function
from benchlog.result import Limits, Uncertain
from benchlog.units import format_quantity, parse_nameplate, parse_quantity
from benchlog.wording import quantity_words

__all__ = ["expectation", "measure"]


def expectation(check: AnyCheck, plan: Plan) -> str:
    """What is expected, in one line, before anything is read."""
    limits = check.parsed_limits()
    if isinstance(check, SupplyCheck):
        mains = Mains.typed(check.mains, plan.mains_nominal_v) if check.mains else None
        tolerance = parse_quantity(check.tolerance, "1").value
        expected = expected_supply(parse_nameplate(check.nameplate), mains, tolerance)
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
    if isinstance(check, IsolationCheck):
        return f"at least {check.min}"
    if isinstance(check, ListCheck):
        return "; ".join(
            f"{i.name}: {'yes' if isinstance(i, QuestionItem) else _span(i.limits.low, i.limits.high)}"
            for i in check.item
        )
    parts = [f"{quantity_words(name)} {_span(text.low, text.high)}" for name, text in check.limits.items()]
    expect = getattr(check, "expect", None)
    return "; ".join([*([str(expect)] if expect else []), *parts]) or ("no limits" if not limits else "")


def _span(low: str | None, high: str | None) -> str:
    if low is None:
        return f"at most {high}"
    return f"at least {low}" if high is None else f"{low} to {high}"


def measure(check: AnyCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do one check and judge it; nothing is recorded here.

    Raises
    ------
    SkippedError
        When the person skips a step.
    InstrumentError
        When an instrument does not answer.
    """
    if isinstance(check, SupplyCheck):
        measured = measure_supply(check, plan, acquisition)
    elif isinstance(check, ContinuityCheck):
        measured = _continuity(check, acquisition)
    elif isinstance(check, CrossCheck):
        measured = _crosscheck(check, acquisition)
    elif isinstance(check, ReadingCheck):
        measured = _reading(check, plan, acquisition)
    elif isinstance(check, IsolationCheck):
        measured = _isolation(check, acquisition)
    elif isinstance(check, CompareCheck):
        measured = _compare(check, acquisition)
    elif isinstance(check, ListCheck):
        measured = measure_list(check, acquisition, mains_nominal_v=plan.mains_nominal_v)
    elif isinstance(check, RectifiedCheck):
        measured = _rectified(check, plan, acquisition)
    else:
        measured = measure_with_scope(check, acquisition)
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
    return CheckOutcome(result, measured.readings, measured.captures)


def _wire_resistance(check: ContinuityCheck) -> float:
    wire = parse_wire(check.wire or "")
    length = parse_quantity(check.length or "", "m").value
    return wire.resistance_per_m(parse_quantity(check.temperature, "degC").value) * length


def _continuity(check: ContinuityCheck, acquisition: Acquisition) -> CheckOutcome:
    lead_null: MeterReading | None = None
    current: MeterReading | None = None
    limits = check.parsed_limits().get("resistance")
    expected_ohm = _wire_resistance(check) if check.wire else None
    if check.four_wire:
        current = _test_current(check, acquisition)
        acquisition.do(
            "voltage leads on the object's own ends, the current flowing", f"{check.id}/drop_leads"
        )
        drop_v = None if expected_ohm is None else expected_ohm * current.value
        reading = acquisition.reading(
            check.meter, Function.DC_VOLTS, "voltage drop", f"{check.id}/drop", expect=drop_v
        )
    else:
        if check.lead_null:
            acquisition.do("short the tips, ohms", f"{check.id}/short_tips")
            lead_null = acquisition.reading(check.meter, Function.OHMS, "tips shorted", f"{check.id}/null")
            acquisition.do("tips on the object, everything unplugged and discharged", f"{check.id}/on_object")
        reading = acquisition.reading(
            check.meter, Function.OHMS, "resistance", f"{check.id}/resistance", expect=expected_ohm
        )
    result = check_continuity(
        reading,
        lead_null=lead_null,
        current=current,
        max_ohm=parse_quantity(check.max, "ohm").value if check.max else None,
        expected_ohm=expected_ohm,
        expected_source=f"{check.length} of {check.wire} copper at {check.temperature}" if check.wire else "",
        tolerance=parse_quantity(check.tolerance, "1").value,
        limits=limits,
    )
    return CheckOutcome(result, tuple(m.reading for m in (lead_null, current, reading) if m is not None))


def _test_current(check: ContinuityCheck, acquisition: Acquisition) -> MeterReading:
    """The current of a four-wire measurement: read on a meter, or stated with its accuracy."""
    if check.current is None:
        return acquisition.reading(
            check.current_meter, Function.DC_CURRENT, "test current", f"{check.id}/current"
        )
    reading = parse_displayed(
        check.current, Function.DC_CURRENT, instrument=check.current_meter or "test current"
    )
    accuracy = parse_accuracy(check.current_accuracy) if check.current_accuracy else UNKNOWN_ACCURACY
    return MeterReading(acquisition.stamped(reading), accuracy)


def _isolation(check: IsolationCheck, acquisition: Acquisition) -> CheckOutcome:
    taken = acquisition.reading(check.meter, Function.DC_VOLTS, "leakage voltage", f"{check.id}/leakage")
    instrument = acquisition.bench.instruments.get(taken.reading.instrument)
    stated = instrument.input_resistance if instrument else None
    result = check_isolation(
        taken,
        parse_quantity(check.supply, "V").value,
        parse_quantity(check.min, "ohm").value,
        input_ohm=parse_quantity(stated, "ohm").value if stated else 10e6,
        limits=Limits(parse_quantity(check.min, "ohm").value, None, "ohm", "plan"),
    )
    return CheckOutcome(result, (taken.reading,))


def _rectified(check: RectifiedCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    mains = ask_mains(check, acquisition, plan.mains_nominal_v)
    taken = acquisition.reading(check.meter, Function.DC_VOLTS, "rectified voltage", f"{check.id}/rectified")
    result = check_rectified(
        taken,
        check.parsed_limits()["rectified_peak"],
        mains=mains,
        capacitor_v=parse_quantity(check.capacitor, "V").value if check.capacitor else None,
    )
    return CheckOutcome(result, (taken.reading,))


def _compare(check: CompareCheck, acquisition: Acquisition) -> CheckOutcome:
    part = acquisition.reading(check.meter, check.function, f"across {check.part}", f"{check.id}/part")
    acquisition.do(
        "same meter and range, tips across the known resistor, same current", f"{check.id}/to_reference"
    )
    known = acquisition.reading(
        part.reading.instrument or None,
        check.function,
        "across the known one",
        f"{check.id}/reference",
        expect=part.reading.value,
    )
    result = check_compare(
        part,
        known,
        parse_quantity(check.reference, "ohm").value,
        parse_quantity(check.reference_tolerance, "1").value,
        check.parsed_limits()["ratio"],
    )
    return CheckOutcome(result, (part.reading, known.reading))


def _crosscheck(check: CrossCheck, acquisition: Acquisition) -> CheckOutcome:
    taken: list[MeterReading] = []
    for tag in check.meters:
        others = [m.reading.value for m in taken]
        taken.append(
            acquisition.reading(
                tag,
                check.function,
                f"{check.part}",
                f"{check.id}/{tag}",
                expect=others[0] if others else None,
            )
        )
    return CheckOutcome(check_crosscheck(taken), tuple(m.reading for m in taken))


def _reading(check: ReadingCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    name = quantity_name(check.function)
    limits = check.parsed_limits()
    unknown = set(limits) - {name}
    if unknown:
        raise UsageError(
            f"check {check.id} has limits of {', '.join(sorted(unknown))}, but reads {name}",
            hint=f"name them limits.{name}",
        )
    unit = check.function.unit
    expect = parse_quantity(check.expect, unit).value if check.expect else None
    taken = acquisition.reading(check.meter, check.function, name, f"{check.id}/{name}", expect=expect)
    resolved = Resolved(taken, readings=(taken.reading,))
    if expect is not None and not believed(taken, expect, limits.get(name)):
        resolved = look_into(
            acquisition, taken, expect, f"{check.id}/doubt", name, mains_nominal_v=plan.mains_nominal_v
        )
    elif expect is not None:
        acquisition.read_right(taken.reading.instrument)
    judged = resolved.judged
    if check.accuracy is not None:
        judged = MeterReading(judged.reading, parse_accuracy(check.accuracy, "plan"))
    expected = None if expect is None else Uncertain(expect, 0.0, 0.0, unit)
    result = check_reading(
        judged, limits.get(name), expected=expected, hookup=check.hookup, caution=check.caution
    )
    return CheckOutcome(with_doubt(result, resolved), resolved.readings)
