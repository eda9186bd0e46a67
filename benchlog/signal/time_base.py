"""Sample times given by the source: are they even, without gaps, and as fast as said?"""

from __future__ import annotations

import numpy as np

from benchlog.finding import FindingKind
from benchlog.signal.findings import RecordFinding, Severity
from benchlog.signal.samples import CHUNK, FloatArray


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
        Of the tone, radian per second: how much a time error matters.
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
        message = f"a gap of {gap / typical:.3g} sample intervals {where}; the record is not one piece"
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
