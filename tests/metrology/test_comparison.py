"""E_n numbers against published rows."""

from __future__ import annotations

import pytest

from benchlog.errors import UsageError
from benchlog.metrology.conformity import e_n


def test_nist_dataplot_rows(worked_examples):
    """NIST Dataplot manual, ISO 13528 EN SCORE sample output (READ)."""
    case = worked_examples["en_dataplot"]
    width = case["recomputed_denominator"]
    reference_u = (width**2 - case["U_lab"] ** 2) ** 0.5
    for value, expected in case["rows"]:
        assert e_n(value, case["U_lab"], case["xref"], reference_u) == pytest.approx(expected, abs=6e-4)


def test_no_uncertainty_no_number():
    """Two exact values can't be compared in units of their uncertainty."""
    with pytest.raises(UsageError):
        e_n(1.0, 0.0, 1.1, 0.0)
