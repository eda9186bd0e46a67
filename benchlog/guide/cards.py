"""Hook-up cards in plain characters: what to set, which jack, which lead where; made from plan and bench file.

A card is text of at most 78 columns, ASCII in its drawing, so that it reads on any terminal and by ear.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

from benchlog.bench import Bench
from benchlog.guide.drawings import across, path
from benchlog.plan import Check
from benchlog.plan.list_kind import InductanceItem, PhaseItem, ReadingItem
from benchlog.plan.meter_kinds import (
    CompareCheck,
    ContinuityCheck,
    CrossCheck,
    IsolationCheck,
    ReadingCheck,
    RectifiedCheck,
    SupplyCheck,
)
from benchlog.plan.scope_kinds import InductanceCheck, RatioCheck
from benchlog.reading import Function
from benchlog.units import parse_nameplate

__all__ = ["Card", "danger_lines", "hookup_card", "item_card", "jack"]

WIDTH = 78

_CURRENT = (Function.AC_CURRENT, Function.DC_CURRENT)
_MAINS = "mains inside the case: leave it closed, fit clips with the plug out, then plug in"
_CHARGED = "the capacitor stays charged: wait, measure, then discharge it through a resistor"
_UNPLUGGED = "unplugged and discharged before ohms; a meter on ohms is damaged by voltage"
_CURRENT_PATH = "meter in series, never across a source; fuse of the current jack: do not exceed it"
_OPEN_SECONDARY = (
    "a current transformer's secondary stays closed by its burden while the primary carries current"
)
_GROUNDS = "both scope grounds on one point: they are joined, and tied to protective earth"


@dataclass(frozen=True, slots=True)
class Card:
    """One hook-up.

    Attributes
    ----------
    settings : tuple of str
        Per instrument: dial, jacks, leads.
    drawing : tuple of str
        Lines of plain ASCII.
    dangers : tuple of str
        What can hurt, and what to do about it.
    """

    settings: tuple[str, ...] = ()
    drawing: tuple[str, ...] = ()
    dangers: tuple[str, ...] = ()

    def lines(self) -> list[str]:
        """Settings, then the drawing, indented and wrapped to the card's width."""
        out = []
        for setting in self.settings:
            out += textwrap.wrap(setting, WIDTH, initial_indent="  ", subsequent_indent="      ")
        if self.drawing:
            out += ["", *(f"    {line}".rstrip() for line in self.drawing), ""]
        return out


def danger_lines(text: str) -> list[str]:
    """Wrap a danger to the card's width, marked by a shape beside any colour."""
    return textwrap.wrap(text, WIDTH, initial_indent="  ! ", subsequent_indent="    ")


def jack(function: Function) -> str:
    """Jack of the red lead for a function; markings as most handheld meters have them (common practice, no source)."""
    return "current jack (A, or mA if surely below its fuse)" if function in _CURRENT else "V/ohm jack"


def hookup_card(check: Check, bench: Bench) -> Card:
    """Return the card of a check.

    Parameters
    ----------
    check : check of a plan
        Any but a list, whose items have cards of their own.
    bench : Bench
        Knows which leads belong to which meter.
    """
    part = check.part
    if isinstance(check, SupplyCheck):
        dc = parse_nameplate(check.nameplate).coupling == "dc"
        function = Function.DC_VOLTS if dc else Function.AC_VOLTS
        drawing = across(f"{part} output", [_name(check.meter)], polarity=dc)
        return Card((_meter(check.meter, function, bench),), drawing, (_MAINS,))
    if isinstance(check, RectifiedCheck):
        meter = _name(check.meter)
        return Card(
            (_meter(check.meter, Function.DC_VOLTS, bench),),
            path("bridge +", ["capacitor"], "bridge -", [f"{meter} red", f"{meter} black"]),
            (_MAINS, _CHARGED),
        )
    if isinstance(check, ContinuityCheck):
        return _continuity(check, bench)
    if isinstance(check, CrossCheck):
        return Card(
            tuple(_meter(tag, check.function, bench) for tag in check.meters),
            across(part, check.meters),
            (_across_danger(check.function),) if check.function.unit == "V" else (_UNPLUGGED,),
        )
    if isinstance(check, ReadingCheck):
        return _one(check.meter, check.function, part, bench)
    if isinstance(check, IsolationCheck):
        meter = _name(check.meter)
        return Card(
            (f"supply: {check.supply} dc", _meter(check.meter, Function.DC_VOLTS, bench)),
            path(
                f"{check.supply} +",
                [f"{part}: one || other", meter],
                f"{check.supply} -",
                ["", f"{meter} red", f"{meter} black"],
            ),
            ("part unplugged; a screen only, no withstand test: it never proves insulation",),
        )
    if isinstance(check, CompareCheck):
        meter = _name(check.meter)
        return Card(
            (_meter(check.meter, check.function, bench), "stay on one range for both readings"),
            path(
                "supply +",
                [part, f"{check.reference} known"],
                "supply -",
                [f"{meter} red (1)", f"{meter} black (1), red (2)", f"{meter} black (2)"],
            ),
            ("small current only: a resistor that warms up drifts",),
        )
    if isinstance(check, RatioCheck):
        return _ratio(check)
    return _inductance(check, check.part) if isinstance(check, InductanceCheck) else Card()


