"""One row per result, one row per channel: what tables, exports and lists show of entries."""

from __future__ import annotations

from typing import Any

from benchlog.logbook.chain import Entry
from benchlog.logbook.reader import LogbookReader
from benchlog.logbook.recalled import Recalls

SUMMARY_COLUMNS = (
    "instrument",
    "channel",
    "function",
    "unit",
    "count",
    "not_ok",
    "mean",
    "minimum",
    "maximum",
    "first_time",
    "last_time",
)


def channel_summary(book: LogbookReader) -> list[dict[str, Any]]:
    """Summarise every channel from the rollup; times to ten seconds, in nanoseconds since 1970."""
    with book.querying() as db:
        rows = db.execute(
            "SELECT instrument, channel.channel, function, unit, sum(ok), sum(not_ok), sum(total) / sum(ok),"
            " min(minimum), max(maximum), min(bucket) * 10000000000, (max(bucket) + 1) * 10000000000"
            " FROM rollup JOIN channel ON channel.id = rollup.channel GROUP BY rollup.channel ORDER BY id"
        ).fetchall()
    return [dict(zip(SUMMARY_COLUMNS, row, strict=True)) for row in rows]


RESULT_COLUMNS = (
    "entry",
    "session",
    "time",
    "part",
    "check",
    "check_id",
    "verdict",
    "reason",
    "quantity",
    "value",
    "expanded_uncertainty",
    "coverage_factor",
    "unit",
    "low",
    "high",
    "conformance_probability",
    "instruments",
    "superseded_by",
    "recalled",
)


def result_row(entry: Entry, superseded_by: int | None, recalls: Recalls) -> dict[str, Any]:
    """Flatten a result to one row: its first quantity with limits, else its first; and what became of it."""
    body = entry.body
    recalled = recalls.of(entry.seq)
    quantities, limits = body.get("quantities", {}), body.get("limits", {})
    name = next((n for n in quantities if n in limits), next(iter(quantities), ""))
    quantity, limit = quantities.get(name, {}), limits.get(name, {})
    return {
        "entry": entry.seq,
        "session": entry.session,
        **{k: body.get(k, "") for k in ("time", "part", "check", "check_id", "verdict", "reason")},
        "quantity": name,
        **{k: quantity.get(k) for k in ("value", "expanded_uncertainty", "coverage_factor", "unit")},
        "low": limit.get("low"),
        "high": limit.get("high"),
        "conformance_probability": body.get("conformance_probability"),
        "instruments": ", ".join(body.get("instruments", ())),
        "superseded_by": superseded_by,
        "recalled": recalled[0].kind.words if recalled else "",
    }
