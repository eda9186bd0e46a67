"""Records of a scope without a link: the user saves them to a file and names it."""

from __future__ import annotations

import dataclasses
import shlex
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from benchlog.capture import Capture
from benchlog.capture_files import load_captures
from benchlog.errors import BenchlogError
from benchlog.guide.dialogue import Dialogue
from benchlog.guide.person import InputEndedError, Prompt
from benchlog.units import parse_quantity


def ask_capture(
    dialogue: Dialogue,
    scope: str,
    channels: Sequence[str],
    key: str,
    options: Mapping[str, Any],
    which: str = "",
) -> Capture:
    """Ask for a file until it can be read and has these channels.

    Parameters
    ----------
    scope : str
        Tag of the scope.
    key : str
        Of the prompt, for scripts.
    options : mapping
        Of the scope in the bench file: ``sample_interval`` and ``columns``, if its files lack them.
    which : str
        Which record it is, if there are several.
    """
    question = (
        f"{which}capture file of {' and '.join(channels)} from {scope}? (one file per channel: name them all)"
    )
    while True:
        text = dialogue.ask(Prompt("file", question, key))
        try:
            capture = _read(text, options)
            for channel in channels:
                capture.channel(channel)
        except InputEndedError:
            raise
        except (BenchlogError, OSError) as error:
            hint = getattr(error, "hint", "")
            dialogue.person.show(f"  {error}{'; ' + hint if hint else ''}")
            continue
        dialogue.person.show(f"  {text}: taken, {capture.n_samples} samples of {', '.join(capture.names)}")
        return dataclasses.replace(capture, instrument=scope)


def _read(text: str, options: Mapping[str, Any]) -> Capture:
    interval, columns = options.get("sample_interval"), options.get("columns")
    return load_captures(
        _paths(text),
        sample_interval_s=None if interval is None else parse_quantity(str(interval), "s").value,
        columns=None if columns is None else [name.strip() for name in str(columns).split(",")],
    )


def _paths(text: str) -> list[str]:
    """Paths in a line, as typed or pasted from a file manager; a single path may have spaces.

    >>> _paths("'/media/stick/T 40.csv'"), _paths("a.csv b.csv"), _paths("")
    (['/media/stick/T 40.csv'], ['a.csv', 'b.csv'], [])
    """
    if Path(text).is_file():
        return [text]
    lexer = shlex.shlex(text, posix=True)
    lexer.whitespace_split, lexer.commenters, lexer.escape = True, "", ""
    try:
        return list(lexer)
    except ValueError:  # a quotation mark that is never closed
        return [text]
