"""Findings about a record, reported beside the numbers: nothing is repaired or averaged silently."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from benchlog.finding import Finding, FindingKind


class Severity(StrEnum):
    """How serious a finding is; with one that blocks, no verdict may be given."""

    BLOCKS = "blocks"
    WARNS = "warns"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class RecordFinding:
    """One observation about a record."""

    kind: FindingKind
    message: str  #: What was seen, with numbers, and what to do.
    severity: Severity  #: ``"blocks"``, ``"warns"`` or ``"note"``.
    channel: int | None = None  #: Index of the channel it concerns; None means the whole record.

    def named(self, names: Sequence[str]) -> Finding:
        """Return it with the channel's own name instead of its number."""
        if self.channel is None:
            return Finding(self.kind, self.message)
        name, number = names[self.channel], channel_name(self.channel)
        if number in self.message:
            return Finding(self.kind, self.message.replace(number, f"channel {name}"))
        return Finding(self.kind, f"channel {name}: {self.message}")


def channel_name(channel: int) -> str:
    """Name of a channel in messages, by its index."""
    return f"channel {channel + 1}"
