"""Instruments on the certificate: the accuracy of each, and the date of its last check against a standard."""

from __future__ import annotations

from collections.abc import Sequence

from benchlog.influence import Role
from benchlog.logbook import Entry
from benchlog.project.meter_trust import MeterTrust, checked_words
from benchlog.project.provenance import uses
from benchlog.result import Result


def instrument_lines(
    results: Sequence[Result], trust: Sequence[MeterTrust], standards: Sequence[Entry]
) -> tuple[str, ...]:
    """One line for each instrument that the listed results were measured with, or that is in doubt.

    Accuracies are those in the results' budgets; of a meter in none of them, those of its checks on a standard. A meter
    that was given no tag is there by its accuracy.
    """
    known = {meter.tag: meter for meter in trust}
    claims = _claims(results)
    used = [*(tag for result in results for tag in result.instruments), *claims]
    for meter in {str(entry.body["meter"]) for entry in standards} - claims.keys():
        mine = [entry.body for entry in standards if entry.body["meter"] == meter]
        claims[meter] = dict.fromkeys(f"{body['function']} {body['accuracy']}" for body in mine)
    tags = dict.fromkeys([*used, *known])
    lines = []
    for tag in tags:
        if tag in known:
            checked = known[tag].checked(_functions(results, tag))
            said = list(filter(None, [known[tag].dated, checked_words(checked, dated=True)]))
        else:
            said = ["not held against a check standard"]
        if claims.get(tag):
            said.append(f"accuracy claimed: {', '.join(claims[tag])}")
        lines.append(f"{tag or 'meter without a tag'}: {'; '.join(said)}")
    return tuple(lines)


def _functions(results: Sequence[Result], tag: str) -> dict[str, None]:
    """Functions that an instrument was used on."""
    return dict.fromkeys(u.function for result in results for u in uses(result) if u.instrument == tag)


def _claims(results: Sequence[Result]) -> dict[str, dict[str, None]]:
    """Accuracy of each instrument as in the uncertainty budgets, by function."""
    found: dict[str, dict[str, None]] = {}
    for result in results:
        for quantity in result.quantities.values():
            for line in quantity.budget:
                if line.influence is not None and line.influence.role is Role.READING:
                    tag, function = line.influence.instrument, line.influence.function
                    # The label is for people, and people read it here.
                    claim = line.label.removeprefix(f"accuracy of {tag or 'meter'}").strip(" ()")
                    found.setdefault(tag, {}).setdefault(" ".join(filter(None, (function, claim))))
    return found
