"""What is connected to this computer: places to look, what was recognised there, bench file entries for it.

The looking itself is done by finders that come with the adapters and are loaded by name, as adapters are; a finder
takes a `Request` and returns a `Report`.
"""

from __future__ import annotations

import importlib
import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from benchlog.clock import Clock, SystemClock
from benchlog.errors import ConfigError
from benchlog.files import whole_file
from benchlog.reading import Reading
from benchlog.serial_ports import Port

Kind = Literal["meter", "scope", "generator"]
_PACKAGE = "benchlog_drivers"


@dataclass(frozen=True, slots=True)
class Found:
    """An instrument that answered in a known way."""

    kind: Kind  #: One of "meter", "scope", "generator". What it is.
    address: str  #: For the bench file.
    place: str  #: Port or resource name, for people.
    family: str  #: Frame family or dialect that fits.
    identity: str = ""  #: What it said of itself; empty for meters that only send readings.
    reading: Reading | None = None  #: A live one, to compare with the display.
    #: For the entry's own table of options: a guess at how its lines read.
    options: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Unrecognised:
    """A place where something is, but nothing that could be used: what was seen, what to do.

    `answered` says that an instrument did answer, in a way that is not known here.
    """

    place: str
    seen: str
    hint: str = ""
    answered: bool = False


@dataclass(frozen=True, slots=True)
class Request:
    """What a finder is asked to do."""

    ports: tuple[Port, ...] = ()  #: Serial ports to listen at.
    #: More places named by the user: ports, ``socket://`` URLs, VISA resource names.
    places: tuple[str, ...] = ()
    lan: bool = False  #: Whether to ask on the local network, which sends a broadcast.
    clock: Clock = field(default_factory=SystemClock)


@dataclass(frozen=True, slots=True)
class Report:
    """What finders looked for, found, could not use, and advise."""

    looked_for: tuple[str, ...] = ()
    found: tuple[Found, ...] = ()
    unrecognised: tuple[Unrecognised, ...] = ()
    advice: tuple[str, ...] = ()

    def __add__(self, other: Report) -> Report:
        return Report(
            self.looked_for + other.looked_for,
            self.found + other.found,
            self.unrecognised + other.unrecognised,
            self.advice + other.advice,
        )


Finder = Callable[[Request], Report]


def search(request: Request, finders: Mapping[str, Finder] | None = None) -> Report:
    """Run every finder and join what they find; a finder that fails does not stop the others.

    Parameters
    ----------
    request : Request
        Where to look.
    finders : mapping of str to callable, optional
        By name; those shipped with the adapters by default.
    """
    report = Report()
    for finder in (_shipped_finders() if finders is None else finders).values():
        report += finder(request)
    return report


def _shipped_finders() -> dict[str, Finder]:
    table: Mapping[str, str] = importlib.import_module(_PACKAGE).FINDERS
    finders = {}
    for name, target in table.items():
        module, _, attribute = target.partition(":")
        finders[name] = getattr(importlib.import_module(module), attribute)
    return finders


def bench_entry(found: Found, tag: str) -> str:
    """Write a bench file entry for a found instrument, with what to fill in as comments."""
    lines = ["[[instrument]]", f"tag = {_quoted(tag)}", f'kind = "{found.kind}"']
    lines.append(f"address = {_quoted(found.address)}")
    if found.identity:
        lines.append(f"note = {_quoted(found.identity)}")
    if found.reading is not None:
        lines.append(
            f"# it sent {_plain(found.reading.displayed)}: compare with its display before relying on it"
        )
    if found.kind == "meter":
        lines += [
            "# counts = 4000                  # from the manual, as are the accuracies:",
            "# [[instrument.accuracy]]",
            '# function = "V~"',
            '# statement = "1 % + 5"',
        ]
    if found.kind == "scope":
        lines.append('# gain = "3 %"                  # accuracy of the vertical gain, from the manual')
    if found.options:
        lines += [
            "[instrument.options]  # guessed from its lines; function may be V= where it should be V~",
            *(f"{key} = {_quoted(value)}" for key, value in found.options.items()),
        ]
    return "\n".join(lines) + "\n"


def tags_for(found: Iterable[Found], taken: Iterable[str] = ()) -> list[str]:
    """Propose a tag for each: M1, S1, G1 and so on, none that is taken."""
    used, tags = set(taken), []
    for item in found:
        letter, number = item.kind[0].upper(), 1
        while f"{letter}{number}" in used:
            number += 1
        used.add(f"{letter}{number}")
        tags.append(f"{letter}{number}")
    return tags


def append_entries(path: Path, entries: Sequence[str]) -> None:
    """Append entries to a bench file, or begin one; nothing is written unless the whole file stays valid.

    Raises
    ------
    ConfigError
        If the file can't be read or written, or is wrong already.
    """
    from benchlog.bench import read_bench

    before = ""
    if path.exists():
        read_bench(path)
        before = path.read_text(encoding="utf-8-sig").rstrip("\n") + "\n\n"
    try:
        with whole_file(path) as draft:
            draft.write(before + "\n".join(entries))
            draft.flush()
            read_bench(Path(draft.name))
    except OSError as error:
        raise ConfigError(
            f"bench file {path} can't be written: {error.strerror}",
            hint="check the folder and its permissions",
        ) from None


def _plain(text: str) -> str:
    """Text fit for a comment: one line of printable characters."""
    return re.sub(r"[^\x20-\x7e\u00a1-\uffff]", "?", text)


def _quoted(text: str) -> str:
    """TOML basic string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
