"""SCPI reply text and block headers to numbers; pure, no link.

Meanings: IEEE 488.2 response formats NR1, NR2, NR3, strings and arbitrary blocks; SCPI-1999 error replies, "not a
number" 9.91E37 and infinity +-9.9E37. Not every instrument keeps to the two values (a battery tester answers
1.0E+8 for over-range), so they are passed in as data of the dialect.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.errors import BadFrameError, InstrumentRefusedError
from benchlog.reading import State

# No two repeats can match the same character, so that matching time is linear even for a hostile reply.
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?")
_ERROR = re.compile(r"([+-]?\d{1,6})\s*(?:,\s*)?(.*)", re.DOTALL)
_MAX_DIGITS = 400  # more are not accepted as a number
#: 9.90E37 and 9.91E37 differ by one part in a thousand; half of it tells them apart however they are rounded.
_HALF_STEP = 5e-4


@dataclass(frozen=True, slots=True)
class Sentinels:
    """Numbers by which one instrument says that there is no number."""

    #: Values of over-range, either sign. From 1e37 on, anything of that magnitude or more counts.
    overload: tuple[float, ...] = (9.9e37,)
    not_a_number: tuple[float, ...] = (9.91e37,)  #: Values of "no valid reading".

    def state(self, value: float) -> State:
        """Return whether a replied number is a value or a code for something else."""
        size = abs(value)
        if any(abs(size - s) <= _HALF_STEP * s for s in self.not_a_number):
            return State.INVALID
        for s in self.overload:
            if (size >= s * (1 - _HALF_STEP)) if s >= 1e37 else abs(size - s) <= 1e-6 * s:
                return State.OVERLOAD
        return State.OK


@dataclass(frozen=True, slots=True)
class ErrorReply:
    """One line of an instrument's error queue."""

    number: int  #: 0 is "no error"; negative numbers are SCPI's own.
    #: text, detail: What the instrument said, split at the first semicolon.
    text: str
    detail: str = ""

    @property
    def family(self) -> str:
        """Class of the error by its number band (SCPI-1999, from memory)."""
        bands = {1: "command error", 2: "execution error", 3: "device-specific error", 4: "query error"}
        others = {5: "power on", 6: "user request", 7: "request control", 8: "operation complete"}
        if self.number == 0:
            return "none"
        if self.number > 0:
            return "device-specific error"
        return (bands | others).get(-self.number // 100, "unknown")

    @property
    def about_exchange(self) -> bool:
        """Whether it reports question and answer out of step, not an error in the question."""
        return self.family == "query error"

    def __str__(self) -> str:
        return f"{self.number} {self.text}" + (f" ({self.detail})" if self.detail else "")


@dataclass(frozen=True, slots=True)
class BlockHeader:
    """Head of an arbitrary block: its own size and the payload's, None for an indefinite block."""

    size: int
    payload: int | None


def parse_number(text: str) -> tuple[float, float]:
    """Read NR1, NR2 or NR3 and the step of its last digit.

    >>> parse_number("-8.9456E8")
    (-894560000.0, 10000.0)

    Raises
    ------
    BadFrameError
        If the reply is anything else.
    """
    plain = text.strip()
    if len(plain) > _MAX_DIGITS or not _NUMBER.fullmatch(plain) or not math.isfinite(float(plain)):
        raise BadFrameError(
            f"{_shown(text)} is not a number",
            hint="is the right dialect chosen, and are reply headers off?",
            raw=text.encode("latin-1", "replace"),
        )
    mantissa, _, exponent = plain.lower().partition("e")
    power = int(exponent or 0) - len(mantissa.partition(".")[2])
    return float(plain), float(f"1e{power}")


def parse_samples(text: str, expected: int) -> npt.NDArray[np.float64]:
    """Read samples sent as text: numbers apart by commas, bare or behind the header of a block.

    >>> parse_samples("#15-1,2.5e-1", 2).tolist()
    [-1.0, 0.25]

    Raises
    ------
    BadFrameError
        If one of them is not a finite number, or they are not `expected`.
    """
    raw = text[:40].encode("latin-1", "replace")
    header = parse_block_header(raw) if raw.startswith(b"#") else None
    words = (text if header is None else text[header.size :]).strip(" \t,").split(",")
    try:
        values = np.array(words, dtype=np.float64)
    except ValueError:
        odd = next((w for w in words if not _NUMBER.fullmatch(w.strip())), text)
        raise BadFrameError(
            f"{_shown(odd)} among the samples is not a number", hint="check the dialect's code_type", raw=raw
        ) from None
    if len(values) != expected or not np.isfinite(values).all():
        raise BadFrameError(
            f"{expected} samples expected, {len(values)} received, {np.isfinite(values).sum()} of them finite numbers",
            hint="the dialect's number of points may be wrong for this instrument",
            raw=raw,
        )
    return values


def parse_measurement(text: str, sentinels: Sentinels) -> tuple[float | None, float, State]:
    """Read a measured value: value (None unless ok), step of its last digit, state.

    The words ``INF``, ``NINF`` and ``NAN`` are understood as well as the numbers used for them.
    """
    word = text.strip().strip('"').upper()
    if word in ("INF", "+INF", "-INF", "NINF", "INFINITY"):
        return None, 0.0, State.OVERLOAD
    if word == "NAN":
        return None, 0.0, State.INVALID
    value, step = parse_number(text)
    state = sentinels.state(value)
    return (value, step, state) if state is State.OK else (None, 0.0, state)


def split_fields(text: str) -> list[str]:
    """Split a reply at commas outside quotes."""
    fields, current, quote = [], "", ""
    for char in text.strip():
        if quote:
            quote = "" if char == quote else quote
        elif char in "\"'":
            quote = char
        elif char == ",":
            fields.append(current.strip())
            current = ""
            continue
        current += char
    return [*fields, current.strip()]


def parse_string(text: str) -> str:
    """Take the quotes off a string reply; doubled quotes inside are one. Unquoted text stays as it is.

    >>> parse_string('"VOLT:AC"'), parse_string("'a ''b'''")
    ('VOLT:AC', "a 'b'")
    """
    plain = text.strip()
    if len(plain) >= 2 and plain[0] in "\"'" and plain[-1] == plain[0]:
        return plain[1:-1].replace(plain[0] * 2, plain[0])
    return plain


def parse_error(line: str) -> ErrorReply:
    """Read an error queue line such as ``-222,"Data out of range;frequency"``.

    Raises
    ------
    BadFrameError
        If the line does not begin with an error number.
    """
    match = _ERROR.fullmatch(line.strip())
    if not match or _is_reading(line.strip()):
        raise BadFrameError(
            f"{_shown(line)} is not an error reply",
            hint="the dialect's error query may be wrong for this instrument",
            raw=line.encode("latin-1", "replace"),
        )
    text, _, detail = parse_string(match.group(2)).partition(";")
    return ErrorReply(int(match.group(1)), text.strip(), detail.strip())


def _is_reading(line: str) -> bool:
    """Whether a line is a number with a fraction or an exponent: a late reading, never an error number."""
    return bool(_NUMBER.fullmatch(line)) and not line.lstrip("+-").isdigit()


_REFUSAL_HINTS = {
    "command error": "the instrument does not know the command: use another dialect, or a file in dialects/ with the lines that differ",
    "execution error": "the value or the instrument's present setting does not allow it; look at its front panel",
    "device-specific error": "look the number up in the instrument's manual",
    "query error": "questions and answers are out of step; close and open the instrument again",
}


def refusal(errors: Sequence[ErrorReply], sent: str) -> InstrumentRefusedError:
    """Make the error that says what the instrument refused."""
    said = "; ".join(str(e) for e in errors)
    return InstrumentRefusedError(
        f"refused {sent!r}: {said}", hint=_REFUSAL_HINTS.get(errors[0].family, "look at the instrument")
    )


def parse_block_header(data: bytes | bytearray) -> BlockHeader | None:
    """Read the head of an arbitrary block from its first bytes; None when more bytes are needed.

    >>> parse_block_header(b"#535240"), parse_block_header(b"#0"), parse_block_header(b"#53")
    (BlockHeader(size=7, payload=35240), BlockHeader(size=2, payload=None), None)

    Raises
    ------
    BadFrameError
        If it is not a block.
    """
    if len(data) < 2:
        if data and data[:1] != b"#":
            raise not_a_block(data)
        return None
    if data[:1] != b"#" or not data[1:2].isdigit():
        raise not_a_block(data)
    digits = data[1] - ord("0")
    if digits == 0:
        return BlockHeader(2, None)
    length = bytes(data[2 : 2 + digits])
    if length and not length.isdigit():
        raise not_a_block(data)
    return BlockHeader(2 + digits, int(length)) if len(length) == digits else None


def not_a_block(data: bytes | bytearray) -> BadFrameError:
    """Make the error for bytes that should have been a binary block."""
    head = bytes(data[:40])
    return BadFrameError(
        f"{head!r} is not a binary block", hint="the instrument may have answered with a message", raw=head
    )


def parse_fields(text: str, names: Sequence[str]) -> dict[str, float]:
    """Read a preamble: comma-separated fields in a known order; fields that are not numbers are left out.

    Raises
    ------
    BadFrameError
        If the number of fields differs.
    """
    values = split_fields(text)
    if len(values) != len(names):
        raise BadFrameError(
            f"a preamble of {len(names)} fields was expected, {_shown(text)} has {len(values)}",
            hint="another dialect may fit this scope",
            raw=text.encode("latin-1", "replace"),
        )
    return {
        name: float(value)
        for name, value in zip(names, values, strict=True)
        if _NUMBER.fullmatch(value.strip())
    }


def volts_line(
    fields: Mapping[str, float], scale: str, subtract_codes: Sequence[str], add_volts: Sequence[str]
) -> tuple[float, float]:
    """Scale and offset of ``volts = (code - sum(subtract_codes)) * scale + sum(add_volts)``.

    Raises
    ------
    BadFrameError
        If the preamble lacks one of the fields, or the scale is zero.
    """
    missing = [name for name in (scale, *subtract_codes, *add_volts) if name not in fields]
    if missing:
        raise BadFrameError(f"the preamble has no number for {', '.join(missing)}", hint="check the dialect")
    step = fields[scale]
    if step == 0:
        raise BadFrameError(f"the preamble gives {scale} = 0", hint="is the channel switched on?")
    return step, sum(fields[n] for n in add_volts) - step * sum(fields[n] for n in subtract_codes)


def _shown(text: str) -> str:
    return repr(text if len(text) <= 60 else text[:57] + "...")
