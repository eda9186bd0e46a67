"""From a display to the bytes a meter sends. Layouts from memory of common practice among handheld meters.

Written independently of the decoders, with its own tables, so that a mistake in one shows against the other.
"""

from __future__ import annotations

from collections.abc import Callable

from benchlog.reading import Flag, Function
from benchlog_drivers.simbench.meter_spec import Display

# Seven segments of each digit: upper three bits go to the first byte of its pair, lower four to the second.
_SEGMENTS = dict(zip("0123456789L ", bytes.fromhex("7d055b1f273e7e157f3f6800"), strict=True))
_AC = (Function.AC_VOLTS, Function.AC_CURRENT)
_DC = (Function.DC_VOLTS, Function.DC_CURRENT)
_VOLT = (Function.AC_VOLTS, Function.DC_VOLTS)
_AMPERE = (Function.AC_CURRENT, Function.DC_CURRENT)


def _four(display: Display) -> tuple[str, int]:
    """Four display characters, and after how many of them the point stands (0 for none)."""
    if display.counts is None:
        return " 0L ", 0
    text = f"{abs(display.counts):0{display.decimals + 1}d}".rjust(4)
    return text, 4 - display.decimals if display.decimals else 0


def segment14(display: Display) -> bytes:
    """LCD-mirroring frame of 14 bytes: every bit a segment or symbol, upper nibbles count the bytes."""
    lit = display.flags
    low = [0] * 15  # index 1..14 as in the layout
    low[1] = 8 * (display.function in _AC) | 4 * (display.function in _DC) | 2 * (Flag.AUTO in lit) | 1
    text, point = _four(display)
    for k, character in enumerate(text):
        code = _SEGMENTS[character]
        low[2 + 2 * k] = code >> 4
        low[3 + 2 * k] = code & 15
    if display.counts is not None and display.counts < 0:
        low[2] |= 8
    if point:
        low[2 + 2 * point] |= 8
    low[10] = {"u": 8, "n": 4, "k": 2}.get(display.prefix, 0) | (display.function is Function.DIODE)
    low[11] = {"m": 8, "M": 2}.get(display.prefix, 0) | (display.function is Function.CONTINUITY)
    ohms = display.function in _OHMS
    low[12] = 4 * ohms | 2 * (Flag.RELATIVE in lit) | (Flag.HOLD in lit)
    low[13] = (
        8 * (display.function in _AMPERE)
        | 4 * (display.function in _VOLT)
        | 2 * (display.function is Function.FREQUENCY)
        | (Flag.LOW_BATTERY in lit)
    )
    return bytes(16 * k | low[k] for k in range(1, 15))


_OHMS = (Function.OHMS, Function.CONTINUITY)
# Ranges by index as (digits after the point, prefix): function code of each unit and prefix first.
_LONG: dict[int, tuple[tuple[int, str], ...]] = {
    0x3B: ((4, ""), (3, ""), (2, ""), (1, ""), (2, "m")),
    0x33: ((2, ""), (4, "k"), (3, "k"), (2, "k"), (4, "M"), (3, "M"), (2, "M")),
    0x35: ((2, ""),),
    0x30: ((3, ""),),
    0x3F: ((3, "m"), (2, "m")),
    0x3D: ((2, "u"), (1, "u")),
}
_SHORT: dict[int, tuple[tuple[int, str], ...]] = {
    0x3B: ((3, ""), (2, ""), (1, ""), (0, ""), (1, "m")),
    0x33: ((1, ""), (3, "k"), (2, "k"), (1, "k"), (3, "M"), (2, "M"), (1, "M")),
    0x35: ((1, ""),),
    0x3F: ((2, ""),),
    0x39: ((2, "m"), (1, "m")),
    0x3D: ((1, "u"), (0, "u")),
}


def _digit_code(
    display: Display, table: dict[int, tuple[tuple[int, str], ...]], ampere: int, milli: int
) -> tuple[int, int]:
    """Function code and range index of a display; ValueError where the family has no such range."""
    if display.function in _VOLT:
        code = 0x3B
    elif display.function in _AMPERE:
        code = {"": ampere, "m": milli, "u": 0x3D}[display.prefix]
    else:
        code = {Function.OHMS: 0x33, Function.CONTINUITY: 0x35}[display.function]
    return code, table[code].index((display.decimals, display.prefix))


