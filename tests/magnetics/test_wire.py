"""Wire sizes and copper resistance against published tables."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from benchlog.errors import UsageError
from benchlog.magnetics.wire import awg_diameter_m, copper_factor, parse_wire

GOLDEN = Path(__file__).parents[1] / "golden"
AWG_ROWS = list(csv.DictReader((GOLDEN / "awg_copper.csv").read_text(encoding="utf-8").splitlines()))
FOOT_M = 0.3048


@pytest.mark.parametrize("row", AWG_ROWS, ids=lambda row: f"AWG{row['awg']}")
def test_awg_matches_the_published_table_of_exact_geometric_diameters(row: dict[str, str]) -> None:
    """READ: published ohm per 1000 ft (Floyd); the largest difference to the formula is 0.034 %."""
    wire = parse_wire(f"AWG {row['awg']}")
    assert wire.diameter_m * 1e3 == pytest.approx(float(row["diameter_mm_formula"]), abs=5.1e-6)
    per_1000_ft = wire.resistance_per_m() * FOOT_M * 1000
    assert per_1000_ft == pytest.approx(float(row["ohm_per_1000ft_20C_published"]), rel=4e-4)
    assert wire.resistance_per_m() * 1000 == pytest.approx(float(row["ohm_per_km_20C_recomputed"]), rel=2e-4)


def test_the_family_of_rounded_diameters_is_another_one() -> None:
    """Tables from diameters rounded to 0.1 mil give 16.20 at AWG 22; ours must not agree with those."""
    assert parse_wire("AWG 22").resistance_per_m() * FOOT_M * 1000 == pytest.approx(16.1437, abs=1e-3)


@pytest.mark.parametrize(
    ("gauge", "milliohm_per_m"), [(18, 20.9), (20, 33.3), (22, 53.0), (24, 84.2), (26, 133.9), (28, 212.9)]
)
def test_resistance_per_metre(gauge: int, milliohm_per_m: float) -> None:
    assert round(parse_wire(f"{gauge} AWG").resistance_per_m() * 1e3, 1) == pytest.approx(
        milliohm_per_m, abs=0.051
    )


def test_copper_rises_0_393_percent_per_kelvin_of_its_20_degree_value() -> None:
    """READ: Industrial Power Engineering and Applications Handbook, appendix: 3.93e-3 per K."""
    assert copper_factor(30.0) == pytest.approx(1.0393)
    assert copper_factor(20.0) == 1.0


def test_steps_between_awg_sizes_have_one_ratio() -> None:
    """READ, secondary (ASTM B258): 1.1229322."""
    assert awg_diameter_m(20) / awg_diameter_m(21) == pytest.approx(1.1229322, abs=1e-7)
    assert awg_diameter_m(-3) / 0.0254 == pytest.approx(0.46)  # 4/0 is 0.46 inch by definition


def test_swg_and_metric_sizes() -> None:
    """SWG 22 is 28 thousandths of an inch, SWG 50 one (legal standard gauge, from memory)."""
    assert parse_wire("SWG 22").diameter_m == pytest.approx(0.7112e-3)
    assert parse_wire("swg 50").diameter_m == pytest.approx(0.0254e-3)
    assert parse_wire("0.5 mm").diameter_m == 0.5e-3
    assert parse_wire("AWG 2/0").diameter_m > parse_wire("AWG 0").diameter_m


def test_enamel_adds_more_in_grade_2_and_less_in_part_on_thick_wire() -> None:
    """From memory (IEC 60317-0-1): 0.5 mm becomes at most 0.544 mm in grade 1, 0.566 mm in grade 2."""
    wire = parse_wire("0.5 mm")
    assert wire.over_enamel_m(1) == pytest.approx(0.544e-3, abs=1e-9)
    assert wire.over_enamel_m(2) == pytest.approx(0.566e-3, abs=1e-9)
    parts = [parse_wire(f"{d} mm").over_enamel_m() / (d * 1e-3) for d in (0.1, 0.3, 0.6, 1.2, 2.0)]
    assert parts == sorted(parts, reverse=True)
    assert parse_wire("0.5 mm", enamelled_m=0.55e-3).over_enamel_m() == 0.55e-3


@pytest.mark.parametrize(
    "text", ["24", "AWG", "AWG 99", "SWG 5", "0 mm", "-1 mm", "thick", "AWG 24.5", "1 V", ""]
)
def test_what_is_not_a_wire_is_refused_with_a_hint(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_wire(text)
    assert caught.value.hint


def test_enamel_thinner_than_copper_is_refused() -> None:
    with pytest.raises(UsageError, match="over its enamel"):
        parse_wire("0.5 mm", enamelled_m=0.4e-3)
