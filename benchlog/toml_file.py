"""Read a TOML file into typed structs; errors name file, line, key, value and what belongs there."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from benchlog.errors import ConfigError, did_you_mean
from benchlog.files import read_bounded

T = TypeVar("T")
MAX_BYTES = 4_000_000
_KEY_PARTS = 32
_PART = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')"""
# The time tomllib takes for a dotted key grows with the square of its parts.
_LONG_KEY = re.compile(rf"(?:^|[{{,\[])[ \t]*{_PART}(?:[ \t]*\.[ \t]*{_PART}){{{_KEY_PARTS},}}", re.MULTILINE)


def read_toml(path: Path, kind: type[T], *, what: str) -> T:
    """Read and validate a TOML file.

    Parameters
    ----------
    kind : type
        A msgspec struct class.
    what : str
        ``"plan"`` or ``"bench file"``, for messages.

    Raises
    ------
    ConfigError
        If it is missing, no TOML, or does not fit the struct.
    """
    text = _read_text(path, what)
    plain = _parse(text, f"{what} {path}")
    try:
        return msgspec.convert(plain, kind, dec_hook=_read_value)
    except msgspec.ValidationError as error:
        from benchlog.validation import place, refusal  # takes longer to import than a plan to read

        found = refusal(error, kind, plain, _read_value)
        line = line_of(text, found.where, found.key)
        raise ConfigError(
            f"{path}, line {line}: {place(plain, found.where)}: {found.said}", hint=found.hint
        ) from None


def _read_text(path: Path, what: str) -> str:
    try:
        return read_bounded(path, MAX_BYTES).decode("utf-8-sig")
    except FileNotFoundError:
        near = did_you_mean(path.stem, [file.stem for file in path.parent.glob("*.toml")])
        hint = near.replace("?", ".toml?") or "benchlog new DIR writes a project folder with both files"
        raise ConfigError(f"{what} {path} does not exist", hint=hint) from None
    except OSError as error:
        raise ConfigError(f"{what} {path} can't be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise ConfigError(f"{what} {path} is not UTF-8 text", hint="save it as UTF-8") from None
    except ValueError as error:
        raise ConfigError(f"{what} {path} {error}", hint="name a plan or bench file") from None


def _parse(text: str, file: str) -> dict[str, Any]:
    if long_key := _LONG_KEY.search(text):
        raise ConfigError(
            f"{file}: the key {long_key[0].strip()[:40]!r}... has more than {_KEY_PARTS} parts",
            hint="a key of a plan or bench file has two or three",
        )
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ConfigError(f"{file} is nested too deeply") from None
    except tomllib.TOMLDecodeError as error:
        windows_path = "Unescaped '\\'" in str(error) or "Invalid hex value" in str(error)
        raise ConfigError(
            f"{file} is not valid TOML: {error}",
            hint="write Windows paths in single quotes: address = 'replay:C:\\captures\\t1.csv'"
            if windows_path
            else "check quotes and brackets there",
        ) from None
    except ValueError:
        raise ConfigError(f"{file} holds a number of thousands of digits") from None


def _read_value(kind: type, given: object) -> Any:
    """Read a field whose type reads its own text (`ValueText`)."""
    read = getattr(kind, "from_toml", None)
    if read is None:
        raise NotImplementedError(f"fields of type {kind.__name__} can't be read from a file")
    return read(given)


def located(path: Path, where: str) -> str:
    """File and line of a place such as ``check[2]`` in a file that was read before, for messages."""
    return f"{path}, line {line_in(path, where)}"


def line_in(path: Path, where: str) -> int:
    """Line of a place such as ``check[2]`` in a file that was read before."""
    return line_of(_read_text(path, "file"), where)


def line_of(text: str, where: str, key: str = "") -> int:
    """Find the line of a msgspec path such as ``check[2].limits.low`` in TOML text; 1 if not found.

    Good enough for messages: it follows ``[[table]]`` headers in order and then looks for the key.
    """
    parts = re.findall(r"([A-Za-z_][\w-]*)|\[(\d+)\]", where)
    lines = text.split("\n")
    start, wanted = 0, [name for name, index in parts if name]
    arrays = [
        (parts[i][0], int(parts[i + 1][1])) for i in range(len(parts) - 1) if parts[i][0] and parts[i + 1][1]
    ]
    if arrays:
        start, end = _table_lines(lines, *arrays[0])
        lines = lines[:end]
    last = re.escape(key or (wanted[-1] if len(wanted) > len(arrays) else ""))
    if last:
        for pattern in (rf"\s*(?:\[+[\w.\s-]*\.)?\"?{last}\"?\s*(?:=|\]|\.)", rf".*[{{,\s.]{last}\s*="):
            for i in range(start, len(lines)):
                if re.match(pattern, lines[i]):
                    return i + 1
    return start + 1


def _table_lines(lines: list[str], name: str, index: int) -> tuple[int, int]:
    """First line of the table ``[[name]]`` of that index, and the line after it; all lines if it is not there."""
    header = re.compile(rf"\s*\[\[\s*{re.escape(name)}\s*\]\]")
    headers = [i for i, line in enumerate(lines) if header.match(line)]
    if index >= len(headers):
        return 0, len(lines)
    return headers[index], headers[index + 1] if index + 1 < len(headers) else len(lines)
