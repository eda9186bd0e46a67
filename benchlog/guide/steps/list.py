"""A list check: several readings, phases and questions, judged one by one; the worst decides."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from benchlog.capture import Capture
from benchlog.checks.inductance import check_inductance
from benchlog.checks.phase import check_phase
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.guide.scope_ranges import capture_in_range, driven
from benchlog.guide.steps.inductance import series_setup
from benchlog.guide.steps.reading import take_reading
from benchlog.metrology.conformity import RULE
from benchlog.plan import Plan
from benchlog.plan.list_kind import InductanceItem, ListCheck, PhaseItem, QuestionItem, ReadingItem
from benchlog.reading import Reading
from benchlog.result import Limits, Result, Uncertain, Verdict, worst_verdict


def expectation(check: ListCheck, plan: Plan) -> str:
    """Expected answers to the questions."""
    return "; ".join(f"{item.name}: yes" for item in check.item if isinstance(item, QuestionItem))


def limits(check: ListCheck, plan: Plan) -> dict[str, Limits]:
    """Limits of each item."""
    return check.item_limits()


def measure(check: ListCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do all items of a list check."""
    limits = check.item_limits()
    parts: dict[str, Result] = {}
    readings: list[Reading] = []
    captures: list[Capture] = []
    for item in check.item:
        key = f"{check.id}/{item.name.replace(' ', '_')}"
        if (wiring := item.wiring(check.part)) is not None:
            acquisition.show_hookup(wiring)
        if item.hookup:
            acquisition.do(item.hookup, f"{key}/hookup")
        elif acquisition.person.interactive and wiring is not None:
            acquisition.do("connected as drawn?", f"{key}/hookup")
        if isinstance(item, ReadingItem):
            taken = take_reading(item, item.name, limits[item.name], plan, acquisition, key, f"{key}/doubt")
            parts[item.name] = taken.result
            readings += taken.readings
        elif isinstance(item, PhaseItem):
            channels = (item.primary, item.secondary)
            capture = capture_in_range(acquisition, item.scope, channels, item.frequency.value)
            captures.append(capture)
            parts[item.name] = check_phase(capture, item.primary, item.secondary, limits[item.name])
        elif isinstance(item, InductanceItem):
            frequency = item.frequency.value
            channels = (item.across, item.resistor_channel)
            with driven(acquisition, item.generator, frequency, item.amplitude.value):
                capture = capture_in_range(acquisition, item.scope, channels, frequency, one_range=True)
            captures.append(capture)
            parts[item.name] = check_inductance(
                capture,
                series_setup(acquisition, item),
                turns=item.turns,
                limits={"inductance": limits[item.name]},
            )
        else:
            parts[item.name] = _question(item, acquisition.confirm(item.question, key))
        acquisition.person.show(f"  {item.name}: {parts[item.name].verdict}: {parts[item.name].reason}")
    result = msgspec.structs.replace(_together(parts, limits), hookup=check.hookups)
    return CheckOutcome(result, tuple(readings), tuple(captures))


def _question(item: QuestionItem, yes: bool) -> Result:
    return Result(
        check="question",
        verdict=Verdict.PASS if yes else Verdict.FAIL,
        reason=f"{item.question} {'yes' if yes else 'no'}",
        limits_set="plan",
    )


def _quantities(parts: dict[str, Result]) -> dict[str, Uncertain]:
    found: dict[str, Uncertain] = {}
    for name, part in parts.items():
        expected = part.expectations.values()
        for quantity, value in part.quantities.items():
            found.setdefault(f"expected {name}" if quantity in expected else name, value)
    return found


def _functions(parts: Iterable[Result]) -> dict[str, str]:
    """Settings of each instrument; the last one used comes last."""
    found: dict[str, list[str]] = {}
    for part in parts:
        for tag, function in part.functions.items():
            found[tag] = [*(f for f in found.get(tag, ()) if f != function), function]
    return {tag: ", ".join(used) for tag, used in found.items()}


def _together(parts: dict[str, Result], limits: dict[str, Limits]) -> Result:
    """One result of all items: the worst verdict with its reason, each quantity under its item's name."""
    verdict = worst_verdict([part.verdict for part in parts.values()])
    quantities = _quantities(parts)
    deciding = [f"{name}: {part.reason}" for name, part in parts.items() if part.verdict is verdict]
    said = (part.conformance_probability for part in parts.values())
    probabilities = [probability for probability in said if probability is not None]
    functions = _functions(parts.values())
    return Result(
        check="list",
        verdict=verdict,
        reason="; ".join(deciding),
        quantities=quantities,
        expectations={name: f"expected {name}" for name in parts if f"expected {name}" in quantities},
        limits=limits,
        limits_set="plan",
        conformance_probability=min(probabilities, default=None),
        rule=f"every item by {RULE}; questions as seen by the person at the bench",
        instruments=tuple(dict.fromkeys(tag for part in parts.values() for tag in part.instruments)),
        functions=functions,
        findings=tuple(finding.about(name) for name, part in parts.items() for finding in part.findings),
        details={
            "items": {name: {"verdict": part.verdict, "reason": part.reason} for name, part in parts.items()}
        },
    )
