"""LCD-mirroring frames of 14 bytes: each bit is one segment or symbol of the display.

Layout from memory of common practice among handheld meters (2400 baud 8N1, DTR set, RTS cleared, two to four
frames a second); not checked against a data sheet, so every symbol bit is data that the bench file may override.

The upper nibble of byte k is k, 1 to 14. Lower nibbles, bit 3 to bit 0:

====  =====================================================================================
byte  bits 3, 2, 1, 0
====  =====================================================================================
1     AC, DC, AUTO, link on
2     minus, then the upper three segment bits of digit 1
3     lower four segment bits of digit 1
4     point after digit 1, then digit 2 as above; 5 its lower bits
6     point after digit 2, then digit 3; 7 its lower bits
8     point after digit 3, then digit 4; 9 its lower bits
10    micro, nano, kilo, diode
11    milli, percent (duty), mega, continuity
12    farad, ohm, relative, hold
13    ampere, volt, hertz, low battery
14    differs by meter; all four unused unless the bench file says
====  =====================================================================================

A digit is ``((first & 7) << 4) | second & 15``: 7D 0, 05 1, 5B 2, 1F 3, 27 4, 3E 5, 7E 6, 15 7, 7F 8, 3F 9,
68 L, 00 blank (hex). Overload is blank 0 L blank, with or without a point.

Errors it can detect: lost and added bytes (index), codes that are not digits, blanks inside the number, two points,
impossible sets of symbols. It can't detect digits one segment apart (0-8, 1-7, 3-9, 5-6, 5-9, 6-8, 8-9).
"""

from __future__ import annotations

from typing import ClassVar

from benchlog.reading import Reading
from benchlog_drivers.decoders.base import Decoder, FrameOptions, LineSettings, Memo, RejectedFrame
from benchlog_drivers.decoders.display import Mode, mode_of, overload, shown
from benchlog_drivers.decoders.tables import AnnunciatorBits, read_table

SEGMENT_CODES = {
    0x7D: "0",
    0x05: "1",
    0x5B: "2",
    0x1F: "3",
    0x27: "4",
    0x3E: "5",
    0x7E: "6",
    0x15: "7",
    0x7F: "8",
    0x3F: "9",
    0x68: "L",
    0x00: " ",
}
# Both bytes of a digit with their indexes -> the digit as shown, behind its point where there is one.
_SHOWN = {
    bytes([(at << 4) | point << 3 | code >> 4, (at + 1) << 4 | code & 15]): "." * (point and at > 2) + digit
    for at in (2, 4, 6, 8)
    for point in (0, 1)
    for code, digit in SEGMENT_CODES.items()
}
_INDEXES = bytes(range(1, 15))
_HIGH_NIBBLE = bytes(byte >> 4 for byte in range(256))
_SYMBOL_BYTES = ("1", "10", "11", "12", "13", "14")


class Segment14(Decoder):
    """Decoder of LCD-mirroring frames; see the module's text for the layout."""

    family = "segment14"
    line: ClassVar[LineSettings] = LineSettings(2400)

    def __init__(self, options: FrameOptions | None = None) -> None:
        super().__init__(options)
        shipped = read_table(self.family)["annunciators"]
        self._bits = AnnunciatorBits(shipped, self.options.annunciators, self.family)
        self._counts = self.options.counts or 9999
        self._mode = Memo(self._mode_of)

    def _split(self, data: bytes) -> tuple[list[bytes], bytes]:
        high = data.translate(_HIGH_NIBBLE)
        frames, start = [], 0
        while (at := high.find(_INDEXES, start)) >= 0:
            if at > start:
                self._skip(data, high, start, at)
            frames.append(data[at : at + 14])
            start = at + 14
        if start == len(data):
            return frames, b""
        keep = high[-1]  # index of the last byte of an unfinished frame
        if keep > 13 or not high.endswith(_INDEXES[:keep], start):
            keep = 0
        self._skip(data, high, start, len(data) - keep)
        return frames, data[len(data) - keep :]

    def _skip(self, data: bytes, high: bytes, start: int, stop: int) -> None:
        if stop > start:
            self.skipped += stop - start
            if begun := high.count(1, start, stop):
                self.rejects["index"] += begun
                self.last_reject = ("index", "the bytes do not count from 1 to 14", data[start:stop][-32:])

    def decode(self, frame: bytes) -> Reading:
        """Decode 14 bytes whose indexes are right, or raise `RejectedFrame`."""
        mode = self._mode[frame[0:1] + frame[9:14]]
        pairs = (frame[1:3], frame[3:5], frame[5:7], frame[7:9])
        try:
            text = "".join([_SHOWN[pair] for pair in pairs])
        except KeyError as error:
            first, second = error.args[0]
            code = (first & 7) << 4 | second & 15
            raise RejectedFrame("digit", f"segment code {code:02X} is not a digit") from None
        sign = "-" if frame[1] & 8 else ""
        number = text.lstrip(" ")
        digits = number.replace(".", "")
        if not digits.isdecimal():
            if text.replace(".", "") != " 0L ":
                strange = "digit" if "L" in text or not number else "blank"
                raise RejectedFrame(strange, f"display shows {text!r}")
            if len(number) - len(digits) <= 1:
                return overload(mode, sign, frame)
        if len(number) - len(digits) > 1:
            raise RejectedFrame("points", f"display shows {text!r}")
        if int(digits) > self._counts:
            raise RejectedFrame("counts", f"display shows {text!r}, more than {self._counts} counts")
        return shown(mode, sign + number, raw=frame)

    def _mode_of(self, symbol_bytes: bytes) -> Mode:
        values = (byte & 15 for byte in symbol_bytes)
        symbols = self._bits.symbols(zip(_SYMBOL_BYTES, values, strict=True))
        return mode_of(frozenset(symbols), self.options.ac_and_dc)
