"""Any other text line, described in the bench file by a pattern with named groups: a new meter needs no Python.

``pattern.txt`` beside this module is the page that ``benchlog manual pattern`` prints: every option with an example.
"""

from __future__ import annotations

import contextlib
import re
import time
from collections.abc import Mapping
from typing import ClassVar

from benchlog.errors import BadFrameError, ConfigError
from benchlog.reading import Function, Reading
from benchlog_drivers._patterns import Pattern
from benchlog_drivers.decoders.base import SEVEN_BITS, FrameOptions, LineDecoder, LineSettings, RejectedFrame
from benchlog_drivers.decoders.display import FLAG_SYMBOLS, Mode, mode_of, overload, shown, split_unit

_NUMBER = re.compile(r"([+-]?)\s*(\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE]([+-]?\d{1,3}))?")
_MAX_EXPONENT = 99
#: After a line that took too long, lines are rejected unread for this time: other meters need the processor.
_REST_S = 1.0
_OVERLOAD = r"[+-]?\s*(?:\.?OL|O\.L|0\.?L|OL\.)"
_PARTS = frozenset({"value", "unit", "function", "flags"})
# Symbols that a function implies, and the symbol of its unit.
_SYMBOLS = {
    Function.AC_VOLTS: ("ac", "volt"),
    Function.DC_VOLTS: ("dc", "volt"),
    Function.AC_DC_VOLTS: ("ac", "dc", "volt"),
    Function.AC_CURRENT: ("ac", "ampere"),
    Function.DC_CURRENT: ("dc", "ampere"),
    Function.OHMS: ("ohm",),
    Function.CONTINUITY: ("continuity", "ohm"),
    Function.DIODE: ("diode", "volt"),
    Function.FREQUENCY: ("hertz",),
    Function.DUTY: ("percent",),  # without a unit part, a duty line is in percent, as displays show it
    Function.CAPACITANCE: ("farad",),
    Function.TEMPERATURE: ("degC",),
}


class PatternLine(LineDecoder):
    """Decoder of text lines that the bench file describes; see the module's text."""

    family = "pattern"
    line: ClassVar[LineSettings] = LineSettings(9600)
    pause_s: ClassVar[float] = 5.0  # firmware may print a label, measure, and print the rest

    def __init__(self, options: FrameOptions | None = None) -> None:
        super().__init__(options)
        given = self.options
        self.end = _control(given.end)
        self._pattern = Pattern(given.pattern)
        named = self._pattern.parts
        if "value" not in named or named - _PARTS:
            raise ConfigError(
                f"pattern {given.pattern!r} has the named groups {', '.join(sorted(named)) or 'none'}",
                hint="(?P<value>...) is required; unit, function and flags are optional",
            )
        if ("function" in named) == bool(given.function):
            raise ConfigError(
                "give the function either by a group 'function' in the pattern or by function=",
                hint='add (?P<function>...) or function = "V="',
            )
        self._resting_until_s, self._too_long = 0.0, ""
        self._overload = Pattern(given.overload or _OVERLOAD, "overload")
        self._function = _function(given.function) if given.function else None
        self._functions = {word: _function(name) for word, name in given.functions.items()}
        self._units = {word: _unit(word, name) for word, name in given.units.items()}
        self._flags = _flag_words(given.flags)

    def _split(self, data: bytes) -> tuple[list[bytes], bytes]:
        return super()._split(data.translate(SEVEN_BITS) if self.options.bits == 7 else data)

    def decode(self, frame: bytes) -> Reading:
        """Decode one line with its end, or raise `RejectedFrame`."""
        text = self._line(frame)
        if time.monotonic() < self._resting_until_s:
            raise RejectedFrame("too long", self._too_long)
        try:
            found = self._pattern.fullmatch(text)
        except BadFrameError as error:
            self._resting_until_s, self._too_long = time.monotonic() + _REST_S, error.message
            raise RejectedFrame("too long", error.message) from None
        if found is None:
            raise RejectedFrame("format", f"line {text!r} does not fit the pattern")
        parts = {name: (value or "").strip() for name, value in found.items()}
        mode = self._mode(parts)
        value = parts["value"]
        if self._overload.fullmatch(value) is not None:
            return overload(mode, "-" if value.startswith("-") else "", frame)
        number = _NUMBER.fullmatch(value)
        if not number or abs(int(number[3] or 0)) > _MAX_EXPONENT:
            raise RejectedFrame("digit", f"part value is {value!r} in line {text!r}, which is not a number")
        sign, digits, exponent = number.groups()
        digits = digits.replace(",", ".")
        if self.options.counts and int(digits.replace(".", "")) > self.options.counts:
            raise RejectedFrame("counts", f"{value} on a display of {self.options.counts} counts")
        text = ("-" if sign == "-" else "") + digits.removesuffix(".")
        return shown(mode, text, raw=frame, power_of_ten=int(exponent or 0), signed=True)

    def explain_reject(self) -> tuple[str, str] | None:
        """See `Decoder.explain_reject`: the part of the pattern that fails; too slow to do for every line."""
        if self.last_reject is None or self.last_reject[0] != "format":
            return super().explain_reject()
        return "format", misfit(self._pattern.text, self._line(self.last_reject[2]))

    def _line(self, frame: bytes) -> str:
        return _text(frame.removesuffix(self.end)).strip("\r\n")

    def _mode(self, parts: Mapping[str, str]) -> Mode:
        function = self._function
        if function is None:
            word = parts["function"]
            found = self._functions.get(word)
            if found is None:
                raise RejectedFrame(
                    "function", f"function {word!r} is not under [instrument.options.functions]"
                )
            function = found
        symbols = set(_SYMBOLS[function])
        if unit_text := parts.get("unit", ""):
            unit = self._units.get(unit_text) or split_unit(unit_text)
            if unit is None:
                raise RejectedFrame("unit", f"unit {unit_text!r} is not under [instrument.options.units]")
            if function is Function.TEMPERATURE and "degF" in unit:
                symbols = {"degF"}
            elif not unit & symbols:
                raise RejectedFrame("unit", f"unit {unit_text!r} with {function}")
            symbols |= unit
        for word in _flag_parts(parts.get("flags", ""), self._flags):
            symbols.add(word)
        return mode_of(frozenset(symbols), ac_and_dc=True, bare=True)


