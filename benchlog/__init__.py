"""benchlog: a bench measurement logger for one-off power electronics.

``benchlog.open("bench.logbook")`` gives tables of what was measured and concluded; `supply`, `continuity`,
`turns_ratio` and `crosscheck` run one check on text or numbers; a result has ``budget_frame()`` and ``plot()``.
"""

from __future__ import annotations

from benchlog.version import __version__

TYPE_CHECKING = False  # importing typing and pathlib would double the start-up time of `benchlog --help`
if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any

    from matplotlib.figure import Figure

    from benchlog.capture import Capture
    from benchlog.capture_files import load_capture
    from benchlog.logbook.view import LogbookView
    from benchlog.notebook import continuity, crosscheck, supply, turns_ratio
    from benchlog.result import Result

__all__ = [
    "__version__",
    "continuity",
    "crosscheck",
    "figure",
    "load_capture",
    "open",
    "supply",
    "turns_ratio",
]

_FROM = dict.fromkeys(("continuity", "crosscheck", "supply", "turns_ratio"), "benchlog.notebook") | {
    "load_capture": "benchlog.capture_files"
}


def __getattr__(name: str) -> Any:
    """Import a public function when it is first used: a bare ``import benchlog`` stays quick."""
    if name not in _FROM:
        raise AttributeError(f"module 'benchlog' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_FROM[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_FROM})


def open(path: Path | str) -> LogbookView:  # noqa: A001 - read as benchlog.open
    """Open a logbook for reading, as tables.

    Parameters
    ----------
    path : path
        The logbook's file.

    Returns
    -------
    LogbookView
        Has `readings`, `quantities`, `results`, `captures` and `entries_table`; close it, or use it in a ``with``.

    Raises
    ------
    LogbookError, UsageError
        If there is no such file, or it is not a logbook that can be read.
    """
    from pathlib import Path

    from benchlog.errors import UsageError
    from benchlog.logbook import Logbook
    from benchlog.logbook.view import LogbookView

    if not Path(path).exists():
        raise UsageError(
            f"there is no logbook {path}",
            hint="check the folder; a command that records, such as `benchlog supply`, makes bench.logbook",
        )
    return LogbookView(Logbook.open(path, mode="ro"))


def figure(subject: Result | Capture | int, book: LogbookView | None = None) -> Figure:
    """Draw a result (its sweep, load line, first cycles, or its values against their limits) or a capture.

    Parameters
    ----------
    subject : Result, Capture or int
        What a check concluded, a record of samples, or the number of a result's entry in `book`.
    book : LogbookView, optional
        The open logbook.

    Returns
    -------
    matplotlib Figure
        A notebook shows it; ``figure.savefig("c07.png")`` keeps it.

    Raises
    ------
    UsageError
        If there is nothing to draw.
    """
    from benchlog.report.figures import figure_of

    return figure_of(subject, book)
