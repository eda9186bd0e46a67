"""A sound card as two-channel scope and sine generator, through python-sounddevice (extra ``soundcard``).

What it can and can't do, which holds for nearly every sound card: inputs and outputs are AC coupled, so nothing
below about 20 Hz is true and a DC part is never seen; nothing above 0.45 of the sampling rate is seen; inputs take
about 1 V and are damaged by a few volts more. Nothing that has to do with mains or with a charged capacitor belongs
on such an input, not even through a divider: the shield is the computer's earth.

Gains are unknown until calibrated. Two channels of one stereo input are alike within about a per cent and share
one clock, so ratios and phases hold without calibration; volts need one reading of a meter: `full_scale_from`.

Addresses: ``soundcard:`` for the default device, ``soundcard:NAME?full_scale=1.82`` (part of the device's name),
as scope with ``kind=scope`` and as generator with ``kind=generator``.
"""

from __future__ import annotations

import contextlib
import importlib
import math
import time
from collections.abc import Iterator, Sequence
from importlib.util import find_spec
from typing import Any, ClassVar, Literal

import msgspec
import numpy as np
import numpy.typing as npt

from benchlog.adapter import Digitiser, Source
from benchlog.capture import Capture, ChannelRecord
from benchlog.clock import Clock
from benchlog.errors import (
    AdapterUnavailableError,
    AnalysisError,
    BadFrameError,
    BenchlogError,
    LinkLostError,
    OpenError,
    OpenReason,
    ReadTimeoutError,
    UsageError,
)

if find_spec("sounddevice") is None:
    raise ModuleNotFoundError("No module named 'sounddevice'", name="sounddevice")

__all__ = [
    "GeneratorOptions",
    "ScopeOptions",
    "SoundCardGenerator",
    "SoundCardScope",
    "full_scale_from",
]

LOWEST_HZ = 20.0
HIGHEST_OF_RATE = 0.45
CHANNELS = ("L", "R")
_SETTLE_S = 0.2  # the input's high pass, and the first buffers of many drivers
_CHUNK_S = 0.05
_HOOK_UP = "look at `python -m sounddevice` for the names of the devices; is another program using it?"


