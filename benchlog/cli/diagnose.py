"""Part or meter? Ranks the possible causes of a reading that looks wrong, and suggests the cheapest next check.

Examples:
  benchlog diagnose --expect "27 V ac" --reading "0.003 V ac"
  benchlog diagnose --expect "27 V ac" --reading "31.4 V ac" --evidence fresh_cell="1.839 V dc" --json

On a terminal it asks for one check after another. It never says that anything is safe to touch.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import shlex
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.cli.context import keyed
from benchlog.errors import ConfigError, UsageError, did_you_mean
from benchlog.units import parse_quantity

if TYPE_CHECKING:
    from benchlog.bench import Bench
    from benchlog.cli.context import Context
    from benchlog.diagnosis import Case, Session


_MAINS = "230 V ac"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--expect", metavar="TEXT", help="expected value, e.g. '27 V ac', '15 ohm', '1.6 A ac'"
    )
    parser.add_argument(
        "--reading", metavar="TEXT", help="first reading as displayed, e.g. '0.003 V ac' or 'OL'"
    )
    parser.add_argument(
        "--evidence",
        metavar="CHECK=OUTCOME",
        action="append",
        default=[],
        help="a check you did and its outcome; repeat, in order ('benchlog manual diagnose' lists the checks)",
    )
    parser.add_argument(
        "--mains-nominal", metavar="TEXT", default=_MAINS, help=f"nominal mains (default '{_MAINS}')"
    )
    more = parser.add_argument_group("scope, frequency, what happened before")
    more.add_argument(
        "--context",
        metavar="WORDS",
        action="append",
        default=[],
        help="'just read right', 'after rest', 'transit damage', 'loose plug', 'after current', 'linked meter', "
        "'standard passed', 'standard failed', 'odd one out', 'meters disagreed', 'compared with a meter' (which gave the expected value); repeat",
    )
    parser.add_argument("--meter", metavar="TAG", help="tag of the meter; its history in the record is used")
    parser.add_argument(
        "--source",
        metavar="WORD",
        choices=("mains", "bench", "battery", "none"),
        default="",
        help="what feeds the points: mains (default for volts and amperes), bench (supply or reference), battery, "
        "none (default for ohms)",
    )
    more.add_argument("--scope", action="store_true", help="the reading was taken with a scope")
    more.add_argument("--frequency", metavar="TEXT", default="", help="of the signal, if it is not mains")
    more.add_argument("--ask", action="store_true", help="ask for the next checks even without a terminal")
    # For scripts and trials.
    parser.add_argument("--cases", metavar="FILE", help=argparse.SUPPRESS)
    parser.add_argument("--counts", metavar="FILE", help=argparse.SUPPRESS)
    parser.add_argument("--seed", metavar="N", type=int, default=1, help=argparse.SUPPRESS)


def run(args: argparse.Namespace, ctx: Context) -> int:
    counts = _counts(args.counts)
    if args.seed < 0:
        raise UsageError(f"seed {args.seed} is negative", hint="any whole number from 0")
    if args.cases:
        if args.expect or args.reading or args.evidence:
            raise UsageError(
                "with --cases the readings are in the cases",
                hint="leave --expect, --reading and --evidence out",
            )
        return _cases(args, ctx, counts)
    if not args.expect or not args.reading:
        raise UsageError(
            "give the expected value and the reading",
            hint='benchlog diagnose --expect "27 V ac" --reading "0.003 V ac"',
        )
    from benchlog.diagnosis import Case, Session

    case = Case.from_text(
        args.expect,
        args.reading,
        mains_nominal=args.mains_nominal,
        context=args.context,
        instrument="scope" if args.scope else "meter",
        frequency=args.frequency,
        source=args.source,
    )
    case, known = _with_meter(case, args.meter, ctx)
    session = Session(case, seed=args.seed, counts=counts)
    for pair in args.evidence:
        ((action, outcome),) = keyed([pair], "--evidence", 'fresh_cell="1.839 V dc"').items()
        session.update(session.answer(action, outcome))
    if not ctx.json:
        _show(ctx, args, session, known)
    if ctx.recording:
        _record(ctx, args, session)
    if ctx.json:
        answer = session.state().to_json()
        answer |= {"questions": _questions(args, session) + _digits(args, ctx, session), "known": known}
        ctx.print_json(answer)
    return 0


def _with_meter(case: Case, tag: str | None, ctx: Context) -> tuple[Case, str]:
    """Add what the record knows of the meter; returns also a line that says it."""
    bench = ctx.bench()  # a bench file that is named must exist, even if it is not needed
    unread = ctx.args.logbook and not ctx.recording  # so must a named logbook, unless it is created now
    if not tag or not (unread or ctx.logbook_path.exists()):
        _refuse_unknown(bench, tag)
        return case, ""

    from benchlog.project.meter_known import KNOWN_KINDS, known_of_meter

    with ctx.open_logbook("ro", create=False) as book:
        entries = list(book.entries(KNOWN_KINDS))
    known = known_of_meter(entries, tag, case.function, ctx.clock.utc_ns())
    context = dict.fromkeys((*case.context, *(one.context for one in known)))
    recorded = any(tag in (e.body.get("meter"), *e.body.get("instruments", ())) for e in entries)
    if not recorded:
        _refuse_unknown(bench, tag)
    return dataclasses.replace(case, context=tuple(context)), " ".join(one.line for one in known)


def _refuse_unknown(bench: Bench, tag: str | None) -> None:
    """Refuse a meter that is not in a bench file that has others: its tag may be mistyped."""
    if tag and bench.instruments and tag not in bench.instruments:
        raise UsageError(
            f"{tag} is neither in the bench file nor in the record",
            hint=did_you_mean(tag, bench.instruments) or "leave --meter out for a borrowed one",
        )


def _counts(path: str | None) -> dict[str, float] | None:
    if path is None:
        return None
    import tomllib

    try:
        table = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path}: {error}", hint="write lines like: lead_open = 3") from None
    for name, value in table.items():
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e9:
            raise ConfigError(
                f"{path}: {name} = {value!r} is not a count", hint="write lines like: lead_open = 3"
            )
    return {name: float(value) for name, value in table.items()}


# -- many cases -------------------------------------------------------------------------------------------


def _lines(name: str) -> Iterator[str]:
    if name == "-":
        # readline, not iteration: a caller that simulates the bench waits for each answer.
        yield from iter(sys.stdin.readline, "")
    else:
        with open(name, encoding="utf-8-sig") as file:
            yield from file


def _cases(args: argparse.Namespace, ctx: Context, counts: dict[str, float] | None) -> int:
    from benchlog.diagnosis import Case, Session

    last: Session | None = None
    worst = 0
    for number, line in enumerate(_lines(args.cases), 1):
        if not line.strip():
            continue
        try:
            plain = json.loads(line)
            if not isinstance(plain, dict):
                raise UsageError("a case must be a JSON object")
            case = Case.from_json(plain)
            last = _continued(last, case) or Session(case, seed=args.seed, counts=counts)
            ctx.print_json(last.state().to_json())
        except (json.JSONDecodeError, UsageError, RecursionError) as error:
            # One bad line must not end a long run; its answer names the error.
            last, worst = None, 2
            hint = error.hint if isinstance(error, UsageError) else "write one JSON object per line"
            ctx.print_json(
                {
                    "schema": "benchlog.error/1",
                    "error": f"case {number}: {error}",
                    "hint": hint,
                    "exit_code": 2,
                }
            )
    return worst


def _continued(last: Session | None, case: Case) -> Session | None:
    """Return the last session with the new answers added, if the case only extends it."""
    if last is None:
        return None
    done, wanted = tuple(last.done), case.evidence
    before = dataclasses.replace(last.case, evidence=())
    if (
        dataclasses.replace(case, evidence=()) != before
        or wanted[: len(done)] != done
        or len(wanted) == len(done)
    ):
        return None
    for evidence in wanted[len(done) :]:
        last.update(evidence)
    return last


# -- one case ---------------------------------------------------------------------------------------------


def _digits(args: argparse.Namespace, ctx: Context, session: Session) -> list[str]:
    """Doubt about the reading's digits, if its meter is in the bench file."""
    from benchlog.displayed import parse_displayed
    from benchlog.reading import Function

    try:
        shown = parse_displayed(args.reading, Function(session.case.function), instrument=args.meter or "")
    except UsageError:
        return []  # written in a form of the diagnosis alone
    return list(filter(None, [ctx.bench().other_digits(shown)]))


