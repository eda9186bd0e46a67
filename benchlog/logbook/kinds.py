"""Kinds of entries that the logbook itself knows."""

from __future__ import annotations

__all__ = ["NOT_SUPERSEDED", "OWN_KINDS"]

#: What these entries say is also kept in tables, so only the logbook's own methods may write them.
OWN_KINDS = frozenset(
    {
        "logbook",
        "migration",
        "clock",
        "channel",
        "readings",
        "capture",
        "attachment",
        "result",
        "supersede",
        "session begin",
        "session resume",
        "session end",
    }
)
NOT_SUPERSEDED = OWN_KINDS - {"readings", "capture", "attachment", "result"}