class ScopeOptions(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Options of the input.

    Attributes
    ----------
    full_scale : float
        Peak volts at the input that give the largest code, from `full_scale_from`; 0 is "not calibrated":
        samples then have unit ``"1"``, as parts of full scale.
    rate : float
        Samples per second.
    span : float
        Length of a record, second.
    samples : {"int16", "float32"}
        How the driver delivers them; float32 holds 24-bit converters.
    """

    full_scale: float = 0.0
    rate: float = 48000.0
    span: float = 1.0
    samples: Literal["int16", "float32"] = "int16"


class GeneratorOptions(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Options of the output.

    Attributes
    ----------
    full_scale_vpp : float
        Peak-to-peak volts of a full-scale sine at the output, measured once; 0 is "not calibrated".
    rate : float
        Samples per second.
    """

    full_scale_vpp: float = 0.0
    rate: float = 48000.0


class SoundCardScope(Digitiser):
    """The stereo input as a two-channel scope, channels ``L`` and ``R``.

    Parameters
    ----------
    instrument : str
        Tag.
    rest : str
        Part of the device's name; empty for the default.
    options : ScopeOptions, optional
    clock : Clock, optional
    """

    Options: ClassVar[type[ScopeOptions]] = ScopeOptions

    def __init__(
        self, instrument: str, rest: str, options: ScopeOptions | None = None, *, clock: Clock | None = None
    ) -> None:
        super().__init__(instrument, clock=clock)
        self._device = rest or None
        self._options = options or ScopeOptions()
        self._span_s = self._options.span
        self._stream: Any = None

    def _open(self) -> None:
        with _translated(self._device, opening=True):
            self._stream = _library().InputStream(
                device=self._device,
                samplerate=self._options.rate,
                channels=len(CHANNELS),
                dtype=self._options.samples,
            )

    def _close(self) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:
            with contextlib.suppress(Exception):  # a device that was unplugged can't be closed in order
                stream.close()

    def identity(self) -> str:
        """Name of the device and what is known of its gain."""
        gain = f"{self._options.full_scale:g} V full scale" if self._options.full_scale else "not calibrated"
        return f"sound card input {self._device or 'default'}, AC coupled, {gain}"

    def set_timebase(
        self, *, n_samples: int, interval_s: float | None = None, span_s: float | None = None
    ) -> None:
        """Choose the record's length; the sampling rate is the card's own, so only the span counts.

        Raises
        ------
        UsageError
            If that makes no record, or one of more than a minute.
        """
        span = span_s if span_s is not None else n_samples * (interval_s or 0.0)
        if not 2 / self._options.rate <= span <= 60.0:
            raise UsageError(f"a record of {span:g} s is none", hint="give a span from 1 ms to 60 s")
        self._span_s = span

    def _capture(self, channels: Sequence[str], timeout_s: float) -> Capture:
        for channel in channels:
            if channel not in CHANNELS:
                raise UsageError(
                    f"no channel {channel!r} on a sound card", hint=f"channels here: {', '.join(CHANNELS)}"
                )
        if not channels:
            raise UsageError("no channel to capture", hint=f"channels here: {', '.join(CHANNELS)}")
        if self._stream is None:
            raise LinkLostError("the sound card is not open", hint="open the adapter first")
        options = self._options
        n_samples = round(self._span_s * options.rate)
        with _translated(self._device):
            codes = self._record(n_samples, timeout_s)
        start_ns = self.clock.utc_ns() - round(n_samples / options.rate * 1e9)
        whole = options.samples == "int16"
        full_scale, unit = (options.full_scale, "V") if options.full_scale else (1.0, "1")
        records = tuple(
            ChannelRecord(
                channel,
                np.ascontiguousarray(codes[:, CHANNELS.index(channel)]),
                scale=full_scale / (32768 if whole else 1),
                unit=unit,
                coupling="ac",
                code_limits=(-32768, 32767) if whole else (-1.0, 1.0),
                range_max=full_scale,
            )
            for channel in channels
        )
        settings = {
            "identity": self.identity(),
            "usable band": f"{LOWEST_HZ:g} Hz to {HIGHEST_OF_RATE * options.rate:g} Hz",
        }
        return Capture(records, 1 / options.rate, utc_ns=max(0, start_ns), settings=settings)

    def _record(self, n_samples: int, timeout_s: float) -> npt.NDArray[np.generic]:
        """Read one gapless record, array of shape (n_samples, 2), after the input has settled."""
        stream, rate = self._stream, self._options.rate
        chunk = max(1, round(_CHUNK_S * rate))
        settle = round(_SETTLE_S * rate)
        deadline = time.monotonic() + _SETTLE_S + n_samples / rate + timeout_s
        parts: list[npt.NDArray[np.generic]] = []
        got = -settle
        stream.start()
        try:
            while got < n_samples:
                if time.monotonic() > deadline:
                    raise ReadTimeoutError(
                        f"the sound card gave {max(0, got)} of {n_samples} samples", hint=_HOOK_UP
                    )
                # What is read while settling must not swallow the beginning of the record.
                wanted = min(chunk, -got if got < 0 else n_samples - got)
                data, overflowed = stream.read(wanted)
                if overflowed and got >= 0:
                    raise BadFrameError(
                        "the sound card lost samples inside the record",
                        hint="close busy programs and take it again",
                    )
                if got >= 0:
                    parts.append(np.array(data))
                got += wanted
        finally:
            stream.stop()
        return np.concatenate(parts)


class SoundCardGenerator(Source):
    """The output as a sine generator, the same signal on both channels.

    Parameters
    ----------
    instrument : str
        Tag.
    rest : str
        Part of the device's name; empty for the default.
    options : GeneratorOptions, optional
    clock : Clock, optional
    """

    Options: ClassVar[type[GeneratorOptions]] = GeneratorOptions

    def __init__(
        self,
        instrument: str,
        rest: str,
        options: GeneratorOptions | None = None,
        *,
        clock: Clock | None = None,
    ) -> None:
        super().__init__(instrument, clock=clock)
        self._device = rest or None
        self._options = options or GeneratorOptions()
        self._stream: Any = None
        self._step = 0.0  # phase per sample, radian
        self._level = 0.0  # part of full scale
        self._phase = 0.0

    def _open(self) -> None:
        with _translated(self._device, opening=True):
            self._stream = _library().OutputStream(
                device=self._device,
                samplerate=self._options.rate,
                channels=len(CHANNELS),
                dtype="float32",
                callback=self._fill,
            )

    def _close(self) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:
            with contextlib.suppress(Exception):  # a device that was unplugged can't be closed in order
                stream.close()

    def identity(self) -> str:
        """Name of the device and what is known of its level."""
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
                    f"{amplitude_vpp!r} Vpp is not within what the output gives",
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
                    f"{frequency_hz!r} Hz is outside what a sound card gives",
                    hint=f"{LOWEST_HZ:g} Hz to {top:g} Hz",
                )
            if not 0 < level <= 1:
                raise UsageError(f"level {level!r} is no part of full scale", hint="above 0, at most 1")
            self._step = 2 * math.pi * frequency_hz / self._options.rate
            self._level = level

    def set_output(self, on: bool) -> None:
        """Start or stop the sine; see `Source.set_output`."""
        with self._named_errors():
            if self._stream is None:
                raise LinkLostError("the sound card is not open", hint="open the adapter first")
            with _translated(self._device):
                if on:
                    self._stream.start()
                else:
                    self._stream.stop()

    def _fill(self, out: npt.NDArray[np.float32], frames: int, _time: object, _status: object) -> None:
        """Callback of the audio thread: go on with the sine where the last block ended."""
        phase = self._phase + self._step * np.arange(frames)
        out[:] = (self._level * np.sin(phase)).astype(np.float32)[:, None]
        self._phase = (self._phase + self._step * frames) % (2 * math.pi)


