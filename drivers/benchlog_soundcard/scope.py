"""The input of a sound card as two-channel scope, calibrated by one reading of a meter.

Limits of nearly every sound card: inputs are AC coupled, so below about 20 Hz levels are wrong and DC is never seen; nothing
above 0.45 of the sampling rate is seen; inputs take about 1 V and are damaged by a few volts more. Never connect anything
that is connected to mains, or a charged capacitor, not even through a divider: the shield is the computer's earth.

Gains are unknown until calibrated. The two channels of a stereo input agree within about a per cent and share one clock, so
ratios and phases are valid without calibration; for volts one reading of a meter is needed: `full_scale_from`.

Addresses, with ``kind=scope``: ``soundcard:`` for the default device, ``soundcard:NAME?full_scale=1.82`` (part of
the device's name).
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from typing import Any, Literal

import msgspec
import numpy as np
import numpy.typing as npt

from benchlog.adapter import Digitiser
from benchlog.capture import Capture, ChannelRecord
from benchlog.clock import Clock
from benchlog.errors import AnalysisError, BadFrameError, ReadTimeoutError, UsageError
from benchlog_soundcard.library import (
    CHANNELS,
    HIGHEST_OF_RATE,
    HOOK_UP,
    LOWEST_HZ,
    SoundDevice,
    library,
    translated,
)

_SETTLE_S = 0.2  # the input's high pass, and the first buffers of many drivers
_CHUNK_S = 0.05


class ScopeOptions(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Options of the input."""

    #: Peak volts at the input that give the largest code, from `full_scale_from`; 0 is "not calibrated":
    #: samples then have unit ``"1"``, as parts of full scale.
    full_scale: float = 0.0
    rate: float = 48000.0  #: Samples per second.
    span: float = 1.0  #: Length of a record, second.
    #: How the driver delivers them; float32 holds 24-bit converters.
    samples: Literal["int16", "float32"] = "int16"


class SoundCardScope(SoundDevice[ScopeOptions], Digitiser):
    """The stereo input as a two-channel scope, channels ``L`` and ``R``."""

    Options = ScopeOptions

    def __init__(
        self, instrument: str, rest: str, options: ScopeOptions | None = None, *, clock: Clock | None = None
    ) -> None:
        super().__init__(instrument, rest, options, clock=clock)
        self._span_s = self._options.span

    def _make_stream(self) -> Any:
        return library().InputStream(
            device=self._device,
            samplerate=self._options.rate,
            channels=len(CHANNELS),
            dtype=self._options.samples,
        )

    def identity(self) -> str:
        """Name of the device and its gain."""
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
            raise UsageError(f"a record can't be {span:g} s long", hint="give a span from 1 ms to 60 s")
        self._span_s = span

    def _capture(self, channels: Sequence[str], timeout_s: float) -> Capture:
        for channel in channels:
            if channel not in CHANNELS:
                raise UsageError(
                    f"no channel {channel!r} on a sound card", hint=f"channels here: {', '.join(CHANNELS)}"
                )
        if not channels:
            raise UsageError("no channel to capture", hint=f"channels here: {', '.join(CHANNELS)}")
        options = self._options
        n_samples = round(self._span_s * options.rate)
        with translated(self._device):
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
                        f"the sound card gave {max(0, got)} of {n_samples} samples", hint=HOOK_UP
                    )
                # Don't lose the beginning of the record while settling.
                wanted = min(chunk, -got if got < 0 else n_samples - got)
                data, overflowed = stream.read(wanted)
                if overflowed and got >= 0:
                    raise BadFrameError(
                        "the sound card lost samples during the record",
                        hint="close busy programs and capture again",
                    )
                if got >= 0:
                    parts.append(np.array(data))
                got += wanted
        finally:
            stream.stop()
        return np.concatenate(parts)


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
        raise AnalysisError(f"can't calibrate with a reading of {rms_v!r} V", hint="apply a sine and read it")
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
