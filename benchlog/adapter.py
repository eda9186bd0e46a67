"""What an instrument adapter is: a reader (meters), a digitiser (scopes) or a source (generators).

Write one by subclassing `Reader`, `Digitiser` or `Source` and filling in the underscored methods.
The base class does what is common to all: deadlines, time stamps, the instrument's tag on errors, safe repeated closing.
Time-outs are in seconds; zero means "only what has already arrived". `benchlog.testing.check_adapter` tests whether an
adapter keeps this contract.
"""

from __future__ import annotations

import dataclasses
import warnings
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Self

from benchlog.capture import Capture
from benchlog.clock import Clock, SystemClock
from benchlog.errors import BenchlogError
from benchlog.reading import Reading

DEFAULT_TIMEOUT_S = 2.0


class Adapter(ABC):
    """Common base: one instrument at one address.

    Parameters
    ----------
    instrument : str
        Tag under which its readings are kept.
    clock : Clock, optional
        Where time comes from; the computer's own by default.
    """

    def __init__(self, instrument: str, *, clock: Clock | None = None) -> None:
        self.instrument = instrument
        self.clock: Clock = clock or SystemClock()
        self.is_open = False

    @abstractmethod
    def _open(self) -> None:
        """Open the link and check that it works; raise `OpenError` if not."""

    @abstractmethod
    def _close(self) -> None:
        """Release the link; also called after a failed `_open`."""

    def identity(self) -> str:
        """One line that identifies the instrument, as far as it does so itself."""
        return ""

    def open(self) -> Self:
        """Open the link; opening an open adapter does nothing."""
        if not self.is_open:
            try:
                with self._named_errors():
                    self._open()
            except BaseException:
                self._close()
                raise
            self.is_open = True
        return self

    def close(self) -> None:
        """Close the link; safe to repeat."""
        if self.is_open:
            self.is_open = False
            self._close()

    def __enter__(self) -> Self:
        return self.open()

    def __exit__(self, *exc: object) -> None:
        self.close()

    def __del__(self) -> None:
        if getattr(self, "is_open", False):
            warnings.warn(
                f"adapter of {self.instrument} was never closed", ResourceWarning, source=self, stacklevel=2
            )

    @contextmanager
    def _named_errors(self) -> Iterator[None]:
        try:
            yield
        except BenchlogError as error:
            error.instrument = error.instrument or self.instrument
            raise


class Reader(Adapter):
    """A meter: yields readings."""

    @property
    def rejects(self) -> Mapping[str, int]:
        """Number of bad frames so far, by reason; empty if the link has no frames."""
        return {}

    @abstractmethod
    def _read(self, timeout_s: float) -> Reading | None:
        """Return the next reading within `timeout_s`, or None when the time is up."""

    def read(self, timeout_s: float = DEFAULT_TIMEOUT_S) -> Reading | None:
        """Return the next reading with tag and times, or None when the deadline passed.

        Raises
        ------
        LinkLostError
            If the link ended.
        """
        try:  # as `_named_errors`, at a tenth of its cost, since meters are read many times a second
            reading = self._read(timeout_s)
        except BenchlogError as error:
            error.instrument = error.instrument or self.instrument
            raise
        if reading is None:
            return None
        if not reading.utc_ns:
            return reading.stamped(self.instrument, self.clock.utc_ns(), self.clock.monotonic_ns())
        if reading.instrument != self.instrument:  # recorded streams bring their own times
            return reading.stamped(self.instrument, reading.utc_ns, reading.mono_ns)
        return reading


class Digitiser(Adapter):
    """A scope: yields captures."""

    @abstractmethod
    def _capture(self, channels: Sequence[str], timeout_s: float) -> Capture:
        """Take one record of these channels together, or raise `ReadTimeoutError`."""

    def capture(self, channels: Sequence[str], timeout_s: float = DEFAULT_TIMEOUT_S) -> Capture:
        """Take one record of these channels together, with tag and start time."""
        with self._named_errors():
            capture = self._capture(channels, timeout_s)
        return dataclasses.replace(
            capture, instrument=self.instrument, utc_ns=capture.utc_ns or self.clock.utc_ns()
        )


class Source(Adapter):
    """A generator: drives a sine."""

    @abstractmethod
    def set_sine(self, frequency_hz: float, amplitude_vpp: float) -> None:
        """Set frequency (hertz) and open-circuit peak-to-peak voltage (volt) of a sine without offset."""

    @abstractmethod
    def set_output(self, on: bool) -> None:
        """Switch the output."""
