"""Instruments on the certificate: the accuracy of each, and the date of its last check against a standard."""

from __future__ import annotations

from collections.abc import Sequence

from benchlog.influence import Role
from benchlog.logbook import Entry
from benchlog.project.overview import MeterTrust
from benchlog.result import Result

__all__ = ["instrument_lines"]


def instrument_lines(
    results: Sequence[Result], trust: Sequence[MeterTrust], standards: Sequence[Entry]
) -> tuple[str, ...]:
    """One line for each instrument that the listed results were measured with, or that is in doubt.

    Accuracies are those in the results' budgets; of a meter in none of them, those of its checks on a standard.
    """
    known = {meter.tag: meter for meter in trust}
    claims = _claims(results)
    for meter in {str(entry.body["meter"]) for entry in standards} - claims.keys():
        mine = [entry.body for entry in standards if entry.body["meter"] == meter]
        claims[meter] = dict.fromkeys(f"{body['function']} {body['accuracy']}" for body in mine)
    tags = dict.fromkeys([*(tag for result in results for tag in result.instruments), *known])
    lines = []
    for tag in tags:
        said = [known[tag].dated if tag in known else "not held against a check standard"]
        if claims.get(tag):
            said.append(f"accuracy claimed: {', '.join(claims[tag])}")
        lines.append(f"{tag}: {'; '.join(said)}")
    return tuple(lines)


def _claims(results: Sequence[Result]) -> dict[str, dict[str, None]]:
    """Accuracy of each instrument as in the uncertainty budgets, by function."""
    found: dict[str, dict[str, None]] = {}
    for result in results:
        for quantity in result.quantities.values():
            for line in quantity.budget:
                if line.influence is not None and line.influence.role is Role.READING:
                    tag, function = line.influence.instrument, line.influence.function
                    # The label is for people, and people read it here.
                    claim = line.label.removeprefix(f"accuracy of {tag}").strip(" ()")
                    found.setdefault(tag, {}).setdefault(" ".join(filter(None, (function, claim))))
    return found
