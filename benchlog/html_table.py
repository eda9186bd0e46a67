"""Small HTML tables for notebooks: every cell escaped, no script, no style sheet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape


def html_table(
    title: str, header: Sequence[str], rows: Iterable[Sequence[str]], notes: Iterable[str] = ()
) -> str:
    """Return a titled table with notes below it, as HTML that a notebook can show.

    Parameters
    ----------
    title : str
        Set in bold above the table.
    header : sequence of str
        Column titles.
    rows : iterable of sequence of str
        Cells as text; characters special to HTML are escaped.
    notes : iterable of str
        Lines below the table.
    """
    head = "".join(f"<th style='text-align:left'>{escape(cell)}</th>" for cell in header)
    body = "".join(
        "<tr>" + "".join(f"<td style='text-align:left'>{escape(cell)}</td>" for cell in row) + "</tr>"
        for row in rows
    )
    below = "".join(f"<div>{escape(note)}</div>" for note in notes)
    table = f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>" if body else ""
    return f"<div><b>{escape(title)}</b>{table}{below}</div>"
