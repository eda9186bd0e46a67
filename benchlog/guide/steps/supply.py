"""Guided supply check: mains, no-load reading, diagnosis where it looks wrong, load point."""

from __future__ import annotations

from collections.abc import Mapping

from benchlog.checks.mains import PLUG_IN_MONITOR, Mains
from benchlog.checks.supply import LoadPoint, check_supply
from benchlog.checks.supply_model import Expected, expected_supply
from benchlog.errors import UsageError
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.guide.doubt import Resolved, look_into, with_diagnosis
from benchlog.guide.person import Prompt
from benchlog.number_format import format_quantity
from benchlog.plan import Plan
from benchlog.plan.meter_kinds import RectifiedCheck, SupplyCheck
from benchlog.quantity_text import value_of
from benchlog.reading import Function
from benchlog.result import Limits
from benchlog.units import parse_quantity

#: A mains reading farther from its nominal value is a slip; common practice, no source.
MAINS_SPAN = 0.25


def expectation(check: SupplyCheck, plan: Plan) -> str:
    """The no-load voltage expected from the nameplate."""
    mains = _mains(check, str(check.mains), plan.mains_nominal_v) if check.mains else None
    expected = expected_supply(check.nameplate.value, mains, check.tolerance.value)
    when = "" if mains else " at nominal mains"
    return f"no-load {format_quantity(expected.no_load_v, 'V')}{when}"


def limits(check: SupplyCheck, plan: Plan) -> Mapping[str, Limits]:
    """Limits of the plan; computed ones only if the plan states the mains voltage they depend on."""
    if check.mains is None:
        return check.parsed_limits()
    return _limits(check, _mains(check, str(check.mains), plan.mains_nominal_v))


def _limits(check: SupplyCheck, mains: Mains | None) -> Mapping[str, Limits]:
    """Limits at the present mains voltage, as `check_supply` uses them."""
    expected = expected_supply(check.nameplate.value, mains, check.tolerance.value)
    load = expected.load_limits() if check.load is not None else {}
    return {"no_load_voltage": expected.no_load_limits(), **load, **check.parsed_limits()}


def measure(check: SupplyCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do a supply check with a person."""
    nameplate = check.nameplate.value
    mains = ask_mains(check, acquisition, plan.mains_nominal_v)
    function = Function.DC_VOLTS if nameplate.coupling == "dc" else Function.AC_VOLTS
    planned = check.parsed_limits()
    tolerance = check.tolerance.value
    expected = expected_supply(nameplate, mains, tolerance)
    if check.mains is None:  # the limits are known only now
        acquisition.check.fix_limits(
            f"no-load {format_quantity(expected.no_load_v, 'V')}", _limits(check, mains)
        )
    no_load = acquisition.reading(
        check.meter, function, "no-load voltage", f"{check.id}/no_load", expect=expected.no_load_v
    )
    resolved = Resolved(no_load, readings=(no_load.reading,))
    if no_load.reading.value is None or not expected.low_v <= no_load.value <= expected.high_v:
        resolved = look_into(
            acquisition,
            no_load,
            expected.no_load_v,
            f"{check.id}/doubt",
            "no-load voltage",
            mains_nominal_v=plan.mains_nominal_v,
        )
        no_load = resolved.judged
    else:
        acquisition.read_right(no_load.reading.instrument)
    readings = list(resolved.readings)
    load: LoadPoint | None = None
    if check.load is not None:
        resistance = check.load.value
        acquisition.do(
            f"power off, connect {check.load}, power on; read within 10 s: the load gets hot",
            f"{check.id}/load",
        )
        loaded = acquisition.reading(
            no_load.reading.instrument or None,
            function,
            "loaded voltage",
            f"{check.id}/loaded",
            expect=_loaded_v(expected, no_load.value, resistance),
        )
        acquisition.do("power off, unplug it, then take the load off (hot)", f"{check.id}/unload")
        acquisition.energised = ""
        readings.append(loaded.reading)
        load = LoadPoint(resistance, loaded, check.load_tolerance.value)
    result = check_supply(
        nameplate,
        no_load,
        mains=mains,
        second=resolved.second,
        load=load,
        capacitor_v=value_of(check.capacitor),
        tolerance=tolerance,
        limits=planned or None,
    )
    return CheckOutcome(with_diagnosis(result, resolved), tuple(readings))


def _loaded_v(expected: Expected, open_v: float, load_ohm: float) -> float:
    """Expected voltage across the load, from the typical source resistance of the rating."""
    return open_v * load_ohm / (load_ohm + (expected.source_ohm or 0.0))


def _mains(check: SupplyCheck | RectifiedCheck, text: str, nominal_v: float | None) -> Mains:
    """Mains as shown, with the plan's accuracy."""
    return Mains.typed(text, nominal_v, value_of(check.mains_accuracy) or PLUG_IN_MONITOR)


def ask_mains(
    check: SupplyCheck | RectifiedCheck, acquisition: Acquisition, nominal_v: float | None
) -> Mains | None:
    """Present mains voltage: from the plan, else asked for; None if not known."""
    if check.mains is not None:
        return _mains(check, str(check.mains), nominal_v)
    question = "mains voltage now, on a plug-in monitor?"
    while True:
        text = acquisition.ask(Prompt("quantity", question, f"{check.id}/mains", function=Function.AC_VOLTS))
        if not text:
            return None
        try:
            try:
                volt = parse_quantity(text, "V", what="mains").value
            except UsageError as error:
                raise UsageError(str(error), hint=f"write it like '{nominal_v or 230:g} V'") from None
            if nominal_v is not None and abs(volt / nominal_v - 1) > MAINS_SPAN:
                raise UsageError(
                    f"mains of {volt:g} V, but {nominal_v:g} V is nominal",
                    hint="read the monitor again, or leave it empty",
                )
            return _mains(check, text, nominal_v)
        except UsageError as error:
            acquisition.person.show(f"  {error}; {error.hint}")
