"""Outcome of a guided check: a result with the evidence it rests on."""

from __future__ import annotations

from dataclasses import dataclass

from benchlog.capture import Capture
from benchlog.reading import Reading
from benchlog.result import Result


@dataclass(frozen=True, slots=True)
class CheckOutcome:
    """A result with the evidence it rests on."""

    result: Result
    readings: tuple[Reading, ...] = ()
    captures: tuple[Capture, ...] = ()