def _questions(args: argparse.Namespace, session: Session) -> list[str]:
    from benchlog.diagnosis.slips import find_slips

    try:
        reading = parse_quantity(args.reading, what="reading")
    except UsageError:
        return []  # overload: no number to ask about
    return [slip.question for slip in find_slips(session.case.expect, reading)]


def _show(ctx: Context, args: argparse.Namespace, session: Session, known: str) -> None:
    """Show the causes; on a terminal or with --ask, ask for checks until it is decided or the user stops."""
    from benchlog.cli.show import show_line
    from benchlog.guide.inquiry import ending, minutes_in_words, state_lines

    def show(line: str, style: str = "") -> None:
        text = line.lstrip()
        hang = 2 * (len(line) > ctx.console.width)
        show_line(ctx.console, (text, style), indent=len(line) - len(text), hang=hang)

    for question in _questions(args, session):
        show(f"! {args.reading.strip()} is {question}", "yellow")
    for doubt in _digits(args, ctx, session):
        show(f"! {doubt}: type all of them", "yellow")
    if known:
        show(known)
    if args.ask or sys.stdin.isatty():
        _ask(session)
        if session.state().stop is None and sys.stdin.isatty():
            show(f"To continue later: {_command(args, session)}")
    else:
        for line, style in state_lines(session.state(), ctx.console.width):
            show(line, style)
        for check in session.state().next[:1]:
            show(f"next ({minutes_in_words(check.minutes)}): {check.card}", "bold")
            return
    show(ending(session.state(), args.meter or "METER"), "bold")


