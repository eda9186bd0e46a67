"""The audio library under both sides of a sound card, python-sounddevice (extra ``soundcard``): its loading, its errors.

Importing this fails where the library is not installed.
"""

from __future__ import annotations

import contextlib
import importlib
from collections.abc import Iterator
from importlib.util import find_spec
from typing import Any

from benchlog.errors import AdapterUnavailableError, BenchlogError, LinkLostError, OpenError, OpenReason

if find_spec("sounddevice") is None:
    raise ModuleNotFoundError("No module named 'sounddevice'", name="sounddevice")

# Holds for nearly every sound card: AC coupled, and filtered below half the sampling rate.
LOWEST_HZ = 20.0
HIGHEST_OF_RATE = 0.45
CHANNELS = ("L", "R")
HOOK_UP = "look at `python -m sounddevice` for the names of the devices; is another program using it?"


def library() -> Any:
    """The sounddevice module; importing it loads the system's PortAudio."""
    try:
        return importlib.import_module("sounddevice")
    except OSError as error:
        raise AdapterUnavailableError(
            f"sounddevice can't load PortAudio: {error}", hint="install it: sudo apt install libportaudio2"
        ) from error


def close_quietly(stream: Any) -> None:
    """Close a stream, if there is one; a device that was unplugged can't be closed in order."""
    if stream is not None:
        with contextlib.suppress(Exception):
            stream.close()


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
