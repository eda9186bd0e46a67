"""Differences between SCPI instruments, as tables: the shipped ones and those of the project folder.

A dialect is one TOML file: commands, preamble fields, data width, byte order, conversion of codes to volts. If it differs
from another one in a few places, it has ``extends = "NAME"`` and only the differences. The answer to ``*IDN?`` selects a
dialect by its ``idn`` patterns, those of the project folder first; if none matches, each dialect's harmless ``probe`` query
is tried.
"""

from __future__ import annotations

import re
import string
import threading
import tomllib
from collections.abc import Iterator, Mapping
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from benchlog.errors import ConfigError
from benchlog.toml_file import line_of
from benchlog.validation import refusal
from benchlog_drivers._patterns import Pattern, search
from benchlog_drivers.dialects.tables import Dialect, GeneratorDialect, MeterDialect, Probe, ScopeDialect

__all__ = [
    "Dialect",
    "GeneratorDialect",
    "MeterDialect",
    "Probe",
    "ScopeDialect",
    "by_identity",
    "load_dialects",
]


#: Names that may stand in braces in the commands of a table.
_PLACEHOLDERS: dict[str, dict[str, object]] = {
    "vertical": {"channel": "CH1", "probe": 1.0, "coupling": "DC", "scale": 1.0},
    "timebase": {"scale": 1.0, "samples": 1},
    "trigger": {"channel": "CH1", "level": 0.0},
    "waveform": {"channel": "CH1", "first": 1, "last": 1},
    "sine": {"frequency": 1.0, "amplitude": 1.0},
}
_K = TypeVar("_K", bound=Dialect)
#: Where a table was read from, its text, the table.
_Source = tuple[str, str, dict[str, Any]]
_SHIPPED = "shipped:"
#: msgspec analyses a class at its first use, and crashes if two threads do that at once.
_one_at_a_time = threading.Lock()


def load_dialects(kind: type[_K], folder: Path | None = None) -> dict[str, _K]:
    """Read all dialects of one kind: those in `folder` first, then the shipped ones.

    Parameters
    ----------
    kind : type
        `ScopeDialect`, `GeneratorDialect` or `MeterDialect`.
    folder : Path, optional
        The project's ``dialects`` folder; it need not exist. A file there may take a shipped name.

    Raises
    ------
    ConfigError
        If a file is wrong; the message names file, line and key.
    """
    tables: dict[str, _Source] = {}
    for source, text in _files(folder):
        name = _name(source, table := _parse(source, text))
        if name in tables:
            raise ConfigError(f"{source}: name: {name!r} is also the name in {tables[name][0]}")
        tables[name] = (source, text, table)
    for source, text in _shipped():
        name = _name(source, table := _parse(source, text))
        # Stored under both names, so that a project's file can extend the shipped one of the same name.
        tables[_SHIPPED + name] = (source, text, table)
        tables.setdefault(name, tables[_SHIPPED + name])
    found: dict[str, _K] = {}
    for name, (source, text, _) in tables.items():
        if name.startswith(_SHIPPED):
            continue
        full = _extended(name, tables, ())
        if full.get("kind") not in ("scope", "generator", "meter"):
            raise ConfigError(
                f"{source}: kind: {full.get('kind')!r} is not a kind of instrument",
                hint="kind is scope, generator or meter, or extends names a dialect that has one",
            )
        if full["kind"] == kind.__struct_config__.tag:
            found[name] = _convert(source, text, full, kind)
    return found


def by_identity(dialects: Mapping[str, _K], identity: str) -> _K | None:
    """Pick the first dialect with a pattern that the ``*IDN?`` reply matches; None if there is none."""
    for dialect in dialects.values():
        if any(search(pattern, identity) is not None for pattern in dialect.idn):
            return dialect
    return None


def _files(folder: Path | None) -> Iterator[tuple[str, str]]:
    if folder is not None and folder.is_dir():
        for path in sorted(folder.glob("*.toml")):
            try:
                yield str(path), path.read_text(encoding="utf-8-sig")
            except (OSError, UnicodeDecodeError) as error:
                raise ConfigError(f"dialect file {path} can't be read: {error}") from None


