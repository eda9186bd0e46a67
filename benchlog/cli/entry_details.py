"""Single entries on a screen whose bodies are too deep for a list of their fields: diagnoses, recalls, expectations."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import msgspec

from benchlog.cli.entry_words import NO_WORDS, NOTHING_FITS
from benchlog.logbook.recalled import RecallClass
from benchlog.metrology.conformity import whole_percent
from benchlog.project.provenance import Blamed
from benchlog.result import Limits
from benchlog.wording import limits_source, limits_words, quantity_words

_CAUSES = 5  #: Most causes shown.
_SHOWN = 0.005  #: A less likely cause is not shown.
_PAIR_SHOWN = 0.1


class _Cause(msgspec.Struct):
    id: str
    label: str
    probability: float
    family: str = "none"


class _Pair(msgspec.Struct):
    causes: tuple[str, str]
    probability: float


class _Action(msgspec.Struct):
    action: str


class _DiagnosisBody(msgspec.Struct):
    """Fields of an entry that are shown; older entries lack some."""

    causes: list[_Cause]
    p_live: float
    stop: str | None
    expect: str = ""
    reading: str = ""
    check_id: str = ""
    context: list[str] = []
    path: list[tuple[str, str]] = []
    pairs: list[_Pair] = []
    next: list[_Action] = []
    cautions: list[str] = []
    proven: bool = False
    confirmed: bool = False
    put_right: list[str] = []
    unchanged: list[str] = []


def detail_lines(kind: str, body: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Lines of an entry, each with its style; none for other kinds, and of a body that another program wrote."""
    try:
        return list(_DETAILS[kind](body))
    except NO_WORDS:
        return []


def _recall(body: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """What was found bad, and each result that had used it."""
    yield f"{Blamed.from_body(body).name}: {body['reason']}", ""
    if not body["results"]:
        yield "no earlier result used it", ""
    for result in body["results"]:
        name = " ".join(filter(None, (result["check_id"], result["part"])))
        entry = f"entry {result['entry']}"
        yield f"  {f'{entry}, {name}' if name else entry}: {RecallClass(result['class']).words}", "bold"
        yield f"      {result['reason']}", ""
    if holds := body.get("holds"):
        yield f"hold points released on such results: {', '.join(holds)}", "bold"


def _expectation(body: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """What was expected before a reading, and its limits."""
    yield ": ".join(filter(None, (f"{body['check_id']} {body['part']}", body["expected"]))), ""
    for name, plain in body["limits"].items():
        limits = msgspec.convert(plain, Limits)
        source = f" (from {limits_source(limits)})" if limits.source else ""
        yield f"  {quantity_words(name)}: {limits_words(limits)}{source}", ""


def _diagnosis(body: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """What was read and expected, each check with its answer, the causes, and what came out."""
    found = msgspec.convert(body, _DiagnosisBody)
    names = {cause.id: cause.label for cause in found.causes}
    if found.expect:
        asked = f"{found.check_id}: " if found.check_id else ""
        yield f"{asked}{found.reading} read, {found.expect} expected", ""
    elif found.check_id:
        yield f"the result of {found.check_id} was diagnosed", ""
    if found.context:
        yield f"known before: {', '.join(found.context)}", ""
    if found.path:
        yield "checks, in order, and what they showed:", ""
        yield from ((f"  {_words(action)}: {answer}", "") for action, answer in found.path)
    yield "causes:", ""
    for cause in found.causes[:_CAUSES]:
        if cause.probability >= _SHOWN:
            family = f" ({cause.family})" if cause.family != "none" else ""
            yield f"  {whole_percent(cause.probability):>6}  {cause.label}{family}", ""
    for pair in found.pairs[:1]:
        if pair.probability >= _PAIR_SHOWN:
            both = ", and ".join(names.get(cause, cause) for cause in pair.causes)
            yield f"  {whole_percent(pair.probability):>6}  both at once: {both}", ""
    yield from ((line, "bold") for line in _outcome(found, names))
    unproven = "" if found.proven else "; the meter was not yet proven on a known source"
    yield f"chance that the output was live: {whole_percent(found.p_live)}{unproven}", ""
    yield from ((f"! {caution}", "bold") for caution in found.cautions)


def _outcome(found: _DiagnosisBody, names: Mapping[str, str]) -> Iterator[str]:
    """What was decided, and what was read after it was put right."""
    for cause in found.put_right:
        yield f"fixed on the way: {names.get(cause, cause)}"
    for cause in found.unchanged:
        yield f"same reading after it was to be fixed: {names.get(cause, cause)}"
    if found.stop == "decided":
        state = f"{'' if found.confirmed else 'not yet '}confirmed"
        yield f"decided: {found.causes[0].label}; {state}"
    else:
        yield f"not decided{': ' + NOTHING_FITS if found.stop == NOTHING_FITS else _next(found.next)}"


def _next(proposed: Sequence[_Action]) -> str:
    return f"; next check: {_words(proposed[0].action)}" if proposed else ""


def _words(action: str) -> str:
    return action.replace("_", " ")


_DETAILS: Mapping[str, Callable[[Mapping[str, Any]], Iterator[tuple[str, str]]]] = {
    "diagnosis": _diagnosis,
    "recall": _recall,
    "expectation": _expectation,
}
