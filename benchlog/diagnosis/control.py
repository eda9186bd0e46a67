"""The positive control: has the doubted instrument read a known source correctly, in this function and session?

A dead meter and a dead circuit read the same. Until a known source, or a second instrument on the same points,
confirms the doubted one, no part is condemned by it and no output is called probably dead.
"""

from __future__ import annotations

from collections.abc import Sequence

from benchlog.diagnosis.case import Case, Evidence, plausible
from benchlog.diagnosis.catalogue import OTHER_METER, Action, load_catalogue
from benchlog.diagnosis.effects import REDONE
from benchlog.diagnosis.outcome import Outcome
from benchlog.units import Quantity

STANDARD_PASSED = "standard passed"
"""Context of a case whose meter read a check standard correctly in this function and session."""

_NOTHING = 0.1  # share of the expected value below which both show nothing, pick-up apart: judgement
_SHORT_OHM = 1.0  # tips held together read less than this with sound leads: common practice, no source


def controls(case: Case) -> tuple[Action, ...]:
    """Return the checks that can prove the instrument for this kind of reading."""
    return tuple(a for a in load_catalogue().actions.values() if case.kind in a.proves)


def proven(case: Case, evidence: Sequence[Evidence]) -> bool:
    """Tell whether one of the checks done proved the doubted instrument for the reading in question."""
    return STANDARD_PASSED in case.context or any(_proves(case, e) for e in evidence)


def confirmed(case: Case, evidence: Sequence[Evidence], cause: str, family: str) -> bool:
    """Tell whether a check already confirmed a cause: it fixed it, or a second meter was read on the same points."""
    catalogue = load_catalogue()
    others = [e for e in evidence if e.action == "second_meter"]
    if family in ("part", OTHER_METER):
        within = catalogue.actions["second_meter"].within
        return bool(others) and same_as_first(case, others[-1].outcome, within)
    if family == "meter" and cause not in catalogue.again:  # the meter that is blamed does not confirm itself
        return bool(others) and _as_expected(case, others[-1])
    readings = [e for e in evidence if e.action in REDONE]
    mended = any(cause in catalogue.actions[e.action].mends for e in readings)
    return mended and _as_expected(case, readings[-1])


def _as_expected(case: Case, evidence: Evidence) -> bool:
    shown = evidence.outcome
    if shown.value is None:
        return False
    unit = shown.unit or case.expect.unit
    return plausible(
        case.expect, Quantity(shown.value, unit, shown.resolution, shown.coupling, evidence.text)
    )


def _proves(case: Case, evidence: Evidence) -> bool:
    shown = evidence.outcome
    action = load_catalogue().actions[evidence.action]
    if case.kind == "ohms" and action.id == "short_tips_ohms":
        # A meter that shows the resistance of its own leads is believed when it shows an open circuit.
        return case.reading.overload and shown.value is not None and abs(shown.value) <= _SHORT_OHM
    return any(_shows(case, shown, known, action.within) for known in action.proves.get(case.kind, ()))


def _shows(case: Case, shown: Outcome, known: float | str, within: float) -> bool:
    if known == "same":
        return same_as_first(case, shown, within)
    value = case.expect.value if isinstance(known, str) else known
    return shown.value is not None and abs(abs(shown.value) - abs(value)) <= within * abs(value)


def same_as_first(case: Case, second: Outcome, within: float) -> bool:
    """Tell whether a second reading agrees with the one in doubt; two that both show next to nothing do."""
    first = case.reading
    if first.overload or second.overload:
        return first.overload and second.overload
    if first.value is None or second.value is None or first.unit != second.unit:
        return False
    a, b, little = abs(first.value), abs(second.value), _NOTHING * abs(case.expect.value)
    if a < little and b < little:
        return True
    return abs(a - b) <= within * max(a, b) + first.resolution + second.resolution
