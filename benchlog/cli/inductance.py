"""Measure inductance, and that of one turn (AL), with a series resistor; count turns; compare cores.

Examples:
  benchlog inductance --capture ct1.csv --across A --resistor-channel B \\
      --resistor "1 kohm" --turns 60 --al "61 uH"
  benchlog inductance --capture ct1.csv --across A --resistor-channel B \\
      --resistor "1 kohm" --turns 60 \\
      --test-capture ten_turns.csv --test-turns 10 --test-resistor "33 ohm"
  benchlog inductance --compare K1=k1.csv --compare K2=k2.csv --across A \\
      --resistor-channel B --resistor "100 ohm"

Winding and resistor are in series; choose a resistor of about the winding's reactance. With --node, channel --across
is on the generator's end and sees both. A shorted turn shows here, not in the resistance.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

import msgspec

from benchlog.cli.context import keyed
from benchlog.cli.from_captures import add_capture_options, gains, number, probes, read_captures, whole_turns
from benchlog.clock import rfc3339
from benchlog.errors import UsageError
from benchlog.units import parse_share

if TYPE_CHECKING:
    from benchlog.capture import Capture
    from benchlog.checks.inductance import SeriesSetup, TestWinding
    from benchlog.cli.context import Context
    from benchlog.result import Result


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--capture", metavar="FILE", action="append", help="capture; repeat if each channel has its own file"
    )
    parser.add_argument(
        "--swapped", metavar="FILE", action="append", help="second capture with probes and channels swapped"
    )
    parser.add_argument("--across", metavar="CH", required=True, help="channel across the winding")
    parser.add_argument("--resistor-channel", metavar="CH", required=True, help="channel across the resistor")
    parser.add_argument("--resistor", metavar="TEXT", required=True, help="series resistor, e.g. '1 kohm'")
    parser.add_argument("--turns", metavar="N", help="turns of the winding; gives AL")
    parser.add_argument("--al", metavar="TEXT", help="inductance of one turn, e.g. '61 uH'; gives limits")
    parser.add_argument("--part", metavar="TAG", default="", help="tag of the part, for the record")
    detail = parser.add_argument_group("limits and hook-up in detail")
    detail.add_argument(
        "--tolerance",
        metavar="TEXT",
        default="25 %",
        help="± of those limits (default 25 %%, for a data-sheet AL; use 5 %% for an AL measured on this core)",
    )
    detail.add_argument("--area", metavar="TEXT", help="core area, e.g. '37.5 mm2'; gives the flux density")
    detail.add_argument(
        "--resistor-tolerance", metavar="TEXT", default="1 %", help="its error, ± (default 1 %%)"
    )
    detail.add_argument(
        "--node",
        action="store_true",
        help="--across sees winding and resistor together, not the winding alone",
    )
    add_capture_options(parser.add_argument_group("capture file and scope"))
    count = parser.add_argument_group("independent count of the turns")
    count.add_argument(
        "--test-capture",
        metavar="FILE",
        action="append",
        help="same measurement on a K-turn winding on this core",
    )
    count.add_argument("--test-turns", metavar="K", help="its turns")
    count.add_argument("--test-resistor", metavar="TEXT", help="its series resistor, if different")
    compare = parser.add_argument_group("comparison of cores with equal windings")
    compare.add_argument(
        "--compare", metavar="CORE=FILE", action="append", help="capture of a core; repeat for each core"
    )
    compare.add_argument(
        "--compare-higher", metavar="CORE=FILE", action="append", help="the same at three times the level"
    )


def run(args: argparse.Namespace, ctx: Context) -> int:
    if bool(args.capture) == bool(args.compare):
        raise UsageError(
            "one of --capture and --compare is needed", hint="--capture ct1.csv, or --compare K1=k1.csv ..."
        )
    result, captures = (_compare if args.compare else _measure)(args, ctx)
    result = msgspec.structs.replace(
        result, part=args.part, limits_set="typed", time=rfc3339(ctx.clock.utc_ns())
    )
    if args.compare:
        return ctx.emit(result, captures=captures)
    from benchlog.cli.thumbnail import Waveforms

    channels = (args.across, args.resistor_channel)
    waveforms = Waveforms(captures[0], channels, result.quantities["frequency"].value)
    return ctx.emit(result, captures=captures, waveforms=waveforms)


def _setup(args: argparse.Namespace, ctx: Context) -> SeriesSetup:
    from benchlog.checks.inductance import SeriesSetup

    gain, between = gains(ctx, args)
    return SeriesSetup(
        across=args.across,
        resistor_channel=args.resistor_channel,
        resistor_ohm=number(args.resistor, "ohm", "resistor") or 0.0,
        resistor_tolerance=parse_share(args.resistor_tolerance, "resistor tolerance"),
        node=args.node,
        gain_accuracy=gain,
        range_gain=between,
        probes=probes(args),
        area_m2=number(args.area, "m2", "area"),
    )


def _measure(args: argparse.Namespace, ctx: Context) -> tuple[Result, list[Capture]]:
    from benchlog.checks.inductance import check_inductance

    captures: list[Capture] = [read_captures(ctx, args, args.capture)]
    swapped = read_captures(ctx, args, args.swapped) if args.swapped else None
    test = _test_winding(args, ctx)
    captures += [c for c in (swapped, test.capture if test else None) if c is not None]
    result = check_inductance(
        captures[0],
        _setup(args, ctx),
        turns=whole_turns(args.turns, "--turns") if args.turns is not None else None,
        al_h=number(args.al, "H", "AL"),
        tolerance=parse_share(args.tolerance, "tolerance"),
        swapped=swapped,
        test_winding=test,
    )
    return result, captures


def _test_winding(args: argparse.Namespace, ctx: Context) -> TestWinding | None:
    from benchlog.checks.inductance import TestWinding

    if args.test_capture is None and args.test_turns is None:
        return None
    if args.test_capture is None or args.test_turns is None:
        raise UsageError(
            "--test-capture and --test-turns go together", hint="--test-capture k.csv --test-turns 10"
        )
    return TestWinding(
        read_captures(ctx, args, args.test_capture),
        whole_turns(args.test_turns, "--test-turns"),
        number(args.test_resistor, "ohm", "test resistor"),
    )


def _compare(args: argparse.Namespace, ctx: Context) -> tuple[Result, list[Capture]]:
    from benchlog.checks.core_set import check_core_set

    usual, higher = (
        {core: read_captures(ctx, args, [path]) for core, path in keyed(files, option, "K1=k1.csv").items()}
        for files, option in ((args.compare, "--compare"), (args.compare_higher, "--compare-higher"))
    )
    result = check_core_set(
        usual,
        _setup(args, ctx),
        turns=whole_turns(args.turns, "--turns") if args.turns is not None else None,
        at_higher_level=higher,
    )
    return result, [*usual.values(), *higher.values()]