def _shipped() -> Iterator[tuple[str, str]]:
    for entry in sorted(resources.files(__name__).iterdir(), key=lambda e: e.name):
        if entry.name.endswith(".toml"):
            yield f"shipped {entry.name}", entry.read_text(encoding="utf-8")


def _parse(source: str, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(
            f"dialect file {source} is not valid TOML: {error}", hint="check quotes and brackets there"
        ) from None


def _name(source: str, table: Mapping[str, Any]) -> str:
    name = table.get("name")
    if not isinstance(name, str) or not re.fullmatch(r"[A-Za-z0-9_-]+", name):
        raise ConfigError(
            f"dialect file {source}: name: {name!r} is not a name",
            hint="letters, digits, - and _, like my_scope",
        )
    return name


def _extended(name: str, tables: Mapping[str, _Source], seen: tuple[str, ...]) -> dict[str, Any]:
    source, _, table = tables[name]
    base = table.get("extends")
    if base is None:
        return table
    key = _SHIPPED + str(base) if base == table.get("name") else str(base)
    if key not in tables or key in seen:
        known = ", ".join(sorted(n for n in tables if not n.startswith(_SHIPPED)))
        raise ConfigError(f"{source}: extends: no dialect {base!r}", hint=f"known: {known}")
    merged = _merged(_extended(key, tables, (*seen, name)), table)
    merged.pop("extends", None)
    return merged


def _merged(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    out = dict(base)
    for key, value in over.items():
        old = out.get(key)
        out[key] = _merged(old, value) if isinstance(old, dict) and isinstance(value, dict) else value
    return out


def _convert(source: str, text: str, table: dict[str, Any], kind: type[_K]) -> _K:
    try:
        with _one_at_a_time:
            dialect = msgspec.convert(table, kind)
    except msgspec.ValidationError as error:
        found = refusal(error, kind, table)
        key = ".".join(filter(None, (found.where, found.key))) or "top level"
        raise ConfigError(
            f"dialect file {source}, line {line_of(text, found.where, found.key)}: {key}: {found.said}",
            hint=found.hint or "the shipped dialects show every key with a comment",
        ) from None
    _check_patterns(source, dialect)
    _check_placeholders(source, table)
    return dialect


def _check_patterns(source: str, dialect: Dialect) -> None:
    patterns = {"idn": dialect.idn}
    if dialect.probe:
        patterns["probe.reply"] = (dialect.probe.reply,)
    if isinstance(dialect, ScopeDialect):
        patterns["acquisition.done"] = (dialect.acquisition.done,)
        known = {*dialect.waveform.preamble_fields, *dialect.waveform.fields, *dialect.waveform.constants}
        wave = dialect.waveform
        if len(wave.code_limits) not in (0, 2):
            raise ConfigError(
                f"dialect file {source}: waveform.code_limits: {list(wave.code_limits)} is not a lowest and a highest code",
                hint="write two numbers, or [] where they are not known",
            )
        for name in (wave.points, wave.interval, wave.scale, *wave.subtract_codes, *wave.add_volts):
            if name not in known:
                raise ConfigError(
                    f"dialect file {source}: waveform: no field {name!r}",
                    hint=f"fields named there: {', '.join(sorted(known)) or 'none'}",
                )
    if isinstance(dialect, MeterDialect):
        patterns["reading.setting"] = (dialect.reading.setting,)
    for key, texts in patterns.items():
        for pattern in texts:
            Pattern(pattern, f"dialect file {source}: {key}:")


def _check_placeholders(source: str, table: Mapping[str, Any]) -> None:
    """Check the names in braces now, so that a wrong one does not fail later at the bench."""
    for section, values in _PLACEHOLDERS.items():
        body = table.get(section)
        if not isinstance(body, dict):
            continue
        for key, entry in body.items():
            for command in entry if isinstance(entry, list | tuple) else [entry]:
                if not isinstance(command, str):
                    continue
                try:
                    string.Formatter().vformat(command, (), values)
                except (KeyError, IndexError, ValueError) as error:
                    raise ConfigError(
                        f"dialect file {source}: {section}.{key}: {command!r} can't be filled in: {error}",
                        hint=f"names in braces: {', '.join(values)}",
                    ) from None
