"""A ratio that is the expected one but for the factor of a usual probe or divider: was it forgotten?"""

from __future__ import annotations

from benchlog.finding import Finding, FindingKind

_FACTORS = (10, 100)  # of usual probes and dividers (common practice, no source)
_WITHIN = 0.1  # relative; a miscounted winding is not farther off (judgement)


def forgotten_factor(ratio: float, expected: float, divider: float | None) -> list[Finding]:
    """Ask about a divider or a probe's setting.

    Parameters
    ----------
    ratio : float
        As measured, with the divider that was stated.
    expected : float
    divider : float or None
        Divider before the winding's channel, as stated.
    """
    for factor in _FACTORS:
        if abs(ratio * factor / expected - 1) <= _WITHIN:
            if divider is None:
                divided = f"was a divider of {factor}:1 before the winding's channel forgotten (--divider {factor}:1)"
            else:
                divided = f"is the divider one of {divider * factor:g}:1"
            words = f"the ratio is 1/{factor} of the expected: {divided}, or a probe at x{factor} (--probe CH={factor})?"
            return [Finding(FindingKind.HOOKUP, words)]
        if abs(ratio / factor / expected - 1) <= _WITHIN:
            absent = "" if divider is None else f"is the divider of {divider:g}:1 not there, or "
            words = f"the ratio is {factor} times the expected: {absent}is the sense loop's probe at x{factor} (--probe CH={factor})?"
            return [Finding(FindingKind.HOOKUP, words)]
    return []
