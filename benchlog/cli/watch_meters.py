"""Meters for ``watch``: by tag or address, groups on one node, meters already in doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from benchlog.cli.context import keyed
from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.adapter import Reader
    from benchlog.bench import Bench, Instrument
    from benchlog.cli.context import Context
    from benchlog.dashboard.model import NodeGroup
    from benchlog.logbook.chain import Entry
    from benchlog.project.suspect import Suspect


def instruments(
    words: Sequence[str], ctx: Context
) -> tuple[Bench, dict[str, tuple[str, dict[str, object]]], list[str]]:
    """Bench, address and options of the linked meters, tags of those that are typed."""
    from benchlog.bench import Bench

    bench = ctx.bench()
    chosen = [_named(word, bench) for word in words]
    if not words:
        chosen = [i for i in bench.instruments.values() if i.kind == "meter"]
    if not chosen:
        raise UsageError(
            "no meter to watch",
            hint="list your meters in bench.toml (benchlog find proposes entries), or try: benchlog watch sim:MA-01",
        )
    _refuse_others_and_twice(chosen)
    merged = Bench(
        [*bench.instruments.values(), *chosen], list(bench.standards.values()), bench.source, bench.groups
    )
    linked = {i.tag: (i.address, dict(i.options)) for i in chosen if i.linked}
    return merged, linked, [i.tag for i in chosen if not i.linked]


def _refuse_others_and_twice(chosen: Sequence[Instrument]) -> None:
    if wrong := [i.tag for i in chosen if i.kind != "meter"]:
        raise UsageError(
            f"{', '.join(wrong)} is not a meter", hint="watch reads only meters; name those of the bench file"
        )
    tags = [i.tag for i in chosen]
    if twice := sorted({tag for tag in tags if tags.count(tag) > 1}):
        raise UsageError(f"named twice: {', '.join(twice)}")


def _named(word: str, bench: Bench) -> Instrument:
    """Meter for a word: a tag, or an address (with the data sheet of the tag it ends with, if known)."""
    from benchlog.bench import Instrument

    if ":" not in word or word in bench.instruments:
        return bench.instrument(word)
    tag = word.partition("?")[0].rpartition(":")[2].rpartition("/")[2] or word
    known = bench.instruments.get(tag)
    return Instrument(tag=tag, address=word, accuracy=known.accuracy if known is not None else ())


def groups_of(texts: Sequence[str], bench: Bench, watched: Sequence[str]) -> list[NodeGroup]:
    """Groups of the command line, else groups of the bench file with at least two watched meters."""
    from benchlog.dashboard.model import NodeGroup

    found = []
    for name, members in keyed(texts, "--group", '"T1 output"=MA-01,MB-02').items():
        tags = tuple(dict.fromkeys(tag.strip() for tag in members.split(",") if tag.strip()))
        for tag in tags:
            if tag not in watched:
                bench.instrument(tag)
        if len(tags) < 2:
            raise UsageError(
                f"--group {name}: needs two meters to compare", hint=f"--group {name}=MA-01,MB-02"
            )
        found.append(NodeGroup(name, tags))
    if found:
        return found
    for group in bench.groups:
        tags = tuple(tag for tag in group.meters if tag in watched)
        if len(tags) > 1:
            found.append(NodeGroup(group.name, tags, group.function))
    return found


def readers(linked: dict[str, tuple[str, dict[str, object]]], ctx: Context) -> list[Reader]:
    from benchlog.adapter import Reader
    from benchlog.registry import make_adapter

    readers = []
    for tag, (address, options) in linked.items():
        adapter = make_adapter(address, tag, clock=ctx.clock, options=options, kind="meter")
        if not isinstance(adapter, Reader):
            raise UsageError(f"{tag} at {address} is not a meter", hint="watch reads only meters")
        readers.append(adapter)
    return readers


def known_doubts(
    ctx: Context, watched: Sequence[str], groups: Sequence[NodeGroup]
) -> tuple[dict[str, str], list[Suspect]]:
    """Of the meters watched: those in doubt by their check standards, with the reason; doubts of an earlier watch."""
    from benchlog.project.meter_doubt import DOUBT_KINDS
    from benchlog.project.open_doubts import KINDS, open_doubts

    if not ctx.logbook_path.exists():
        return {}, []
    with ctx.open_logbook("ro", create=False) as book:
        entries = list(book.entries(tuple({*DOUBT_KINDS, *KINDS})))
    known = {t: r for t, r in _by_standards(entries, ctx.clock.utc_ns()).items() if t in watched}
    before = (_compared_in(suspect, groups) for suspect in open_doubts(entries))
    return known, [s for s in before if s is not None and set(s.tags) <= set(watched)]


def _compared_in(suspect: Suspect, groups: Sequence[NodeGroup]) -> Suspect | None:
    """A doubt of before, on the group that compares its meters now; None where no group does."""
    if not suspect.group:
        return suspect
    fitting = [g.name for g in groups if set(suspect.tags) <= set(g.tags)]
    name = suspect.group if suspect.group in fitting else next(iter(fitting), "")
    return replace(suspect, group=name) if name else None


def _by_standards(entries: Sequence[Entry], now_utc_ns: int) -> dict[str, str]:
    """Meters that failed their last check standard, left their chart then, or were recalled since."""
    from benchlog.project.meter_trust import meter_trust

    found = {}
    for entry in (e for e in entries if e.kind == "standard"):  # keep the last of each meter
        chart = entry.body.get("chart") or {}
        where = f"on {entry.body.get('standard')}"
        found[str(entry.body["meter"])] = (
            f"moved since its earlier checks {where}: {chart['why']}" if chart.get("signal") == "act" else ""
        )
    trust = meter_trust(entries, now_utc_ns)
    found |= {t.tag: t.reason for t in trust if t.dated}
    return {tag: reason for tag, reason in found.items() if reason}
