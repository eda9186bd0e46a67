"""benchlog: a bench measurement logger for one-off power electronics.

``benchlog.open("bench.logbook").readings()`` gives a table of what was measured.
"""

from __future__ import annotations

TYPE_CHECKING = False  # importing typing and pathlib would double the start-up time of `benchlog --help`
if TYPE_CHECKING:
    from pathlib import Path

    from benchlog.logbook.view import LogbookView

__version__ = "0.1.0"
__all__ = ["__version__", "open"]


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
