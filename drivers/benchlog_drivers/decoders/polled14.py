"""Polled ASCII lines of 14 characters: one request character out, one line back (1200 baud 7N2).

Layout from memory of common practice among handheld meters; not checked against a data sheet. Request ``D``; some
meters are set to 600 baud. Characters: two letters of function (``DC``, ``AC``, ``OH``, ``CA``, ``FR``, ``DI``,
``TE``); minus or space; six of number, that is up to five digits with a point, padded with spaces, where overload
shows as ``OL`` with or without a point; four of unit, padded; CR. There are no symbol bits: the line does not
show hold, relative or a low battery.

Errors it can detect: lost and added bytes (length), letters that are neither function nor unit, a unit that does not belong
to the function, characters that are not digits. It can't detect one digit for another, or a moved point.
"""

from __future__ import annotations

import re
from typing import ClassVar

from benchlog.reading import Reading
from benchlog_drivers.decoders.base import SEVEN_BITS, FrameOptions, LineDecoder, LineSettings, RejectedFrame
from benchlog_drivers.decoders.display import mode_of, overload, shown, split_unit

_LINE = re.compile(r"(DC|AC|OH|CA|FR|DI|TE)([ +-])([ 0-9.OL]{6})(.{4})\r", re.ASCII | re.DOTALL)
_NUMBER = re.compile(r"\d{1,5}|(?=.{2,6}$)\d*\.\d*")
# Symbols that the letters stand for, and the units that may follow.
_FUNCTIONS = {
    "DC": (frozenset({"dc"}), ("volt", "ampere")),
    "AC": (frozenset({"ac"}), ("volt", "ampere")),
    "OH": (frozenset[str](), ("ohm",)),
    "CA": (frozenset[str](), ("farad",)),
    "FR": (frozenset[str](), ("hertz",)),
    "DI": (frozenset({"diode"}), ("volt",)),
    "TE": (frozenset[str](), ("degC", "degF")),
}


class Polled14(LineDecoder):
    """Decoder of polled 14-character lines; see the module's text for the layout."""

    family = "polled14"
    line: ClassVar[LineSettings] = LineSettings(1200, 7, "N", 2, request=b"D")
    end = b"\r"

    def __init__(self, options: FrameOptions | None = None) -> None:
        super().__init__(options)
        self._counts = self.options.counts or 99999

    def _split(self, data: bytes) -> tuple[list[bytes], bytes]:
        # If the port supports only eight bits, the first stop bit is the top bit.
        return super()._split(data.translate(SEVEN_BITS))

    def decode(self, frame: bytes) -> Reading:
        """Decode one line with its CR, or raise `RejectedFrame`."""
        text = frame.removeprefix(b"\n").decode("latin-1")
        if len(text) != 14:
            raise RejectedFrame("length", f"{len(text)} characters, not 14")
        match = _LINE.fullmatch(text)
        if not match:
            raise RejectedFrame("format", f"line {text!r}")
        letters, sign, field, unit_text = match.groups()
        letter_symbols, allowed = _FUNCTIONS[letters]
        unit = split_unit(unit_text)
        if unit is None or not unit.intersection(allowed):
            raise RejectedFrame("unit", f"unit {unit_text!r} after {letters}")
        mode = mode_of(letter_symbols | unit)
        minus = "-" if sign == "-" else ""
        number = field.strip()
        if number.replace(".", "", 1) in ("OL", "0L"):
            return overload(mode, minus, frame)
        if not _NUMBER.fullmatch(number) or not any(c.isdigit() for c in number):
            raise RejectedFrame("digit", f"number {field!r}")
        if int(number.replace(".", "")) > self._counts:
            raise RejectedFrame("counts", f"{number} on a display of {self._counts} counts")
        return shown(mode, minus + number.removesuffix("."), raw=frame)