def item_card(item: ReadingItem | PhaseItem | InductanceItem, part: str, bench: Bench) -> Card:
    """Return the card of one item of a list check on a part."""
    if isinstance(item, ReadingItem):
        return _one(item.meter, item.function, part, bench)
    if isinstance(item, PhaseItem):
        return Card(
            (
                f"{item.scope}, DC coupled: {item.primary} on the reference point, {item.secondary} on the other",
                "both clips on one common node",
            ),
            (),
            (_GROUNDS, _OPEN_SECONDARY),
        )
    return _inductance(item, part)


def _one(meter: str | None, function: Function, part: str, bench: Bench) -> Card:
    tag = _name(meter)
    setting = (_meter(meter, function, bench),)
    if function.unit == "degC":
        return Card((f"{tag}: sensor on {part}, pressed on or with paste",))
    if function in _CURRENT:
        drawing = path("source +", [tag, part], "source -", [f"{tag} red", f"{tag} black", ""])
        return Card(setting, drawing, (_CURRENT_PATH,))
    polarity = function in (Function.DC_VOLTS, Function.DIODE)
    danger = _across_danger(function) if function.unit == "V" else _UNPLUGGED
    drawing = across(part, [tag], polarity=polarity, jacks=not _borrowed(meter, bench))
    return Card(setting, drawing, (danger,))


def _continuity(check: ContinuityCheck, bench: Bench) -> Card:
    if not check.four_wire:
        null = ("first the tips shorted: the leads' own resistance is taken off",) if check.lead_null else ()
        setting = (_meter(check.meter, Function.OHMS, bench), *null)
        return Card(setting, across(check.part, [_name(check.meter)]), (_UNPLUGGED,))
    current = check.current or "a known current"
    meter = _name(check.meter)
    return Card(
        (
            f"bench supply: {current} through {check.part}, a few seconds only",
            _meter(check.meter, Function.DC_VOLTS, bench),
        ),
        path(
            "supply +",
            ["", check.part, ""],
            "supply -",
            ["current clip", f"{meter} red, inside", f"{meter} black, inside", "current clip"],
        ),
        (_UNPLUGGED,),
    )


def _ratio(check: RatioCheck) -> Card:
    drive = " ".join(t for t in (check.frequency, check.amplitude) if t)
    generator = check.generator or "generator"
    divider = f" through the {check.divider} divider" if check.divider else ""
    turns = f"{check.loop_turns} turn{'s' if check.loop_turns != 1 else ''}"
    settings = (
        f"{generator}: {drive or 'as the run chooses'}, on the {check.expect}-turn winding",
        f"{check.scope}, DC coupled: {check.secondary} across the winding{divider}",
        f"{check.scope}: {check.primary} on a separate loop of {turns}, its leads twisted",
    )
    if check.opposed_turns is not None:
        opposed = f"{check.opposed_turns} temporary turns in series opposition with the winding"
        return Card((*settings, opposed), (), (_GROUNDS,))
    drawing = path(
        f"{generator} hot",
        [f"{check.part}, {check.expect} turns"],
        f"{generator} gnd",
        [f"{check.secondary} tip{divider}", "both clips, one end of the loop"],
    )
    return Card(settings, (*drawing, f"other end of the loop ---> {check.primary} tip"), (_GROUNDS,))


def _inductance(check: InductanceCheck | InductanceItem, part: str) -> Card:
    generator = check.generator or "generator"
    drive = " ".join(t for t in (check.frequency, check.amplitude) if t)
    return Card(
        (
            f"{generator}: {drive}, floating: its ground only where the scope's is",
            f"{check.scope}: {check.across} across {part}, {check.resistor_channel} across {check.resistor}",
        ),
        path(
            f"{generator} hot",
            [part, check.resistor],
            f"{generator} gnd",
            [f"{check.across} tip", "both clips", f"{check.resistor_channel} tip"],
        ),
        (_GROUNDS,),
    )


def _borrowed(meter: str | None, bench: Bench) -> bool:
    """Whether an instrument is another than those of the bench file, so that its jacks are not known."""
    return meter is not None and bool(bench.instruments) and meter not in bench.instruments


def _name(meter: str | None) -> str:
    return meter or "meter"


def _meter(meter: str | None, function: Function, bench: Bench) -> str:
    """Dial and jacks of a meter, with its leads and category where the bench file knows them."""
    if _borrowed(meter, bench):
        return f"{meter} (not in the bench file): set to {_dial(function)}, leads as its own instructions say"
    instrument = bench.instruments.get(meter or "")
    leads = f", leads {instrument.leads}" if instrument and instrument.leads else ""
    category = f", {instrument.category}" if instrument and instrument.category else ""
    off = "" if instrument and instrument.linked else "; hold and relative off"
    return f"{_name(meter)}: dial {_dial(function)}; red {jack(function)}, black COM{leads}{category}{off}"


def _dial(function: Function) -> str:
    return {
        Function.OHMS: "ohms",
        Function.FOUR_WIRE_OHMS: "four-wire ohms",
        Function.FREQUENCY: "Hz",
        Function.CAPACITANCE: "capacitance",
        Function.TEMPERATURE: "temperature",
    }.get(function, str(function))


def _across_danger(function: Function) -> str:
    if function is Function.DIODE:
        return _UNPLUGGED
    return "clips fitted dead, power on, read, power off; treat the node as live"
