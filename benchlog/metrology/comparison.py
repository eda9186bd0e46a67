"""Do two results agree within what both claim?"""

from __future__ import annotations

import math

from benchlog.errors import UsageError

__all__ = ["e_n"]


def e_n(value: float, expanded: float, reference: float, reference_expanded: float) -> float:
    """E_n number: difference over the root sum square of the expanded uncertainties at k = 2.

    Satisfactory when \\|E_n\\| <= 1 (ISO/IEC 17043; ISO 13528, 9.7). Feed expanded, not standard uncertainties.

    >>> round(e_n(5.19, 0.0708, 5.0, 0.0029), 2)
    2.68
    """
    width = math.hypot(expanded, reference_expanded)
    if not width > 0:
        raise UsageError("E_n needs an uncertainty of at least one side", hint="state the meters' accuracies")
    return (value - reference) / width
