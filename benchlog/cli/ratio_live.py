"""The live form of the command ratio: an automatic run with scope and generator."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from benchlog.cli.from_captures import number, prior, scope_tag
from benchlog.errors import UsageError
from benchlog.units import parse_share

if TYPE_CHECKING:
    from benchlog.capture import Capture
    from benchlog.checks.ratio_model import RatioSetup
    from benchlog.cli.context import Context
    from benchlog.result import Result


def measure_live(
    args: argparse.Namespace, ctx: Context, setup: RatioSetup, expected: float
) -> tuple[Result, list[Capture]]:
    """Do the run; with --json questions go to standard error.

    Raises
    ------
    UsageError
        If scope or AL are missing, or the user skips the swap.
    """
    from benchlog.guide.acquisition import Acquisition
    from benchlog.guide.dialogue import SkippedError, StoppedError
    from benchlog.guide.ratio_run import RatioRun, run_ratio
    from benchlog.guide.terminal import Terminal

    scope = scope_tag(ctx, args)
    al = number(args.al, "H", "AL")
    if not scope:
        raise UsageError("no scope to measure with", hint="--scope SC-03, as in the bench file")
    if al is None:
        raise UsageError("a live run needs the core's AL to choose its frequency", hint="--al '61 uH'")
    amplitude = number(args.amplitude, "V", "amplitude")
    assert amplitude is not None
    run = RatioRun(
        key="ratio",
        scope=scope,
        generator=args.generator,
        setup=setup,
        expected_turns=expected,
        al_h=al,
        area_m2=number(args.area, "m2", "area"),
        saturation_t=number(args.saturation, "T", "saturation"),
        frequency_hz=number(args.frequency, "Hz", "frequency"),
        amplitude_vpp=amplitude,
        tolerance=None if args.tolerance is None else parse_share(args.tolerance, "tolerance"),
        swap=not args.no_swap,
        prior=prior(args),
        sweep_points=_points(args.sweep),
    )
    try:
        with (
            Terminal(out=sys.stderr if ctx.json else sys.stdout) as person,
            Acquisition(ctx.bench(), person, ctx.clock) as acquisition,
        ):
            measured = run_ratio(run, acquisition)
    except SkippedError as skipped:
        raise UsageError(f"the swap was skipped: {skipped}", hint="--no-swap measures without") from None
    except StoppedError:
        raise UsageError("stopped at the swap", hint="--no-swap measures without") from None
    return measured.result, list(measured.captures)


def _points(text: str | None) -> int:
    from benchlog.guide.ratio_run import SWEEP_POINTS

    if text is None:
        return SWEEP_POINTS
    points = int(text) if text.isdigit() else -1
    if points != 0 and not 5 <= points <= 61:
        raise UsageError(f"a sweep of {text!r} points", hint="5 to 61 points, or 0 for none")
    return points