def full_scale_from(record: ChannelRecord, rms_v: float) -> float:
    """Full scale in volts from a capture and what a meter reads at the same point.

    Parameters
    ----------
    record : ChannelRecord
        One channel of a capture of a steady sine within the usable band.
    rms_v : float
        Reading of a true-rms or sine-calibrated AC voltmeter across the input, volt.

    Returns
    -------
    float
        For the option ``full_scale`` of that input.

    Raises
    ------
    AnalysisError
        If the record is clipped or too small to calibrate with, or the reading is not positive.
    """
    if not (math.isfinite(rms_v) and rms_v > 0):
        raise AnalysisError(f"a reading of {rms_v!r} V calibrates nothing", hint="apply a sine and read it")
    low, high = record.code_limits or (-1.0, 1.0)
    codes = record.codes.astype(np.float64)
    if codes.min() <= low or codes.max() >= high:
        raise AnalysisError("the record is clipped", hint="turn the level down and capture again")
    part = float(np.std(codes)) / abs(low)
    if part < 0.01:
        raise AnalysisError(
            f"the signal is only {100 * part:.2g} % of full scale", hint="turn the level up and capture again"
        )
    return rms_v / part


def _library() -> Any:
    """The sounddevice module; importing it loads the system's PortAudio."""
    try:
        return importlib.import_module("sounddevice")
    except OSError as error:
        raise AdapterUnavailableError(
            f"sounddevice can't load PortAudio: {error}", hint="install it: sudo apt install libportaudio2"
        ) from error


@contextlib.contextmanager
def _translated(device: str | None, *, opening: bool = False) -> Iterator[None]:
    """Put exceptions of the audio library (PortAudioError, ValueError for names, OSError) into our words."""
    name = device or "the default sound device"
    try:
        yield
    except BenchlogError:
        raise
    except ValueError as error:
        if not opening:
            raise
        raise OpenError(f"{name}: {error}", hint=_HOOK_UP, reason=OpenReason.MISSING) from error
    except Exception as error:
        if not isinstance(error, OSError) and type(error).__module__.partition(".")[0] != "sounddevice":
            raise
        if opening:
            raise OpenError(
                f"{name} can't be opened: {error}", hint=_HOOK_UP, reason=OpenReason.OTHER
            ) from error
        raise LinkLostError(f"{name} stopped: {error}", hint="was it unplugged?") from error
