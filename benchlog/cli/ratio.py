"""Check a turns ratio, from a two-channel capture or live with scope and generator. The generator drives the winding of N
turns, here called the secondary; the primary is a separate sense loop of K turns, usually one.

One channel is across the ends of each. The ratio is K times secondary over primary.

Examples:
  benchlog ratio --capture ct1.csv --swapped ct1_swapped.csv \\
      --primary CH1 --secondary CH2 --expect 60
  benchlog ratio --capture ct1.csv --swapped ct1_swapped.csv \\
      --primary B --secondary A --expect 60 \\
      --divider 60:1 --divider-tolerance "0.2 %"
  benchlog ratio --capture a.csv --capture b.csv --primary b --secondary a \\
      --expect 60 --loop-turns 10
  benchlog ratio --scope SC-03 --generator SG-04 --primary CH1 --secondary CH2 \\
      --expect 60 --al "61 uH" --area "37.5 mm2" --saturation "1 T"

To swap, move each probe with its channel to the other place: in the second capture (--swapped) the channel named by
--primary is on the winding. That cancels both channels' gain errors. For current injection give --burden and
--current-resistor: the primary channel is across the resistor in the primary current, the secondary across the burden.
With --opposed-turns M the secondary channel sees the winding in series with M temporary turns that oppose it.

With --generator and no --capture the run is live: it chooses frequency, level and ranges from --al, proves that the
ratio is flat over 3:1 in frequency and level, sweeps it and fits a model, and asks you to swap the probes.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

import msgspec

from benchlog.cli.from_captures import (
    add_capture_options,
    gains,
    number,
    prior,
    probes,
    read_captures,
    whole_turns,
)
from benchlog.clock import rfc3339
from benchlog.errors import UsageError
from benchlog.quantity_text import Divider
from benchlog.units import parse_share

if TYPE_CHECKING:
    from benchlog.capture import Capture
    from benchlog.checks.ratio_model import Injection, RatioSetup, Winding
    from benchlog.cli.context import Context
    from benchlog.result import Result


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--capture",
        metavar="FILE",
        action="append",
        help="capture; repeat if each channel has its own file",
    )
    parser.add_argument(
        "--swapped", metavar="FILE", action="append", help="second capture with probes and channels swapped"
    )
    parser.add_argument("--primary", metavar="CH", required=True, help="channel on the separate sense loop")
    parser.add_argument(
        "--secondary", metavar="CH", required=True, help="channel on the winding that the generator drives"
    )
    parser.add_argument("--expect", metavar="N", required=True, help="turns that the winding should have")
    parser.add_argument(
        "--tolerance",
        metavar="TEXT",
        help="± limits about N, e.g. '0.5 %%' (default half a turn if N is a whole number)",
    )
    parser.add_argument("--part", metavar="TAG", default="", help="tag of the part, for the record")
    hookup = parser.add_argument_group("sense loop, divider, opposed turns, prior")
    hookup.add_argument(
        "--prior",
        metavar="TEXT",
        help="share of such windings that have the planned turns (default 92 %%)",
    )
    hookup.add_argument(
        "--loop-turns",
        metavar="K",
        default="1",
        help="turns of the sense loop, or primary passes (default 1)",
    )
    hookup.add_argument(
        "--divider",
        metavar="100:1",
        help="known divider before the secondary channel, so that both channels use one range",
    )
    hookup.add_argument(
        "--divider-tolerance",
        metavar="TEXT",
        help="its error, ±: two resistors of 0.1 %% make 0.2 %% (default: 2 %% is assumed, two 1 %% resistors)",
    )
    hookup.add_argument(
        "--opposed-turns",
        metavar="M",
        help="turns of a temporary winding in series opposition, below 40 turns; the secondary channel sees both",
    )
    add_capture_options(parser.add_argument_group("capture file and scope"))
    live = parser.add_argument_group("live, without --capture")
    live.add_argument("--generator", metavar="ID", help="generator of the bench file, on the winding")
    live.add_argument(
        "--frequency", metavar="TEXT", help="drive frequency (default: from AL, turns and flux limit)"
    )
    live.add_argument(
        "--amplitude", metavar="TEXT", default="10 V", help="highest level, peak to peak (default 10 V)"
    )
    live.add_argument("--area", metavar="TEXT", help="core area for the flux limit, e.g. '37.5 mm2'")
    live.add_argument("--saturation", metavar="TEXT", help="saturation for the flux limit, e.g. '1 T'")
    live.add_argument(
        "--sweep", metavar="POINTS", help="points of the sweep, 5 to 61 (default 13), or 0 for none"
    )
    live.add_argument("--no-swap", action="store_true", help="don't ask to swap probes and channels")
    known = parser.add_argument_group("winding data for a correction")
    known.add_argument("--al", metavar="TEXT", help="inductance of one turn, e.g. '61 uH'")
    known.add_argument("--winding-resistance", metavar="TEXT", help="e.g. '201 mohm'")
    known.add_argument(
        "--leakage", metavar="TEXT", help="leakage inductance seen from the winding, e.g. '5 uH'"
    )
    known.add_argument(
        "--generator-resistance", metavar="TEXT", default="50 ohm", help="of the generator (default 50 ohm)"
    )
    injection = parser.add_argument_group("current injection")
    injection.add_argument("--burden", metavar="TEXT", help="burden across the winding, e.g. '10 ohm'")
    injection.add_argument("--burden-tolerance", metavar="TEXT", default="0.1 %", help="default 0.1 %%")
    injection.add_argument(
        "--current-resistor", metavar="TEXT", help="resistor in the primary current, e.g. '1 ohm'"
    )
    injection.add_argument(
        "--current-resistor-tolerance", metavar="TEXT", default="0.1 %", help="default 0.1 %%"
    )
    injection.add_argument(
        "--rated-current",
        metavar="TEXT",
        help="share of rated primary current, e.g. '100 %%'; adds errors and class (IEC 61869-2)",
    )


def run(args: argparse.Namespace, ctx: Context) -> int:
    if not args.capture and not args.generator:
        raise UsageError(
            "give a capture, or a generator for a live run",
            hint="--capture FILE, or --scope SC-03 --generator SG-04 --al '61 uH' for a live run",
        )
    if args.capture and args.generator:
        raise UsageError("--capture and --generator can't be used together", hint="leave one of them out")
    expected = number(args.expect, "1", "expected turns", example="60")
    assert expected is not None
    if args.generator:
        from benchlog.cli.ratio_live import measure_live

        result, captures = measure_live(args, ctx, _setup(args, ctx), expected)
    else:
        result, captures = _from_files(args, ctx, expected)
    result = msgspec.structs.replace(
        result, part=args.part, limits_set="typed", time=rfc3339(ctx.clock.utc_ns())
    )
    from benchlog.cli.thumbnail import Waveforms

    frequency = result.quantities["frequency"].value if "frequency" in result.quantities else None
    waveforms = Waveforms(captures[0], (args.primary, args.secondary), frequency)
    return ctx.emit(result, captures=captures, waveforms=waveforms)


def _from_files(args: argparse.Namespace, ctx: Context, expected: float) -> tuple[Result, list[Capture]]:
    from benchlog.checks.turns_ratio import check_turns_ratio

    rated = number(args.rated_current, "1", "part of rated current")
    captures = [read_captures(ctx, args, args.capture)]
    if args.swapped:
        captures.append(read_captures(ctx, args, args.swapped))
    result = check_turns_ratio(
        captures[0],
        _setup(args, ctx),
        expected_turns=expected,
        tolerance=None if args.tolerance is None else parse_share(args.tolerance, "tolerance"),
        swapped=captures[1] if args.swapped else None,
        prior=prior(args),
        rated_current_percent=None if rated is None else rated * 100,
    )
    return result, captures


def _setup(args: argparse.Namespace, ctx: Context) -> RatioSetup:
    from benchlog.checks.turns_ratio import RatioSetup

    gain, between = gains(ctx, args)
    return RatioSetup(
        primary=args.primary,
        secondary=args.secondary,
        loop_turns=whole_turns(args.loop_turns, "--loop-turns"),
        gain_accuracy=gain,
        range_gain=between,
        probes=probes(args),
        divider=Divider(args.divider).value if args.divider else None,
        divider_tolerance=None
        if args.divider_tolerance is None
        else parse_share(args.divider_tolerance, "divider tolerance"),
        winding=_winding(args),
        injection=_injection(args),
        generator_ohm=number(args.generator_resistance, "ohm", "generator resistance") or 0.0,
        opposed_turns=whole_turns(args.opposed_turns, "--opposed-turns") if args.opposed_turns else None,
    )


def _winding(args: argparse.Namespace) -> Winding | None:
    from benchlog.checks.turns_ratio import Winding

    al = number(args.al, "H", "AL")
    resistance = number(args.winding_resistance, "ohm", "winding resistance")
    leakage = number(args.leakage, "H", "leakage")
    if al is None:
        if resistance is not None or leakage is not None:
            raise UsageError(
                "winding resistance and leakage can only be corrected with the core's AL", hint="--al '61 uH'"
            )
        return None
    return Winding(al, resistance, leakage)


def _injection(args: argparse.Namespace) -> Injection | None:
    from benchlog.checks.turns_ratio import Injection

    burden = number(args.burden, "ohm", "burden")
    shunt = number(args.current_resistor, "ohm", "current resistor")
    if burden is None and shunt is None:
        return None
    if burden is None or shunt is None:
        raise UsageError(
            "a current injection needs both the burden and the resistor in the primary current",
            hint='--burden "10 ohm" --current-resistor "1 ohm"',
        )
    return Injection(
        burden,
        shunt,
        parse_share(args.burden_tolerance, "burden tolerance"),
        parse_share(args.current_resistor_tolerance, "current resistor tolerance"),
    )
