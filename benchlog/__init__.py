"""benchlog: a bench measurement logger for one-off power electronics.

``benchlog.open("bench.logbook").readings()`` gives a table of what was measured, ``benchlog.figure(result)`` a
picture of what was concluded.
"""

from __future__ import annotations

from benchlog.version import __version__

TYPE_CHECKING = False  # importing typing and pathlib would double the start-up time of `benchlog --help`
if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.figure import Figure

    from benchlog.logbook.view import LogbookView
    from benchlog.result import Result

__all__ = ["__version__", "figure", "open"]


def open(path: Path | str) -> LogbookView:  # noqa: A001 - read as benchlog.open
    """Open a logbook for reading, as tables.

    Parameters
    ----------
    path : path
        The logbook's file.

    Returns
    -------
    LogbookView
        Has `readings`, `results`, `captures` and `entries_table`; close it, or use it in a ``with``.

    Raises
    ------
    LogbookError, UsageError
        If there is no such file, or it is no logbook that can be read.
    """
    from benchlog.logbook import Logbook

    return Logbook.open(path, mode="ro").view()


def figure(result: Result | int, book: LogbookView | None = None) -> Figure:
    """Draw a result: its sweep, load line, first cycles, or its values against their limits.

    Parameters
    ----------
    result : Result or int
        What a check concluded, or the number of its entry in `book`.
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

    return figure_of(result, book)
