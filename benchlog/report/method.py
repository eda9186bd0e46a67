"""Method of a measurement in words: hook-up, conditions, ranges and displays, enough to repeat it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from benchlog.errors import BenchlogError
from benchlog.logbook import Logbook
from benchlog.plan import Plan
from benchlog.reading import Origin, Reading, State
from benchlog.result import Result
from benchlog.units import format_quantity

_MOST_DISPLAYS = 8


def method_words(book: Logbook, plan: Plan | None, result: Result) -> tuple[str, ...]:
    """Say what somebody needs to repeat a measurement and get the same within U.

    Parameters
    ----------
    book : Logbook
        Holds the readings and captures the result names as evidence; what is damaged there is left out.
    plan : Plan, optional
        Tells hook-ups of a list's items where the result does not.
    result : Result

    Returns
    -------
    tuple of str
        Hook-up; conditions; as displayed; as captured; findings. What there is of these.
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
    words += [f"found: {finding}" for finding in result.findings[:3]]
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
    return f"{body['instrument']} {said}, {samples} samples each {format_quantity(body['interval_s'], 's')}"


def _kept(read: Callable[[int], Any], seq: int) -> Any:
    """Return the body of an entry; None where it is damaged or of another kind than its reference says."""
    try:
        return read(seq)
    except BenchlogError:
        return None
