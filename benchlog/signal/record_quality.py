"""Findings about a record of samples.

Are its sample times even and as stated; do amplitude, frequency or phase change along it (decay, ringing, sweep, jumps,
missing samples); can it be fitted (enough cycles and converter steps, a tone above the noise)?
"""

from __future__ import annotations

import numpy as np
from scipy.fft import prev_fast_len

from benchlog.finding import FindingKind
from benchlog.metrology.statistics import robust_sd
from benchlog.signal.coarse import hann, interpolated_peak, power_spectrum
from benchlog.signal.findings import RecordFinding, Severity, channel_name
from benchlog.signal.fitted_record import FittedRecord
from benchlog.signal.moments import unit_powers
from benchlog.signal.samples import CHUNK, FloatArray

# Common practice, no source: smaller changes are left to the uncertainty.
_AMPLITUDE_WARNS, _AMPLITUDE_BLOCKS = 0.003, 0.1  # change over the record, of the amplitude
_PHASE_WARNS, _PHASE_BLOCKS = 0.01, 0.3  # radian, against a steady frequency
_SAMPLES_LOOKED_AT = 1024


def find_movement(record: FittedRecord, u_log_amplitude: FloatArray) -> list[RecordFinding]:
    """Amplitude or phase that changes along the record: decay, ringing, sweep, jumps."""
    swept = _find_sweep(record, int(np.argmin(u_log_amplitude)))
    if swept:
        return swept
    found: list[RecordFinding] = []
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
        # Only the part that constant and harmonics can't follow counts as a change.
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
        found += _moves(i, FindingKind.AMPLITUDE_MOVES, float(np.ptp(grid @ weights[:order])))
        swing = float(np.ptp(grid @ weights[order:]))
        jump = _find_jump(record, i, cycles) if swing > _PHASE_WARNS else None
        found += [jump] if jump else _moves(i, FindingKind.FREQUENCY_MOVES, swing)
    return found


def _moves(channel: int, kind: FindingKind, swing: float) -> list[RecordFinding]:
    if kind is FindingKind.AMPLITUDE_MOVES:
        warns, blocks, size = _AMPLITUDE_WARNS, _AMPLITUDE_BLOCKS, f"{100 * swing:.1f} % of its mean"
    else:
        warns, blocks, size = _PHASE_WARNS, _PHASE_BLOCKS, f"{np.degrees(swing):.2g} degree of phase"
    if swing < warns:
        return []
    severity = Severity.BLOCKS if swing > blocks else Severity.WARNS
    single = ": it does not repeat" if kind is FindingKind.AMPLITUDE_MOVES and swing > 1 else ""
    message = f"{channel_name(channel)}: {kind} along the record, by {size}{single}"
    return [RecordFinding(kind, message, severity, channel)]


def _find_jump(record: FittedRecord, channel: int, cycles: float) -> RecordFinding | None:
    """Distinguish a phase jump, as missing samples cause it, from a smooth change."""
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
        # The part with the jump in it is a mix of both sides and is left out.
        keep = np.arange(parts) != k - 1
        weights, *_ = np.linalg.lstsq(steps[keep], phase[keep], rcond=None)
        misfit = float(np.sum((phase[keep] - steps[keep] @ weights) ** 2))
        if misfit < best:
            best, at, size = misfit, k, float(weights[2])
    weights, *_ = np.linalg.lstsq(smooth, phase, rcond=None)
    if best > 0.1 * float(np.sum((phase - smooth @ weights) ** 2)) or abs(size) < 0.05:
        return None
    message = (
        f"{channel_name(channel)}: the phase jumps by {np.degrees(size):.3g} degree at {100 * (at - 0.5) / parts:.0f} % of the "
        "record: samples are missing, or the source restarted"
    )
    return RecordFinding(FindingKind.GAP, message, Severity.BLOCKS, channel)


