"""Work through a plan, one check after the other: connect, read, decide, record.

Continues where the last run stopped. Readings come from linked meters once they are steady, or you type what the display
shows. Confirm a hook-up with Enter once it is made; s skips (and asks why), u undoes, q stops, ? helps. To give the
answers beforehand, use --answers FILE.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from benchlog.errors import InstrumentError, UsageError
from benchlog.keyboard import Lines
from benchlog.plan import read_plan
from benchlog.result import Result

if TYPE_CHECKING:
    from contextlib import ExitStack

    from benchlog.bench import Bench
    from benchlog.cli.context import Context
    from benchlog.clock import Clock
    from benchlog.demo.simulated_operator import KeyboardOperator
    from benchlog.guide.person import Person
    from benchlog.guide.phone import PhoneDesk
    from benchlog.plan import Plan

_INTERRUPTED = 130  # of a command ended by Ctrl-C


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("plan", metavar="PLAN", help="plan file")
    parser.add_argument(
        "--check", metavar="ID", action="append", default=[], help="only this check; repeat for more"
    )
    parser.add_argument(
        "--answers",
        metavar="FILE",
        help="take the answers from a file ('-' for standard input): one per line, or KEY: ANSWER with the key of the prompt, e.g. 'C03/no_load: 27.75 V ac'",
    )
    parser.add_argument(
        "--standards",
        action=argparse.BooleanOptionalAction,
        help="start with a check of the meters on their standards, or don't (default: ask on a terminal)",
    )
    parser.add_argument("--no-cards", action="store_true", help="don't draw hook-up cards")
    parser.add_argument(
        "--speak",
        action="store_true",
        help="speak each reading, if a speech program is installed",
    )
    parser.add_argument(
        "--phone",
        action="store_true",
        help="show the current step on a phone in the same network, with buttons for done, skip, say again",
    )


def run(args: argparse.Namespace, ctx: Context) -> int:
    from benchlog.cli.record_outside import secure
    from benchlog.cli.show import show_answer
    from benchlog.guide.person import ScriptedPerson
    from benchlog.guide.run import Guide
    from benchlog.guide.speech import find_speech
    from benchlog.guide.terminal import Terminal

    if not ctx.recording:
        raise UsageError("`run` always records", hint="leave --no-record out")
    plan = read_plan(Path(args.plan))
    for check_id in args.check:
        plan.check(check_id)
    desk: PhoneDesk | None = None
    if args.phone:
        from benchlog.guide.phone import PhoneDesk

        desk = PhoneDesk(ctx.clock)
    # With --json, questions go to standard error and results to standard output, one per line.
    out = sys.stderr if ctx.json else sys.stdout

    def show(result: Result) -> None:
        if ctx.json:
            ctx.print_json(result.to_json())
        else:
            # The cautions were already shown before the hook-up.
            show_answer(ctx.console, msgspec.structs.replace(result, cautions=()), more=False)
        if desk is not None:
            desk.show(f"{result.check_id} {result.overall_words}: {result.overall_reason}")

    with contextlib.ExitStack() as stack:
        person: Person
        if args.answers:
            person = ScriptedPerson(_lines(args.answers), out=out)
        else:
            speech = find_speech() if args.speak else None
            person = stack.enter_context(Terminal(out=out, speech=speech, phone=desk))
        if desk is not None:
            _show_page(stack, desk, person)
        bench = ctx.bench()
        bench.refuse_unserved()
        if bench.simulated:
            person = _at_simulated_bench(stack, plan, bench, ctx.clock, person)
        book = stack.enter_context(ctx.open_logbook())
        book.begin_session({"plan": args.plan, "project": plan.project.name}, resume=True)
        guide = Guide(
            plan,
            bench,
            book,
            clock=ctx.clock,
            person=person,
            show=show,
            cards=not args.no_cards,
            standards=args.standards,
        )
        verdict = guide.run(args.check)
        ended = True
        if person.interactive or not (args.check or guide.stopped):
            book.end_session(guide.close_out())
        elif not guide.stopped:
            book.end_session({})
        else:
            ended = False
        if ended:
            secure(ctx, book)
    return _INTERRUPTED if guide.interrupted else verdict.exit_code


def _show_page(stack: ExitStack, desk: PhoneDesk, person: Person) -> None:
    """Serve the phone's page; show its address as text and as a QR code."""
    import segno

    from benchlog.guide.person import Prompt
    from benchlog.guide.phone import serve

    if not person.interactive:
        raise UsageError("--phone needs a terminal", hint="run it without --answers, not through a pipe")
    try:
        address = stack.enter_context(serve(desk))
    except OSError as error:
        raise InstrumentError(
            f"the page for the phone can't be served: {error.strerror or error}", hint="run without --phone"
        ) from None
    picture = io.StringIO()
    segno.make(address, error="l").terminal(picture, compact=True, border=2)
    person.show_picture(picture.getvalue())
    person.show_picture(f"On the phone:\n{address}\n")  # in one line, however long
    person.show(
        "Whoever opens this address can press the buttons: keep it to yourself. Phone and computer must share a network."
    )
    # The code scrolls away after it.
    while (
        answer := person.answer(Prompt("hookup", "this page is open on the phone", "start/phone"))
    ) not in ("", "s"):
        if answer == "q":
            raise KeyboardInterrupt  # nothing has begun
        person.show(f"  '{answer}' does not answer this: press Enter alone when it is open")


def _lines(name: str) -> list[str]:
    """Lines of a file of answers, or of standard input."""
    if name == "-":
        return list(iter(Lines(sys.stdin).next, None))
    try:
        return Path(name).read_text(encoding="utf-8-sig").splitlines()
    except UnicodeDecodeError as error:
        raise UsageError(
            f"answers {name}: byte {error.start} is not text (UTF-8)",
            hint="save the file as plain UTF-8 text",
        ) from None


def _at_simulated_bench(
    stack: ExitStack, plan: Plan, bench: Bench, clock: Clock, person: Person
) -> KeyboardOperator:
    """Set up the simulated bench for the run; it carries out each step that the user confirms.

    One simulated instrument is enough to make all of the run practice: nobody can tell which readings it touched.
    """
    from benchlog.demo.plan_operator import PlanOperator
    from benchlog.demo.simulated_operator import KeyboardOperator
    from benchlog.simulation import shared_bench

    tags = ", ".join(instrument.tag for instrument in bench.simulated)
    person.show(
        f"! Practice on the simulated bench ({tags}): no result of this run counts for a real part, not even a typed reading. "
        "For real parts no address in the bench file may begin with sim:",
        style="bold",
    )
    shared = stack.enter_context(shared_bench(bench.simulated, clock))
    return KeyboardOperator(
        PlanOperator(shared, plan, bench, lambda text, style: person.show(text, style=style)), person
    )
