"""Adapters of the bench's instruments: opened at first use, closed together."""

from __future__ import annotations

from contextlib import ExitStack

from benchlog.adapter import Adapter, Digitiser, Reader, Source
from benchlog.bench import Bench
from benchlog.clock import Clock
from benchlog.errors import UsageError
from benchlog.registry import make_adapter


class OpenInstruments:
    """Instruments of a bench that are in use."""

    def __init__(self, bench: Bench, clock: Clock) -> None:
        self._bench = bench
        self._clock = clock
        self._adapters: dict[str, Adapter] = {}

    def meter(self, tag: str) -> Reader:
        """Return the open meter of that tag, or raise `UsageError` if it is not a meter."""
        adapter = self._open(tag)
        if not isinstance(adapter, Reader):
            raise UsageError(f"{tag} is not a meter", hint="name a meter of the bench file")
        return adapter

    def scope(self, tag: str) -> Digitiser:
        """Return the open scope of that tag, or raise `UsageError` if it is not a scope."""
        adapter = self._open(tag)
        if not isinstance(adapter, Digitiser):
            raise UsageError(f"{tag} is not a scope", hint="the check's scope must be one in the bench file")
        return adapter

    def generator(self, tag: str) -> Source:
        """Return the open generator of that tag, or raise `UsageError` if it is not a generator."""
        adapter = self._open(tag)
        if not isinstance(adapter, Source):
            raise UsageError(
                f"{tag} is not a generator", hint="the check's generator must be one in the bench file"
            )
        return adapter

    def _open(self, tag: str) -> Adapter:
        if tag not in self._adapters:
            instrument = self._bench.instrument(tag)
            adapter = make_adapter(
                instrument.address,
                tag,
                clock=self._clock,
                options=dict(instrument.options),
                kind=instrument.kind,
            )
            self._adapters[tag] = adapter.open()
        return self._adapters[tag]

    def close(self, tag: str) -> None:
        """Close one; its next use opens it again."""
        if (adapter := self._adapters.pop(tag, None)) is not None:
            adapter.close()

    def close_all(self) -> None:
        """Close all, even if closing one fails."""
        with ExitStack() as stack:
            for adapter in self._adapters.values():
                stack.callback(adapter.close)
        self._adapters.clear()
