"""Observations of a meter's error in the record: readings of check standards, and cross-checks that agreed.

Pure: entries in, observations out; `benchlog.metrology.error_estimate` makes an estimate of them. The rules:

- only those taken before the reading, and after the meter's last new battery, adjustment or repair;
- none from before the end of a doubt about the meter, the other meter or the check standard (failed, found bad);
- readings of standards whose uncertainty is in the entry, on the same range (known by its resolution);
- cross-checks that passed; on AC only if both meters respond alike, as they differ with the waveform otherwise.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from benchlog.clock import DAY_NS
from benchlog.logbook.chain import Entry
from benchlog.metrology.accuracy import Accuracy, parse_accuracy
from benchlog.metrology.known_error import MeterRange, Observation
from benchlog.metrology.meter_reading import MeterReading
from benchlog.project.meter_doubt import MeterDoubts
from benchlog.project.provenance import shares

#: Kinds of entries that show a meter's error, or make older ones invalid.
_OLDEST_NS = 2 * 365 * DAY_NS  # older observations are no better than the data sheet


def with_evidence(metered: MeterReading, entries: Iterable[Entry], now_utc_ns: int) -> MeterReading:
    """Add to a reading the meter's error as known from the record, if that is better than the data sheet.

    Parameters
    ----------
    entries : iterable of Entry
        In order, up to the reading; those of `EVIDENCE_KINDS` matter.
    now_utc_ns : int
        Time of the reading.
    """
    shown = metered.reading
    if not shown.instrument or shown.value is None or not shown.resolution > 0:
        return metered
    known = list(entries)
    on = MeterRange(shown.instrument, str(shown.function), shown.resolution)
    claims = {on: metered.accuracy}
    seen = list(_observations(known, on.function, now_utc_ns, claims))
    if not seen:
        return metered
    from benchlog.metrology.error_estimate import (
        known_error,
    )  # imports NumPy, which a plain reading does not need

    claims[on] = metered.accuracy
    return MeterReading(shown, metered.accuracy, known=known_error(on, shown.value, claims, seen))


def _observations(
    entries: list[Entry], function: str, now_utc_ns: int, claims: dict[MeterRange, Accuracy]
) -> Iterator[Observation]:
    """Observations of one function; adds the data sheets of their ranges."""
    doubts = MeterDoubts(entries)
    fresh = _fresh_since(entries)
    superseded = {int(e.body["entry"]) for e in entries if e.kind == "supersede"}
    for entry in entries:
        age_ns = now_utc_ns - entry.utc_ns
        if entry.seq in superseded or not 0 <= age_ns <= _OLDEST_NS:
            continue
        if entry.kind == "standard":
            found = _of_standard(entry, function, age_ns / 1e9, claims)
        elif entry.kind == "result" and entry.body.get("check") == "crosscheck":
            found = _of_crosscheck(entry, function, age_ns / 1e9, claims)
        else:
            continue
        for one in found:
            things = [(end.meter, function) for end, _, _ in one.ends()]
            things += [(one.standard, "")] if one.standard else []
            if not any(_spoiled(entry.seq, thing, used, doubts, fresh) for thing, used in things):
                yield one


def _fresh_since(entries: Iterable[Entry]) -> dict[tuple[str, str], int]:
    """Entry of the last new battery, adjustment or repair, which changed a meter's function."""
    found: dict[tuple[str, str], int] = {}
    for entry in entries:
        if entry.kind == "repair":
            found[str(entry.body["meter"]), ""] = entry.seq
        elif entry.kind == "standard" and entry.body.get("as") == "left":
            found[str(entry.body["meter"]), str(entry.body["function"])] = entry.seq
    return found


def _spoiled(
    seq: int, thing: str, function: str, doubts: MeterDoubts, fresh: Mapping[tuple[str, str], int]
) -> bool:
    """Whether an entry about a meter or standard is no longer valid."""
    renewed = any(who == thing and shares(what, function) and seq < at for (who, what), at in fresh.items())
    return renewed or doubts.before_end(thing, function, seq)


def _of_standard(
    entry: Entry, function: str, age_s: float, claims: dict[MeterRange, Accuracy]
) -> Iterator[Observation]:
    body = entry.body
    half_width = body.get("standard_half_width")
    if half_width is None or body["function"] != function or body["verdict"] != "pass":
        return
    on = MeterRange(str(body["meter"]), function, float(body["resolution"]))
    claims.setdefault(on, parse_accuracy(body["accuracy"]))
    yield Observation(
        on,
        float(body["value"]),
        float(body["standard_value"]),
        age_s,
        standard=str(body["standard"]),
        half_width=float(half_width),
    )


def _of_crosscheck(
    entry: Entry, function: str, age_s: float, claims: dict[MeterRange, Accuracy]
) -> Iterator[Observation]:
    body = entry.body
    details: Mapping[str, Any] = body.get("details", {})
    meters: Mapping[str, Any] = details.get("meters", {})
    if body["verdict"] != "pass" or function not in body.get("functions", {}).values() or not meters:
        return
    if any("resolution" not in meter for meter in meters.values()) or not _alike(function, meters):
        return
    ranges = {tag: MeterRange(tag, function, float(m["resolution"])) for tag, m in meters.items()}
    for tag, meter in meters.items():
        claims.setdefault(ranges[tag], parse_accuracy(meter["accuracy"]))
    first = next(iter(meters))
    for pair in details.get("pairs", ()):
        if (
            pair["first"] != first or pair["second"] not in meters
        ):  # the other pairs follow from those with the first meter
            continue
        second = pair["second"]
        yield Observation(
            ranges[first],
            float(meters[first]["value"]),
            float(meters[second]["value"]),
            age_s,
            other=ranges[second],
            scatter=float(pair.get("scatter", 0.0)),
        )


def _alike(function: str, meters: Mapping[str, Any]) -> bool:
    """Whether the meters agree on any waveform: always on DC and ohms, else if they respond alike."""
    if "~" not in function:
        return True
    responses = {str(meter.get("response", "")) for meter in meters.values()}
    return len(responses) == 1 and "" not in responses
