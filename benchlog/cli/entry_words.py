"""Describe entries in words: one line for a list, all lines for a single entry."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import msgspec

from benchlog.logbook.chain import Entry
from benchlog.logbook.clock_steps import span_words
from benchlog.logbook.recalled import RecallClass
from benchlog.metrology.conformity import whole_percent
from benchlog.result import Limits, Result, Verdict
from benchlog.wording import all_limits_words, strip_controls

#: How a diagnosis ended, as it is recorded, if no cause explains the answers.
NOTHING_FITS = "no single cause fits"
_LONGEST = 300
#: Raised by an unknown kind of entry, or a body that another program wrote.
NO_WORDS = (KeyError, TypeError, ValueError, AttributeError, IndexError)


def summary(entry: Entry) -> str:
    """One line about an entry."""
    body = entry.body
    try:
        words = _WORDS[entry.kind](body)
    except NO_WORDS:
        words = ", ".join(lines(body))
    return strip_controls(words)[:_LONGEST]


def lines(value: Mapping[str, Any], prefix: str = "") -> Iterator[str]:
    """Lines of "name: value" for a nested body, without empty ones."""
    for name, item in value.items():
        label = f"{prefix}{name}"
        if isinstance(item, dict):
            yield from lines(item, f"{label}.")
        elif isinstance(item, list):
            if item and not any(isinstance(i, dict | list) for i in item):
                yield strip_controls(f"{label}: {', '.join(map(str, item))}")
            for number, inner in enumerate(i for i in item if isinstance(i, dict)):
                yield from lines(inner, f"{label}[{number}].")
        elif item not in (None, ""):
            yield strip_controls(f"{label}: {item}")


def _result(body: Mapping[str, Any]) -> str:
    name = " ".join(filter(None, (body.get("check_id"), body.get("part"), body["check"].replace("_", " "))))
    result = Result.from_json(body)
    return f"{name}: {result.overall_words}, {result.overall_reason}"


def _capture(body: Mapping[str, Any]) -> str:
    channels = body["channels"]
    names = ", ".join(channel["name"] for channel in channels)
    return f"{body['instrument']} {names}, {channels[0]['samples']['samples']} samples"


def _hold(body: Mapping[str, Any]) -> str:
    ground = ", ".join(f"{r['check_id']} (entry {r['entry']})" for r in body.get("rests_on", ()))
    words = [f"{body['hold']}, {body['step']}"]
    words += [f"by {body['by']}"] if body.get("by") else []
    words += [f"evidence: {ground}"] if ground else []
    words += [f"reason: {body['reason']}"] if body.get("reason") else []
    return "; ".join(words)


def _standard(body: Mapping[str, Any]) -> str:
    signal = body["chart"]["signal"]
    chart = {"warn": ", chart warning", "act": ", chart alarm"}.get(signal, "")
    return (
        f"{body['meter']} on {body['standard']}: {body['displayed']}, {Verdict(body['verdict']).words}, E_n {abs(body['e_n']):.2f}, "
        f"as {body['as']}{chart}"
    )


def _recall(body: Mapping[str, Any]) -> str:
    touched = "; ".join(
        " ".join(
            filter(None, (r["check_id"] or f"entry {r['entry']}", r["part"], RecallClass(r["class"]).words))
        )
        for r in body["results"]
    )
    return f"{' '.join(filter(None, (body['meter'], body['function'])))}, {body['reason']}: {touched or 'no earlier result used it'}"


def _diagnosis(body: Mapping[str, Any]) -> str:
    found = ", ".join(f"{c['label']} ({whole_percent(c['probability'])})" for c in body["causes"][:2])
    if body.get("stop") == NOTHING_FITS:
        found = NOTHING_FITS
    elif body.get("stop") == "decided":
        found = f"decided: {body['causes'][0]['label']}{', confirmed' if body.get('confirmed') else ''}"
    asked = f"{body['reading']} read, {body['expect']} expected: " if "expect" in body else ""
    return " ".join(filter(None, (body.get("check_id"), f"{asked}{found}")))


def _expected(body: Mapping[str, Any]) -> str:
    """What was expected before the reading: a value or its limits, or both."""
    limits = all_limits_words(msgspec.convert(body["limits"], dict[str, Limits]))
    return "; ".join(filter(None, (body["expected"], f"limits: {limits}" if limits else ""))) or "nothing"


def _session_end(body: Mapping[str, Any]) -> str:
    return f"left on or charged: {body['left']}" + (f"; next: {body['next']}" if body.get("next") else "")


def _readings(body: Mapping[str, Any]) -> str:
    count = "1 reading" if body["count"] == 1 else f"{body['count']} readings"
    uses = f": {', '.join(body['uses'])}" if body.get("uses") else ""
    return f"{count} from {body['first_time'][11:23]}{uses}"


def _doubt(body: Mapping[str, Any]) -> str:
    found = {"begins": "in doubt", "ends": "no longer in doubt"}[body["event"]]
    return f"{' and '.join(body['instruments'])} {found}: {body['reason']}"


def _session(body: Mapping[str, Any]) -> str:
    return f"plan {body['about']['plan']}" if body["about"].get("plan") else ", ".join(lines(body["about"]))


_WORDS: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "anchor": lambda b: f"entry {b['entry']} existed on {b['time'][:19]}Z, according to {b['authority']}",
    "attachment": lambda b: f"{b['name']}, {b['size'] / 1000:.0f} kB {b['about']}",
    "capture": _capture,
    "channel": lambda b: f"{b['instrument']} {b['function']}, in {b['unit']}",
    "clock": lambda b: f"set back by {span_words(b['set_back_s'])}, from {b['before'][:19]}Z",
    "concession": _hold,
    "diagnosis": _diagnosis,
    "doubt": _doubt,
    "expectation": lambda b: f"{b['check_id']} {b['part']}: {_expected(b)}",
    "logbook": lambda b: f"logbook of {b['project']}, begun with benchlog {b['benchlog']}",
    "exploratory": lambda b: (
        f"{b['meter']} on {b['standard']}: {b['displayed']}, asked about: {b['question']}"
    ),
    "migration": lambda b: f"format {b['from']} to {b['schema_version']}; the old file is {b['kept_copy']}",
    "note": lambda b: f"{b['about']}: {b['text']}" if b.get("about") else b["text"],
    "part": lambda b: f"{b['part']}: {b['state']}",
    "plan": lambda b: f"{b['project']}: {len(b['checks'])} checks as they are now, sha256:{b['sha256'][:12]}",
    "readings": _readings,
    "recall": _recall,
    "recall undone": lambda b: f"recall {b['entry']} undone: {b['reason']}",
    "repair": lambda b: f"{b['meter']}: {b['reason']}",
    "found bad": lambda b: f"{b['meter']} on {b['function']}: {b['cause']}",
    "adoption": lambda b: f"entry {b['entry']} counts for {b['check_id']} on {b['part']}",
    "release": _hold,
    "result": _result,
    "session begin": _session,
    "session resume": _session,
    "session end": _session_end,
    "skip": lambda b: f"{b['check_id']} {b['part']}: {b['reason']}",
    "signature": lambda b: f"entries 1 to {b['entry']} signed by {b['key']}",
    "standard": _standard,
    "step": _hold,
    "stop": lambda b: f"{b['check_id']} {b['part']}: broken off",
    "substitution": lambda b: f"{b['part']}: {b['what']} ({b['reason']})",
    "supersede": lambda b: f"entry {b['entry']} withdrawn: {b['reason']}",
    "trouble": lambda b: f"{b['check_id']} not done: {b['message']}",
}
