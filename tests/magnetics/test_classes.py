"""IEC 61869-2 errors and classes."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from benchlog.errors import UsageError
from benchlog.magnetics.classes import (
    CurrentPoint,
    accuracy_limits,
    class_reached,
    composite_error_percent,
    ratio_error_percent,
)

GOLDEN = Path(__file__).parents[1] / "golden"
ROWS = list(csv.DictReader((GOLDEN / "iec61869_classes.csv").read_text(encoding="utf-8").splitlines()))


def test_the_tables_are_those_of_the_reference() -> None:
    limits = accuracy_limits()
    assert len(limits) == len(ROWS)
    for limit, row in zip(limits, ROWS, strict=True):
        assert (limit.name, limit.percent_current) == (
            row["class"],
            float(row["percent_rated_primary_current"]),
        )
        assert limit.ratio_error_percent == float(row["ratio_error_limit_percent"])


@pytest.mark.parametrize(
    "row", [r for r in ROWS if r["phase_displacement_limit_minutes"]], ids=lambda r: r["class"]
)
def test_minutes_and_centiradian_agree(row: dict[str, str]) -> None:
    minutes = float(row["phase_displacement_limit_minutes"])
    centiradian = composite_error_percent(0.0, minutes)
    assert round(centiradian, 2) == float(row["phase_displacement_limit_centiradian_recomputed"])


def test_ratio_error_formula() -> None:
    """READ, secondary: (k_r I_s - I_p) / I_p x 100 %."""
    assert ratio_error_percent(60, 12.0, 0.2) == pytest.approx(0.0)
    assert ratio_error_percent(60, 12.0, 0.202) == pytest.approx(1.0)
    with pytest.raises(UsageError):
        ratio_error_percent(60, 0.0, 0.2)


def test_class_1_at_its_limits_has_a_composite_error_of_2_01_percent() -> None:
    """Recomputed from the definition for a pure sine."""
    assert composite_error_percent(1.0, 60.0) == pytest.approx(2.01, abs=0.005)


def _points(scale: float, percents: tuple[float, ...] = (5, 20, 100, 120)) -> list[CurrentPoint]:
    limits = {5: (1.5, 90), 20: (0.75, 45), 100: (0.5, 30), 120: (0.5, 30), 1: (1.5, 90)}
    return [CurrentPoint(p, scale * limits[int(p)][0], scale * limits[int(p)][1]) for p in percents]


def test_class_half_is_reached_just_within_its_limits_and_not_just_outside() -> None:
    assert class_reached(_points(0.999)).name == "0.5"
    assert class_reached(_points(1.001)).name == "1"


def test_uncertainty_counts_against_the_class() -> None:
    points = [
        CurrentPoint(p.percent_current, p.ratio_error_percent, p.displacement_minutes, 0.1, 0.0)
        for p in _points(0.95)
    ]
    assert class_reached(points).name == "1"


def test_one_point_proves_no_class_but_says_which_limits_hold_and_what_is_missing() -> None:
    reached = class_reached(_points(0.99, (100,)))
    assert reached.name is None
    assert reached.within == "0.5"
    assert reached.missing == (5, 20, 120)
    assert "missing" in reached.words


def test_s_class_needs_its_point_at_one_percent() -> None:
    s_points = [
        CurrentPoint(1, 1.4, 80),
        CurrentPoint(5, 0.7, 40),
        CurrentPoint(20, 0.45, 25),
        CurrentPoint(100, 0.45, 25),
        CurrentPoint(120, 0.45, 25),
    ]
    assert class_reached(s_points).name == "0.5S"
    assert class_reached(s_points[1:]).name == "0.5"


def test_displacement_alone_can_spoil_all_classes_but_those_without_a_limit() -> None:
    reached = class_reached([CurrentPoint(50, 0.1, 600), CurrentPoint(120, 0.1, 600)])
    assert reached.name == "3"


def test_a_bad_transformer_reaches_none() -> None:
    assert class_reached([CurrentPoint(100, -6.0, 10)]).words == "no accuracy class of IEC 61869-2 reached"
    with pytest.raises(UsageError):
        class_reached([])
