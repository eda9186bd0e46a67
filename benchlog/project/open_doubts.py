"""Doubts about meters that a watch recorded and that are not settled yet."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from benchlog.logbook.chain import Entry
from benchlog.project.meter_doubt import says_nothing
from benchlog.project.suspect import Kind, Suspect
from benchlog.reading import Function

#: Kinds of entries that open, or settle, a doubt of a watch.
KINDS = ("doubt", "standard", "supersede")
#: Not these: a silent meter does not read wrong, and a failed check standard has its own rules.
_NOT_KEPT = frozenset({Kind.SILENT, Kind.STANDARD})


def doubt_body(event: str, suspect: Suspect) -> dict[str, Any]:
    """Body of the entry that a doubt ``begins`` or ``ends``."""
    body: dict[str, Any] = {
        "event": event,
        "instruments": list(suspect.tags),
        "kind": suspect.kind.value,
        "group": suspect.group,
        "reason": suspect.reason,
    }
    if event == "begins":
        body |= {"next": suspect.next_check}
        body |= {} if suspect.function is None else {"function": suspect.function.value}
    return body


def open_doubts(entries: Iterable[Entry]) -> tuple[Suspect, ...]:
    """Return the doubts that have begun and not ended, oldest first.

    A doubt ends when watch says so, for a meter when it later passes a check standard on the same function, and for all
    when one of them fails it: that explains the doubt. Entries of unknown form, from other versions, are ignored.

    Parameters
    ----------
    entries : iterable of Entry
        In order; kinds of `KINDS` matter.
    """
    known = list(entries)
    superseded = {int(e.body["entry"]) for e in known if e.kind == "supersede"}
    found: dict[tuple[str, ...], Suspect] = {}
    for entry in known:
        if entry.kind == "doubt":
            suspect = _suspect(entry)
            if suspect is None:
                continue
            key = (suspect.kind.value, *sorted(suspect.tags))
            if entry.body.get("event") == "begins":
                found[key] = suspect
            else:
                found.pop(key, None)
        elif entry.kind == "standard" and entry.seq not in superseded and not says_nothing(entry):
            found = {k: left for k, suspect in found.items() if (left := _rest(suspect, entry.body))}
    return tuple(found.values())


def _suspect(entry: Entry) -> Suspect | None:
    body: Mapping[str, Any] = entry.body
    kind, tags, function = body.get("kind"), body.get("instruments"), body.get("function")
    if kind not in tuple(Kind) or Kind(kind) in _NOT_KEPT or not isinstance(tags, list) or not tags:
        return None
    first, *others = map(str, tags)
    return Suspect(
        first,
        Kind(kind),
        str(body.get("reason", "")),
        str(body.get("next", "")),
        entry.utc_ns,
        tuple(others),
        str(body.get("group", "")),
        Function(function) if function in tuple(Function) else None,
    )


def _rest(suspect: Suspect, body: Mapping[str, Any]) -> Suspect | None:
    """The rest of a doubt after a meter was read on a check standard, or None."""
    meter, seen = str(body["meter"]), suspect.function
    if meter not in suspect.tags or (seen is not None and seen.value != body["function"]):
        return suspect
    left = [tag for tag in suspect.tags if tag != meter] if body["verdict"] == "pass" else []
    return replace(suspect, tag=left[0], others=tuple(left[1:])) if left else None
