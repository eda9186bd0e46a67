"""Columns of a table: which are times by their name, and which of them the user chose or named."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from benchlog.capture_files.table import Column, Table
from benchlog.errors import UsageError

_TIME_NAME = re.compile(
    r"(?:(?:elapsed|relative|sample|run|test|capture)[ _]*)?(?:time[ _]*(?:axis|stamp|base)?|zeit|t|x|x[ _-]*axis"
    r"|seconds?|secs?|s|date[ _/]*time|date)(?:[ _]*(?:raw|parsed|utc|local))?",
    re.IGNORECASE,
)


def is_time_name(name: str) -> bool:
    """Return whether a column is named as a time."""
    plain = re.sub(r" #\d+$|[()\[\]]", "", name).strip()
    return _TIME_NAME.fullmatch(plain) is not None


def distinct(columns: Sequence[str], name: str) -> list[str]:
    """Names of columns without blanks around them; `UsageError` if two are equal."""
    wanted = [c.strip() for c in columns]
    kept = [w for w in wanted if w != "-"]
    if len(set(kept)) != len(kept):
        raise UsageError(f"{name}: column names must differ: {', '.join(wanted)}", hint="name each once")
    return wanted


def pick_columns(table: Table, columns: Sequence[str] | None, name: str) -> tuple[Column, ...]:
    """Name or choose the columns of a table.

    In a file that names its columns, `columns` chooses among them (by name, name with unit, or number from 1).
    In one that does not, it names them in order; numbers choose. ``-`` leaves a column out.

    Raises
    ------
    UsageError
        If the names do not fit the file.
    """
    if columns is None:
        return table.columns
    every = table.columns
    wanted = distinct(columns, name)
    if table.named or all(text.isdigit() for text in wanted):
        return _with_time([_choose(text, every, name) for text in wanted], every)
    targets = every
    if len(wanted) == len(every) - 1 and every[0].stamps:
        targets = every[1:]
    if len(wanted) != len(targets):
        raise UsageError(
            f"{name}: {len(wanted)} column names ({', '.join(wanted)}) do not fit",
            hint=f"name all {len(every)} columns in order; '-' leaves one out",
        )
    renamed = [replace(c, name=text) for c, text in zip(targets, wanted, strict=True) if text != "-"]
    return (*every[: len(every) - len(targets)], *renamed)


def _choose(text: str, every: Sequence[Column], name: str) -> Column:
    for column in every:
        if column.name and column.called(text):
            return column
    if text.isdigit() and 1 <= int(text) <= len(every):
        column = every[int(text) - 1]
        return replace(column, name=column.name or f"column {text}")
    names = ", ".join(c.name or f"{i}" for i, c in enumerate(every, start=1))
    raise UsageError(f"{name}: no column {text!r}", hint=f"columns here: {names}")


def _with_time(chosen: Sequence[Column], every: Sequence[Column]) -> tuple[Column, ...]:
    """Keep the time column with the chosen ones."""
    times = [c for c in every if c.stamps is not None or is_time_name(c.name)]
    if not times or any(c.name == t.name for c in chosen for t in times):
        return tuple(chosen)
    return (times[0], *chosen)
