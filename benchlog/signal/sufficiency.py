"""Does the record hold enough to fit: cycles, steps of the converter, a tone above the noise?"""

from __future__ import annotations

from benchlog.finding import FindingKind
from benchlog.signal.findings import RecordFinding, Severity, channel_name
from benchlog.signal.samples import FloatArray

__all__ = ["find_coarse_steps", "find_few_cycles", "find_weakness"]


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
