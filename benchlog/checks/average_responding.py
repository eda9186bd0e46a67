"""Average-responding meters: when they may differ from others, and how a capture of the waveform converts them to rms."""

from __future__ import annotations

import math
from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from typing import Any

from benchlog.checks.meter_pairs import NodeMeter
from benchlog.errors import AnalysisError
from benchlog.finding import Finding, FindingKind
from benchlog.influence import Influence, Role
from benchlog.metrology.budget import uncertain
from benchlog.number_format import format_quantity
from benchlog.reading import Function
from benchlog.signal.findings import Severity
from benchlog.signal.waveform import Waveform

#: An average-responding meter multiplies the mean absolute value by this, which is right for a sine only.
SINE_FORM_FACTOR = math.pi / (2 * math.sqrt(2))

#: An 8-bit scope shows a form factor to about this, relative (half-width; judgement).
_SCOPE_SHAPE = 0.01


def unlike(function: Function, first: str, second: str, averaging: AbstractSet[str]) -> str:
    """Why two good meters may differ where the waveform is not known; empty if they may not.

    Parameters
    ----------
    first, second : str
        Tags of the meters.
    averaging : set of str
        Tags of the meters that respond to the average.

    Examples
    --------
    >>> unlike(Function.AC_VOLTS, "MA-01", "MB-02", {"MB-02"})
    'MB-02 responds to the average, which is right on a sine only'
    >>> unlike(Function.DC_VOLTS, "MA-01", "MB-02", {"MB-02"})
    ''
    """
    ones = [tag for tag in (first, second) if tag in averaging]
    if function.coupling != "ac" or len(ones) != 1:
        return ""
    return f"{ones[0]} responds to the average, which is right on a sine only"


def as_rms(
    meters: Mapping[str, NodeMeter],
    responses: Mapping[str, str],
    waveform: Waveform | None,
    unit: str,
) -> tuple[Mapping[str, NodeMeter], list[Finding]]:
    """Convert readings of average-responding meters to rms if the waveform is known; otherwise report it.

    Parameters
    ----------
    meters : mapping of str to NodeMeter
        By tag, as read.
    responses : mapping of str to str
        ``"true rms"`` or ``"average"``, by tag, where known.
    waveform : Waveform or None
        Capture of the node.
    unit : str
        Of the readings.

    Returns
    -------
    meters : mapping of str to NodeMeter
        The mapping given, if nothing was converted.
    findings : list of Finding

    Raises
    ------
    AnalysisError
        If the record does not show the waveform well enough.
    """
    kinds = {tag: responses.get(tag, "") for tag in meters}
    averaging = [tag for tag, kind in kinds.items() if kind == "average"]
    if not averaging:
        return meters, []
    if waveform is None:
        if len(averaging) == len(meters):
            return meters, []
        blind = (
            f"{', '.join(averaging)} responds to the average: it is right on a sine only; "
            "capture the waveform to convert it (--waveform FILE --channel CH)"
        )
        return meters, [Finding(FindingKind.RESPONSE, blind)]
    factor = _average_over_rms(waveform)
    out = dict(meters)
    findings = []
    for tag in averaging:
        meter = meters[tag]
        out[tag] = NodeMeter(tag, meter.as_read, meter.number / factor, meter.readings)
        words = (
            f"{tag} responds to the average: on this waveform (form factor {SINE_FORM_FACTOR / factor.x:.4g}) it shows "
            f"{(factor.x - 1) * 100:+.2f} % against true rms; {format_quantity(meter.as_read, unit)} shown means "
            f"{format_quantity(out[tag].value, unit)}"
        )
        findings.append(Finding(FindingKind.RESPONSE, words))
    return out, findings


def _average_over_rms(waveform: Waveform) -> Any:
    """Reading of an average-responding meter over true rms, as an uncertain number; the scope's gain cancels."""
    blocking = [f.message for f in waveform.findings if f.severity is Severity.BLOCKS]
    if blocking or not waveform.ac_rms.value > 0:
        raise AnalysisError(
            f"the capture does not show the waveform: {blocking[0] if blocking else 'it does not alternate'}",
            hint="capture some whole cycles at the same points",
        )
    mean_abs, rms = waveform.ac_mean_abs, waveform.ac_rms
    ratio = SINE_FORM_FACTOR * mean_abs.value / rms.value
    relative = math.hypot(
        mean_abs.standard_uncertainty / mean_abs.value,
        rms.standard_uncertainty / rms.value,
        _SCOPE_SHAPE / math.sqrt(3),
    )
    return uncertain(
        ratio, ratio * relative, label="form factor of the waveform", influence=Influence(Role.MODEL)
    )
