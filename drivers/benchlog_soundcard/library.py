"""Common parts of sound card input and output: the library python-sounddevice (extra ``soundcard``), errors, the stream.

Importing this fails where the library is not installed.
"""

from __future__ import annotations

import contextlib
import importlib
from abc import abstractmethod
from collections.abc import Iterator
from importlib.util import find_spec
from typing import Any, Generic, TypeVar

from benchlog.adapter import Adapter
from benchlog.clock import Clock
from benchlog.errors import AdapterUnavailableError, BenchlogError, LinkLostError, OpenError, OpenReason

if find_spec("sounddevice") is None:
    raise ModuleNotFoundError("No module named 'sounddevice'", name="sounddevice")

# True of nearly every sound card: AC coupled, and filtered below half the sampling rate.
LOWEST_HZ = 20.0
HIGHEST_OF_RATE = 0.45
CHANNELS = ("L", "R")
O = TypeVar("O")
HOOK_UP = "`python -m sounddevice` lists the devices; is another program using it?"


def library() -> Any:
    """The sounddevice module; importing it loads the system's PortAudio."""
    try:
        return importlib.import_module("sounddevice")
    except OSError as error:
        raise AdapterUnavailableError(
            f"sounddevice can't load PortAudio: {error}", hint="install it: sudo apt install libportaudio2"
        ) from error


@contextlib.contextmanager
def translated(device: str | None, *, opening: bool = False) -> Iterator[None]:
    """Put exceptions of the audio library (PortAudioError, ValueError for names, OSError) into our words."""
    name = device or "the default sound device"
    try:
        yield
    except BenchlogError:
        raise
    except ValueError as error:
        if not opening:
            raise
        raise OpenError(f"{name}: {error}", hint=HOOK_UP, reason=OpenReason.MISSING) from error
    except Exception as error:
        if not isinstance(error, OSError) and type(error).__module__.partition(".")[0] != "sounddevice":
            raise
        if opening:
            raise OpenError(
                f"{name} can't be opened: {error}", hint=HOOK_UP, reason=OpenReason.OTHER
            ) from error
        raise LinkLostError(f"{name} stopped: {error}", hint="was it unplugged?") from error


class SoundDevice(Adapter, Generic[O]):
    """One side of a sound card; `rest` is part of the device's name, empty for the default."""

    Options: type[O]

    def __init__(
        self, instrument: str, rest: str, options: O | None = None, *, clock: Clock | None = None
    ) -> None:
        super().__init__(instrument, clock=clock)
        self._device = rest or None
        self._options = options or self.Options()
        self._open_stream: Any = None

    @abstractmethod
    def _make_stream(self) -> Any:
        """Stream of the audio library, as the options say."""

    def _open(self) -> None:
        with translated(self._device, opening=True):
            self._open_stream = self._make_stream()

    def _close(self) -> None:
        stream, self._open_stream = self._open_stream, None
        if stream is not None:
            with contextlib.suppress(Exception):  # an unplugged device can't be closed properly
                stream.close()

    @property
    def _stream(self) -> Any:
        if self._open_stream is None:
            raise LinkLostError("the sound card is not open", hint="open the adapter first")
        return self._open_stream
