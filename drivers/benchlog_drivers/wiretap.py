"""The wiretap around any meter, ``tap:FILE:ADDRESS``, and its file: bytes with their times, as text to read and mail.

A tapped meter reads like ADDRESS. A serial meter's bytes are saved as received, chunk by chunk; `replay` gives the same
readings from the file. For other meters the readings are saved, and also their bytes if the adapter has a `wiretap`
attribute. The file::

    benchlog wiretap 1
    about {"family":"segment14","instrument":"MA-01",...}
    2026-11-25T06:20:11.123456789Z 153.250000000 < 1B 25 3B 41 55
    2026-11-25T06:20:11.180000000Z 153.306543211 < 69 75 83 9E A0 B0 C0 D4 E0
    2026-11-25T06:20:12.100000000Z 154.226543211 ! pause

A line is wall time, monotonic time in seconds, a direction and the data. Directions: ``<`` received and ``>`` sent,
both in hex; ``!`` an event of the link, by name (``open``, ``pause`` inside a frame); ``=`` a reading as JSON, from
adapters whose bytes make no frames here. Lines that begin with ``#`` are remarks.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from io import FileIO
from pathlib import Path
from typing import Any, Protocol

import msgspec

from benchlog.adapter import Adapter, Reader
from benchlog.clock import Clock, parse_rfc3339, rfc3339
from benchlog.errors import CaptureFileError, UsageError
from benchlog.reading import Reading
from benchlog_drivers.decoders import Decoder, FrameOptions

MAGIC = "benchlog wiretap 1"
_DIRECTIONS = ("<", ">", "!", "=")

log = logging.getLogger(__name__)


class Wiretap(Protocol):
    """Gets every chunk of a link with its time; an adapter that has an attribute of this type can be tapped."""

    def __call__(self, utc_ns: int, mono_ns: int, direction: str, data: bytes) -> None:
        """Note one chunk: received ``<``, sent ``>``, or an event ``!`` by name."""
        ...


@dataclass(frozen=True, slots=True)
class TapRecord:
    """One line of a wiretap file."""

    utc_ns: int
    mono_ns: int
    direction: str
    data: bytes


class WiretapWriter:
    """Writes a wiretap file; each line reaches the file at once.

    A disk that fills up stops the tap with a logged warning, never the measurement.

    Parameters
    ----------
    path : Path
        Must not exist yet.
    about : mapping
        Plain JSON values: what is tapped, and how its frames are decoded.
    """

    def __init__(self, path: Path, about: Mapping[str, Any]) -> None:
        self.path = path
        self._about = dict(about)
        self._file: FileIO | None = None
        self._begun = False

    def open(self) -> None:
        """Begin the file, or continue it after `close`.

        Raises
        ------
        UsageError
            If the file is there already, or can't be written.
        """
        try:
            self._file = self.path.open("ab" if self._begun else "xb", buffering=0)
        except FileExistsError:
            raise UsageError(
                f"tap file {self.path} already exists", hint="name another file, or move that one away"
            ) from None
        except OSError as error:
            raise UsageError(f"tap file {self.path} can't be written: {error.strerror}") from error
        if not self._begun:
            self._begun = True
            self._write(f"{MAGIC}\nabout {json.dumps(self._about, ensure_ascii=False)}\n")

    def close(self) -> None:
        """Close the file; safe to repeat."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def __call__(self, utc_ns: int, mono_ns: int, direction: str, data: bytes) -> None:
        text = data.hex(" ").upper() if direction in "<>" else data.decode("utf-8")
        seconds, rest = divmod(mono_ns, 1_000_000_000)
        self._write(f"{rfc3339(utc_ns)} {seconds}.{rest:09d} {direction} {text}\n")

    def reading(self, reading: Reading) -> None:
        """Note a reading that came without bytes of its own."""
        self(reading.utc_ns, reading.mono_ns, "=", msgspec.json.encode(reading))

    def _write(self, text: str) -> None:
        if self._file is None:
            return
        try:
            self._file.write(text.encode())
        except OSError as error:
            log.warning("tap file %s stops here: %s", self.path, error)
            self.close()


