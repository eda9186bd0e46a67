"""What all frame decoders share: bytes in, readings out, every rejected frame counted by reason.

Decoders are pure: no port, no clock, no file. They take chunks of any size, resynchronise by themselves after garbage, and
never raise, whatever the bytes.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar, Generic, Literal, TypeVar

import msgspec

from benchlog.reading import Reading

T = TypeVar("T")
_REMEMBERED = 5000
SEVEN_BITS = bytes(byte & 0x7F for byte in range(256))  # translation table that drops the top bit
MAX_LINE = 256  # bytes without a line end; more is not a meter


@dataclass(frozen=True, slots=True)
class LineSettings:
    """Serial settings of a family, and its request for a frame."""

    #: baud, bits, parity, stop_bits: Parity is ``"N"``, ``"E"`` or ``"O"``.
    baud: int
    bits: int = 8
    parity: str = "N"
    stop_bits: float = 1
    #: dtr, rts: Levels of the control lines; they often power the meter's opto-coupler.
    dtr: bool = True
    rts: bool = False
    request: bytes = b""  #: Request for a frame; empty for meters that send by themselves.

    def __str__(self) -> str:
        return f"{self.baud} baud {self.bits}{self.parity}{self.stop_bits:g}"


class FrameOptions(msgspec.Struct, frozen=True, kw_only=True):
    """Options in the bench file for the frames of one meter."""

    frames: str = ""  #: Name of the family.
    annunciators: dict[str, str] = {}  #: Bits that differ from the shipped table: ``"14.2" = "degC"``.
    #: Function codes that differ (digit-code families), as in the shipped table.
    codes: dict[str, dict[str, Any]] = {}
    counts: int | None = None  #: Highest count the display can show; frames above are rejected.
    ac_and_dc: bool = False  #: Whether the meter has a mode that shows AC and DC together.
    bits: Literal[7, 8] | None = None
    parity: Literal["N", "E", "O"] | None = None  #: Where this meter's differs from its family's.
    #: pattern, end, functions, units, flags, overload, function: For text lines, see
    #: `benchlog_drivers.decoders.pattern`.
    pattern: str = ""
    end: str = "\n"
    functions: dict[str, str] = {}
    units: dict[str, str] = {}
    flags: dict[str, str] = {}
    overload: str = ""
    function: str = ""


class RejectedFrame(Exception):  # noqa: N818 - an outcome inside the decoders, never seen outside
    """A frame that gives no reading; `reason` is one of a few words, `detail` is for people."""

    def __init__(self, reason: str, detail: str = "") -> None:
        super().__init__(reason)
        self.reason = reason
        self.detail = detail


class Memo(dict[bytes, T], Generic[T]):
    """Cache of the meaning of bytes, since a meter sends only a few different ones; includes rejections.

    Parameters
    ----------
    look_up : callable
        Bytes to their meaning; may raise `RejectedFrame`, as reading an item then does.
    """

    def __init__(self, look_up: Callable[[bytes], T]) -> None:
        super().__init__()
        self._look_up = look_up
        self._rejected: dict[bytes, tuple[str, str]] = {}

    def __missing__(self, key: bytes) -> T:
        if known := self._rejected.get(key):
            raise RejectedFrame(*known)
        if len(self) + len(self._rejected) > _REMEMBERED:  # noise
            self.clear()
            self._rejected.clear()
        try:
            found = self[key] = self._look_up(key)
        except RejectedFrame as reject:
            self._rejected[key] = reject.reason, reject.detail
            raise
        return found


class Decoder(ABC):
    """Incremental decoder of one frame family.

    Attributes
    ----------
    rejects : Counter of str
        Rejected frames by reason.
    accepted : int
        Frames that became readings.
    skipped : int
        Bytes that belonged to no frame.
    last_reject : tuple of (str, str, bytes) or None
        Reason, detail and bytes of the latest rejected frame.
    """

    family: ClassVar[str]
    line: ClassVar[LineSettings]
    checks_parity: ClassVar[bool] = False
    """Whether it needs the parity bit as the top bit of each byte, and checks it."""
    pause_s: ClassVar[float] = 0.1
    """Longest pause inside a frame; after it the rest belongs to another moment."""
    repeats: ClassVar[bool] = True
    """Whether equal frames always give equal readings, so that a steady display is decoded only once."""

    def __init__(self, options: FrameOptions | None = None) -> None:
        self.options = options or FrameOptions()
        self.rejects: Counter[str] = Counter()
        self.accepted = 0
        self.skipped = 0
        self.last_reject: tuple[str, str, bytes] | None = None
        self._buffer = b""
        self._readings = Memo(self.decode)

    @abstractmethod
    def decode(self, frame: bytes) -> Reading:
        """Decode one whole frame, or raise `RejectedFrame`."""

    @abstractmethod
    def _split(self, data: bytes) -> tuple[list[bytes], bytes]:
        """Split data into complete frames and the unfinished rest; count skipped bytes."""

    @property
    def request(self) -> bytes:
        """Request for a frame; empty for meters that send by themselves."""
        return self.line.request

    @property
    def pending(self) -> bool:
        """Whether a frame has begun and is not complete."""
        return bool(self._buffer)

    def feed(self, data: bytes) -> list[Reading]:
        """Take the next bytes; return the readings they complete, oldest first."""
        frames, self._buffer = self._split(self._buffer + data)
        readings = []
        for frame in frames:
            try:
                readings.append(self._readings[frame] if self.repeats else self.decode(frame))
            except RejectedFrame as reject:
                self._reject(reject.reason, reject.detail, frame)
        self.accepted += len(readings)
        return readings

    def explain_reject(self) -> tuple[str, str] | None:
        """Reason and detail of the latest rejected frame, as detailed as possible."""
        return None if self.last_reject is None else self.last_reject[:2]

    def abandon(self) -> None:
        """Drop an unfinished frame: the link paused inside it, so its rest belongs to another moment."""
        if self._buffer:
            self._reject("broken off", "the link paused inside a frame", self._buffer)
            self._buffer = b""

    def _reject(self, reason: str, detail: str, frame: bytes) -> None:
        self.rejects[reason] += 1
        self.last_reject = (reason, detail, frame)


class LineDecoder(Decoder):
    """Decoder of frames that are separated only by line ends.

    A line of wrong length or content is rejected completely; using parts of it would be guessing.
    """

    end: bytes = b"\r\n"

    def _split(self, data: bytes) -> tuple[list[bytes], bytes]:
        *lines, rest = data.split(self.end)
        if len(rest) > MAX_LINE:  # still too long for any frame, so that its end rejects it
            self.skipped += len(rest) - MAX_LINE
            rest = rest[-MAX_LINE:]
        return [line + self.end for line in lines], rest