def _flag_parts(text: str, known: Mapping[str, str]) -> list[str]:
    """Symbols of the group flags: words separated by space or comma, or letters run together."""
    found = []
    for word in re.split(r"[\s,;]+", text):
        if not word:
            continue
        pieces = [word] if word in known else list(word)
        for piece in pieces:
            if piece not in known:
                raise RejectedFrame("flags", f"flag {piece!r} is not under [instrument.options.flags]")
            found.append(known[piece])
    return found


def misfit(pattern: str, line: str) -> str:
    """Say how far a pattern fits a line, and which part of it fails there.

    >>> misfit(r"U = (?P<value>[0-9.]+) (?P<unit>V)", "U = 27,75 V")
    "in line 'U = 27,75 V' the part value fits up to 'U = 27' and then ' ' does not fit ',75 V'"
    """
    best, at = 0, 0
    for cut in range(len(pattern), 0, -1):  # the longest beginning that is a valid pattern and matches
        with contextlib.suppress(ConfigError):
            fits = Pattern(pattern[:cut]).fitting(line)
            if fits is not None:
                best, at = cut, fits
                break
    if best == len(pattern):
        return f"in line {line!r} the pattern ends before {line[at:]!r}"
    rest = pattern[best:]
    named = re.match(r"\(\?P<(\w+)>", rest)
    failing = f"the part {named[1]}" if named else repr(_one_item(rest))
    before = [m[1] for m in re.finditer(r"\(\?P<(\w+)>", pattern[:best])]
    so_far = f"the part {before[-1]} fits" if before else "the pattern fits"
    return f"in line {line!r} {so_far} up to {line[:at]!r} and then {failing} does not fit {line[at:]!r}"


def _one_item(pattern: str) -> str:
    """First piece of a pattern that is itself a valid pattern."""
    for cut in range(1, len(pattern) + 1):
        with contextlib.suppress(ConfigError):
            Pattern(pattern[:cut])
            return pattern[:cut]
    return pattern


def _text(line: bytes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("latin-1")


def _control(text: str) -> bytes:
    plain = text.replace("\\r", "\r").replace("\\n", "\n")
    if not plain or not plain.isascii():
        raise ConfigError(f"end {text!r} is not a line end", hint="write end = '\\r\\n'")
    return plain.encode("ascii")


def _function(name: str) -> Function:
    try:
        function = Function(name)
    except ValueError:
        function = Function.FOUR_WIRE_OHMS
    if function not in _SYMBOLS:
        names = ", ".join(f.value for f in _SYMBOLS)
        raise ConfigError(f"function {name!r} can't come from a text line", hint=f"one of: {names}")
    return function


def _unit(word: str, name: str) -> frozenset[str]:
    unit = split_unit(name)
    if unit is None:
        raise ConfigError(
            f"units: {word!r} = {name!r} is not a unit", hint="write a prefix and a unit, like 'mV' or 'kohm'"
        )
    return unit


def _flag_words(given: Mapping[str, str]) -> dict[str, str]:
    for word, symbol in given.items():
        if symbol not in FLAG_SYMBOLS and symbol != "ignore":
            raise ConfigError(
                f"flags: {word!r} = {symbol!r} is not a flag",
                hint=f"one of: ignore, {', '.join(FLAG_SYMBOLS)}",
            )
    return dict(given)
