"""ASCII frames of 14 bytes with status bits: sign, four digits, point position, four status bytes, bar, CR LF.

Layout from memory of common practice among handheld meters (2400 baud 8N1); not checked against a data sheet, so
every status bit is data that the bench file may override.

Bytes: sign ``+`` or ``-``; four ASCII digits, or ``?0:?`` for overload; space; point ``0`` none, ``1`` d.ddd,
``2`` dd.dd, ``4`` ddd.d; SB1; SB2; SB3; SB4; bar graph; CR; LF. Bits 7 to 0:

====  ========================================================================
SB1   unused, unused, auto, DC, AC, relative, hold, bar on
SB2   unused, unused, max, min, auto power off, low battery, nano, unused
SB3   micro, milli, kilo, mega, continuity, diode, percent, unused
SB4   volt, ampere, ohm, transistor gain, hertz, farad, degree C, degree F
====  ========================================================================

A status byte may well be CR or LF, so frames are found by their fixed characters, not by their end.

Errors it can detect: lost and added bytes (five fixed characters), characters that are not digits, unused bits, impossible
sets of symbols. It can't detect one digit for another; fifteen pairs differ by one bit.
"""

from __future__ import annotations

import re
from typing import ClassVar

from benchlog.reading import Reading
from benchlog_drivers.decoders.base import Decoder, FrameOptions, LineSettings, Memo, RejectedFrame
from benchlog_drivers.decoders.display import Mode, mode_of, overload, shown
from benchlog_drivers.decoders.tables import AnnunciatorBits, read_table

# The fixed characters; the others are checked in `decode`, so that a bad digit is reported as such.
_FRAME = re.compile(rb"[+-].{4} ..{4}.\r\n", re.DOTALL)
_BEGUN = re.compile(rb"[+-]")
_DECIMALS = {0x30: 0, 0x31: 3, 0x32: 2, 0x34: 1}
_OVERLOAD = b"?0:?"


class StatusBits14(Decoder):
    """Decoder of ASCII frames with status bits; see the module's text for the layout."""

    family = "statusbits14"
    line: ClassVar[LineSettings] = LineSettings(2400)

    def __init__(self, options: FrameOptions | None = None) -> None:
        super().__init__(options)
        shipped = read_table(self.family)["annunciators"]
        self._bits = AnnunciatorBits(shipped, self.options.annunciators, self.family)
        self._counts = self.options.counts or 9999
        self._mode = Memo(self._mode_of)

    def _split(self, data: bytes) -> tuple[list[bytes], bytes]:
        frames, start = [], 0
        while match := _FRAME.search(data, start):
            self._skip(data[start : match.start()])
            frames.append(match.group())
            start = match.end()
        begun = _BEGUN.search(data, max(start, len(data) - 13))
        keep = begun.start() if begun else len(data)
        self._skip(data[start:keep])
        return frames, data[keep:]

    def _skip(self, data: bytes) -> None:
        if data:
            self.skipped += len(data)
            if begun := data.count(b"+") + data.count(b"-"):
                self.rejects["format"] += begun
                self.last_reject = ("format", "space, CR and LF are not where they belong", data[-32:])

    def decode(self, frame: bytes) -> Reading:
        """Decode 14 bytes whose fixed characters are right, or raise `RejectedFrame`."""
        decimals = _DECIMALS.get(frame[6])
        if decimals is None:
            raise RejectedFrame("points", f"point position {frame[6]:02X}")
        mode, minus_bit = self._mode[frame[7:11]]
        sign = "-" if frame[0] == 0x2D or minus_bit else ""
        digits = frame[1:5]
        if digits == _OVERLOAD:
            return overload(mode, sign, frame)
        if not digits.isdigit():
            raise RejectedFrame("digit", f"digits {digits!r}")
        if int(digits) > self._counts:
            raise RejectedFrame("counts", f"{int(digits)} counts on a display of {self._counts}")
        text = f"{int(digits):0{decimals + 1}d}"  # displays blank leading zeros
        if decimals:
            text = f"{text[:-decimals]}.{text[-decimals:]}"
        return shown(mode, sign + text, raw=frame)

    def _mode_of(self, status: bytes) -> tuple[Mode, bool]:
        symbols = self._bits.symbols(zip("1234", status, strict=True))
        return mode_of(frozenset(symbols), self.options.ac_and_dc), "minus" in symbols
