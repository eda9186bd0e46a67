"""Real files read right: values computed independently from the same files (numpy, scipy), 2026-11."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from benchlog.capture_files import load_capture, load_log

DAY_S = 86400.0

# file, column of the log, n, mean, sd (n-1), min, max
SERIES = [
    ("thermometers_semicolon_decimal_comma.csv", "Chamber", 1790, 50.7824173, 38.1164, -0.004, 105.004),
    ("thermometers_semicolon_decimal_comma.csv", "Ref", 1790, 49.1133017, 37.20515, -0.12, 105.25),
    ("thermometers_semicolon_decimal_comma.csv", "DUT", 1790, 48.418331, 36.8425, -0.125, 104.6875),
    ("thermometers_comma_steps.csv", "Ref", 3502, 49.2845945, 33.78079, -0.1, 105.24),
    ("thermometers_comma_steps.csv", "DUT", 3502, 48.6133638, 33.49246, -0.0625, 104.625),
    ("thermometers_two_references.csv", "Reference temperature", 1107, 29.8677326, 8.164738, 20.35, 39.82),
    ("thermometers_two_references.csv", "DUT temperature", 1107, 29.361224, 8.171939, 19.875, 39.25),
    ("thermometers_two_references.csv", "Ref. 2 temperature", 1107, 29.7779765, 8.321182, 20.06, 42.97),
    ("mains_rms_log_1hz_L1.csv", "voltage", 7200, 232.690327, 1.167953, 227.702, 235.772),
    ("mains_rms_log_1hz_L2.csv", "voltage", 7200, 231.802589, 1.243152, 228.33, 234.553),
    ("nist_standard_resistor_5years.dat", "Resistance", 1000, 28.0163447, 0.06349404, 27.827999, 28.1185),
    ("nist_connector_voltage_drop_10A.dat", "column 1", 120, 14.95192, 1.341812, 12.81, 18.44),
    (
        "thermal_bench_8_probes_messy_header.csv",
        "Probe 1 hot middle",
        1500,
        53.4581333,
        9.397404,
        23.32,
        61.67,
    ),
    (
        "thermal_bench_8_probes_messy_header.csv",
        "Probe 8 water inlet",
        1500,
        22.9249867,
        0.9049958,
        21.51,
        24.65,
    ),
]


@pytest.mark.parametrize(("file", "column", "n", "mean", "sd", "low", "high"), SERIES)
def test_logged_series(
    datasets: Path, file: str, column: str, n: int, mean: float, sd: float, low: float, high: float
) -> None:
    values = load_log(datasets / file).column(column)
    assert values.size == n
    assert values.mean() == pytest.approx(mean, rel=5e-7)
    assert values.std(ddof=1) == pytest.approx(sd, rel=1e-6)
    assert (values.min(), values.max()) == (pytest.approx(low), pytest.approx(high))


@pytest.mark.parametrize(
    ("file", "duration", "steps", "start"),
    [
        ("thermometers_semicolon_decimal_comma.csv", 6905, (3, 4, 4), "2021-01-16T12:17:07"),
        ("thermometers_comma_steps.csv", 13512, (3, 4, 4), "2021-01-17T18:29:57"),
        ("thermometers_two_references.csv", 4340, (3, 4, 4), "2021-02-04T13:33:19"),
        ("mains_rms_log_1hz_L1.csv", 7199, (1, 1, 1), "2020-10-17T12:00:00"),
        ("thermal_bench_8_probes_messy_header.csv", 1499 * 60, (60, 60, 60), "2020-07-07T15:58:30"),
    ],
)
def test_logged_times(
    datasets: Path, file: str, duration: float, steps: tuple[float, float, float], start: str
) -> None:
    log = load_log(datasets / file)
    step = np.diff(log.time_s)
    assert log.time_s[-1] == duration
    assert (step.min(), np.median(step), step.max()) == steps
    assert log.start.startswith(start)


def test_units_in_square_brackets_with_a_degree_sign(datasets: Path) -> None:
    log = load_log(datasets / "thermometers_two_references.csv")
    assert set(log.units.values()) == {"degC"}


def test_messy_header_with_repeated_names_and_spreadsheet_errors(datasets: Path) -> None:
    log = load_log(datasets / "thermal_bench_8_probes_messy_header.csv")
    assert {"HF Probe", "HF Probe #2", "HF Probe #4", "Probe #3"} <= set(log.columns)
    assert np.isnan(log.column("R")).sum() == 2


def test_battery_log_with_a_sweep_behind_it(datasets: Path) -> None:
    log = load_log(datasets / "battery_voltage_current_log_tab.txt")
    logging = log.column("Frequency") == 0
    assert (int(logging.sum()), int((~logging).sum())) == (781, 31)
    potential = log.column("Potential")[logging]
    assert potential.mean() == pytest.approx(3.46778147, rel=1e-8)
    assert np.polyfit(log.time_s[logging], potential, 1)[0] == pytest.approx(1.075967e-05, rel=1e-5)
    impedance = log.column("Zre")[~logging] + 1j * log.column("Zim")[~logging]
    assert abs(impedance[0]) == pytest.approx(0.01752143, rel=1e-6)
    assert log.units["Zre"] == "ohm"


def test_connector_log_with_prose_before_and_after(datasets: Path) -> None:
    log = load_log(datasets / "nist_connector_voltage_drop_10A.dat")
    drop, day = log.column("column 1"), log.column("column 2")
    assert drop[day == 1].mean() == pytest.approx(14.82267, rel=1e-6)
    assert drop[day == 107].mean() == pytest.approx(15.833, rel=1e-4)
    assert any("END OF DATA" in note for note in log.notes)


def test_probe_comparison_means(datasets: Path) -> None:
    log = load_log(datasets / "nist_five_probe_comparison.dat")
    assert log.n_rows == 300
    chosen = (log.column("PROBE") == 2362) & (log.column("RUN") == 2)
    assert log.column("AVERAGE")[chosen].mean() == pytest.approx(97.16667, abs=5e-6)


def test_standard_resistor_dates_and_slope(datasets: Path) -> None:
    log = load_log(datasets / "nist_standard_resistor_5years.dat")
    order = np.arange(1, 1001)
    assert np.polyfit(order, log.column("Resistance"), 1)[0] == pytest.approx(0.0002096701, rel=1e-6)
    days = [
        np.datetime64(f"19{int(y):02d}-{int(m):02d}-{int(d):02d}")
        for y, m, d in zip(log.column("Year"), log.column("Month"), log.column("Day"), strict=True)
    ]
    elapsed = (np.array(days) - days[0]).astype(float)
    assert np.polyfit(elapsed, log.column("Resistance"), 1)[0] == pytest.approx(0.000112633, rel=1e-5)


def test_tiny_headerless_pairs(datasets: Path) -> None:
    log = load_log(datasets / "nist_thermometer_pairs_headerless.dat", ["read", "reference"])
    difference = log.column("read") - log.column("reference")
    assert (difference.size, difference.mean()) == (8, pytest.approx(-0.025))
    assert difference.std(ddof=1) == pytest.approx(0.2627873, rel=1e-6)


@pytest.mark.parametrize(
    ("file", "columns", "rows", "frequency", "magnitude", "phase"),
    [
        ("impedance_sweep_tab_crcrlf.txt", ("Frequency", "Zre", "Zimg"), 30, 34571.04, 144364.2, -46.9389),
        ("impedance_sweep_tab_crcrlf.txt", ("Frequency", "Zre", "Zimg"), 30, 2000000, 1474.813, -108.606),
        (
            "impedance_sweep_headerless.csv",
            ("column 1", "column 2", "column 3"),
            66,
            6.3096,
            0.02663282,
            -10.022,
        ),
        ("impedance_sweep_prose_header.txt", ("Freq", "Z'", 'Z"'), 73, 99610, 98.94817, -1.59143),
        ("impedance_sweep_prose_header.txt", ("Freq", "Z'", 'Z"'), 73, 0.1, 16848.11, -70.2798),
    ],
)
def test_impedance_sweeps(
    datasets: Path,
    file: str,
    columns: tuple[str, str, str],
    rows: int,
    frequency: float,
    magnitude: float,
    phase: float,
) -> None:
    log = load_log(datasets / file)
    f, re, im = (log.column(name) for name in columns)
    at = int(np.argmin(np.abs(f - frequency)))
    assert log.n_rows == rows
    assert f[at] == pytest.approx(frequency, rel=1e-5)
    z = re[at] + 1j * im[at]
    assert (abs(z), np.degrees(np.angle(z))) == (
        pytest.approx(magnitude, rel=1e-6),
        pytest.approx(phase, rel=1e-5),
    )


def _rms(values: npt.NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(values**2)))


@pytest.mark.parametrize(
    ("file", "rms", "top"),
    [
        ("motor_3phase_current_60hz_headerless.csv", (1.971372, 1.958183, 1.976097), 2.79528),
        ("motor_3phase_current_fault_headerless.csv", (2.941069, 3.101423, 2.064642), 4.224303),
    ],
)
def test_headerless_three_phase_currents(
    datasets: Path, file: str, rms: tuple[float, float, float], top: float
) -> None:
    capture = load_capture(datasets / file, sample_interval_s=1e-3, columns=["A", "B", "C"])
    assert (capture.names, capture.n_samples, capture.time_s) == (("A", "B", "C"), 1000, None)
    assert tuple(_rms(c.values()) for c in capture.channels) == pytest.approx(rms, rel=1e-6)
    assert capture.channel("A").values().max() == pytest.approx(top, rel=1e-6)


def test_mains_log_as_a_capture_of_one_reading_a_second(datasets: Path) -> None:
    capture = load_capture(datasets / "mains_rms_log_1hz_L1.csv")
    assert (capture.interval_s, capture.time_s, capture.n_samples) == (1.0, None, 7200)
    assert capture.utc_ns == 1_602_936_000_000_000_000


@pytest.mark.parametrize(
    ("row", "rms", "crest"), [(0, 0.212495, 1.78507), (50, 0.130682, 1.43917), (200, 0.108347, 1.71334)]
)
def test_one_period_of_core_flux_out_of_a_mat_file(
    datasets: Path, row: int, rms: float, crest: float
) -> None:
    capture = load_capture(
        datasets / "core_flux_one_period_128.mat", sample_interval_s=1e-6, columns=[f"b[{row}]"]
    )
    values = capture.channels[0].values()
    assert values.size == 128
    assert _rms(values) == pytest.approx(rms, rel=1e-5)
    assert np.abs(values - values.mean()).max() / values.std() == pytest.approx(crest, rel=1e-5)
