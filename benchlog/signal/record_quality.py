"""Whether the record holds enough to fit (cycles, converter steps, a tone above the noise), and what else is in it."""

from __future__ import annotations

import numpy as np

from benchlog.finding import FindingKind
from benchlog.signal.coarse import hann, interpolated_peak, power_spectrum
from benchlog.signal.findings import RecordFinding, Severity, channel_name
from benchlog.signal.fitted_record import FittedRecord
from benchlog.signal.samples import FloatArray, largest_smooth

# Common practice, no source: a smaller one is left to the uncertainty.
_TONE_WARNS, _TONE_BLOCKS = 0.02, 0.3  # of the fundamental


def find_few_cycles(cycles: float, duration_s: float) -> list[RecordFinding]:
    """Fewer than two cycles: frequency, offset and harmonics can hardly be separated."""
    if cycles >= 2:
        return []
    needed = 2 * duration_s / cycles
    severity = Severity.BLOCKS if cycles < 0.95 else Severity.WARNS
    return [
        RecordFinding(
            FindingKind.TOO_FEW_CYCLES,
            f"{cycles:.2f} cycles in the record; at least 2 are needed, 5 are better: "
            f"record {needed:.3g} s or more",
            severity,
        )
    ]


def find_coarse_steps(steps: FloatArray, amplitudes: FloatArray, floor: FloatArray) -> list[RecordFinding]:
    """Note converters whose steps are not a small part of the signal.

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
                f"{channel_name(i)}: one step of the converter is 1/{amplitude / step:.0f} of the amplitude, with little "
                f"noise to smooth it: {u:.1g} of the amplitude stays uncertain however long the record"
            )
            severity = Severity.NOTE if amplitude > 20 * step else Severity.WARNS
            found.append(RecordFinding(FindingKind.QUANTISATION, message, severity, i))
    return found


def find_weakness(u_log_amplitude: FloatArray, sure: bool) -> list[RecordFinding]:
    """Say where the tone is not clear of the noise."""
    if min(u_log_amplitude) > 1 / 8:
        return [
            RecordFinding(FindingKind.NO_SIGNAL, "no tone above the noise on any channel", Severity.BLOCKS)
        ]
    found = [
        RecordFinding(
            FindingKind.NO_SIGNAL, f"{channel_name(i)} shows no tone clear of its noise", Severity.BLOCKS, i
        )
        for i, u in enumerate(u_log_amplitude)
        if u > 1 / 5
    ]
    if not sure:
        found.append(
            RecordFinding(
                FindingKind.NO_SIGNAL,
                "the tone is too weak to distinguish from a faster one folded down by sampling; "
                "raise the level or record for a shorter time",
                Severity.BLOCKS,
            )
        )
    return found


def find_interference(record: FittedRecord, u_log_amplitude: FloatArray) -> list[RecordFinding]:
    """A second tone, or a record that is not a waveform at all."""
    found: list[RecordFinding] = []
    for i, (y, residual) in enumerate(zip(record.channels, record.residuals, strict=True)):
        total = float(np.var(y))
        if total <= 0:
            continue
        if float(np.var(residual)) > 0.5 * total and _like_a_spectrum(y, record):
            message = f"{channel_name(i)} looks like a spectrum, not a waveform; save the time record instead"
            found.append(RecordFinding(FindingKind.SPECTRUM, message, Severity.BLOCKS, i))
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


def _second_tone(channel: int, residual: FloatArray, record: FittedRecord) -> list[RecordFinding]:
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
    message = f"{channel_name(channel)}: another tone at {times:.4g} times the frequency, {share:.1%} of the fundamental"
    return [RecordFinding(FindingKind.SEVERAL_TONES, message, severity, channel)]
