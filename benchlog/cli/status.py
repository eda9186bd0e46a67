"""State of a project on one screen: next step, results, which meter to trust, what may still hold charge."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.wording import MARKS, quantity_words

if TYPE_CHECKING:
    from benchlog.bench import Bench
    from benchlog.cli.context import Context
    from benchlog.cli.listing import Listing
    from benchlog.logbook import Logbook
    from benchlog.project.overview import Overview
    from benchlog.project.state import CheckStatus, HoldStatus
    from benchlog.project.suspect import Suspect


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "plan", metavar="PLAN", nargs="?", default="plan.toml", help="plan file (default plan.toml)"
    )


def run(args: argparse.Namespace, ctx: Context) -> int:
    from benchlog.plan import read_plan
    from benchlog.project.overview import overview

    plan = read_plan(Path(args.plan))
    copies: list[str] = []
    doubts: tuple[Suspect, ...] = ()
    bench = ctx.bench()
    if ctx.logbook_path.exists():
        with ctx.open_logbook("ro", create=False) as book:
            seen = overview(plan, book, ctx.clock.utc_ns())
            copies = _behind(book, bench.record.copies)
            doubts = _doubts_of_watch(book)
    else:
        seen = overview(plan, None, ctx.clock.utc_ns())
    others = [] if ctx.logbook_path.exists() else sorted(ctx.logbook_path.absolute().parent.glob("*.logbook"))
    known = {meter.tag for meter in seen.meters}
    missing = sorted(
        {tag for check in plan.checks.values() for tag in check.meters_named} - set(bench.instruments)
    )
    unchecked = [i.tag for i in bench.instruments.values() if i.kind == "meter" and i.tag not in known]
    if ctx.json:
        more = {"never_checked": unchecked, "not_in_bench": missing, "doubts": [d.to_json() for d in doubts]}
        ctx.print_json({**_plain(seen, bench), **more, "copies": copies})
    else:
        _show(ctx, seen, bench, unchecked, doubts)
        for tag in missing:
            ctx.listing.line(
                f"! meter {tag} of the plan is not in the bench file: its accuracy would be assumed", "bold"
            )
        for words in copies:
            ctx.listing.line(f"record: {words}")
        if others:
            ctx.listing.line(
                f"there is no {ctx.logbook_path}, but there is {', '.join(p.name for p in others)}: name it with --logbook"
            )
    return seen.exit_code


def _behind(book: Logbook, folders: Sequence[str]) -> list[str]:
    """Say whether each copy is up to date."""
    if not folders:
        return []
    from benchlog.logbook.copies import copy_state

    return [copy_state(book, Path(folder).expanduser()) for folder in folders]


def _doubts_of_watch(book: Logbook) -> tuple[Suspect, ...]:
    """Doubts of `watch` that nothing has settled."""
    if next(book.entries("doubt", limit=1), None) is None:
        return ()
    from benchlog.project.open_doubts import KINDS, open_doubts  # most projects have none: no need to load it

    return open_doubts(book.entries(KINDS))


def _functions(bench: Bench, tag: str) -> list[str]:
    """Functions of a meter's data sheet."""
    instrument = bench.instruments.get(tag)
    return [] if instrument is None else [str(line.function) for line in instrument.accuracy]


def _plain(seen: Overview, bench: Bench) -> dict[str, Any]:
    return {
        "schema": "benchlog.status/1",
        "project": seen.plan.project.name,
        "next": seen.next_action,
        "noted": seen.noted,
        "checks": [
            {
                "id": s.check.id,
                "part": s.check.part,
                "state": str(s.state),
                "reason": s.reason,
                "recall": s.recall,
                "entry": s.entry.seq if s.entry else None,
                "time": s.entry.time if s.entry else None,
            }
            for s in seen.state.checks.values()
        ],
        "holds": [
            {
                "id": h.hold.id,
                "step": h.hold.step,
                "state": str(h.state),
                "missing": list(h.missing),
                "reason": str(h.concession.body["reason"]) if h.concession else "",
            }
            for h in seen.state.holds.values()
        ],
        "meters": [
            {
                "tag": m.tag,
                "trust": m.word,
                "reason": m.reason,
                "checked": [
                    {
                        "function": c.function,
                        "standard": c.standard or None,
                        "agreed_with": c.agreed_with or None,
                        "date": c.date or None,
                        "passed": c.passed if c.date else None,
                    }
                    for c in m.checked(_functions(bench, m.tag))
                ],
            }
            for m in seen.meters
        ],
        "substitutions": [
            *(dict(s.body) for s in seen.state.substitutions),
            *({"part": s.part, "what": s.what, "reason": s.reason} for s in seen.state.pending),
        ],
        "clock": [c.words for c in seen.clock],
        "left": seen.left,
        "stored_energy": seen.stored_energy,
    }


