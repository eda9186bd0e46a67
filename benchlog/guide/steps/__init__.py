"""How each kind of check is done with a person, leads and meters: a module for each kind, found by the kind's tag.

A module has ``measure(check, plan, acquisition)``, which does the check and judges it, and where limits alone don't
say what is expected ``expectation(check, plan)``. It is imported when a check of its kind is done.
"""

from __future__ import annotations

import importlib
from types import ModuleType

import msgspec

from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_outcome import CheckOutcome
from benchlog.hookup import in_words
from benchlog.plan import Check, LimitText, Plan, kind_of
from benchlog.wording import quantity_words

__all__ = ["expectation", "limits_in_words", "measure", "steps_of"]


def steps_of(check: Check) -> ModuleType:
    """Module of the steps of a check's kind."""
    return importlib.import_module(f"{__name__}.{kind_of(check).tag}")


def expectation(check: Check, plan: Plan) -> str:
    """What is expected, in one line, before anything is read."""
    own = getattr(steps_of(check), "expectation", None)
    return (str(own(check, plan)) if own is not None else "") or limits_in_words(check)


def limits_in_words(check: Check) -> str:
    """Limits of the plan in one line."""
    return (
        "; ".join(f"{quantity_words(name)} {span_words(text)}" for name, text in check.limits.items())
        or "no limits"
    )


def span_words(limits: LimitText) -> str:
    """Limits as the plan has them, in words."""
    if limits.low is None:
        return f"at most {limits.high}"
    return f"at least {limits.low}" if limits.high is None else f"{limits.low} to {limits.high}"


def measure(check: Check, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do one check and judge it; nothing is recorded here.

    Raises
    ------
    SkippedError
        When the person skips a step.
    InstrumentError
        When an instrument does not answer.
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
    return CheckOutcome(result, outcome.readings, outcome.captures)
