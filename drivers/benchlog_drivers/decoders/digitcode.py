"""Digit-code frames: range, digits, function, status and option bytes, ended by CR LF (19200 baud 7O1).

Layout from memory of common practice among handheld meters; not checked against a data sheet, so symbols, function
codes and ranges are data that the bench file may override. Every byte but the end is 30 (hex) plus a nibble.

Long form, 14 bytes: range, digit 1 to 5, function, status, option 1 to 4, CR, LF.
Short form, 11 bytes: range, digit 1 to 4, function, status, option 1, option 2, CR, LF.

=================  ==========================================  ===================================
byte               long form, bits 3, 2, 1, 0                  short form
=================  ==========================================  ===================================
status             judge, minus, low battery, overload         the same
option 1           max, min, relative, unused                  the same
option 2           underload, peak max, peak min, unused       DC, AC, auto, auto power off
option 3           DC, AC, auto, volt-hertz                    (absent)
option 4           unused, bar, hold, low pass                 (absent)
=================  ==========================================  ===================================

Function: 3B volt, 3D microampere, 33 ohm, 35 continuity, 31 diode, 32 frequency (duty when judge is lit), 36
capacitance, 34 temperature; 3F milliampere and 30 ampere in the long form, 39 milliampere and 3F ampere in the
short. The range index picks point and prefix, see the TOML files beside this module. Frequency, duty, diode,
continuity and temperature ranges are the least certain of it.

Seven bits with parity are as long as eight without, so the port is opened with eight and parity is checked here, since
ports pass on bytes with wrong parity without notice. Streams that lost their parity bits (pseudo-terminals, network
bridges) are recognised by their line end: LF has odd parity only with the bit set.

Errors it can detect: parity of every byte, lost and added bytes (length), codes above 9, range indexes that do not exist,
more counts than the display has, impossible sets of symbols. It can't detect one digit for another by two flips in a byte.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from benchlog.errors import ConfigError
from benchlog.reading import Reading, State
from benchlog_drivers.decoders.base import (
    FrameOptions,
    LineDecoder,
    LineSettings,
    Memo,
    RejectedFrame,
)
from benchlog_drivers.decoders.display import SYMBOLS, Mode, mode_of, overload, shown
from benchlog_drivers.decoders.tables import AnnunciatorBits, read_table

_DIGITS = frozenset(range(0x30, 0x3A))
_SPECIAL_UNITS = {"diode": ("diode", "volt"), "continuity": ("continuity", "ohm")}
_PREFIX_NAMES = {"": (), "n": ("nano",), "µ": ("micro",), "m": ("milli",), "k": ("kilo",), "M": ("mega",)}


@dataclass(frozen=True, slots=True)
class _Range:
    symbols: frozenset[str]  # unit and prefix
    decimals: int


@dataclass(frozen=True, slots=True)
class _Setting:
    """Meaning of range, function, status and option bytes together."""

    mode: Mode
    decimals: int
    minus: bool
    state: State
    range_max: float


def _checked(parity: str) -> bytes:
    """Translation table: bytes with right parity lose it, the others become FF."""
    odd = parity == "O"
    return bytes(b & 0x7F if b.bit_count() % 2 == odd else 0xFF for b in range(256))


_CHECKED = {parity: _checked(parity) for parity in ("O", "E")}
_TO_BELIEVE = 4  # this many valid lines in a row without parity: a cable or bridge that strips it
_ENDS = {"O": b"\r\x8a", "E": b"\x8d\n"}


class _DigitCode(LineDecoder):
    """Both forms; the fields in order are what differs."""

    line: ClassVar[LineSettings] = LineSettings(19200, 7, "O", 1)
    digits: ClassVar[int]
    annunciator_bytes: ClassVar[tuple[str, ...]]
    checks_parity = True
    repeats = False  # the meaning of a line without parity depends on earlier ones

    def __init__(self, options: FrameOptions | None = None) -> None:
        super().__init__(options)
        table = read_table(self.family)
        self._bits = AnnunciatorBits(table["annunciators"], self.options.annunciators, self.family)
        self._ranges = _ranges({**table["codes"], **self.options.codes}, self.family)
        self._counts = self.options.counts or int(table["counts"])
        self._length = 1 + self.digits + 1 + len(self.annunciator_bytes) + 2
        self._parity = self.options.parity or self.line.parity
        self._has_parity, self._without = False, 0
        self._parity_end = _ENDS.get(self._parity, self.end)
        self._setting = Memo(self._setting_of)

    def _split(self, data: bytes) -> tuple[list[bytes], bytes]:
        if self._parity_end == self.end or self._parity_end not in data:
            return super()._split(data)
        frames: list[bytes] = []
        *pieces, rest = data.split(self._parity_end)
        for piece in pieces:
            plain, last = super()._split(piece)
            frames += [*plain, last + self._parity_end]
        plain, rest = super()._split(rest)
        return frames + plain, rest

    def decode(self, frame: bytes) -> Reading:
        """Decode one line with its end, or raise `RejectedFrame`."""
        if self._parity_end == self.end or not frame.endswith(self._parity_end):
            reading = self._decode(frame, frame)
            self._check_lost_parity()
            return reading
        self._without = 0
        checked = frame.translate(_CHECKED[self._parity])
        if 0xFF in checked:
            raise RejectedFrame("parity", "a byte with wrong parity")
        reading = self._decode(checked, frame)
        self._has_parity = True
        return reading

    def _check_lost_parity(self) -> None:
        """Reject a line that only lacks parity, unless the whole stream has none."""
        if self._has_parity:
            self._without += 1
            if self._without < _TO_BELIEVE:
                raise RejectedFrame("parity", "a line without parity bits in a stream that has them")
            self._has_parity = False

    def _decode(self, frame: bytes, raw: bytes) -> Reading:
        """Decode a line of plain seven-bit bytes; `raw` is as it came."""
        if len(frame) != self._length:
            raise RejectedFrame("length", f"{len(frame)} bytes, not {self._length}")
        last = 1 + self.digits
        digits = frame[1:last]
        if not _DIGITS.issuperset(digits):
            raise RejectedFrame("digit", f"digit bytes {digits.hex(' ')}")
        setting = self._setting[frame[0:1] + frame[last:-2]]
        if setting.state is State.OVERLOAD:
            return overload(setting.mode, "-" if setting.minus else "", raw, setting.range_max)
        if setting.state is State.UNDERLOAD:
            return shown(setting.mode, "UL", raw=raw, state=State.UNDERLOAD, range_max=setting.range_max)
        counts = int(digits)
        if counts > self._counts:
            raise RejectedFrame("counts", f"{counts} counts on a display of {self._counts}")
        text = f"{counts:0{setting.decimals + 1}d}"
        if setting.decimals:
            text = f"{text[: -setting.decimals]}.{text[-setting.decimals :]}"
        return shown(
            setting.mode, "-" + text if setting.minus else text, raw=raw, range_max=setting.range_max
        )

    def _setting_of(self, status: bytes) -> _Setting:
        """Range byte, function code and annunciator bytes together."""
        if any(byte >> 4 != 3 for byte in status):
            raise RejectedFrame("format", "a byte outside 30 to 3F")
        range_byte, code, *flags = status
        values = (byte & 15 for byte in flags)
        lit = self._bits.symbols(zip(self.annunciator_bytes, values, strict=True))
        judged = "judge" in lit
        ranges = self._ranges.get((code, judged))
        if ranges is None:
            raise RejectedFrame("function", f"no function {code:02X}{' with judge lit' if judged else ''}")
        index = range_byte & 15
        chosen = ranges[index] if index < len(ranges) else None
        if chosen is None:
            raise RejectedFrame("range", f"function {code:02X} has no range {index}")
        if "volt_hertz" in lit and "hertz" not in chosen.symbols and "percent" not in chosen.symbols:
            raise RejectedFrame("flags", "volt-hertz lit while not counting")
        mode = mode_of(frozenset((lit - {"judge", "volt_hertz"}) | chosen.symbols), self.options.ac_and_dc)
        state = State.OVERLOAD if "overload" in lit else State.UNDERLOAD if "underload" in lit else State.OK
        full_scale = self._counts * 10.0 ** (mode.exponent - chosen.decimals)
        return _Setting(mode, chosen.decimals, "minus" in lit, state, float(f"{full_scale:.6g}"))


def _ranges(codes: dict[str, dict[str, Any]], family: str) -> dict[tuple[int, bool], list[_Range | None]]:
    """Return ranges by function code and judge bit."""
    found: dict[tuple[int, bool], list[_Range | None]] = {}
    for code_text, row in codes.items():
        try:
            code = int(code_text, 16)
            found[code, False] = _range_list(row)
            if "judged" in row:
                found[code, True] = _range_list(row["judged"])
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise ConfigError(
                f"{family}: function code {code_text!r} can't be read ({type(error).__name__}: {error})",
                hint='write it like: codes.3B = { unit = "volt", ranges = ["2.2000", "22.000", "220.00 m"] }',
            ) from None
    return found


def _range_list(row: dict[str, Any]) -> list[_Range | None]:
    unit = row["unit"]
    if unit not in SYMBOLS:
        raise ValueError(f"{unit!r} is not a unit")
    units = _SPECIAL_UNITS.get(unit, (unit,))
    ranges: list[_Range | None] = []
    for text in row["ranges"]:
        if not text:
            ranges.append(None)
            continue
        number, _, prefix = text.partition(" ")
        float(number)
        ranges.append(_Range(frozenset((*units, *_PREFIX_NAMES[prefix])), len(number.partition(".")[2])))
    return ranges


class DigitCode14(_DigitCode):
    """Decoder of the long form, five digits; see the module's text for the layout."""

    family = "digitcode14"
    digits = 5
    annunciator_bytes = ("status", "option1", "option2", "option3", "option4")


class DigitCode11(_DigitCode):
    """Decoder of the short form, four digits; see the module's text for the layout."""

    family = "digitcode11"
    digits = 4
    annunciator_bytes = ("status", "option1", "option2")
