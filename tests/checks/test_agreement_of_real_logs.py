"""Two instruments logged, on real logs: bias, scatter, limits of agreement, drift, levels.

Values were computed independently with numpy and scipy from the same files, 2026-11.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from benchlog.capture_files import load_log
from benchlog.checks.agreement import check_agreement
from benchlog.checks.log_series import Series
from benchlog.checks.probe_bias import probe_biases
from benchlog.checks.series_comparison import compare_series
from benchlog.checks.settled import settled_steps

THERMOMETERS = {
    "thermometers_semicolon_decimal_comma.csv": ("DUT", "Ref"),
    "thermometers_comma_steps.csv": ("DUT", "Ref"),
    "thermometers_two_references.csv": ("DUT temperature", "Reference temperature"),
}
# file, n, bias, sd, median, largest, low, high, slope, intercept, r, drift (least squares, Theil-Sen)
PAIRS = [
    (
        *("thermometers_semicolon_decimal_comma.csv", 1790, -0.6949707, 0.7345121, -0.615, 2.635, -2.1346),
        *(0.74467, 0.9901055, -0.2090197, 0.999851, -0.000184092, -0.0001525199),
    ),
    (
        *("thermometers_comma_steps.csv", 3502, -0.6712307, 0.6319256, -0.605, 2.195, -1.9098),
        *(0.56734, 0.9913262, -0.2437459, 0.99986, -7.781716e-05, -5.894192e-05),
    ),
    (
        *("thermometers_two_references.csv", 1107, -0.5065086, 0.1432269, -0.515, 0.8325, -0.78723),
        *(-0.22578, 1.000728, -0.5282649, 0.999847, 1.716459e-06, -5.208333e-06),
    ),
]
# Errors of the digital thermometer at each set point, mean of the last 30 readings before it changed.
SETTLED = {
    "thermometers_semicolon_decimal_comma.csv": [-0.006333, -0.5654, -0.4367, -0.5958],
    "thermometers_comma_steps.csv": [0.02783, -0.2882, -0.5496, -0.42, -0.3635, -0.4568, -0.6063, -0.607],
    "thermometers_two_references.csv": [-0.4217, -0.6098],
}


@pytest.mark.parametrize("row", PAIRS, ids=[str(row[0]) for row in PAIRS])
def test_thermometer_pairs(datasets: Path, row: tuple[object, ...]) -> None:
    file, n, bias, sd, median, largest, low, high, slope, intercept, r, drift, robust = row
    log = load_log(datasets / str(file))
    first, second = (log.column(c) for c in THERMOMETERS[str(file)])
    found = compare_series(log.time_s, first, second)
    assert found.difference.n == n
    assert found.difference.mean == pytest.approx(bias, rel=1e-6)
    assert found.difference.sd == pytest.approx(sd, rel=1e-6)
    assert found.difference.median == pytest.approx(median)
    assert found.largest == pytest.approx(largest)
    assert (found.limits_low, found.limits_high) == (
        pytest.approx(low, rel=1e-4),
        pytest.approx(high, rel=1e-4),
    )
    assert found.regression.slope == pytest.approx(slope, rel=1e-6)
    assert found.regression.intercept == pytest.approx(intercept, rel=1e-6)
    assert found.regression.correlation == pytest.approx(r, rel=1e-6)
    assert found.drift.slope == pytest.approx(drift, rel=1e-5)
    assert found.robust_drift == pytest.approx(robust, rel=1e-5)


@pytest.mark.parametrize("file", list(SETTLED))
def test_settled_errors_are_found_without_knowing_the_set_points(datasets: Path, file: str) -> None:
    """Every level once, each error within 0.02 degC (found: within 0.004)."""
    log = load_log(datasets / file)
    first, second = (log.column(c) for c in THERMOMETERS[file])
    steps = settled_steps(log.time_s, first, second)
    assert [s.difference for s in steps] == pytest.approx(SETTLED[file], abs=0.02)


def test_probe_pair_and_mains_phases(datasets: Path) -> None:
    log = load_log(datasets / "thermal_bench_8_probes_messy_header.csv")
    found = compare_series(log.time_s, log.column("Probe 5 hot near tile"), log.column("Probe 1 hot middle"))
    assert (found.difference.mean, found.difference.sd) == (
        pytest.approx(0.02210667, rel=1e-5),
        pytest.approx(0.04911996, rel=1e-5),
    )
    assert found.drift.slope == pytest.approx(1.504248e-06, rel=1e-5)
    one, two = (load_log(datasets / f"mains_rms_log_1hz_L{i}.csv") for i in (1, 2))
    result = check_agreement(
        Series("L2", two.time_s, two.column("voltage")),
        Series("L1", one.time_s, one.column("voltage")),
        same_clock=False,
    )
    assert result.details["bias"] == pytest.approx(-0.8877381, rel=1e-6)
    assert result.details["scatter"] == pytest.approx(0.5033506, rel=1e-6)
    assert result.details["clock"]["applied"] is False, "one clock: nothing significant to apply"


def test_five_resistivity_probes(datasets: Path) -> None:
    """NIST, biases of a wafer + probe model by least squares (numpy), runs apart: probe 2362 reads lowest."""
    log = load_log(datasets / "nist_five_probe_comparison.dat")
    expected = {
        1: {"1": 0.02135, "281": 0.01917, "283": 0.005021, "2062": -0.01831, "2362": -0.02723},
        2: {"1": 0.008042, "281": 0.01235, "283": -0.0002913, "2062": 0.0312, "2362": -0.0513},
    }
    for run, biases in expected.items():
        rows = log.column("RUN") == run
        found = probe_biases(
            log.column("AVERAGE")[rows],
            [f"{v:g}" for v in log.column("PROBE")[rows]],
            [f"{v:g}" for v in log.column("WAFER")[rows]],
        )
        assert {b.instrument: b.bias for b in found} == pytest.approx(biases, rel=1e-3)
        assert sum(b.bias for b in found) == pytest.approx(0, abs=1e-9)
        lowest = min(found, key=lambda b: b.bias)
        assert (lowest.instrument, abs(lowest.bias) > 2 * lowest.u) == ("2362", True)


def test_tiny_pairs_by_number_of_row(datasets: Path) -> None:
    log = load_log(datasets / "nist_thermometer_pairs_headerless.dat", ["read", "reference"])
    found = compare_series(log.time_s, log.column("read"), log.column("reference"))
    assert (found.difference.mean, found.difference.sd) == (
        pytest.approx(-0.025),
        pytest.approx(0.2627873, rel=1e-6),
    )
    assert (found.limits_low, found.limits_high) == (
        pytest.approx(-0.54006, rel=1e-4),
        pytest.approx(0.49006, rel=1e-4),
    )
    assert (found.regression.slope, found.regression.intercept) == (
        pytest.approx(1.030238, rel=1e-6),
        pytest.approx(-3.139524, rel=1e-6),
    )
