"""The tables of a dialect file as typed structs; the TOML files beside this module show each key with a comment."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import msgspec

from benchlog.reading import Function


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A part of a dialect file."""


class Probe(_Table, frozen=True, kw_only=True):
    """A harmless query, the pattern of its answer, and the errors of a scope of this family that can't answer it yet."""

    query: str
    reply: str
    errors: tuple[int, ...] = ()


class Errors(_Table, frozen=True, kw_only=True):
    """How the error queue is read: `before` is asked first where the queue needs it."""

    query: str
    before: str = ""
    clear: str = ""
    no_error: tuple[int, ...] = (0,)


class Commands(_Table, frozen=True, kw_only=True):
    """Commands sent in order."""

    set: tuple[str, ...] = ()


class Vertical(_Table, frozen=True, kw_only=True):
    """Vertical range: commands, and the meaning of full scale; queries for coupling and probe are optional."""

    set: tuple[str, ...]
    scale_query: str
    coupling_query: str = ""
    probe_query: str = ""
    couplings: Mapping[Literal["dc", "ac"], str]
    divisions: float
    per_division_min_v: float
    per_division_max_v: float
    volts_at_tip: bool


class Timebase(_Table, frozen=True, kw_only=True):
    """Time base: commands, and how many divisions a record spans."""

    set: tuple[str, ...]
    divisions: float


class Acquisition(_Table, frozen=True, kw_only=True):
    """One single acquisition and how its end shows."""

    start: tuple[str, ...]
    poll: str
    done: str
    settle_s: float = 0.0
    poll_s: float = 0.02


class Waveform(_Table, frozen=True, kw_only=True):
    """How to fetch a record and convert its codes to volts.

    Fields come from one preamble, from a question each, or are constants of this make. With the type ``ascii`` the
    samples are numbers in text, codes or volts. `code_limits` is empty where the converter's end codes are not known.
    """

    setup: tuple[str, ...] = ()
    preamble: str = ""
    preamble_fields: tuple[str, ...] = ()
    fields: Mapping[str, str] = {}
    constants: Mapping[str, float] = {}
    points: str
    interval: str
    window: tuple[str, ...] = ()
    chunk_samples: int = 0
    data: str
    code_type: Literal["int8", "uint8", "int16", "uint16", "ascii"]
    byte_order: Literal["little", "big"] = "little"
    code_limits: tuple[float, ...]
    scale: str
    subtract_codes: tuple[str, ...] = ()
    add_volts: tuple[str, ...] = ()


class Sine(_Table, frozen=True, kw_only=True):
    """Commands of a sine; `amplitude_factor` turns open-circuit volts into what the generator counts."""

    set: tuple[str, ...]
    amplitude_factor: float = 1.0


class Output(_Table, frozen=True, kw_only=True):
    """Commands of the output switch."""

    on: tuple[str, ...]
    off: tuple[str, ...]


class MeterFunction(_Table, frozen=True, kw_only=True):
    """How one function is set, and the words by which the meter names it."""

    configure: str
    answers: tuple[str, ...] = ()


class MeterReading(_Table, frozen=True, kw_only=True):
    """How to ask for a value, and which numbers mean "no value".

    `setting_query` asks what the meter is set to; `setting` is the pattern of the answer with the named parts
    function, range and resolution, of which the last two may be missing.
    """

    read: str = "READ?"
    setting_query: str = ""
    setting: str = "(?P<function>.*)"
    overload: tuple[float, ...] = (9.9e37,)
    not_a_number: tuple[float, ...] = (9.91e37,)


class Dialect(_Table, frozen=True, kw_only=True):
    """What every dialect has."""

    name: str
    about: str = ""
    idn: tuple[str, ...] = ()
    probe: Probe | None = None
    errors: Errors
    start: Commands = Commands()
    termination: Literal["lf", "crlf", "cr"] = "lf"


class ScopeDialect(Dialect, frozen=True, kw_only=True, tag_field="kind", tag="scope"):
    """A scope family."""

    channels: Mapping[str, str]
    vertical: Vertical
    timebase: Timebase
    trigger: Commands
    acquisition: Acquisition
    waveform: Waveform


class GeneratorDialect(Dialect, frozen=True, kw_only=True, tag_field="kind", tag="generator"):
    """A generator family."""

    sine: Sine
    output: Output


class MeterDialect(Dialect, frozen=True, kw_only=True, tag_field="kind", tag="meter"):
    """A meter family."""

    reading: MeterReading
    functions: Mapping[Function, MeterFunction]
