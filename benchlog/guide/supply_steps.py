"""Guided supply check: mains, no-load reading, diagnosis where it looks wrong, load point."""

from __future__ import annotations

import msgspec

from benchlog.checks.metered import Metered
from benchlog.checks.supply import LoadPoint, check_supply
from benchlog.checks.supply_model import expected_supply
from benchlog.errors import UsageError
from benchlog.guide.doubt import Doubt, diagnose_with
from benchlog.guide.hands import Hands
from benchlog.guide.measured import Measured
from benchlog.guide.person import Prompt
from benchlog.plan import Plan, RectifiedCheck, SupplyCheck
from benchlog.reading import Function, Reading
from benchlog.units import format_quantity, parse_nameplate, parse_quantity

__all__ = ["ask_mains", "measure_supply"]


def measure_supply(check: SupplyCheck, plan: Plan, hands: Hands) -> Measured:
    """Do a supply check with a person."""
    nameplate = parse_nameplate(check.nameplate)
    mains = ask_mains(check, hands)
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
    if not doubt.decided or doubt.family in ("lead", "setting", "supply", "none"):
        what = f"put that right ({doubt.in_words()})" if doubt.decided else "not decided: set all up afresh"
        hands.do(f"{what}, then {tag} on the same points, {function}", f"{key}/mended")
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


def ask_mains(check: SupplyCheck | RectifiedCheck, hands: Hands) -> float | None:
    """Mains voltage of the moment, volt: from the plan, else asked; None when not known."""
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