def _measured(status: CheckStatus) -> str:
    """Quantities judged in a passed check; empty for any other check."""
    from benchlog.logbook.recalled import corrected_words

    result = status.result
    if status.state != "passed" or result is None:
        return ""
    shown = {n: corrected_words(n, result.quantities[n], status.recalls) for n in result.judged}
    return "; ".join(
        f"{quantity_words(n)} {value}" + (f" ({note})" if note else "") for n, (value, note) in shown.items()
    )


def _why(status: CheckStatus) -> str:
    said = _measured(status) or status.reason
    return f"{said} ({status.recall})" if status.recall and status.state == "passed" else said


def _show_hold(out: Listing, hold: HoldStatus) -> None:
    out.line(f"hold {hold.hold.id}: {hold.words}: {hold.hold.step}", "bold")
    for line in hold.missing:
        out.line(f"    missing: {line}")
    if hold.concession is not None:
        out.line(f"    concession: {hold.concession.body['reason']}")


def _show_checks(out: Listing, seen: Overview) -> None:
    """One row per check; on a narrow screen one line, with the reason below it."""
    rows, short = [], []
    for status in seen.state.checks.values():
        passed = status.state == "passed"
        state = f"{MARKS.get(status.state, '○')} {status.state.words}"
        since = status.entry.time[:10] if status.entry else ""
        rows.append((status.check.id, status.check.part, state, since, _why(status)))
        several = status.result is not None and len(status.result.judged) > 1  # they are shown in full
        short.append(passed and not status.recall and not several)
    if out.narrow:
        for check, part, state, since, why in rows:
            out.line(" ".join(filter(None, (check, part, state, since))))
            out.line(f"    {why}")
    else:
        out.table(("check", "part", "state", "since", "why"), rows, cut=short)


def _show(
    ctx: Context, seen: Overview, bench: Bench, unchecked: list[str], doubts: Sequence[Suspect]
) -> None:
    from benchlog.logbook.clock_steps import ago
    from benchlog.project.meter_trust import checked_words

    out = ctx.listing
    out.line(seen.plan.project.name, "bold")
    out.line(f"next: {seen.next_action}", "bold")
    if seen.noted:
        out.line(f"you noted for next time: {seen.noted}")
    out.line(f"left powered or charged, as noted after the last session: {seen.left}")
    for line in seen.stored_energy:
        out.line(f"! can store energy: {line}", "bold")
    for doubt in seen.clock:
        out.line(f"! {doubt.words}", "bold")
    _show_checks(out, seen)
    for hold in seen.state.holds.values():
        _show_hold(out, hold)
    for meter in seen.meters:
        checked = checked_words(meter.checked(_functions(bench, meter.tag)))
        out.line(f"meter {meter.tag}: {meter.word} ({meter.reason}){f'; {checked}' if checked else ''}")
    for suspect in doubts:
        since = ago(suspect.since_utc_ns, ctx.clock.utc_ns())
        found = f"{suspect.kind.words}: {suspect.reason}"
        out.line(f"! meter {suspect.who}: watch doubted it {since}, not settled since: {found}", "bold")
    for tag in unchecked:
        out.line(f"meter {tag}: never checked against a standard")
    for entry in seen.state.substitutions:
        out.line(f"substituted: {entry.body['part']}: {entry.body['what']} ({entry.body['reason']})")
    for pending in seen.state.pending:
        out.line(
            f"substituted in the plan: {pending.part}: {pending.what} ({pending.reason}); the next run or release records it"
        )