def _status(display: Display) -> int:
    negative = display.counts is not None and display.counts < 0
    return 4 * negative | 2 * (Flag.LOW_BATTERY in display.flags) | (display.counts is None)


def _option1(lit: frozenset[Flag]) -> int:
    return 8 * (Flag.MAXIMUM in lit) | 4 * (Flag.MINIMUM in lit) | 2 * (Flag.RELATIVE in lit)


def _coupling(display: Display) -> int:
    auto = Flag.AUTO in display.flags
    return 8 * (display.function in _DC) | 4 * (display.function in _AC) | 2 * auto


def digitcode14(display: Display) -> bytes:
    """Digit-code frame, long form: range, five digits, function, status, four option bytes, CR LF."""
    code, index = _digit_code(display, _LONG, 0x30, 0x3F)
    lit = display.flags
    digits = (int(c) for c in f"{abs(display.counts or 0):05d}")
    option2 = 4 * (Flag.PEAK in lit)
    option4 = 2 * (Flag.HOLD in lit) | (Flag.LOW_PASS in lit)
    options = (_status(display), _option1(lit), option2, _coupling(display), option4)
    return bytes(0x30 | n for n in (index, *digits, code & 15, *options)) + b"\r\n"


def digitcode11(display: Display) -> bytes:
    """Digit-code frame, short form: range, four digits, function, status, two option bytes, CR LF."""
    code, index = _digit_code(display, _SHORT, 0x3F, 0x39)
    digits = (int(c) for c in f"{abs(display.counts or 0):04d}")
    options = (_status(display), _option1(display.flags), _coupling(display))
    return bytes(0x30 | n for n in (index, *digits, code & 15, *options)) + b"\r\n"


def statusbits14(display: Display) -> bytes:
    """ASCII frame with status bits: sign, four digits, space, point, four status bytes, bar, CR LF."""
    negative = display.counts is not None and display.counts < 0
    text = "?0:?" if display.counts is None else f"{abs(display.counts):04d}"
    point = {0: "0", 3: "1", 2: "2", 1: "4"}[display.decimals]
    lit = display.flags
    sb1 = (
        0x20 * (Flag.AUTO in lit)
        | 0x10 * (display.function in _DC)
        | 0x08 * (display.function in _AC)
        | 0x04 * (Flag.RELATIVE in lit)
        | 0x02 * (Flag.HOLD in lit)
    )
    sb2 = (
        0x20 * (Flag.MAXIMUM in lit)
        | 0x10 * (Flag.MINIMUM in lit)
        | 0x04 * (Flag.LOW_BATTERY in lit)
        | 0x02 * (display.prefix == "n")
    )
    sb3 = {"u": 0x80, "m": 0x40, "k": 0x20, "M": 0x10}.get(display.prefix, 0)
    sb3 |= 0x08 * (display.function is Function.CONTINUITY) | 0x04 * (display.function is Function.DIODE)
    ohms = display.function in _OHMS
    sb4 = (
        0x80 * (display.function in _VOLT)
        | 0x40 * (display.function in _AMPERE)
        | 0x20 * ohms
        | 0x08 * (display.function is Function.FREQUENCY)
    )
    head = ("-" if negative else "+") + text + " " + point
    return head.encode("ascii") + bytes((sb1, sb2, sb3, sb4, 0)) + b"\r\n"


def polled14(display: Display) -> bytes:
    """Polled line of 14 characters: function letters, sign, number, unit, CR; no symbols."""
    letters = {True: "DC", False: "AC"}[display.function in _DC]
    unit = display.function.unit
    if display.function in _OHMS:
        letters, unit = "OH", "Ohm"
    elif display.function is Function.FREQUENCY:
        letters = "FR"
    sign = "-" if display.counts is not None and display.counts < 0 else " "
    number = display.digits.removeprefix("-").rjust(6)
    return f"{letters}{sign}{number}{display.prefix + unit:<4s}\r".encode("ascii")


ENCODERS: dict[str, Callable[[Display], bytes]] = {
    "segment14": segment14,
    "digitcode14": digitcode14,
    "digitcode11": digitcode11,
    "statusbits14": statusbits14,
    "polled14": polled14,
}
"""Encoder of each frame family by the name the decoders use."""

POLL = {"polled14": b"D"}
"""Request for one frame, for polled families; the others send by themselves."""
