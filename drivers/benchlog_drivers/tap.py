"""A wiretap around any meter: ``tap:FILE:ADDRESS`` reads like ADDRESS and saves what went over the link.

A serial meter's bytes are saved as they came, chunk by chunk, with times; `benchlog_drivers.replay` turns the file
back into the same readings. From other meters the readings are saved, and their bytes beside them where the
adapter has a `wiretap` attribute.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import msgspec

from benchlog.adapter import Adapter, Reader
from benchlog.clock import Clock
from benchlog.errors import UsageError
from benchlog.reading import Reading
from benchlog_drivers.decoders import Decoder, FrameOptions
from benchlog_drivers.wiretap import WiretapWriter


class TappedReader(Reader):
    """A meter with a wiretap; see the module's text.

    Parameters
    ----------
    inner : Reader
        The meter, not open.
    path : Path
        The file to write, which must not exist.
    clock : Clock, optional
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
        """See `Reader.rejects`."""
        return self.inner.rejects

    def identity(self) -> str:
        """See `Adapter.identity`."""
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
            hint="a scope's captures are kept anyway",
        )
    return TappedReader(options, Path(rest), clock=clock)