def _command(args: argparse.Namespace, session: Session) -> str:
    """The command line that restarts with all answers so far."""
    words = ["benchlog", "diagnose", "--expect", args.expect, "--reading", args.reading]
    given = {"--meter": args.meter, "--source": args.source}
    given |= {"--frequency": args.frequency, "--bench": args.bench, "--logbook": args.logbook}
    words += [word for option, value in given.items() if value for word in (option, value)]
    words += [word for context in args.context for word in ("--context", context)]
    words += ["--mains-nominal", args.mains_nominal] if args.mains_nominal != _MAINS else []
    words += ["--scope"] if args.scope else []
    words += [word for e in session.done for word in ("--evidence", f"{e.action}={e.text}")]
    return shlex.join(words)


def _ask(session: Session) -> None:
    """Ask for one check after another, with the keys of a guided run."""
    from benchlog.diagnosis import NextCheck
    from benchlog.guide.dialogue import Dialogue, StoppedError
    from benchlog.guide.inquiry import Inquiry, card_text, choice_prompt, several_seen
    from benchlog.guide.person import InputEndedError, Prompt
    from benchlog.guide.terminal import Terminal

    def perform(check: NextCheck) -> tuple[str, str]:
        seen = choice_prompt(session, check, check.action)
        prompt = seen or Prompt("outcome", card_text(check), check.action, names=session.check_names)
        answer = several_seen(dialogue, prompt, dialogue.ask(prompt))
        name, equals, outcome = answer.partition("=")
        return (name, outcome.strip()) if equals else (check.action, answer)

    with Terminal() as person:
        dialogue = Dialogue(person)
        try:
            Inquiry(session, dialogue, perform).go_on(confirm=True)
        except (StoppedError, InputEndedError):
            person.show()


def _record(ctx: Context, args: argparse.Namespace, session: Session) -> None:
    from benchlog.guide.inquiry import recorded

    body = {**recorded(session, args.reading), "seed": args.seed}
    with ctx.open_logbook() as book:
        ref = book.append("diagnosis", body)
    if not ctx.json:
        ctx.console.print(f"Saved in {ctx.logbook_path} as entry {ref.seq}.", style="dim", markup=False)
