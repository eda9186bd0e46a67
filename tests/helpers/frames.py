"""Frames of handheld meters, put together bit by bit: written apart from the decoders, with tables of its own."""

from __future__ import annotations

SEGMENTS = {
    "0": 0x7D, "1": 0x05, "2": 0x5B, "3": 0x1F, "4": 0x27, "5": 0x3E, "6": 0x7E, "7": 0x15, "8": 0x7F, "9": 0x3F,
    "L": 0x68, " ": 0x00,
}  # fmt: skip

_LCD_BITS = {
    "ac": (1, 3), "dc": (1, 2), "auto": (1, 1), "link": (1, 0),
    "micro": (10, 3), "nano": (10, 2), "kilo": (10, 1), "diode": (10, 0),
    "milli": (11, 3), "percent": (11, 2), "mega": (11, 1), "continuity": (11, 0),
    "farad": (12, 3), "ohm": (12, 2), "relative": (12, 1), "hold": (12, 0),
    "ampere": (13, 3), "volt": (13, 2), "hertz": (13, 1), "low battery": (13, 0),
}  # fmt: skip


def segment14(display: str, *symbols: str, last: int = 0) -> bytes:
    """LCD-mirroring frame: `display` is four characters with at most one point and maybe a minus, ``"-27.75"``."""
    low = [0] * 15
    low[1] |= 1
    low[14] = last
    if display.startswith("-"):
        low[2] |= 8
        display = display[1:]
    cells = []
    for character in display:
        if character == ".":
            cells[-1] += "."
        else:
            cells.append(character)
    assert len(cells) == 4
    for k, cell in enumerate(cells):
        code = SEGMENTS[cell[0]]
        low[2 + 2 * k] |= code >> 4
        low[3 + 2 * k] |= code & 15
        if cell.endswith("."):
            low[4 + 2 * k] |= 8  # a point after digit k is in the byte that begins digit k + 1
    for symbol in symbols:
        byte, bit = _LCD_BITS[symbol]
        low[byte] |= 1 << bit
    return bytes(k << 4 | low[k] for k in range(1, 15))


def digitcode(range_index: int, digits: str, function: int, *flags: int) -> bytes:
    """Digit-code frame: `flags` are the nibbles of the status and option bytes in order."""
    nibbles = bytes(0x30 | n for n in (range_index, *map(int, digits)))
    return nibbles + bytes([function]) + bytes(0x30 | n for n in flags) + b"\r\n"


def statusbits14(display: str, point: str, sb1: int, sb2: int, sb3: int, sb4: int, bar: int = 0) -> bytes:
    """ASCII frame with status bits: `display` is sign and four characters, ``"+2775"``."""
    return display.encode("ascii") + b" " + point.encode("ascii") + bytes([sb1, sb2, sb3, sb4, bar]) + b"\r\n"


def with_parity(frame: bytes, odd: bool = True) -> bytes:
    """Seven-bit bytes with their parity bit on top, as a port set to eight bits reads them."""
    return bytes(b | 0x80 if b.bit_count() % 2 != odd else b for b in frame)


# One good frame of every family that needs no description, and what its display shows.
EXAMPLES = {
    "segment14": (segment14("27.75", "ac", "auto", "volt"), "27.75 V"),
    "digitcode14": (digitcode(1, "02775", 0x3B, 0, 0, 0, 0b0110, 0), "2.775 V"),
    "digitcode11": (digitcode(1, "2775", 0x3B, 0, 0, 0b0110), "27.75 V"),
    "statusbits14": (statusbits14("+2775", "2", 0b00101000, 0, 0, 0b10000000), "27.75 V"),
    "polled14": (b"AC  27.75 V  \r", "27.75 V"),
}
