"""Read a TOML file into typed structs; errors name file, line, key, the value and what would be right."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from benchlog.errors import ConfigError, UsageError, did_you_mean
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
        raise _explained(path, text, plain, kind, error) from None


def _read_text(path: Path, what: str) -> str:
    try:
        return read_bounded(path, MAX_BYTES).decode("utf-8-sig")
    except FileNotFoundError:
        beside = [file.name for file in path.parent.glob("*.toml")]
        new = "benchlog new DIR writes a project folder with both files"
        raise ConfigError(
            f"{what} {path} does not exist", hint=did_you_mean(path.name, beside, new)
        ) from None
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


def _explained(path: Path, text: str, plain: Any, kind: type, error: msgspec.ValidationError) -> ConfigError:
    """Say where in the file a value does not fit, and what would."""
    message = str(error)
    match = re.search(r" - at `\$\.?(.*)`$", message, flags=re.DOTALL)
    where = _with_keys(plain, kind, match.group(1)) if match else ""
    said = message[: match.start()] if match else message
    named = re.search(r"(?:field|value) [`'](.+?)[`']", said)
    line = line_of(text, where, named.group(1) if named and "unknown field" in said else "")
    cause = error.__cause__
    return ConfigError(
        f"{path}, line {line}: {_place(plain, where)}: {said[0].lower()}{said[1:]}",
        hint=cause.hint if isinstance(cause, UsageError) else _hint(said, kind, plain, where),
    )


def _read_value(kind: type, given: object) -> Any:
    """Read a field whose type reads its own text (`ValueText`)."""
    read = getattr(kind, "from_toml", None)
    if read is None:
        raise NotImplementedError(f"fields of type {kind.__name__} can't be read from a file")
    return read(given)


def _place(plain: object, where: str) -> str:
    """Name the place of a mistake as a person finds it: tables by their id, tag or name, then the key.

    >>> _place({"check": [{"id": "C03", "load": "x"}]}, "check[0].load")
    'check C03, load'
    """
    words: list[str] = []
    keys: list[str] = []
    node = plain
    for key, index in re.findall(r"([^.\[\]]+)|\[(\d+)\]", where):
        if key:
            keys.append(key)
            node = node.get(key) if isinstance(node, dict) else None
            continue
        node = node[int(index)] if isinstance(node, list) and int(index) < len(node) else None
        given = node if isinstance(node, dict) else {}
        names = (given.get(k) for k in ("id", "tag", "name"))
        name = next((n for n in names if isinstance(n, str) and n), f"{int(index) + 1}")
        words.append(f"{'.'.join(keys)} {name}")
        keys = []
    return ", ".join([*words, *([".".join(keys)] if keys else [])]) or "top level"


def _with_keys(plain: Any, kind: type, where: str) -> str:
    """A msgspec path with the keys of mappings, which it gives as ``[...]``: the one whose value alone is refused."""
    while "[...]" in where:
        before, _, after = where.partition("[...]")
        node = plain
        for key, index in re.findall(r"([^.\[\]]+)|\[(\d+)\]", before):
            node = node[key] if key else node[int(index)]
        kept = dict(node)
        wrong = next(iter(kept))
        for key, value in kept.items():
            node.clear()
            node[key] = value
            try:
                msgspec.convert(plain, kind, dec_hook=_read_value)
            except msgspec.ValidationError:
                wrong = key
                break
        node.clear()
        node.update(kept)
        where = f"{before}.{wrong}{after}"
    return where


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


def _hint(said: str, kind: type, plain: object, where: str) -> str:
    if "unknown field" in said:
        known = _fields_at(kind, plain, where)
        return f"known keys here: {', '.join(known)}" if known else "remove the key or check its spelling"
    if "invalid value" in said.lower() and where.endswith("kind"):
        return f"known kinds: {', '.join(_tags_at(kind, where))}"
    if "missing required field" in said:
        return "add the key"
    return "benchlog new DIR writes a commented example"


def _tags_at(kind: type, where: str) -> list[str]:
    """Tags of the union a path ends in, e.g. the kinds of checks."""
    node = msgspec.inspect.type_info(kind)
    for name, index in re.findall(r"([A-Za-z_][\w-]*)|\[(\d+|\.\.\.)\]", where.rpartition(".")[0]):
        if name and isinstance(node, msgspec.inspect.StructType):
            node = next((f.type for f in node.fields if f.encode_name == name), node)
        elif index:
            node = getattr(node, "item_type", node)
    types = node.types if isinstance(node, msgspec.inspect.UnionType) else ()
    return sorted(str(t.tag) for t in types if isinstance(t, msgspec.inspect.StructType))


def _fields_at(kind: type, plain: object, where: str) -> list[str]:
    """Names of the keys allowed at a path, following structs, lists and tagged unions."""
    node: msgspec.inspect.Type | None = msgspec.inspect.type_info(kind)
    value: object = plain
    for name, index in re.findall(r"([A-Za-z_][\w-]*)|\[(\d+|\.\.\.)\]", where):
        node = _struct(node, value) or node
        if name and isinstance(node, msgspec.inspect.StructType):
            node = next((f.type for f in node.fields if f.encode_name == name), None)
            value = value.get(name) if isinstance(value, dict) else None
        elif index:
            node = getattr(node, "item_type", None) or getattr(node, "value_type", None)
            value = _item(value, index)
    struct = _struct(node, value)
    if struct is None:
        return []
    names = [f.encode_name for f in struct.fields]
    return sorted([*names, str(struct.tag_field)] if struct.tag_field else names)


def _item(value: object, index: str) -> object:
    """The item of a list; the value itself where there is none of that number."""
    if isinstance(value, list) and index.isdigit() and int(index) < len(value):
        return value[int(index)]
    return value


def _struct(node: msgspec.inspect.Type | None, value: object) -> msgspec.inspect.StructType | None:
    if isinstance(node, msgspec.inspect.StructType):
        return node
    if isinstance(node, msgspec.inspect.UnionType):
        structs = [t for t in node.types if isinstance(t, msgspec.inspect.StructType)]
        if isinstance(value, dict):
            for struct in structs:
                if struct.tag_field and value.get(struct.tag_field) == struct.tag:
                    return struct
        return structs[0] if len(structs) == 1 else None
    return None
