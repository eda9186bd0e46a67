"""Options for and reading of capture files, for commands that measure with two scope channels."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from benchlog.cli.context import keyed
from benchlog.errors import UsageError
from benchlog.units import is_bare, parse_number, parse_quantity, parse_share

if TYPE_CHECKING:
    from benchlog.capture import Capture
    from benchlog.cli.context import Context

#: Units that are never meant without a prefix, and what is meant instead.
_WITH_PREFIX = {"H": "uH", "m": "mm", "m2": "mm2"}
#: Options that name a channel of a capture.
_CHANNELS = ("primary", "secondary", "channel", "across", "resistor_channel")


def add_capture_options(parser: argparse._ActionsContainer, *, ranges: bool = True) -> None:
    """Add the options for reading a capture file and for the accuracy of its channels.

    Without `ranges` the option for gain errors between ranges is left out: only one channel is measured.
    """
    parser.add_argument(
        "--sample-interval",
        metavar="TEXT",
        help="time between samples, if the file does not contain it, e.g. '1 us'",
    )
    parser.add_argument("--columns", metavar="A,B", help="names of the columns, if the file has none")
    parser.add_argument(
        "--probe", metavar="CH=10", action="append", help="probe factor of a channel; repeat for each channel"
    )
    parser.add_argument(
        "--gain-accuracy",
        metavar="TEXT",
        help="channel gain error, ±, probe included (default from the bench file, else 3 %%)",
    )
    if ranges:
        parser.add_argument(
            "--range-gain",
            metavar="TEXT",
            help="gain error between two ranges, ± (default from the bench file, else 0.5 %%)",
        )
    else:
        parser.set_defaults(range_gain=None)
    parser.add_argument("--scope", metavar="ID", help="scope of the bench file that took the capture")


def number(
    text: str | None, unit: str, what: str, *, example: str = "", above_zero: bool = False
) -> float | None:
    """Read an optional quantity in its SI unit; `example` is shown in the hint."""
    if text is None:
        return None
    found = parse_quantity(text, unit, what=what, above_zero=above_zero, example=example)
    if found.value and unit in _WITH_PREFIX and is_bare(text):
        raise UsageError(f"{what} {text!r} has no unit", hint=f"write it like '{text} {_WITH_PREFIX[unit]}'")
    return found.value


def whole_turns(text: str | int, what: str) -> int:
    """Read a whole number of turns from 1."""
    try:
        turns = int(str(text).strip())
    except ValueError:
        turns = 0
    if turns < 1:
        raise UsageError(f"{what} {text!r} is not a whole number of turns", hint=f"write it like {what} 60")
    return turns


def scope_tag(ctx: Context, args: argparse.Namespace) -> str:
    """Tag of the scope: --scope, else the only one of the bench file, else empty."""
    bench = ctx.bench()
    if args.scope:
        bench.instrument(args.scope)
        return str(args.scope)
    scopes = [tag for tag, instrument in bench.instruments.items() if instrument.kind == "scope"]
    return scopes[0] if len(scopes) == 1 else ""


def gains(ctx: Context, args: argparse.Namespace) -> tuple[float, float]:
    """Half-widths of channel gain and gain between ranges: typed, else bench file, else 3 % and 0.5 %."""
    from benchlog.checks.scope_channels import GAIN_ACCURACY, RANGE_GAIN

    tag = scope_tag(ctx, args)
    scope = ctx.bench().instruments.get(tag)
    gain = number(args.gain_accuracy or (scope.gain if scope else None), "1", "gain accuracy")
    between = number(args.range_gain or (scope.range_gain if scope else None), "1", "range gain")
    return (GAIN_ACCURACY if gain is None else gain, RANGE_GAIN if between is None else between)


def probes(args: argparse.Namespace) -> dict[str, float]:
    """Probe factors by channel."""
    return {
        channel: parse_number(factor.strip().lower().removesuffix(":1").strip("x× "))[0]
        for channel, factor in keyed(args.probe, "--probe", "CH1=10").items()
    }


def read_captures(ctx: Context, args: argparse.Namespace, paths: Sequence[str]) -> Capture:
    """Read one capture, from one file or one file per channel.

    Channel names in `args` may include the unit, as some files write them; they are replaced by the plain names.
    """
    from benchlog.capture_files import load_captures

    columns = [name.strip() for name in args.columns.split(",")] if args.columns else None
    capture = load_captures(
        paths, sample_interval_s=number(args.sample_interval, "s", "sample interval"), columns=columns
    )
    tag = scope_tag(ctx, args)
    _by_own_names(args, capture)
    return replace(capture, instrument=tag) if tag else capture


def prior(args: argparse.Namespace) -> Mapping[int, float] | None:
    """Shares of miscounted windings by --prior; None if not given."""
    from benchlog.magnetics.turns_posterior import counting_prior

    return None if args.prior is None else counting_prior(parse_share(args.prior, "prior"))


def _by_own_names(args: argparse.Namespace, capture: Capture) -> None:
    """Take channels by the names that the capture has for them; the check refuses those it does not have."""

    def own(called: str) -> str:
        try:
            return capture.channel(called).name
        except UsageError:
            return called

    for option in _CHANNELS:
        if (called := getattr(args, option, None)) is not None:
            setattr(args, option, own(called))
    for k, pair in enumerate(args.probe or ()):
        called, equals, factor = pair.partition("=")
        args.probe[k] = own(called) + equals + factor