def read_about(path: Path) -> dict[str, Any]:
    """Return what a wiretap file says about what was tapped.

    Raises
    ------
    CaptureFileError
        If it is not a wiretap file.
    """
    with path.open(encoding="utf-8", errors="replace") as file:
        first, second = file.readline(200).strip(), file.readline(1_000_000)
    if first != MAGIC or not second.startswith("about "):
        raise CaptureFileError(f"{path} is not a wiretap file", hint=f"its first line must be {MAGIC!r}")
    try:
        about = json.loads(second.removeprefix("about "))
    except (ValueError, RecursionError) as error:
        raise CaptureFileError(f"{path}, line 2: {error}", hint="the line 'about' must be JSON") from None
    if not isinstance(about, dict):
        raise CaptureFileError(
            f"{path}, line 2: no JSON object", hint="the line 'about' must be a JSON object"
        )
    return about


def read_wiretap(path: Path) -> Iterator[TapRecord]:
    """Yield the lines of a wiretap file in order, one at a time.

    Raises
    ------
    CaptureFileError
        At the first line that can't be read; a last line without its end is left out as cut off.
    """
    with path.open(encoding="utf-8", errors="replace") as file:
        for number, line in enumerate(file, start=1):
            if number <= 2 or line.startswith("#") or not line.strip():
                continue
            if not line.endswith("\n"):
                return  # the program was stopped while it wrote
            try:
                yield _record(line)
            except ValueError as error:
                raise CaptureFileError(
                    f"{path}, line {number}: {error}", hint="correct or remove that line"
                ) from None


def _record(line: str) -> TapRecord:
    utc, mono, direction, *rest = line.rstrip("\n").split(" ", 3)
    if direction not in _DIRECTIONS:
        raise ValueError(f"direction {direction!r} is not one of {' '.join(_DIRECTIONS)}")
    text = rest[0] if rest else ""
    data = bytes.fromhex(text) if direction in "<>" else text.encode("utf-8")
    seconds, _, rest_ns = mono.partition(".")
    return TapRecord(
        parse_rfc3339(utc), int(seconds) * 1_000_000_000 + int((rest_ns + "0" * 9)[:9]), direction, data
    )


def reading_from_json(line: bytes, place: str) -> Reading:
    """Read a reading written as JSON; `CaptureFileError` if it is not such a line."""
    try:
        return msgspec.json.decode(line, type=Reading)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise CaptureFileError(f"{place}: no reading ({error})", hint="correct or remove that line") from None


class TappedReader(Reader):
    """A meter with a wiretap; see the module's text.

    Parameters
    ----------
    inner : Reader
        The meter, not open.
    path : Path
        The file to write, which must not exist.
    """

    def __init__(self, inner: Reader, path: Path, *, clock: Clock | None = None) -> None:
        super().__init__(inner.instrument, clock=clock or inner.clock)
        self.inner = inner
        decoder = getattr(inner, "decoder", None)
        self._framed = isinstance(decoder, Decoder)
        about: dict[str, object] = {"instrument": inner.instrument, "adapter": type(inner).__name__}
        if isinstance(decoder, Decoder):
            about["family"] = decoder.family
            about["frames"] = _frame_options(decoder)
        self.writer = WiretapWriter(path, about)
        if hasattr(inner, "wiretap"):
            inner.wiretap = self.writer

    @property
    def rejects(self) -> Mapping[str, int]:
        return self.inner.rejects

    def identity(self) -> str:
        return self.inner.identity()

    def _open(self) -> None:
        self.writer.open()
        self.inner.open()

    def _close(self) -> None:
        self.inner.close()
        self.writer.close()

    def _read(self, timeout_s: float) -> Reading | None:
        reading = self.inner.read(timeout_s)
        if reading is not None and not self._framed:
            self.writer.reading(reading)
        return reading


def _frame_options(decoder: Decoder) -> dict[str, object]:
    """The options that shape frames, without those left at their default."""
    given = msgspec.to_builtins(decoder.options)
    plain = msgspec.to_builtins(FrameOptions())
    names = msgspec.structs.fields(FrameOptions)
    return {f.name: given[f.name] for f in names if given[f.name] != plain[f.name]}


def open_tap(instrument: str, rest: str, options: Adapter, *, clock: Clock | None = None) -> Adapter:
    """Wrap an adapter; `options` is what is to be tapped, `rest` the file.

    Raises
    ------
    UsageError
        If it is not a meter.
    """
    if not isinstance(options, Reader):
        raise UsageError(
            f"{instrument} is not a meter, and only meters can be tapped",
            hint="a scope's captures are recorded anyway",
        )
    return TappedReader(options, Path(rest), clock=clock)
