"""A diagnosis of the record on a screen: what was asked, what was checked, what came out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import msgspec

from benchlog.metrology.conformity import whole_percent

NOTHING_FITS = (
    "no single cause fits"  #: How a diagnosis ended, as it is recorded, if no cause explains the answers.
)
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


class _Diagnosis(msgspec.Struct):
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


def diagnosis_lines(body: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield the lines of a diagnosis, each with its style.

    Raises
    ------
    msgspec.ValidationError
        If another program wrote the entry with other fields.
    """
    found = msgspec.convert(body, _Diagnosis)
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


def _outcome(found: _Diagnosis, names: Mapping[str, str]) -> Iterator[str]:
    """What was decided, and what was read after it was put right."""
    for cause in found.put_right:
        yield f"fixed on the way: {names.get(cause, cause)}"
    for cause in found.unchanged:
        yield f"same reading after it was to be fixed: {names.get(cause, cause)}"
    if found.stop == "decided":
        state = f"{'' if found.confirmed else 'not yet '}confirmed by reading again"
        yield f"decided: {found.causes[0].label}; {state}"
    else:
        yield f"not decided{': ' + NOTHING_FITS if found.stop == NOTHING_FITS else _next(found.next)}"


def _next(proposed: Sequence[_Action]) -> str:
    return f"; next check: {_words(proposed[0].action)}" if proposed else ""


def _words(action: str) -> str:
    return action.replace("_", " ")
