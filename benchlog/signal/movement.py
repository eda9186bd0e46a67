"""Amplitude, frequency or phase that moves along the record: decay, ringing, sweep, jumps, missing samples."""

from __future__ import annotations

import numpy as np

from benchlog.finding import FindingKind
from benchlog.signal.coarse import hann, interpolated_peak, power_spectrum
from benchlog.signal.findings import RecordFinding, Severity, channel_name
from benchlog.signal.fitted_record import FittedRecord
from benchlog.signal.moments import unit_powers
from benchlog.signal.samples import FloatArray, largest_smooth

# Common practice, no source: what moves by less is left to the uncertainty.
_AMPLITUDE_WARNS, _AMPLITUDE_BLOCKS = 0.003, 0.1  # change over the record, of the amplitude
_PHASE_WARNS, _PHASE_BLOCKS = 0.01, 0.3  # radian, against a steady frequency
_SAMPLES_LOOKED_AT = 1024


def find_movement(record: FittedRecord, u_log_amplitude: FloatArray) -> list[RecordFinding]:
    """Amplitude or phase wandering along the record: decay, ringing, sweep, jumps."""
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
        found += _moves(i, FindingKind.AMPLITUDE_MOVES, float(np.ptp(grid @ weights[:order])))
        swing = float(np.ptp(grid @ weights[order:]))
        jump = _find_jump(record, i, cycles) if swing > _PHASE_WARNS else None
        found += [jump] if jump else _moves(i, FindingKind.FREQUENCY_MOVES, swing)
    return found


def _moves(channel: int, kind: FindingKind, swing: float) -> list[RecordFinding]:
    if kind is FindingKind.AMPLITUDE_MOVES:
        warns, blocks, size = _AMPLITUDE_WARNS, _AMPLITUDE_BLOCKS, f"{swing:.1%} of its mean"
    else:
        warns, blocks, size = _PHASE_WARNS, _PHASE_BLOCKS, f"{np.degrees(swing):.2g} degree of phase"
    if swing < warns:
        return []
    severity = Severity.BLOCKS if swing > blocks else Severity.WARNS
    message = f"{channel_name(channel)}: {kind} along the record, by {size}"
    return [RecordFinding(kind, message, severity, channel)]


def _find_jump(record: FittedRecord, channel: int, cycles: float) -> RecordFinding | None:
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
        # The part the jump falls into is half of each side and says nothing.
        keep = np.arange(parts) != k - 1
        weights, *_ = np.linalg.lstsq(steps[keep], phase[keep], rcond=None)
        misfit = float(np.sum((phase[keep] - steps[keep] @ weights) ** 2))
        if misfit < best:
            best, at, size = misfit, k, float(weights[2])
    weights, *_ = np.linalg.lstsq(smooth, phase, rcond=None)
    if best > 0.1 * float(np.sum((phase - smooth @ weights) ** 2)) or abs(size) < 0.05:
        return None
    message = (
        f"{channel_name(channel)}: the phase jumps by {np.degrees(size):.3g} degree at {(at - 0.5) / parts:.0%} of the "
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
    length = largest_smooth(n // 8)
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
                f"frequency moves along the record, from {share[0]:.3g} to {share[-1]:.3g} of its middle value: "
                "a sweep, not a steady tone"
            )
            found.append(RecordFinding(FindingKind.FREQUENCY_MOVES, message, Severity.BLOCKS))
    if clear.any() and tops.min() < 0.8 * tops.max() and _fades(tops):
        message = (
            f"amplitude moves along the record, {tops.min() / tops.max():.0%} of its largest at the least: "
            "decaying, ringing or only part of the time there"
        )
        found.append(RecordFinding(FindingKind.AMPLITUDE_MOVES, message, Severity.BLOCKS))
    return found


def _fades(tops: FloatArray) -> bool:
    """Neighbouring parts resemble each other more than the whole varies: no mere noise or beat."""
    return bool(np.sum(np.diff(tops) ** 2) < 1.5 * np.sum((tops - tops.mean()) ** 2))
