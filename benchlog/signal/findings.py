"""What is odd about a record, as findings beside the numbers: nothing is repaired or averaged in silence."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Finding", "Severity", "channel_name"]


class Severity(StrEnum):
    """How much a finding weighs: no verdict may rest on numbers that one of them blocks."""

    BLOCKS = "blocks"
    WARNS = "warns"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Finding:
    """One observation about a record.

    Attributes
    ----------
    kind : str
        ``clipping``, ``too few cycles``, ``time base``, ``gap``, ``amplitude moves``, ``frequency moves``,
        ``spectrum``, ``several tones``, ``no signal``, ``quantisation``.
    message : str
        What was seen, with numbers, and what to do.
    severity : Severity
        ``"blocks"``, ``"warns"`` or ``"note"``.
    channel : int or None
        Index of the channel it concerns; None means the whole record.
    """

    kind: str
    message: str
    severity: Severity
    channel: int | None = None


def channel_name(channel: int) -> str:
    """What messages call the channel of this index."""
    return f"channel {channel + 1}"