def _find_sweep(record: FittedRecord, channel: int) -> list[RecordFinding]:
    """Track the strongest line through eight parts of the record."""
    y = record.channels[channel]
    n = len(y)
    cycles = record.solution.angle * n / (2 * np.pi)
    if not record.whole or cycles < 32:
        return []
    length = prev_fast_len(n // 8, real=True)
    parts = y[: 8 * (n // 8)].reshape(8, n // 8)[:, :length]
    spectra = power_spectrum((parts - parts.mean(axis=1, keepdims=True)) * hann(length))
    peaks = np.array([interpolated_peak(s) for s in spectra])
    tops = np.sqrt(spectra.max(axis=1))
    clear = spectra.max(axis=1) > 100 * np.median(spectra, axis=1)
    found: list[RecordFinding] = []
    if np.count_nonzero(clear) >= 4:
        lines = peaks[clear]
        if np.ptp(lines) > max(0.5, 0.02 * float(np.median(lines))):
            share = lines / float(np.median(lines))
            message = (
                f"the frequency changes along the record, from {share[0]:.3g} to {share[-1]:.3g} of its middle value: "
                "a sweep, not a steady tone"
            )
            found.append(RecordFinding(FindingKind.FREQUENCY_MOVES, message, Severity.BLOCKS))
    if clear.any() and tops.min() < 0.8 * tops.max() and _fades(tops):
        message = (
            f"the amplitude changes along the record, down to {100 * tops.min() / tops.max():.0f} % of its largest: "
            "decaying, ringing, or present only part of the time"
        )
        found.append(RecordFinding(FindingKind.AMPLITUDE_MOVES, message, Severity.BLOCKS))
    return found


def _fades(tops: FloatArray) -> bool:
    """Neighbouring parts differ less than the whole varies: more than noise or a beat."""
    return bool(np.sum(np.diff(tops) ** 2) < 1.5 * np.sum((tops - tops.mean()) ** 2))


def find_time_base_faults(
    time_s: FloatArray, interval_s: float, angular_frequency: float
) -> list[RecordFinding]:
    """Compare sample times with an even grid.

    Parameters
    ----------
    time_s : array of shape (n_samples,)
        Second.
    interval_s : float
        The interval the fit used.
    angular_frequency : float
        Of the tone, radian per second; it decides how much a time error matters.
    """
    n = len(time_s)
    mean_step = float(time_s[-1] - time_s[0]) / (n - 1)
    if not np.isfinite(mean_step) or mean_step <= 0:
        return [RecordFinding(FindingKind.TIME_BASE, "sample times do not run forward", Severity.BLOCKS)]
    gap, gap_at, backward, swing_low, swing_high = 0.0, 0, False, 0.0, 0.0
    for first in range(0, n, CHUNK):
        part = np.asarray(time_s[first : first + CHUNK + 1], np.float64)
        steps = np.diff(part)
        if not len(steps):
            break
        widest = int(np.argmax(steps))
        if steps[widest] > gap:
            gap, gap_at = float(steps[widest]), first + widest
        backward |= bool(steps.min() < 0)
        off = part - time_s[0] - np.arange(first, first + len(part)) * mean_step
        swing_low, swing_high = min(swing_low, float(off.min())), max(swing_high, float(off.max()))
    swing = swing_high - swing_low
    if backward:
        return [RecordFinding(FindingKind.TIME_BASE, "sample times step backwards", Severity.BLOCKS)]
    typical = float(np.median(np.diff(time_s[: min(n, 4097)])))
    if typical > 0 and gap > 1.5 * typical and gap > 1.5 * interval_s:
        where = f"after sample {gap_at + 1}, {float(time_s[gap_at]):.6g} s"
        message = f"a gap of {gap / typical:.3g} sample intervals {where}: samples are missing"
        return [RecordFinding(FindingKind.GAP, message, Severity.BLOCKS)]
    if abs(mean_step / interval_s - 1) > 1e-3:
        message = f"sample times are {mean_step:.6g} s apart, the stated interval is {interval_s:.6g} s"
        return [RecordFinding(FindingKind.TIME_BASE, message, Severity.BLOCKS)]
    angle = angular_frequency * swing
    if swing > 0.02 * mean_step and angle > 1e-3:
        severity = Severity.BLOCKS if angle > 0.1 else Severity.WARNS
        message = f"sample times stray by {swing / mean_step:.2g} of an interval from an even grid"
        return [RecordFinding(FindingKind.TIME_BASE, message, severity)]
    return []


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
    """Report converters whose steps are not small compared with the signal.

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
                f"{channel_name(i)}: one step of the converter is 1/{amplitude / step:.0f} of the amplitude, and there is "
                f"little noise to smooth it: {u:.1g} of the amplitude stays uncertain, however long the record"
            )
            severity = Severity.NOTE if amplitude > 20 * step else Severity.WARNS
            found.append(RecordFinding(FindingKind.QUANTISATION, message, severity, i))
    return found


def find_weakness(u_log_amplitude: FloatArray, sure: bool) -> list[RecordFinding]:
    """Report channels whose tone is not clearly above the noise."""
    if min(u_log_amplitude) > 1 / 8:
        return [
            RecordFinding(FindingKind.NO_SIGNAL, "no tone above the noise on any channel", Severity.BLOCKS)
        ]
    found = [
        RecordFinding(
            FindingKind.NO_SIGNAL, f"{channel_name(i)} shows no tone above its noise", Severity.BLOCKS, i
        )
        for i, u in enumerate(u_log_amplitude)
        if u > 1 / 5
    ]
    if not sure:
        found.append(
            RecordFinding(
                FindingKind.NO_SIGNAL,
                "the tone is too weak to tell it from an alias of a faster one; "
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
    """Whether there are a few narrow peaks on one side of a floor that don't repeat with the period found."""
    middle = float(np.median(y))
    above, below = float(y.max()) - middle, middle - float(y.min())
    far = y - middle > max(6 * robust_sd(y), 0.01 * above)
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
    n = prev_fast_len(len(residual), real=True)
    spectrum = power_spectrum(residual[:n] * hann(n))
    floor = float(np.median(spectrum))
    line = record.solution.angle * n / (2 * np.pi)
    if line < 3:
        return []
    # Harmonics above those modelled, folded or not, are distortion, not a second tone.
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
    message = f"{channel_name(channel)}: another tone at {times:.4g} times the frequency, {100 * share:.1f} % of the fundamental"
    return [RecordFinding(FindingKind.SEVERAL_TONES, message, severity, channel)]
