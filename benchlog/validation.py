"""Plain messages for a value that does not fit its struct: what is wrong, where, and what belongs there.

msgspec finds the value; the type at that place shows what belongs there.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Any

import msgspec
from msgspec import inspect

from benchlog.errors import UsageError, did_you_mean

_STEP = re.compile(r"([^.\[\]]+)|\[(\d+)\]")
_WANTED: tuple[tuple[type[inspect.Type], str, str], ...] = (
    (inspect.BoolType, "true or false", "true"),
    (inspect.IntType, "a whole number", ""),
    (inspect.FloatType, "a number", ""),
    (inspect.StrType, "text in quotes", '"..."'),
    (inspect.DateType, "a date", "2026-03-14"),
)
_Fields = inspect.StructType | inspect.DataclassType


class Refusal(msgspec.Struct, frozen=True):
    """Why a value was refused.

    Attributes
    ----------
    where : str
        Path of the refused value, e.g. ``check[2].limits.low``; empty for the whole file.
    key : str
        Unknown key there, else empty.
    said, hint : str
        What is wrong, and what belongs there.
    """

    where: str
    key: str
    said: str
    hint: str


def refusal(
    error: msgspec.ValidationError, kind: type, plain: Any, dec_hook: Callable[[type, Any], Any] | None = None
) -> Refusal:
    """Explain why `msgspec.convert` refused plain data.

    Parameters
    ----------
    kind : type
        The type wanted.
    plain : object
        The data given.
    dec_hook : callable, optional
        As given to `msgspec.convert`.
    """
    message, _, path = str(error).partition(" - at `$")
    where = _with_keys(plain, kind, path.removesuffix("`").removeprefix("."), dec_hook)
    if isinstance(error.__cause__, UsageError):
        return Refusal(where, "", _lower(message), error.__cause__.hint)
    node, given, parent = _at(kind, plain, where)
    if named := re.search(r"unknown field `(.*)`$", message):
        return Refusal(where, named[1], f"there is no key {named[1]!r} here", _known_keys(node, named[1]))
    if named := re.search(r"missing required field `(.*)`$", message):
        return Refusal(where, "", f"the key {named[1]!r} is missing", _missing(node, named[1]))
    said, hint = _misfit(node, given, where, parent)
    return Refusal(where, "", said or _lower(message), hint)


def keys_of(kind: type) -> list[str]:
    """Keys of a struct or dataclass."""
    node = inspect.type_info(kind)
    return [f.encode_name for f in node.fields] if isinstance(node, _Fields) else []


def place(plain: object, where: str) -> str:
    """Name the place of a mistake for the user: tables by their id, tag or name, then the key.

    >>> place({"check": [{"id": "C03", "load": "x"}]}, "check[0].load")
    'check C03, load'
    """
    words: list[str] = []
    keys: list[str] = []
    node = plain
    for key, index in _STEP.findall(where):
        node = _inside(node, key, index)
        if key:
            keys.append(key)
            continue
        given = node if isinstance(node, dict) else {}
        names = (given.get(k) for k in ("id", "tag", "name"))
        name = next((n for n in names if isinstance(n, str) and n), f"{int(index) + 1}")
        words.append(f"{'.'.join(keys)} {name}")
        keys = []
    return ", ".join([*words, *([".".join(keys)] if keys else [])]) or "top level"


def _lower(message: str) -> str:
    return message[:1].lower() + message[1:]


def _inside(value: object, key: str, index: str) -> object:
    """Item of a table or list; None where there is none."""
    if key:
        return value.get(key) if isinstance(value, dict) else None
    return value[int(index)] if isinstance(value, list) and int(index) < len(value) else None


def _with_keys(plain: Any, kind: type, where: str, dec_hook: Callable[[type, Any], Any] | None) -> str:
    """A msgspec path with the keys of mappings, which it gives as ``[...]``: the one whose value alone is refused."""
    while "[...]" in where:
        before, _, after = where.partition("[...]")
        node = plain
        for key, index in _STEP.findall(before):
            node = _inside(node, key, index)
        kept = dict(node)
        wrong = next(iter(kept))
        for key, value in kept.items():
            node.clear()
            node[key] = value
            try:
                msgspec.convert(plain, kind, dec_hook=dec_hook)
            except msgspec.ValidationError:
                wrong = key
                break
        node.clear()
        node.update(kept)
        where = f"{before}.{wrong}{after}"
    return where


def _at(kind: type, plain: object, where: str) -> tuple[inspect.Type, object, inspect.Type]:
    """Type and value at a path, and the type of what they are in."""
    value = plain
    node = parent = _chosen(inspect.type_info(kind), value)
    for key, index in _STEP.findall(where):
        parent, value = node, _inside(value, key, index)
        inner: inspect.Type | None = None
        if isinstance(node, _Fields):
            inner = next((f.type for f in node.fields if f.encode_name == key), None)
            if isinstance(node, inspect.StructType) and key == node.tag_field:
                inner = inspect.LiteralType((str(node.tag),))
        elif isinstance(node, inspect.DictType):
            inner = node.value_type
        elif key and isinstance(node, inspect.UnionType):
            inner = inspect.LiteralType(tuple(_tags(node)))
        else:
            inner = getattr(node, "item_type", None)
        node = _chosen(inner or inspect.AnyType(), value)
    return node, value, parent


def _chosen(node: inspect.Type, value: object) -> inspect.Type:
    """Type without its description and without "or nothing"; of kinds of tables the one that the value names."""
    while isinstance(node, inspect.Metadata):
        node = node.type
    if not isinstance(node, inspect.UnionType):
        return node
    kinds = [t for t in node.types if not isinstance(t, inspect.NoneType)]
    tables = [t for t in kinds if isinstance(t, inspect.StructType) and t.tag_field]
    if isinstance(value, dict):
        for table in tables:
            if value.get(table.tag_field) == table.tag:
                return table
    return _chosen(kinds[0], value) if len(kinds) == 1 else node


def _tags(node: inspect.Type) -> list[str]:
    """Names of the kinds of tables that may be at a place."""
    types = node.types if isinstance(node, inspect.UnionType) else ()
    return sorted(str(t.tag) for t in types if isinstance(t, inspect.StructType))


def _known_keys(node: inspect.Type, key: str) -> str:
    if not isinstance(node, _Fields):
        return "remove the key or check its spelling"
    known = [f.encode_name for f in node.fields]
    if isinstance(node, inspect.StructType) and node.tag_field:
        known.append(node.tag_field)
    return did_you_mean(key, known, f"known keys here: {', '.join(sorted(known))}")


def _missing(node: inspect.Type, key: str) -> str:
    if isinstance(node, inspect.UnionType):
        return f"one of: {', '.join(_tags(node))}"
    field = (
        next((f for f in node.fields if f.encode_name == key), None) if isinstance(node, _Fields) else None
    )
    return f"add {key} = {_example(_chosen(field.type, None) if field else node)}"


def _example(node: inspect.Type) -> str:
    """A value as written in TOML."""
    if isinstance(node, inspect.CustomType):
        return f'"{getattr(node.cls, "example", "...")}"'
    if values := _values(node):
        return f'"{values[0]}"'
    if isinstance(node, _Fields):
        fields = [f for f in node.fields if f.required] or node.fields
        return f"{{ {', '.join(f'{f.encode_name} = {_example(_chosen(f.type, None))}' for f in fields)} }}"
    item = getattr(node, "item_type", None)
    if item is not None:
        return f"[{_example(_chosen(item, None))}]"
    return next((example for kind, _, example in _WANTED if isinstance(node, kind)), "") or "..."


def _values(node: inspect.Type) -> Sequence[str]:
    """The allowed words at a place, if limited."""
    if isinstance(node, inspect.EnumType):
        return [str(member.value) for member in node.cls]
    return [str(value) for value in node.values] if isinstance(node, inspect.LiteralType) else ()


def _misfit(node: inspect.Type, given: object, where: str, parent: inspect.Type) -> tuple[str, str]:
    """What is wrong with a value, and what belongs there; empty if not known."""
    key = where.rpartition(".")[2].partition("[")[0]
    shown = f"{given!r}" if isinstance(given, str) else _kind_of(given)
    if values := _values(node):
        near = did_you_mean(given, values) if isinstance(given, str) else ""
        return f"{shown} is not known here", f"{near} one of: {', '.join(values)}".strip()
    low = getattr(node, "ge", None)
    if low is not None and isinstance(given, int) and given < low:
        return f"{given} is too small", f"write {low} or more"
    for kind, wanted, example in _WANTED:
        if isinstance(node, kind):
            unit = ", with its unit if it has one" if kind is inspect.StrType and _number(given) else ""
            right = _rewritten(node, given) or example
            hint = f"write {key} = {right}{unit}" if right else f"{key} takes {wanted}"
            return f"{shown} is not {wanted}", hint
    return _not_a_table(node, given, key, where, parent)


def _not_a_table(
    node: inspect.Type, given: object, key: str, where: str, parent: inspect.Type
) -> tuple[str, str]:
    """What is wrong if a list or a table is expected."""
    item = _chosen(getattr(node, "item_type", None) or inspect.AnyType(), None)
    if hasattr(node, "item_type"):
        if isinstance(given, dict) and key == where:
            return "one pair of brackets is missing", f"write [[{key}]]"
        one = (
            f'["{given}"]' if isinstance(given, str) and isinstance(item, inspect.StrType) else _example(node)
        )
        return f"{_kind_of(given)} is not a list", f"write {key} = {one}"
    if isinstance(node, _Fields | inspect.DictType | inspect.UnionType):
        name = (
            f"{where.rpartition('.')[0].rpartition('.')[2]}.NAME"
            if isinstance(parent, inspect.DictType)
            else key
        )
        table = _example(node) if isinstance(node, _Fields) else "{ ... }"
        return f"{_kind_of(given)} is not a table", f"write {name} = {table}"
    return "", ""


def _kind_of(given: object) -> str:
    """Kind of a value, in plain words."""
    if isinstance(given, bool):
        return "true or false"
    if isinstance(given, str):
        return "text"
    if _number(given):
        return f"the number {given}"
    if isinstance(given, dict):
        return "a table"
    return "a list" if isinstance(given, list) else f"{given}"


def _number(given: object) -> bool:
    return isinstance(given, int | float) and not isinstance(given, bool)


def _rewritten(node: inspect.Type, given: object) -> str:
    """The given value as it should be written; empty if that is not clear."""
    if isinstance(node, inspect.StrType) and _number(given):
        return f'"{given}"'
    if not isinstance(given, str):
        return ""
    if isinstance(node, inspect.BoolType):
        return {"yes": "true", "true": "true", "no": "false", "false": "false"}.get(given.lower(), "")
    try:
        return f"{float(given):g}" if isinstance(node, inspect.FloatType) else f"{int(given)}"
    except ValueError:
        return ""
