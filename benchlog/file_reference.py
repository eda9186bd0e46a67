"""JSON Schemas with a description of every key, and the same as text for a person."""

from __future__ import annotations

import textwrap
import tomllib
from collections.abc import Iterator
from importlib.resources import files
from typing import Any

_INDENT = 20
_USUAL = {
    "function": "V~",
    "meters": 'MA-01", "MB-02',
    "scope": "SC-03",
    "primary": "CH1",
    "secondary": "CH2",
}


def described(schema: dict[str, Any]) -> dict[str, Any]:
    """Add what ``file_reference.toml`` says of a schema's keys: descriptions where there are none, and the usual values
    of keys for which the example of their type would be odd; returns the same schema.
    """
    texts = _texts()
    for name, struct in schema["$defs"].items():
        for key, value in texts["typical"].items():
            entry = struct.get("properties", {}).get(key)
            if entry is not None and any(_examples(entry)):
                entry["examples"] = [value]
        for key, text in texts.get(name, {}).items():
            struct["properties"][key].setdefault("description", text)
    return schema


def _texts() -> dict[str, Any]:
    return tomllib.loads(files("benchlog").joinpath("file_reference.toml").read_text(encoding="utf-8"))


def reference_text(schema: dict[str, Any], width: int = 80) -> str:
    """Return all tables and keys of a file as text.

    Parameters
    ----------
    schema : dict
        A JSON Schema from `described`.
    width : int
        Columns.
    """
    structs = schema["$defs"]
    root = structs[schema["$ref"].rpartition("/")[2]]
    lines: list[str] = []
    shared: set[str] = set()
    for table, entry in root["properties"].items():
        refs = list(_references(entry.get("items", entry)))
        several = "items" in entry
        heading = f"[[{table}]]" if several else f"[{table}]"
        if len(refs) > 1:  # a table of several kinds: what all have in common comes once
            kinds = [structs[ref] for ref in refs]
            shared = set.intersection(*(set(kind["properties"]) for kind in kinds)) - {"kind"}
            lines += [f"{heading}  keys of every kind", *_keys(kinds[0], structs, shared, width), ""]
            for kind in kinds:
                (tag,) = kind["properties"]["kind"]["enum"]
                own = set(kind["properties"]) - shared - {"kind"}
                about = _sentence(kind)
                lines += [
                    f'{heading}  kind = "{tag}"',
                    *_wrapped(about, 2, width),
                    *_keys(kind, structs, own, width),
                ]
                lines += ["", *_example(table, tag, kind), ""]
        else:
            for ref in refs:
                struct = structs[ref]
                lines += [heading, *_wrapped(_sentence(struct), 2, width)]
                lines += [*_keys(struct, structs, set(struct["properties"]), width), ""]
    return "\n".join(lines).rstrip() + "\n"


def _references(entry: dict[str, Any]) -> Iterator[str]:
    """Structs that an entry of a schema may be."""
    if "$ref" in entry:
        yield entry["$ref"].rpartition("/")[2]
    for one in entry.get("anyOf", ()):
        yield from _references(one)


def _sentence(struct: dict[str, Any]) -> str:
    return str(struct.get("description", "")).partition("\n\n")[0].replace("\n", " ")


def _about(entry: dict[str, Any], referred: list[dict[str, Any]]) -> str:
    """What a key is: its own words or those of what it refers to, with the keys or values that has."""
    words = str(entry.get("description", "")).replace("\n", " ")
    for struct in referred:
        words = words or _sentence(struct)
        inner = struct.get("properties") or struct.get("enum")
        if inner:
            words += f" ({', '.join(map(str, inner))})"
    return words


def _keys(struct: dict[str, Any], structs: dict[str, Any], wanted: set[str], width: int) -> Iterator[str]:
    needed = struct.get("required", ())
    for key, entry in struct["properties"].items():
        if key not in wanted:
            continue
        refs = list(_references(entry.get("items", entry)))
        kinds = [structs[ref]["properties"] for ref in refs] if len(refs) > 1 else []
        words = _about(entry, [] if kinds else [structs[ref] for ref in refs])
        default = entry.get("default")
        example = next(_examples(entry), None)
        if example and "e.g." not in words and example != str(default):
            words += f"; e.g. {example}"
        if key in needed:
            words += "; needed"
        elif default not in (None, "", [], {}, (), "()"):
            words += f"; default {default}"
        yield from textwrap.wrap(
            words.strip("; "),
            width,
            initial_indent=f"  {key:{_INDENT - 3}} ",
            subsequent_indent=" " * _INDENT,
        ) or [f"  {key}"]
        for own in kinds:
            yield from _kind_of_item(own, width)


def _kind_of_item(own: dict[str, Any], width: int) -> list[str]:
    """One kind of the items of a list, with the keys it has."""
    tag, *names = own
    (value,) = own[tag].get("enum", ["..."])
    text = f'{tag} = "{value}": {", ".join(names)}'
    return textwrap.wrap(text, width, initial_indent=" " * _INDENT, subsequent_indent=" " * (_INDENT + 2))


def _examples(entry: dict[str, Any]) -> Iterator[str]:
    yield from map(str, entry.get("examples", ()))
    for one in entry.get("anyOf", ()):
        yield from _examples(one)


def _example(table: str, tag: str, kind: dict[str, Any]) -> Iterator[str]:
    """A shortest entry of a kind: the keys that are needed, with their examples."""
    yield f"    [[{table}]]"
    needed = [key for key in kind.get("required", ()) if key not in ("kind", "id", "part")]
    yield from ('    id = "C01"', f'    kind = "{tag}"', '    part = "T1"')
    more = kind.get("x-example", ())
    yield from (f"    {line}" for line in more)
    for key in needed:
        if any(line.startswith(f"{key} =") for line in more):
            continue
        entry = kind["properties"][key]
        example = next(_examples(entry), _USUAL.get(key, "..."))
        yield f'    {key} = ["{example}"]' if entry.get("type") == "array" else f'    {key} = "{example}"'


def _wrapped(text: str, indent: int, width: int) -> list[str]:
    return textwrap.wrap(text, width, initial_indent=" " * indent, subsequent_indent=" " * indent)
