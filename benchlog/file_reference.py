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
    "across": "CH1",
    "resistor_channel": "CH2",
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
        for tag in ("kind", "take"):  # its one value names what the table is
            if "enum" in (entry := struct.get("properties", {}).get(tag, {})):
                entry.setdefault("description", _sentence(struct))
        if name in texts["example"]:
            struct["x-example"] = texts["example"][name]
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
            first = kinds[0]["properties"]
            shared = {k for k in first if all(kind["properties"].get(k) == first[k] for kind in kinds)}
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
                if "x-example" in struct:
                    lines += [f"    {line}" for line in (heading, *struct["x-example"])] + [""]
    return "\n".join(lines).rstrip() + "\n"


def _references(entry: dict[str, Any]) -> Iterator[str]:
    """Structs that an entry of a schema may be."""
    if "$ref" in entry:
        yield entry["$ref"].rpartition("/")[2]
    for one in entry.get("anyOf", ()):
        yield from _references(one)


def _sentence(struct: dict[str, Any]) -> str:
    return str(struct.get("description", "")).partition("\n\n")[0].replace("\n", " ")


def _about(entry: dict[str, Any], referred: list[dict[str, Any]], *, needed: bool) -> str:
    """What a key is: its own words or those of what it refers to, with example, default and the values it may have."""
    words = str(entry.get("description", "")).replace("\n", " ")
    for struct in referred:
        words = words or _sentence(struct)
        if values := struct.get("enum"):
            words += f" ({', '.join(map(str, values))})"
    default = entry.get("default")
    example = next(_examples(entry), None)
    if example and "e.g." not in words and example != str(default):
        words += f"; e.g. {example}"
    if needed:
        words += "; needed"
    elif default not in (None, "", [], {}, (), "()"):
        words += f"; default {str(default).lower() if isinstance(default, bool) else default}"
    return words.strip("; ")


def _keys(struct: dict[str, Any], structs: dict[str, Any], wanted: set[str], width: int) -> Iterator[str]:
    """Lines of each key, and below them those of the tables within it."""
    for key, entry in struct["properties"].items():
        if key not in wanted:
            continue
        referred = [structs[ref] for ref in _references(entry.get("items", entry))]
        several = len(referred) > 1
        words = _about(entry, [] if several else referred, needed=key in struct.get("required", ()))
        yield from _key(key, words, width)
        for inner in (one["properties"] for one in referred if "properties" in one):
            if several:
                yield from _kind_of_item(inner, width)
            elif inner.keys() != {"low", "high"}:
                for name, about in inner.items():
                    yield from _inner(f"{name}: {about.get('description', '')}", width)


def _key(key: str, words: str, width: int) -> list[str]:
    indent = _indent(width)
    lines = _wrapped(words, indent, width)
    if lines and len(key) < indent - 3:
        return [f"  {key:{indent - 2}}{lines[0].lstrip()}", *lines[1:]]
    return [f"  {key}", *lines]


def _kind_of_item(own: dict[str, Any], width: int) -> list[str]:
    """One kind of the items of a list, with the keys it has."""
    tag, *names = own
    (value,) = own[tag].get("enum", ["..."])
    return _inner(f'{tag} = "{value}": {", ".join(names)}', width)


def _inner(text: str, width: int) -> list[str]:
    """A key or kind of the tables within a key."""
    indent = " " * _indent(width)
    return textwrap.wrap(
        text, width, initial_indent=indent, subsequent_indent=f"{indent}  ", break_long_words=False
    )


def _indent(width: int) -> int:
    """Column at which descriptions begin; on a narrow screen they are below their keys."""
    return _INDENT if width >= 60 else 6


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
        if any(line.startswith((f"{key} =", f"[[{table}.{key}]]")) for line in more):
            continue
        entry = kind["properties"][key]
        example = next(_examples(entry), _USUAL.get(key, "..."))
        yield f'    {key} = ["{example}"]' if entry.get("type") == "array" else f'    {key} = "{example}"'


def _wrapped(text: str, indent: int, width: int) -> list[str]:
    lead = " " * indent
    return textwrap.wrap(text, width, initial_indent=lead, subsequent_indent=lead, break_long_words=False)
