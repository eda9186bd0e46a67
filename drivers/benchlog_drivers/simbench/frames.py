"""From a display to the bytes a meter sends. Layouts from memory of common practice among handheld meters.

Written apart from the decoders, with tables of its own, so that a mistake in one shows against the other.
"""

from __future__ import annotations

from collections.abc import Callable

from benchlog.reading import Flag, Function
from benchlog_drivers.simbench.display import Display

__all__ = ["ENCODERS", "digitcode14", "segment14", "status14"]

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
    ohms = display.function in (Function.OHMS, Function.CONTINUITY)
    low[12] = 4 * ohms | 2 * (Flag.RELATIVE in lit) | (Flag.HOLD in lit)
    low[13] = (
        8 * (display.function in _AMPERE)
        | 4 * (display.function in _VOLT)
        | 2 * (display.function is Function.FREQUENCY)
        | (Flag.LOW_BATTERY in lit)
    )
    return bytes(16 * k | low[k] for k in range(1, 15))


# Full scale of each range of the long digit-code frame by function code, in counts of 22000 (SI value).
_LONG_RANGES: dict[int, tuple[float, ...]] = {
    0x3B: (2.2, 22.0, 220.0, 2200.0, 0.22),
    0x33: (220.0, 2.2e3, 22e3, 220e3, 2.2e6, 22e6, 220e6),
    0x30: (22.0,),
}
_LONG_CODES = {
    Function.AC_VOLTS: 0x3B,
    Function.DC_VOLTS: 0x3B,
    Function.OHMS: 0x33,
    Function.CONTINUITY: 0x33,
    Function.AC_CURRENT: 0x30,
    Function.DC_CURRENT: 0x30,
}


def digitcode14(display: Display) -> bytes:
    """Digit-code frame, long form: range, five digits, function, status, four option bytes, CR LF."""
    code = _LONG_CODES[display.function]
    tops = _LONG_RANGES[code]
    value = 0.0 if display.counts is None else abs(display.counts) * display.resolution
    reach = max(value, display.top if display.counts is None else value)
    fitting = sorted((top, k) for k, top in enumerate(tops) if top >= 0.99 * min(reach, max(tops)))
    wide = [pair for pair in fitting if pair[0] / 22000 >= 0.0999 * display.resolution]
    top, index = (wide or fitting)[0]
    counts = round(value / (top / 22000))
    lit = display.flags
    status = (
        4 * (display.counts is not None and display.counts < 0)
        | 2 * (Flag.LOW_BATTERY in lit)
        | (display.counts is None)
    )
    option1 = 8 * (Flag.MAXIMUM in lit) | 4 * (Flag.MINIMUM in lit) | 2 * (Flag.RELATIVE in lit)
    option2 = 4 * (Flag.PEAK in lit)
    option3 = 8 * (display.function in _DC) | 4 * (display.function in _AC) | 2 * (Flag.AUTO in lit)
    option4 = 2 * (Flag.HOLD in lit) | (Flag.LOW_PASS in lit)
    if display.function is Function.CONTINUITY:
        code = 0x35
    nibbles = (
        index,
        *(int(c) for c in f"{counts:05d}"),
        code & 15,
        status,
        option1,
        option2,
        option3,
        option4,
    )
    return bytes(0x30 | n for n in nibbles) + b"\r\n"


def status14(display: Display) -> bytes:
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
    ohms = display.function in (Function.OHMS, Function.CONTINUITY)
    sb4 = (
        0x80 * (display.function in _VOLT)
        | 0x40 * (display.function in _AMPERE)
        | 0x20 * ohms
        | 0x08 * (display.function is Function.FREQUENCY)
    )
    head = ("-" if negative else "+") + text + " " + point
    return head.encode("ascii") + bytes((sb1, sb2, sb3, sb4, 0)) + b"\r\n"


ENCODERS: dict[str, Callable[[Display], bytes]] = {
    "segment14": segment14,
    "digitcode14": digitcode14,
    "status14": status14,
}
"""Encoder of each frame family by the name the decoders use."""
