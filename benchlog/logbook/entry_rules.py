"""Rules between entries: one first entry, time goes back only at a clock entry, sessions and streams are in order, and
every entry that another one names exists."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from benchlog.clock import parse_rfc3339
from benchlog.logbook.chain import Entry
from benchlog.logbook.kinds import NOT_SUPERSEDED

CLOCK_STEP_NS = 10_000_000  # time services slew by less


class EntryRules:
    """Checks entries one after the other."""

    def __init__(self) -> None:
        self._time = ""
        self._session = 0
        self._fixed: set[int] = set()  # entries that can't be superseded
        self._superseded: set[int] = set()
        self._recalls: set[int] = set()
        self._streams: dict[str, int] = {}

    def broken(self, entry: Entry) -> Iterator[str]:
        """Yield what is wrong with the next entry."""
        yield from self._in_time(entry)
        yield from self._in_session(entry)
        if (entry.kind == "logbook") is not (entry.seq == 1):
            yield (
                "is a second beginning"
                if entry.kind == "logbook"
                else "is where the first entry of a logbook belongs"
            )
        if entry.kind in NOT_SUPERSEDED:
            self._fixed.add(entry.seq)
        for number in named_entries(entry.kind, entry.body):
            if not 0 < number < entry.seq:
                yield f"names entry {number}, which does not come before it"
        if entry.kind == "supersede":
            yield from self._corrects(entry)
        if entry.kind == "recall":
            self._recalls.add(entry.seq)
        if entry.kind == "recall undone" and entry.body["entry"] not in self._recalls:
            yield f"undoes entry {entry.body['entry']}, which is not a recall"
        if entry.kind == "readings" and "stream" in entry.body:
            name, position = entry.body["stream"], entry.body["position"]
            if position != self._streams.get(name, 0):
                yield f"does not continue where stream {name!r} ended"
            self._streams[name] = position + entry.body["count"]

    def _in_time(self, entry: Entry) -> Iterator[str]:
        before, self._time = self._time, entry.time
        if entry.kind == "clock" and entry.body["before"] != before:
            yield "gives a wrong time for the entry before it"
        elif entry.kind == "clock":
            step_s = (parse_rfc3339(before) - parse_rfc3339(entry.time)) / 1e9
            if not math.isclose(step_s, entry.body["set_back_s"], rel_tol=1e-9):
                yield f"gives a step of {entry.body['set_back_s']:g} s, but it is {step_s:g} s"
        elif entry.time < before:
            step = parse_rfc3339(before) - parse_rfc3339(entry.time)
            if step > CLOCK_STEP_NS:
                yield f"is {step / 1e9:g} s older than the one before, and no clock entry says so"

    def _in_session(self, entry: Entry) -> Iterator[str]:
        if entry.kind == "session begin":
            if entry.session != self._session + 1:
                yield f"begins session {entry.session} after session {self._session}"
            self._session = max(self._session, entry.session)
        elif not 0 <= entry.session <= self._session:
            yield f"belongs to session {entry.session}, which was never begun"

    def _corrects(self, entry: Entry) -> Iterator[str]:
        wrong, right = entry.body["entry"], entry.body.get("replacement")
        if not wrong < entry.seq or wrong in self._fixed:
            yield f"supersedes entry {wrong}, which can't be superseded"
        if wrong in self._superseded:
            yield f"supersedes entry {wrong}, which was superseded before"
        if right is not None and not right < entry.seq:
            yield f"replaces it by entry {right}, which does not exist"
        self._superseded.add(wrong)


def named_entries(kind: str, body: Mapping[str, Any]) -> Iterator[int]:
    """Entries that an entry names; they must come before it."""
    match kind:
        case "release" | "concession" | "step":
            yield from (ground["entry"] for ground in body.get("rests_on", ()))
        case "recall":
            yield from (result["entry"] for result in body["results"])
        case "recall undone" | "anchor" | "signature":
            yield body["entry"]
