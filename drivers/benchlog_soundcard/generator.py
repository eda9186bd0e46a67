"""The output of a sound card as sine generator: AC coupled, so nothing below about 20 Hz, and never a DC part.

Without calibration only fractions of full scale can be set, not volts.

Addresses, with ``kind=generator``: ``soundcard:`` for the default device, ``soundcard:NAME?full_scale_vpp=4`` (part
of the device's name).
"""

from __future__ import annotations

import math
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from benchlog.adapter import Source
from benchlog.clock import Clock
from benchlog.errors import UsageError
from benchlog_soundcard.library import (
    CHANNELS,
    HIGHEST_OF_RATE,
    LOWEST_HZ,
    SoundDevice,
    library,
    translated,
)


class GeneratorOptions(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Options of the output."""

    #: Peak-to-peak volts of a full-scale sine at the output, measured once; 0 is "not calibrated".
    full_scale_vpp: float = 0.0
    rate: float = 48000.0  #: Samples per second.


class SoundCardGenerator(SoundDevice[GeneratorOptions], Source):
    """The output as a sine generator, the same signal on both channels."""

    Options = GeneratorOptions

    def __init__(
        self,
        instrument: str,
        rest: str,
        options: GeneratorOptions | None = None,
        *,
        clock: Clock | None = None,
    ) -> None:
        super().__init__(instrument, rest, options, clock=clock)
        self._step = 0.0  # phase per sample, radian
        self._level = 0.0  # part of full scale
        self._phase = 0.0

    def _make_stream(self) -> Any:
        return library().OutputStream(
            device=self._device,
            samplerate=self._options.rate,
            channels=len(CHANNELS),
            dtype="float32",
            callback=self._fill,
        )

    def identity(self) -> str:
        """Name of the device and its level."""
        vpp = self._options.full_scale_vpp
        level = f"{vpp:g} Vpp full scale" if vpp else "not calibrated"
        return f"sound card output {self._device or 'default'}, AC coupled, {level}"

    def set_sine(self, frequency_hz: float, amplitude_vpp: float) -> None:
        """Set a sine in volts; see `Source.set_sine`.

        Raises
        ------
        UsageError
            If the output is not calibrated, or can't do that frequency or amplitude.
        """
        with self._named_errors():
            full = self._options.full_scale_vpp
            if not full:
                raise UsageError(
                    "the sound card's output is not calibrated in volts",
                    hint="set_level(1000, 0.5), measure the output, then give full_scale_vpp= twice what you measured"
                    " peak to peak",
                )
            if not 0 < amplitude_vpp <= full:
                raise UsageError(
                    f"the output can't give {amplitude_vpp!r} Vpp",
                    hint=f"more than zero, at most {full:g} Vpp",
                )
            self.set_level(frequency_hz, amplitude_vpp / full)

    def set_level(self, frequency_hz: float, level: float) -> None:
        """Set a sine as a part of full scale, for calibrating.

        Raises
        ------
        UsageError
            If the frequency is outside the usable band, or the level not above 0 and at most 1.
        """
        with self._named_errors():
            top = HIGHEST_OF_RATE * self._options.rate
            if not LOWEST_HZ <= frequency_hz <= top:
                raise UsageError(
                    f"a sound card can't give {frequency_hz!r} Hz",
                    hint=f"{LOWEST_HZ:g} Hz to {top:g} Hz",
                )
            if not 0 < level <= 1:
                raise UsageError(
                    f"level {level!r} is not a fraction of full scale", hint="above 0, at most 1"
                )
            self._step = 2 * math.pi * frequency_hz / self._options.rate
            self._level = level

    def set_output(self, on: bool) -> None:
        """Start or stop the sine; see `Source.set_output`."""
        with self._named_errors():
            stream = self._stream
            with translated(self._device):
                if on:
                    stream.start()
                else:
                    stream.stop()

    def _fill(self, out: npt.NDArray[np.float32], frames: int, _time: object, _status: object) -> None:
        """Callback of the audio thread: continue the sine where the last block ended."""
        phase = self._phase + self._step * np.arange(frames)
        out[:] = (self._level * np.sin(phase)).astype(np.float32)[:, None]
        self._phase = (self._phase + self._step * frames) % (2 * math.pi)
