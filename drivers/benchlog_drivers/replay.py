"""Recorded instruments: ``replay:FILE`` replays a file as a meter, or with ``kind = "scope"`` as a scope.

A meter's file is a wiretap file, a raw byte stream, or JSON lines. Bytes go through the same decoder as from the link,
so a bug report becomes a test. Addresses: ``replay:night.tap``, ``replay:stream.bin?frames=segment14``,
``replay:readings.jsonl?only=MA-01``; ``pace=true`` keeps the recorded pace. Readings keep their recorded times; those
of a raw stream, which has none, are stamped as they are read.

A scope's file is a capture file: ``replay:t40.csv?then=t40_swapped.csv`` yields the second file at the second capture, and
then the first one again; ``sample_interval`` and ``columns`` are for files that lack them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import msgspec

from benchlog.adapter import Digitiser, Reader
from benchlog.address import build_options
from benchlog.capture import Capture
from benchlog.capture_files import load_capture
from benchlog.clock import Clock
from benchlog.errors import CaptureFileError, OpenError, OpenReason
from benchlog.files import special_file
from benchlog.reading import Origin, Reading
from benchlog.units import parse_quantity
from benchlog_drivers.decoders import Decoder, FrameOptions, make_decoder
from benchlog_drivers.wiretap import MAGIC, read_about, read_wiretap, reading_from_json

_CHUNK = 4096


class ReplayOptions(FrameOptions, frozen=True, kw_only=True):
    """Options of a replay."""

    pace: Literal["fast", "true"] = "fast"  #: As fast as asked for, or as it was recorded.
    only: str = ""  #: Of JSON lines, take those of this instrument.


class ReplayReader(Reader):
    """Yields recorded readings.

    Parameters
    ----------
    instrument : str
        Tag under which they are read now.
    clock : Clock, optional
        Paces a replay at ``pace=true``.

    Attributes
    ----------
    at_end : bool
        The file is exhausted; reads then wait for their deadline and return None, like a silent meter.
    decoder : Decoder or None
        With the counts of rejected frames, where bytes are decoded.
    """

    Options = ReplayOptions

    def __init__(
        self, instrument: str, path: str, options: ReplayOptions | None = None, *, clock: Clock | None = None
    ) -> None:
        super().__init__(instrument, clock=clock)
        self._path = Path(path)
        self._options = options or ReplayOptions()
        self._readings: Iterator[Reading] = iter(())
        self._next: Reading | None = None
        self._offset_ns: int | None = None
        self.decoder: Decoder | None = None
        self.at_end = False

    @property
    def rejects(self) -> Mapping[str, int]:
        return self.decoder.rejects if self.decoder is not None else {}

    def identity(self) -> str:
        return f"recorded in {self._path.name}"

    def _open(self) -> None:
        if what := special_file(self._path):  # a pipe would block, a device may never end
            raise OpenError(
                f"{self._path} is {what}, not a file",
                hint="give a recorded file",
                reason=OpenReason.WRONG_DEVICE,
            )
        try:
            with self._path.open("rb") as file:
                head = file.read(len(MAGIC) + 2)
        except OSError as error:
            raise OpenError(
                f"{self._path} can't be read: {error.strerror}",
                hint="check the file's name",
                reason=OpenReason.MISSING,
            ) from error
        if head.startswith(MAGIC.encode()):
            self._readings = self._from_wiretap()
        elif self._options.frames:
            self._readings = self._from_bytes()
        elif head.lstrip().startswith(b"{"):
            self._readings = self._from_json_lines()
        else:
            raise CaptureFileError(
                f"{self._path} is neither a wiretap file nor JSON lines",
                hint="for a raw byte stream name its frames, like ?frames=segment14",
            )
        self._next, self._offset_ns, self.at_end = None, None, False

    def _close(self) -> None:
        self._readings, self._next = iter(()), None

    def _read(self, timeout_s: float) -> Reading | None:
        if not self.is_open:
            raise OpenError(f"{self._path} is not open", hint="open the adapter first")
        if self._next is None and not self.at_end:
            self._next = next(self._readings, None)
            self.at_end = self._next is None
        if self._next is None:
            self.clock.sleep(timeout_s)
            return None
        if self._options.pace == "true" and self._next.utc_ns:
            now_ns = self.clock.monotonic_ns()
            if self._offset_ns is None:
                self._offset_ns = now_ns - self._next.mono_ns
            wait_s = (self._next.mono_ns + self._offset_ns - now_ns) / 1e9
            self.clock.sleep(min(wait_s, timeout_s))
            if wait_s > timeout_s:
                return None
        reading, self._next = self._next, None
        return msgspec.structs.replace(reading, origin=Origin.FILE)

    def _from_wiretap(self) -> Iterator[Reading]:
        about = read_about(self._path)
        options: FrameOptions = self._options
        if not options.frames and "frames" in about:
            options = build_options(FrameOptions, about["frames"], place=str(self._path))
        decoder = self.decoder = make_decoder(options) if options.frames else None
        for record in read_wiretap(self._path):
            if record.direction == "=":
                yield reading_from_json(record.data, str(self._path))
            elif decoder is None:
                continue
            elif record.direction == "!":
                decoder.abandon()  # the link was opened again, or paused inside a frame
            elif record.direction == "<":
                for reading in decoder.feed(record.data):
                    yield reading.stamped(reading.instrument, record.utc_ns, record.mono_ns)

    def _from_json_lines(self) -> Iterator[Reading]:
        with self._path.open("rb") as file:
            for number, line in enumerate(file, start=1):
                if not line.strip():
                    continue
                reading = reading_from_json(line, f"{self._path}, line {number}")
                if not self._options.only or reading.instrument == self._options.only:
                    yield reading

    def _from_bytes(self) -> Iterator[Reading]:
        decoder = self.decoder = make_decoder(self._options)
        with self._path.open("rb") as file:
            while data := file.read(_CHUNK):
                yield from decoder.feed(data)


@dataclass(frozen=True, slots=True)
class ReplayScopeOptions:
    """Options of a recorded scope."""

    then: str = ""  #: File of the next capture.
    sample_interval: str = ""  #: Time between samples, where the files don't say.
    columns: str = ""  #: Names of the columns, with commas, where the files have none.


class ReplayScope(Digitiser):
    """Yields recorded captures.

    Parameters
    ----------
    instrument : str
        Tag under which they are taken now.
    path : str
        The first file.
    """

    Options = ReplayScopeOptions

    def __init__(
        self,
        instrument: str,
        path: str,
        options: ReplayScopeOptions | None = None,
        *,
        clock: Clock | None = None,
    ) -> None:
        super().__init__(instrument, clock=clock)
        self._options = options or ReplayScopeOptions()
        self._paths = [Path(path), *([Path(self._options.then)] if self._options.then else [])]
        self._taken = 0

    def identity(self) -> str:
        return f"recorded in {', '.join(path.name for path in self._paths)}"

    def _open(self) -> None:
        for path in self._paths:
            if what := special_file(path):
                raise OpenError(
                    f"{path} is {what}, not a file",
                    hint="give a recorded file",
                    reason=OpenReason.WRONG_DEVICE,
                )
            if not path.is_file():
                raise OpenError(
                    f"{path} does not exist", hint="check the file's name", reason=OpenReason.MISSING
                )
        self._taken = 0

    def _close(self) -> None:
        pass

    def _capture(self, channels: Sequence[str], timeout_s: float) -> Capture:
        if not self.is_open:
            raise OpenError(f"{self._paths[0]} is not open", hint="open the adapter first")
        path = self._paths[self._taken % len(self._paths)]
        given = self._options
        capture = load_capture(
            path,
            sample_interval_s=parse_quantity(given.sample_interval, "s").value
            if given.sample_interval
            else None,
            columns=[name.strip() for name in given.columns.split(",")] if given.columns else None,
        )
        for channel in channels:
            capture.channel(channel)
        self._taken += 1
        return capture
