"""Part or meter? Ranks what can be behind a reading that looks wrong, and asks for the cheapest next check.

Examples:
  benchlog diagnose --expect "27 V ac" --reading "0.003 V ac"
  benchlog diagnose --expect "27 V ac" --reading "31.4 V ac" --evidence fresh_cell="1.839 V dc" --json
  benchlog diagnose --cases faults.jsonl          one case per input line, one answer per line ("-" reads stdin)

On a terminal it goes on asking, one check at a time. It never says that anything is safe to touch.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchlog.cli.context import Context
    from benchlog.diagnosis import Case, Diagnosis, NextCheck, Session

_BAR = 24
_SHOWN = 6
_PAIR_SHOWN = 0.1  # a pair less likely than this is not worth a line


#: Common options that mean something here.
COMMON: tuple[str, ...] = ("logbook", "bench", "no-record")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    parser.add_argument(
        "--expect", metavar="TEXT", help="expected value, e.g. '27 V ac', '15 ohm', '1.6 A ac'"
    )
    parser.add_argument(
        "--reading", metavar="TEXT", help="first reading as displayed, e.g. '0.003 V ac' or 'OL'"
    )
    parser.add_argument(
        "--evidence",
        metavar="ACTION=OUTCOME",
        action="append",
        default=[],
        help="a check done and what it showed, in order; repeat",
    )
    parser.add_argument("--mains-nominal", metavar="TEXT", default="230 V ac", help="default '230 V ac'")
    parser.add_argument(
        "--context",
        metavar="WORDS",
        action="append",
        default=[],
        help="'just read right', 'after rest', 'transit damage', 'loose plug', 'after current', 'linked meter', "
        "'standard passed', 'standard failed'; repeat",
    )
    parser.add_argument(
        "--meter", metavar="TAG", help="which meter it was: what the record knows of it is taken in"
    )
    parser.add_argument(
        "--source",
        choices=("mains", "bench", "battery", "none"),
        default="",
        help="what feeds the points: mains (default for volts and amperes), a bench supply or reference, a battery, "
        "or nothing (default for ohms)",
    )
    parser.add_argument("--scope", action="store_true", help="the reading was taken with a scope")
    parser.add_argument(
        "--frequency", metavar="TEXT", default="", help="of the signal, where it is not the mains"
    )
    parser.add_argument("--cases", metavar="FILE", help="JSON lines, one case each; '-' for standard input")
    parser.add_argument("--ask", action="store_true", help="ask for the next checks even without a terminal")
    parser.add_argument(
        "--counts",
        metavar="FILE",
        help="TOML: how often each cause was the real one here, e.g. lead_open = 3",
    )
    parser.add_argument("--seed", metavar="N", type=int, default=1, help="of the engine's draws (default 1)")


def run(args: argparse.Namespace, ctx: Context) -> int:
    """Run the command."""
    from benchlog.errors import UsageError

    counts = _counts(args.counts)
    if args.seed < 0:
        raise UsageError(f"seed {args.seed} is negative", hint="any whole number from 0")
    if args.cases:
        if args.expect or args.reading or args.evidence:
            raise UsageError("--cases brings its own expectations and readings", hint="leave the others out")
        return _cases(args, ctx, counts)
    if not args.expect or not args.reading:
        raise UsageError(
            "diagnose needs what was expected and what was read",
            hint='benchlog diagnose --expect "27 V ac" --reading "0.003 V ac"',
        )
    from benchlog.cli.context import keyed
    from benchlog.diagnosis import Case, Session, parse_evidence

    case = Case.from_text(
        args.expect,
        args.reading,
        mains_nominal=args.mains_nominal,
        context=args.context,
        instrument="scope" if args.scope else "meter",
        frequency=args.frequency,
        source=args.source,
    )
    case = _with_meter(case, args.meter, ctx)
    session = Session(case, seed=args.seed, counts=counts)
    for pair in args.evidence:
        ((action, outcome),) = keyed([pair], "--evidence", 'fresh_cell="1.839 V dc"').items()
        session.update(parse_evidence((action, outcome)))
    state = session.state()
    if not ctx.json and (args.ask or sys.stdin.isatty()):
        state = _interactive(ctx, session, state, args)
    elif not ctx.json:
        _show(ctx, state, _questions(args))
        _show_next(ctx, state, state.next[0] if state.next else None)
    if ctx.recording:
        _record(ctx, args, session, state)
    if ctx.json:
        answer = state.to_json()
        answer["questions"] = _questions(args)
        ctx.print_json(answer)
    return 0


def _with_meter(case: Case, tag: str | None, ctx: Context) -> Case:
    """Add what the record knows of the meter."""
    if not tag or not ctx.logbook_path.exists():
        return case
    import dataclasses

    from benchlog.project.meter_doubt import DOUBT_KINDS
    from benchlog.project.meter_known import known_of_meter

    with ctx.open_logbook("ro", create=False) as book:
        known = known_of_meter(book.entries(DOUBT_KINDS), tag, case.function, ctx.clock.utc_ns())
    return dataclasses.replace(case, context=tuple(dict.fromkeys((*case.context, *known))))


def _counts(path: str | None) -> dict[str, float] | None:
    if path is None:
        return None
    import tomllib
    from pathlib import Path

    from benchlog.errors import ConfigError

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
        # readline, not iteration: a caller that plays the bench waits for each answer.
        yield from iter(sys.stdin.readline, "")
    else:
        with open(name, encoding="utf-8-sig") as file:
            yield from file


def _cases(args: argparse.Namespace, ctx: Context, counts: dict[str, float] | None) -> int:
    import json

    from benchlog.diagnosis import Case, Session
    from benchlog.errors import UsageError

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
            # One bad line must not end a long run; its answer says what is wrong with it.
            last, worst = None, 2
            hint = error.hint if isinstance(error, UsageError) else "one JSON object a line"
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
    """Return the last session with the new answers added, when the case only extends it."""
    import dataclasses

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


def _questions(args: argparse.Namespace) -> list[str]:
    from benchlog.diagnosis.slips import find_slips
    from benchlog.errors import UsageError
    from benchlog.units import parse_quantity

    try:
        reading = parse_quantity(args.reading, what="reading")
    except UsageError:
        return []  # overload: no number to ask about
    return [slip.question for slip in find_slips(parse_quantity(args.expect), reading)]


def _band(probability: float) -> str:
    """Put a probability into one of two bands: trials do not support decimals."""
    if probability >= 0.97:
        return "almost certain"
    return "likely" if probability >= 0.9 else f"{probability:.0%}"


def _show(ctx: Context, state: Diagnosis, questions: list[str]) -> None:
    from rich.table import Table
    from rich.text import Text

    from benchlog.diagnosis.answer import HAZARD

    console = ctx.console
    if HAZARD in state.cautions:
        console.print(Text(f"! {HAZARD}", style="bold"))
    for question in questions:
        console.print(Text(f"? {question}", style="yellow"))
    names = {c.id: c.label for c in state.causes}
    table = Table(box=None, padding=(0, 2, 0, 0), show_header=False)
    for cause in state.causes[:_SHOWN]:
        if cause.probability < 0.005:
            continue
        filled = round(cause.probability * _BAR)
        table.add_row(
            Text("█" * filled + "·" * (_BAR - filled)),
            _band(cause.probability),
            Text(cause.label),
            Text(cause.family, style="dim"),
        )
    console.print(table)
    for name in state.put_right:
        console.print(Text(f"put right before: {names.get(name, name)}"))
    if state.pairs and state.pairs[0].probability >= _PAIR_SHOWN:
        one, other = (names.get(c, c) for c in state.pairs[0].causes)
        console.print(Text(f"two at once: {one}, and {other} ({_band(state.pairs[0].probability)})"))
    unproven = "" if state.proven else ", the instrument is not proven on a known source yet"
    console.print(Text(f"P(output live) {state.p_live:.2f}{unproven}"))
    for caution in state.cautions:
        if caution != HAZARD:
            console.print(Text(f"! caution: {caution}", style="bold"))


def _show_next(ctx: Context, state: Diagnosis, check: NextCheck | None) -> None:
    from rich.text import Text

    from benchlog.diagnosis.answer import HAZARD

    if check is not None:
        text = f"({_in_words(check.minutes)}): {check.card}"
        ctx.console.print(Text.assemble(("next ", "bold"), text))
    elif not state.next:
        ctx.console.print(Text(_ending(state), style="bold"))
    elif any(n.action == "look" for n in state.next) and HAZARD in state.cautions:
        ctx.console.print(Text("The jacks come first: no other check is proposed before that.", style="bold"))


def _in_words(minutes: float) -> str:
    """Say a time in everyday units.

    >>> [_in_words(m) for m in (0.2, 0.5, 1.0, 1.5, 4.0)]
    ['a few seconds', 'half a minute', 'a minute', '1.5 minutes', '4 minutes']
    """
    if minutes < 0.25:
        return "a few seconds"
    if minutes < 0.8:
        return "half a minute"
    return "a minute" if minutes < 1.25 else f"{minutes:g} minutes"


def _ending(state: Diagnosis) -> str:
    names = {c.id: c.label for c in state.causes}
    if state.stop == "decided":
        top, again = state.causes[0], state.read_again
        said = [f"{'confirmed by the reading taken again' if state.confirmed else 'decided'}: {top.label}"]
        if top.family == "meter":
            said.append(f'To recall what rested on it: benchlog recall METER --reason "{top.label}"')
        if again is not None:
            said.append(f"To confirm it: {again.card}")
        return ". ".join(said)
    if state.stop == "no single cause fits":
        return (
            "neither one cause nor two fit what was noted: more than two faults, or a slip. Take back the last answer, "
            "or start again as found."
        )
    left = " or ".join(names[name] for name in state.survivors)
    return (
        f"nothing splits further: {left}. What could: dimensions, mass or winding resistance against the data sheet, "
        "warmth at idle, another part of the same kind"
    )


def _interactive(ctx: Context, session: Session, state: Diagnosis, args: argparse.Namespace) -> Diagnosis:
    """Show one card at a time and take typed answers, until decided, nothing is left or the person ends it."""
    from benchlog.diagnosis import parse_evidence
    from benchlog.errors import UsageError

    left_out: set[str] = set()
    _show(ctx, state, _questions(args))
    while True:
        check = next((n for n in state.next if n.action not in left_out), None)
        _show_next(ctx, state, check)
        if check is None and state.read_again is not None and state.read_again.action not in left_out:
            check = state.read_again
        if check is None:
            return state
        try:
            answer = _answer(session, check.action)
        except EOFError:
            return state
        if answer in ("q", "quit"):
            return state
        if not answer:
            ctx.console.print(
                "? shows the answers, undo takes the last one back, skip leaves this out, q ends",
                markup=False,
            )
            continue
        if answer in ("u", "undo"):
            taken = session.undo()
            ctx.console.print(
                "nothing to take back" if taken is None else f"taken back: {taken.text}", markup=False
            )
            state = session.state()
            continue
        if answer == "skip":
            left_out.add(check.action)
            continue
        if answer == "?":
            ctx.console.print(_answers(session, check.action), markup=False)
            continue
        name, equals, outcome = answer.partition("=")
        named = "_".join(name.strip().lower().split())
        pair = (named, outcome.strip()) if equals else (check.action, answer)
        try:
            session.update(parse_evidence(pair))
        except UsageError as error:
            ctx.console.print(f"not taken: {error.message.replace('_', ' ')}", markup=False)
            ctx.console.print(_answers(session, check.action), markup=False)
            continue
        state = session.state()
        _show(ctx, state, [])


def _answer(session: Session, action: str) -> str:
    """Ask for an answer; the number of a word stands for it, as in a guided run."""
    answer = input(f"{action.replace('_', ' ')} (? for the answers)> ").strip()
    words = session.catalogue.actions[action].words
    chosen = int(answer) if answer.isdecimal() else 0
    return words[chosen - 1] if 0 < chosen <= len(words) else answer


def _answers(session: Session, action: str) -> str:
    """Answers that can be typed at a question."""
    words = session.catalogue.actions[action].words
    numbered = ", ".join(f"{number} {word}" for number, word in enumerate(words, 1))
    shown = f"one of: {numbered}" if words else "the reading as displayed, like '27.07 V ac' or 'OL'"
    return f'answer with {shown}; or "skip", "undo", "quit", or another check as NAME = ANSWER'


def _record(ctx: Context, args: argparse.Namespace, session: Session, state: Diagnosis) -> None:
    body: dict[str, Any] = {
        "expect": args.expect,
        "reading": args.reading,
        "context": list(args.context),
        "path": [[e.action, e.text] for e in session.done],
        "seed": args.seed,
        **state.to_json(),
    }
    with ctx.open_logbook() as book:
        ref = book.append("diagnosis", body)
    if not ctx.json:
        ctx.console.print(f"written to {ctx.logbook_path}, entry {ref.seq}", style="dim", markup=False)
