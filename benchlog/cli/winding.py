"""Plan a toroid winding: wire to cut, turns per layer, resistance, inductance, corner, droop, saturation.

Examples:
  benchlog winding --core 25x15x10 --turns 60 --wire "AWG 24" \\
      --coating "0.5 mm" --leads "300 mm"
  benchlog winding --core 25x15x10 --turns 60 --wire "AWG 24" \\
      --one-turn "34.6 mm" --al "61 uH" --burden "10 ohm" --current "12.6 A" \\
      --frequency "50 Hz" --area "37.5 mm2" --saturation "1.2 T" --card ct1.html

Give the core as outer diameter x inner diameter x height in mm. Nothing is measured or recorded.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from benchlog.cli.from_captures import number, whole_turns
from benchlog.clock import rfc3339
from benchlog.errors import UsageError
from benchlog.units import parse_quantity, parse_share

if TYPE_CHECKING:
    from rich.console import Console

    from benchlog.checks.winding_plan import SecondStage, Service, ToroidDesign
    from benchlog.cli.context import Context
    from benchlog.result import Result


#: A screen narrower than this has no room for a table with its notes.
_TABLE_COLUMNS = 76


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--core", metavar="ODxIDxH", required=True, help="core in mm, e.g. 25x15x10")
    parser.add_argument("--turns", metavar="N", required=True, help="turns to wind")
    parser.add_argument(
        "--wire", metavar="TEXT", required=True, help="copper wire: 'AWG 24', 'SWG 22' or '0.5 mm'"
    )
    parser.add_argument(
        "--coating", metavar="TEXT", default="0 mm", help="thickness on the core (default 0 mm)"
    )
    parser.add_argument(
        "--leads", metavar="TEXT", default="150 mm", help="length of each lead (default 150 mm)"
    )
    parser.add_argument("--one-turn", metavar="TEXT", help="one measured turn (wind five, divide by five)")
    parser.add_argument("--card", metavar="FILE.html", help="write a one-page winding card for the bench")
    wire = parser.add_argument_group("wire in detail, and the part")
    wire.add_argument(
        "--over-enamel",
        metavar="TEXT",
        help="diameter over the enamel (default: the most that grade 2 allows)",
    )
    wire.add_argument(
        "--slack", metavar="TEXT", help="added to the wire (default 3 %% by hand, 0 with --one-turn)"
    )
    wire.add_argument("--part", metavar="TAG", default="", help="tag of the part, for the card")
    wire.add_argument(
        "--temperature", metavar="TEXT", default="20 degC", help="of the copper (default 20 degC)"
    )
    service = parser.add_argument_group("operating conditions")
    service.add_argument("--al", metavar="TEXT", help="inductance of one turn, e.g. '61 uH'")
    service.add_argument(
        "--al-tolerance", metavar="TEXT", default="25 %", help="of a data-sheet AL (default 25 %%)"
    )
    service.add_argument("--burden", metavar="TEXT", help="e.g. '10 ohm'")
    service.add_argument("--current", metavar="TEXT", help="primary current, rms, e.g. '12.6 A'")
    service.add_argument("--passes", metavar="K", default="1", help="primary turns (default 1)")
    service.add_argument("--frequency", metavar="TEXT", help="e.g. '50 Hz'")
    service.add_argument(
        "--pulse", metavar="TEXT", help="length of a flat pulse, for the droop (default half a period)"
    )
    service.add_argument("--area", metavar="TEXT", help="magnetic cross-section (default: solid core)")
    service.add_argument(
        "--saturation", metavar="TEXT", help="highest flux density of the core, e.g. '1.2 T'"
    )
    second = parser.add_argument_group(
        "a second stage: this secondary passes through its core, and the burden is on it"
    )
    second.add_argument("--second-turns", metavar="N", help="its turns")
    second.add_argument(
        "--second-al", metavar="TEXT", help="inductance of one turn of its core (default: the same)"
    )
    second.add_argument("--second-resistance", metavar="TEXT", default="0 ohm", help="of its winding")
    second.add_argument(
        "--loop-resistance", metavar="TEXT", default="0 ohm", help="of the lead between the two"
    )


def run(args: argparse.Namespace, ctx: Context) -> int:
    from benchlog.checks.winding_plan import plan_toroid

    design, service = _design(args), _service(args)
    result = plan_toroid(design, service)
    result = msgspec.structs.replace(
        result, part=args.part, limits_set="typed", time=rfc3339(ctx.clock.utc_ns())
    )
    if args.card:
        from benchlog.cli.winding_card import render_card
        from benchlog.files import write_page

        write_page(Path(args.card), render_card(result, design))
    if ctx.json:
        ctx.print_json(result.to_json())
    else:
        _show(ctx.console, result, design)
        if args.card:
            ctx.console.print(f"  card written to {args.card}", style="dim", markup=False)
    return result.overall.exit_code


def _design(args: argparse.Namespace) -> ToroidDesign:
    from benchlog.checks.winding_plan import ToroidDesign
    from benchlog.magnetics.core import parse_core
    from benchlog.magnetics.wire import parse_wire

    number(
        args.one_turn, "m", "one turn", above_zero=True, example="34.6 mm"
    )  # which refuses what has no unit
    one_turn = parse_quantity(args.one_turn, "m", what="one turn") if args.one_turn else None
    return ToroidDesign(
        core=parse_core(args.core, coating_m=number(args.coating, "m", "coating") or 0.0),
        wire=parse_wire(args.wire, enamelled_m=number(args.over_enamel, "m", "diameter over enamel")),
        turns=whole_turns(args.turns, "--turns"),
        lead_m=number(args.leads, "m", "leads") or 0.0,
        one_turn_m=one_turn.value if one_turn else None,
        # A turn typed to 0.1 mm was measured over five turns; its last digit is uncertain by at least 0.2 mm.
        one_turn_half_width_m=max(0.2e-3, one_turn.resolution) if one_turn else 0.0,
        slack=None if args.slack is None else parse_share(args.slack, "slack"),
        temperature_degc=parse_quantity(args.temperature, "degC", what="temperature").value,
    )


def _service(args: argparse.Namespace) -> Service:
    from benchlog.checks.winding_plan import Service

    needs_al = {"--burden": args.burden, "--current": args.current, "--pulse": args.pulse}
    without = [option for option, text in needs_al.items() if text is not None]
    if args.al is None and without:
        raise UsageError(f"{without[0]} needs the core's AL", hint="--al '61 uH'")
    tolerance = parse_share(args.al_tolerance, "AL tolerance")
    if not 0 <= tolerance < 1:
        raise UsageError(
            f"an AL tolerance of {args.al_tolerance!r} is impossible", hint="--al-tolerance '25 %'"
        )
    return Service(
        al_h=number(args.al, "H", "AL"),
        al_tolerance=tolerance,
        burden_ohm=number(args.burden, "ohm", "burden"),
        current_a=number(args.current, "A", "current"),
        frequency_hz=number(args.frequency, "Hz", "frequency"),
        pulse_s=number(args.pulse, "s", "pulse"),
        area_m2=number(args.area, "m2", "area"),
        saturation_t=number(args.saturation, "T", "saturation"),
        passes=whole_turns(args.passes, "--passes"),
        second=_second(args),
    )


def _second(args: argparse.Namespace) -> SecondStage | None:
    from benchlog.checks.winding_plan import SecondStage

    if args.second_turns is None:
        return None
    return SecondStage(
        turns=whole_turns(args.second_turns, "--second-turns"),
        al_h=number(args.second_al or args.al, "H", "AL of the second core") or 0.0,
        winding_ohm=number(args.second_resistance, "ohm", "second winding's resistance") or 0.0,
        lead_ohm=number(args.loop_resistance, "ohm", "loop resistance") or 0.0,
    )


def _show(console: Console, result: Result, design: ToroidDesign) -> None:
    from rich.table import Table

    from benchlog.cli.show import mark, show_line
    from benchlog.cli.winding_card import facts

    title = "winding plan" + (f", {result.part}" if result.part else "")
    show_line(console, mark(result.overall), "  ", (title, "bold"), "  ", result.reason, indent=0, hang=2)
    lines = facts(result, design)
    if console.width < _TABLE_COLUMNS:
        for fact in lines:
            show_line(
                console, f"{fact.name}: {fact.value}", (f" ({fact.note})" if fact.note else "", "dim"), hang=2
            )
    else:
        table = Table(box=None, padding=(0, 2, 0, 2), show_header=False)
        table.add_column("what", style="dim")
        table.add_column("value", justify="right")
        table.add_column("note")
        for fact in lines:
            table.add_row(fact.name, fact.value, fact.note)
        console.print(table)
    for check in result.design_checks:
        show_line(console, mark(check.verdict), f"  {check.name.replace('_', ' ')}: {check.reason}", hang=2)
    for finding in result.findings:
        show_line(console, f"- {finding}", hang=2)
    for caution in result.cautions:
        show_line(console, (f"! {caution}", "bold"), hang=2)
