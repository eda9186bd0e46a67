"""Looks at a record and its fit for what would make the numbers untrue or less sure than they look."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchlog.signal.coarse import hann, interpolated_peak, power_spectrum
from benchlog.signal.findings import Finding, Severity
from benchlog.signal.joint import JointSolution
from benchlog.signal.moments import unit_powers
from benchlog.signal.samples import CHUNK, FloatArray, RawArray, largest_smooth, stretch_starts

__all__ = [
    "FittedRecord",
    "find_clipping",
    "find_coarse_steps",
    "find_few_cycles",
    "find_movement",
    "find_other_content",
    "find_weakness",
    "noise_to_tone",
]

# Common practice, no source: what moves or differs by less is left to the uncertainty.
_AMPLITUDE_WARNS, _AMPLITUDE_BLOCKS = 0.003, 0.1  # change over the record, of the amplitude
_PHASE_WARNS, _PHASE_BLOCKS = 0.01, 0.3  # radian, against a steady frequency
_TONE_WARNS, _TONE_BLOCKS = 0.02, 0.3  # of the fundamental
_SAMPLES_LOOKED_AT = 1024
_SCANNED_WHOLE = 4_000_000  # samples scanned one by one for cut tops
_SCANNED_PARTS, _SCANNED_PART = 16, 65_536  # of longer records


@dataclass(frozen=True, slots=True)
class FittedRecord:
    """A record's samples as the fit saw them, with what the fit made of them.

    Attributes
    ----------
    channels : array of shape (n_channels, n)
        Averaged samples, or some raw stretches of a long record.
    time : array of shape (n,)
        Of those samples about the centre of the record, in samples.
    residuals : array of shape (n_channels, n)
    solution : JointSolution
        Its angle is in radian per sample of `time`.
    span : int
        Samples from first to last, in the unit of `time`; those in between may be missing.
    """

    channels: FloatArray
    time: FloatArray
    residuals: FloatArray
    solution: JointSolution
    span: int

    @property
    def whole(self) -> bool:
        """Whether no sample is missing."""
        return len(self.time) == self.span


def _name(channel: int) -> str:
    return f"channel {channel + 1}"


def find_few_cycles(cycles: float, duration_s: float) -> list[Finding]:
    """Fewer than two cycles: frequency, offset and harmonics can hardly be told apart."""
    if cycles >= 2:
        return []
    needed = 2 * duration_s / cycles
    severity = Severity.BLOCKS if cycles < 0.95 else Severity.WARNS
    return [
        Finding(
            "too few cycles",
            f"{cycles:.2f} cycles in the record; at least 2 are needed, 5 are better: "
            f"record {needed:.3g} s or more",
            severity,
        )
    ]


def noise_to_tone(record: FittedRecord) -> FloatArray:
    """Relative standard uncertainty of each amplitude from what the model leaves in these samples."""
    tones = np.maximum(np.abs(record.solution.phasors[:, 0]), 1e-300)
    spread = np.sqrt(2 / record.span) * record.residuals.std(axis=1)
    # A channel that never changes has neither tone nor noise.
    return np.where(np.ptp(record.channels, axis=1) > 0, spread / tones, np.inf)


def find_coarse_steps(steps: FloatArray, amplitudes: FloatArray, floor: FloatArray) -> list[Finding]:
    """Note converters whose steps are no small part of the signal.

    Parameters
    ----------
    steps, amplitudes : arrays of shape (n_channels,)
        In codes.
    floor : array of shape (n_channels,)
        Relative standard uncertainty of the amplitudes from the steps, already in the result.
    """
    found = []
    for i, (step, amplitude, u) in enumerate(zip(steps, amplitudes, floor, strict=True)):
        if step > 0 and amplitude < 200 * step and u > 1e-5:
            message = (
                f"{_name(i)}: one step of the converter is 1/{amplitude / step:.0f} of the amplitude, with little "
                f"noise to smooth it: {u:.1g} of the amplitude stays uncertain however long the record"
            )
            severity = Severity.NOTE if amplitude > 20 * step else Severity.WARNS
            found.append(Finding("quantisation", message, severity, i))
    return found


def find_weakness(u_log_amplitude: FloatArray, sure: bool) -> list[Finding]:
    """Say where the tone is not clear of the noise."""
    if min(u_log_amplitude) > 1 / 8:
        return [Finding("no signal", "no tone stands clear of the noise on any channel", Severity.BLOCKS)]
    found = [
        Finding("no signal", f"{_name(i)} shows no tone clear of its noise", Severity.BLOCKS, i)
        for i, u in enumerate(u_log_amplitude)
        if u > 1 / 5
    ]
    if not sure:
        found.append(
            Finding(
                "no signal",
                "the tone is too weak to tell from a faster one folded down by sampling; "
                "raise the level or record for a shorter time",
                Severity.BLOCKS,
            )
        )
    return found


def find_clipping(
    codes: RawArray, limits: tuple[float, float] | None, *, channel: int, step: float, distortion: float
) -> list[Finding]:
    """Samples cut off at the converter's limits, or piled up at an extreme value.

    Parameters
    ----------
    codes : array of shape (n_samples,)
    limits : tuple of float or None
        Lowest and highest code, where known.
    channel : int
    step : float
        Smallest step between codes, zero for continuous values.
    distortion : float
        Everything but the fundamental, over the fundamental; a pure sine has no cut tops.
    """
    parts = _parts(codes)
    low, high, near_low, near_high = _extremes(parts)
    if limits is not None:
        cut = 0
        if low <= limits[0] or high >= limits[1]:
            cut = sum(int(np.count_nonzero((p <= limits[0]) | (p >= limits[1]))) for p in parts)
        return [_clipped(channel, cut, "stand at the limits of the converter")] if cut else []
    if distortion < 3e-4 or high <= low:
        return []
    width = step or 1e-3 * (high - low)
    tops = _piled_up(near_high, high, width, 1.0)
    bottoms = _piled_up(near_low, low, width, -1.0)
    share = tops / len(near_high) + bottoms / len(near_low)
    if share > 0.6:
        message = f"{_name(channel)}: most samples stand at two values: a rectangular wave, or hard clipping"
        return [Finding("clipping", message, Severity.WARNS, channel)]
    if tops or bottoms:
        return [_clipped(channel, tops + bottoms, "share one extreme value: flat tops")]
    return []


def _clipped(channel: int, count: int, what: str) -> Finding:
    return Finding(
        "clipping",
        f"{_name(channel)}: {count} samples {what}; use the next larger range or lower the level",
        Severity.BLOCKS,
        channel,
    )


def _parts(codes: RawArray) -> list[RawArray]:
    """Chunks of the record, of a very long one every so many: cut tops come back with every cycle."""
    if len(codes) <= _SCANNED_WHOLE:
        return [codes[first : first + CHUNK] for first in range(0, len(codes), CHUNK)]
    return [codes[s : s + _SCANNED_PART] for s in stretch_starts(len(codes), _SCANNED_PART, _SCANNED_PARTS)]


def _extremes(parts: Sequence[RawArray]) -> tuple[float, float, RawArray, RawArray]:
    """Lowest and highest value, and the parts they were met in."""
    lows, highs = [p.min() for p in parts], [p.max() for p in parts]
    low, high = int(np.argmin(lows)), int(np.argmax(highs))
    return float(lows[low]), float(highs[high]), parts[low], parts[high]


def _piled_up(codes: RawArray, extreme: float, width: float, sign: float) -> int:
    """Samples at the extreme if they are far more than a rounded top puts there, else zero.

    The top of a sine puts at most 2.4 times as many samples into its last step as into the one before; a cut top
    puts all that belong above there.
    """
    at_extreme = codes == extreme
    count = int(np.count_nonzero(at_extreme))
    together = int(np.count_nonzero(at_extreme[1:] & at_extreme[:-1]))
    if count < 8 or together < count / 4:
        return 0
    edge = extreme - sign * 1.001 * width
    beside = int(np.count_nonzero(codes >= edge if sign > 0 else codes <= edge)) - count
    return count if count > 3 * beside else 0


def find_movement(record: FittedRecord, u_log_amplitude: FloatArray) -> list[Finding]:
    """Amplitude or phase wandering along the record: decay, ringing, sweep, jumps."""
    swept = _find_sweep(record, int(np.argmin(u_log_amplitude)))
    if swept:
        return swept
    found: list[Finding] = []
    pick = np.linspace(0, len(record.time) - 1, min(_SAMPLES_LOOKED_AT, len(record.time))).astype(int)
    time, solution = record.time[pick], record.solution
    place = 2 * time / record.span
    cycles = solution.angle * record.span / (2 * np.pi)
    if cycles < 2:  # a change within the cycle is distortion
        return []
    order = 2 if cycles < 5 else 4
    shapes = np.polynomial.legendre.legvander(place, order)[:, 1:]
    powers = unit_powers(solution.angle * time, solution.odd.shape[1])
    turn, known = powers[1], np.concatenate([powers.real, powers.imag[1:]]).T
    grid = np.polynomial.legendre.legvander(np.linspace(-1, 1, 33), order)[:, 1:]
    project = np.linalg.inv(known.T @ known) @ known.T
    for i, phasor in enumerate(solution.phasors[:, 0]):
        if u_log_amplitude[i] > 1 / 8:
            continue
        wave = turn * phasor
        wanted = np.concatenate([shapes * wave.real[:, None], -shapes * wave.imag[:, None]], axis=1)
        # Only what constant and harmonics can't follow counts as movement.
        fresh = wanted - known @ (project @ wanted)
        residual = record.residuals[i, pick]
        size = np.linalg.norm(fresh, axis=0)
        free = size > 1e-2 * np.linalg.norm(wanted, axis=0)
        normal = fresh.T @ fresh
        normal[~free] = normal[:, ~free] = 0.0
        weights = np.linalg.pinv(normal, rcond=1e-4, hermitian=True) @ (fresh.T @ residual)
        explained = float(weights @ normal @ weights)
        left = max(float(residual @ residual) - explained, 1e-30 * abs(phasor) ** 2)
        strength = explained / (2 * order) / (left / max(len(residual) - 30, 1))
        if strength < 12:
            continue
        found += _moves(i, "amplitude", float(np.ptp(grid @ weights[:order])))
        swing = float(np.ptp(grid @ weights[order:]))
        jump = _find_jump(record, i, cycles) if swing > _PHASE_WARNS else None
        found += [jump] if jump else _moves(i, "frequency", swing)
    return found


def _moves(channel: int, what: str, swing: float) -> list[Finding]:
    if what == "amplitude":
        warns, blocks, size = _AMPLITUDE_WARNS, _AMPLITUDE_BLOCKS, f"{swing:.1%} of its mean"
    else:
        warns, blocks, size = _PHASE_WARNS, _PHASE_BLOCKS, f"{np.degrees(swing):.2g} degree of phase"
    if swing < warns:
        return []
    severity = Severity.BLOCKS if swing > blocks else Severity.WARNS
    message = f"{_name(channel)}: {what} moves along the record, by {size}"
    return [Finding(f"{what} moves", message, severity, channel)]


def _find_jump(record: FittedRecord, channel: int, cycles: float) -> Finding | None:
    """Tell a step of the phase, as missing samples leave it, from a smooth wander."""
    parts = int(min(32, cycles / 2))
    if parts < 6 or not record.whole:
        return None
    length = record.span // parts
    turn = np.exp(-1j * record.solution.angle * record.time[: parts * length])
    wave = record.channels[channel] - record.solution.even[channel, 0]
    local = (wave[: parts * length] * turn).reshape(parts, length) @ hann(length)
    phase = np.unwrap(np.angle(local))
    place = np.linspace(-1, 1, parts)
    smooth = np.vander(place, 4)
    best, at, size = np.inf, 0, 0.0
    for k in range(2, parts - 1):
        steps = np.column_stack([np.ones(parts), place, np.arange(parts) >= k])
        # The part the jump falls into is half of each side and tells nothing.
        keep = np.arange(parts) != k - 1
        weights, *_ = np.linalg.lstsq(steps[keep], phase[keep], rcond=None)
        misfit = float(np.sum((phase[keep] - steps[keep] @ weights) ** 2))
        if misfit < best:
            best, at, size = misfit, k, float(weights[2])
    weights, *_ = np.linalg.lstsq(smooth, phase, rcond=None)
    if best > 0.1 * float(np.sum((phase - smooth @ weights) ** 2)) or abs(size) < 0.05:
        return None
    message = (
        f"{_name(channel)}: the phase jumps by {np.degrees(size):.3g} degree at {(at - 0.5) / parts:.0%} of the "
        "record: samples are missing, or the source started anew"
    )
    return Finding("gap", message, Severity.BLOCKS, channel)


def _find_sweep(record: FittedRecord, channel: int) -> list[Finding]:
    """Track the strongest line through eight parts of the record."""
    y = record.channels[channel]
    n = len(y)
    cycles = record.solution.angle * n / (2 * np.pi)
    if not record.whole or cycles < 32:
        return []
    length = largest_smooth(n // 8)
    parts = y[: 8 * (n // 8)].reshape(8, n // 8)[:, :length]
    spectra = power_spectrum((parts - parts.mean(axis=1, keepdims=True)) * hann(length))
    peaks = np.array([interpolated_peak(s) for s in spectra])
    tops = np.sqrt(spectra.max(axis=1))
    clear = spectra.max(axis=1) > 100 * np.median(spectra, axis=1)
    found: list[Finding] = []
    if np.count_nonzero(clear) >= 4:
        lines = peaks[clear]
        if np.ptp(lines) > max(0.5, 0.02 * float(np.median(lines))):
            share = lines / float(np.median(lines))
            message = (
                f"frequency moves along the record, from {share[0]:.3g} to {share[-1]:.3g} of its middle value: "
                "a sweep, not a steady tone"
            )
            found.append(Finding("frequency moves", message, Severity.BLOCKS))
    if clear.any() and tops.min() < 0.8 * tops.max() and _fades(tops):
        message = (
            f"amplitude moves along the record, {tops.min() / tops.max():.0%} of its largest at the least: "
            "decaying, ringing or only part of the time there"
        )
        found.append(Finding("amplitude moves", message, Severity.BLOCKS))
    return found


def _fades(tops: FloatArray) -> bool:
    """Neighbouring parts resemble each other more than the whole varies: no mere noise or beat."""
    return bool(np.sum(np.diff(tops) ** 2) < 1.5 * np.sum((tops - tops.mean()) ** 2))


def find_other_content(record: FittedRecord, u_log_amplitude: FloatArray) -> list[Finding]:
    """A second tone, or a record that is no waveform at all."""
    found: list[Finding] = []
    for i, (y, residual) in enumerate(zip(record.channels, record.residuals, strict=True)):
        total = float(np.var(y))
        if total <= 0:
            continue
        if float(np.var(residual)) > 0.5 * total and _like_a_spectrum(y, record):
            message = f"{_name(i)} looks like a spectrum, not a waveform; save the time record instead"
            found.append(Finding("spectrum", message, Severity.BLOCKS, i))
        elif record.whole and u_log_amplitude[i] < 1 / 8:
            found += _second_tone(i, residual, record)
    return found


def _like_a_spectrum(y: FloatArray, record: FittedRecord) -> bool:
    """Few narrow peaks on one side of a floor, not repeating with the period found."""
    middle = float(np.median(y))
    spread = 1.4826 * float(np.median(np.abs(y - middle)))
    above, below = float(y.max()) - middle, middle - float(y.min())
    far = y - middle > max(6 * spread, 0.01 * above)
    count, peaks = np.count_nonzero(far), np.count_nonzero(np.diff(far.astype(np.int8)) > 0)
    # Lines of a spectrum are a few samples wide; pulses and ringing are not, or repeat.
    if not (0 < count < 0.1 * len(y) and count <= 8 * peaks and above > 2 * below):
        return False
    lag = round(2 * np.pi / record.solution.angle)
    if not record.whole or not 0 < lag < len(y) // 2:
        return True
    z = y - y.mean()
    repeats = float(z[lag:] @ z[:-lag]) / max(float(z @ z), 1e-300)
    return repeats < 0.5


def _second_tone(channel: int, residual: FloatArray, record: FittedRecord) -> list[Finding]:
    n = largest_smooth(len(residual))
    spectrum = power_spectrum(residual[:n] * hann(n))
    floor = float(np.median(spectrum))
    line = record.solution.angle * n / (2 * np.pi)
    if line < 3:
        return []
    # Higher harmonics than those modelled, folded or not, are distortion and no second tone.
    for h in range(min(100, n // 30) + 1):
        at = round(abs(h * line - n * round(h * line / n)))
        spectrum[max(at - 2, 0) : at + 3] = 0.0
    peak = int(np.argmax(spectrum))
    amplitude = 4 * np.sqrt(spectrum[peak]) / n
    share = amplitude / max(abs(record.solution.phasors[channel, 0]), 1e-300)
    times = interpolated_peak(spectrum, peak) / line
    if spectrum[peak] < 100 * floor or share < _TONE_WARNS or abs(times - round(times)) * line < 1:
        return []
    severity = Severity.BLOCKS if share > _TONE_BLOCKS else Severity.WARNS
    message = (
        f"{_name(channel)}: another tone at {times:.4g} times the frequency, {share:.1%} of the fundamental"
    )
    return [Finding("several tones", message, severity, channel)]
