"""Every error benchlog raises on purpose, with a hint for the person at the bench.

::

    BenchlogError                      exit code 2
    ├── UsageError                     what was typed can't be read or doesn't fit together
    ├── ConfigError                    plan or bench file: file, key, value, what would be right
    ├── CaptureFileError               a capture file that can't be read surely
    ├── AnalysisError                  data that can't answer the question asked
    ├── HoldRefusedError               1: a hold point with missing evidence
    ├── InstrumentError                4: instrument or link
    │   ├── AdapterUnavailableError    the adapter or its library is missing
    │   ├── OpenError                  not reachable; `reason` says why
    │   ├── ReadTimeoutError           no answer within the deadline
    │   ├── LinkLostError              the link ended
    │   ├── BadFrameError              bytes that give no reading; keeps them in `raw`
    │   └── InstrumentRefusedError     the instrument reported an error
    └── LogbookError                   5: the logbook file
        ├── LogbookLockedError         another program is writing
        ├── LogbookDamagedError        not a logbook, or its content contradicts itself
        ├── LogbookFullError           disk full, or not writable
        └── LogbookVersionError        written by a newer benchlog

The message says what happened, with the value and the place; the hint says what to do next.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum
from typing import TYPE_CHECKING

from benchlog.folding import folded_command, prose_and_command

if TYPE_CHECKING:
    from typing import TextIO


def did_you_mean(word: str, known: Iterable[str], otherwise: str = "") -> str:
    """Return a hint with the known word most like `word`, or `otherwise` if none is similar.

    >>> did_you_mean("suply", ["supply", "status"])
    'did you mean supply?'
    """
    from difflib import get_close_matches

    by_lower = {name.lower(): name for name in known}
    near = get_close_matches(word.lower(), by_lower, n=1, cutoff=0.6)
    return f"did you mean {by_lower[near[0]]}?" if near else otherwise


def error_text(who: str, message: str, hint: str, out: TextIO) -> str:
    """Message and hint as printed: wrapped between words on a terminal, one line each elsewhere.

    Parameters
    ----------
    who : str
        The program or command that speaks.
    message, hint : str
        The message may have several lines; the hint may be empty.
    out : text stream
        Where it is printed.
    """
    lines = [(f"{who}: " if k == 0 else "", line) for k, line in enumerate(message.splitlines() or [""])]
    if hint:
        lines.append(("   " if hint.startswith("did you mean") else "   try: ", hint))
    return "".join(f"{line}\n" for lead, text in lines for line in _wrapped(lead, text, out))


def _wrapped(lead: str, text: str, out: TextIO) -> list[str]:
    import os
    import textwrap

    try:
        width = os.get_terminal_size(out.fileno()).columns if out.isatty() else 0
    except (OSError, ValueError):
        width = 0
    if not width or len(lead) + len(text) <= width:
        return [lead + text]
    prose, command = prose_and_command(text)
    lines = textwrap.wrap(
        prose,
        max(20, width - 1),
        initial_indent=lead,
        subsequent_indent=" " * len(lead),
        break_long_words=False,
        break_on_hyphens=False,
    ) or [lead.rstrip()]
    return [*lines, *folded_command(command, width - 1, " " * len(lead))] if command else lines


class BenchlogError(Exception):
    """Root of the tree.

    Parameters
    ----------
    message : str
        What happened, with the value and the place.
    hint : str
        What the person at the bench can do next.
    instrument : str
        Instrument tag, filled in by the adapter base class.
    """

    exit_code = 2

    def __init__(self, message: str, hint: str = "", *, instrument: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint
        self.instrument = instrument

    def __str__(self) -> str:
        return f"{self.instrument}: {self.message}" if self.instrument else self.message


class UsageError(BenchlogError, ValueError):
    """What was typed can't be read or doesn't fit together."""


class ConfigError(BenchlogError, ValueError):
    """A plan or bench file is wrong; the message names file, key and value."""


class CaptureFileError(BenchlogError, ValueError):
    """A capture file can't be read surely; the hint shows what was seen."""


class AnalysisError(BenchlogError, ValueError):
    """The data can't answer the question asked."""


class HoldRefusedError(BenchlogError):
    """A hold point is not released; the message has a line for each thing in `missing`."""

    exit_code = 1

    def __init__(self, message: str, missing: Sequence[str], *, hint: str = "") -> None:
        super().__init__("\n".join([message, *missing]), hint=hint)
        self.missing = tuple(missing)


class InstrumentError(BenchlogError):
    """Trouble with an instrument or its link."""

    exit_code = 4


class AdapterUnavailableError(InstrumentError, ImportError):
    """No such adapter, or the library it needs is missing."""


class OpenReason(StrEnum):
    """Why an instrument could not be opened."""

    MISSING = "missing"
    REFUSED = "refused"
    BUSY = "busy"
    PERMISSION = "permission"
    WRONG_DEVICE = "wrong device"
    OTHER = "other"


class OpenError(InstrumentError, ConnectionError):
    """An instrument could not be reached."""

    def __init__(
        self, message: str, hint: str = "", *, reason: OpenReason = OpenReason.OTHER, instrument: str = ""
    ) -> None:
        super().__init__(message, hint, instrument=instrument)
        self.reason = reason


class ReadTimeoutError(InstrumentError, TimeoutError):
    """No answer within the deadline."""


class LinkLostError(InstrumentError, ConnectionError):
    """The link ended."""


class BadFrameError(InstrumentError, ValueError):
    """Bytes that give no reading; `raw` keeps them."""

    def __init__(self, message: str, hint: str = "", *, raw: bytes = b"", instrument: str = "") -> None:
        super().__init__(message, hint, instrument=instrument)
        self.raw = raw


class InstrumentRefusedError(InstrumentError):
    """The instrument reported an error (SCPI error queue)."""


class LogbookError(BenchlogError):
    """Trouble with the logbook file."""

    exit_code = 5


class LogbookLockedError(LogbookError):
    """Another program is writing to the logbook."""


class LogbookDamagedError(LogbookError, ValueError):
    """Not a logbook, or one whose content contradicts itself."""


class LogbookFullError(LogbookError, OSError):
    """The logbook can't grow or can't be written."""

    def __str__(self) -> str:
        return BenchlogError.__str__(self)


class LogbookVersionError(LogbookError):
    """The logbook was written by a newer benchlog."""
