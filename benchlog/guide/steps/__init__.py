"""How each kind of check is done with a person: one module per kind, found by the kind's tag.

A module has ``measure(check, plan, acquisition)``, which does the check and judges it; ``expectation(check, plan)`` if
limits alone don't show what is expected; and ``limits(check, plan)`` if limits are computed. It is imported when a
check of its kind is done.
"""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from types import ModuleType

import msgspec

from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.hookup import in_words
from benchlog.metrology.next_best import with_next_best
from benchlog.plan import Check, Plan, kind_of
from benchlog.result import Limits

__all__ = ["expectation", "limits", "measure", "steps_of"]


def steps_of(check: Check) -> ModuleType:
    """Module of the steps of a check's kind."""
    return importlib.import_module(f"{__name__}.{kind_of(check).tag}")


def expectation(check: Check, plan: Plan) -> str:
    """Expectation besides limits, in one line, before any reading; empty if the limits are enough."""
    own = getattr(steps_of(check), "expectation", None)
    return str(own(check, plan)) if own is not None else ""


def limits(check: Check, plan: Plan) -> Mapping[str, Limits]:
    """Limits of the check, as far as they are known before any reading."""
    own = getattr(steps_of(check), "limits", None)
    found: Mapping[str, Limits] = check.parsed_limits() if own is None else own(check, plan)
    return found


def measure(check: Check, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do one check and judge it, without recording it.

    Raises
    ------
    SkippedError
        If the user skips a step.
    InstrumentError
        If an instrument does not answer.
    """
    outcome: CheckOutcome = steps_of(check).measure(check, plan, acquisition)
    result, wiring = outcome.result, check.wiring()
    result = msgspec.structs.replace(
        result,
        check_id=check.id,
        check_revision=check.revision,
        part=check.part,
        part_state=check.state or plan.parts[check.part].state,
        hookup=check.hookup or (in_words(wiring) if wiring is not None else result.hookup),
        wiring=wiring,
        cautions=tuple(dict.fromkeys([*([check.caution] if check.caution else []), *result.cautions])),
    )
    result = acquisition.unless_misread(with_next_best(result))
    return CheckOutcome(result, outcome.readings, outcome.captures)
