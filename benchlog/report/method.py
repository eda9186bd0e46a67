"""How a measurement was done, enough to repeat it: hook-up, conditions, ranges and displays in words, and the instruments.

Of an instrument: its accuracy, and the date of its last check against a standard.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from benchlog.errors import BenchlogError
from benchlog.finding import FindingKind
from benchlog.influence import Role
from benchlog.logbook import Entry, Logbook
from benchlog.number_format import format_quantity
from benchlog.plan import Plan
from benchlog.project.meter_trust import MeterTrust, checked_words
from benchlog.project.provenance import uses
from benchlog.reading import Origin, Reading, State
from benchlog.result import Result
from benchlog.wording import limits_source


def instrument_lines(
    results: Sequence[Result], trust: Sequence[MeterTrust], standards: Sequence[Entry]
) -> tuple[str, ...]:
    """One line for each instrument that the listed results were measured with, or that is in doubt.

    Accuracies are those in the results' budgets; of a meter in none of them, those of its checks on a standard. A meter
    without a tag is listed by its accuracy.
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
            said = ["not checked on a check standard"]
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
                    claim = claim.partition("; known by ")[0]
                    found.setdefault(tag, {}).setdefault(" ".join(filter(None, (function, claim))))
    return found


_MOST_DISPLAYS = 8


def method_words(
    book: Logbook, plan: Plan | None, result: Result, *, practice: bool = False
) -> tuple[str, ...]:
    """Say what somebody needs to repeat a measurement and get the same within U.

    Parameters
    ----------
    book : Logbook
        Holds the readings and captures the result names as evidence; what is damaged there is left out.
    plan : Plan, optional
        Gives the hook-ups of a list's items if the result has none.
    practice : bool
        The page says of all results that they are from the simulated bench.

    Returns
    -------
    tuple of str
        Hook-up, conditions, displayed values, captures, where computed limits come from, how sure a count of turns is,
        and findings, as far as they are known.
    """
    words = []
    hookup = result.hookup or _item_hookups(plan, result)
    if hookup:
        words.append(hookup)
    if result.conditions:
        words.append(", ".join(f"{name} {value}" for name, value in result.conditions.items()))
    displays = _displays(book, result)
    if displays:
        words.append(f"displayed: {', '.join(displays)}")
    ranges = _scope_ranges(book, result)
    if ranges:
        words.append(f"captured: {'; '.join(ranges)}")
    sources = dict.fromkeys(limits_source(limits) for limits in result.limits.values() if limits.source)
    if sources and result.limits_set != "plan":
        words.append(f"limits from {'; '.join(sources)}")
    if result.turns:
        words.append(f"judged by the count: {result.reason}")
    known = (FindingKind.ADVICE, *([FindingKind.SIMULATED] if practice else []))
    words += [f"note: {finding}" for finding in result.findings if finding.kind not in known]
    return tuple(words)


def _item_hookups(plan: Plan | None, result: Result) -> str:
    check = plan.checks.get(result.check_id) if plan else None
    return check.hookups if check else ""


def _evidence(result: Result, kind: str) -> Iterator[int]:
    for reference in result.evidence:
        name, _, seq = reference.partition(":")
        if name == kind and seq.isascii() and seq.isdigit():
            yield int(seq)


def _displays(book: Logbook, result: Result) -> list[str]:
    """Displayed values with all their digits, function and range; typed ones are marked."""
    found: dict[str, None] = {}
    for seq in _evidence(result, "readings"):
        for reading in _kept(book.readings_of, seq) or ():
            found.setdefault(_display(reading))
            if len(found) > _MOST_DISPLAYS:
                return [*list(found)[:_MOST_DISPLAYS], "..."]
    return list(found)


def _display(reading: Reading) -> str:
    shown = reading.displayed or ("overload" if reading.state is not State.OK else "?")
    notes = [f"range {format_quantity(reading.range_max, reading.unit)}"] if reading.range_max else []
    notes += ["typed"] if reading.origin is Origin.HAND else []
    note = f" ({', '.join(notes)})" if notes else ""
    return f"{reading.instrument} {shown} on {reading.function}{note}".strip()


def _scope_ranges(book: Logbook, result: Result) -> list[str]:
    found: dict[str, None] = {}
    for seq in _evidence(result, "capture"):
        entry = _kept(book.entry, seq)
        if entry is not None and entry.kind == "capture":
            found.setdefault(_capture_words(entry.body))
    words = list(found)
    return [*words[:2], f"and {len(words) - 2} more settings"] if len(words) > 3 else words


def _capture_words(body: Mapping[str, Any]) -> str:
    channels: dict[str, list[str]] = {}
    for channel in body["channels"]:
        scale = channel["range_max"]
        setting = [f"range ±{format_quantity(scale, channel['unit'])}" if scale else "range not known"]
        setting += [channel["coupling"]] if channel["coupling"] else []
        setting += [f"probe ×{channel['probe']:g}"]
        channels.setdefault(", ".join(setting), []).append(str(channel["name"]))
    said = "; ".join(f"{' and '.join(names)} {setting}" for setting, names in channels.items())
    samples = body["channels"][0]["samples"]["samples"] if body["channels"] else 0
    return f"{body['instrument']} {said}, {samples} samples {format_quantity(body['interval_s'], 's')} apart"


def _kept(read: Callable[[int], Any], seq: int) -> Any:
    """Return the body of an entry; None where it is damaged or of another kind than its reference says."""
    try:
        return read(seq)
    except BenchlogError:
        return None
