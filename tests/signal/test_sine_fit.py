"""The joint sine fit finds frequency, amplitudes and phases at any number of cycles, type and scale."""

from __future__ import annotations

import tracemalloc

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.capture import Capture, ChannelRecord
from benchlog.errors import AnalysisError
from benchlog.signal.sine_fit import fit_capture, fit_sines

Samples = npt.NDArray[np.float64]


def two_channels(
    n: int,
    cycles: float,
    *,
    ratio: float = 0.01,
    phase: float = -1.3,
    third: float = 0.0,
    offset: float = 0.0,
) -> tuple[Samples, Samples]:
    """Cosine with 0.3 rad at the centre, and a second of `ratio` times the size, `phase` radian ahead of it."""
    turn = 2 * np.pi * cycles / n * (np.arange(n) - (n - 1) / 2) + 0.3
    return (
        np.cos(turn) + third * np.cos(3 * turn + 1.0) + offset,
        ratio * np.cos(turn + phase) - offset,
    )


CYCLES_AND_LENGTHS = [
    (cycles, n)
    for n in (200, 10_000, 16_385, 150_000)
    for cycles in (
        1.0,
        1.3,
        2.7,
        7.4,
        50.4,
        318,
        1000.6,
        5000.3,
        0.11 * n,
        0.2 * n,
        0.25 * n,
        0.31 * n,
        0.49 * n,
    )
    if cycles <= 0.49 * n
]


@pytest.mark.parametrize(("cycles", "n"), CYCLES_AND_LENGTHS)
def test_a_clean_record_is_recovered_at_any_number_of_cycles(cycles: float, n: int) -> None:
    """From one cycle to nearly two samples a cycle, with an offset five times the amplitude and 5 % third harmonic.

    The harmonic is left out where sampling folds it onto another line. Nothing but rounding and the last step of
    the search is left.
    """
    third = 0.05 if 3 * cycles < 0.45 * n else 0.0
    first, second = two_channels(n, cycles, third=third, offset=5.0)
    fit = fit_sines([first, second], 1 / n, check=False)
    ratio = fit.ratio(1, 0)
    assert fit.cycles == pytest.approx(cycles, abs=1e-6)
    assert ratio.ratio == pytest.approx(0.01, rel=1e-6)
    assert ratio.phase_deg == pytest.approx(np.degrees(-1.3), abs=1e-4)
    np.testing.assert_allclose(fit.offset, [5.0, -5.0], atol=1e-6)
    assert fit.phase_rad[0] == pytest.approx(0.3, abs=1e-5)
    if third:
        assert abs(fit.harmonics[0, 2]) == pytest.approx(third, abs=1e-6)


@pytest.mark.parametrize("kind", ["int16", "float64"])
@pytest.mark.parametrize(
    "cycles", [0.7, 40.3, 900.7, 2500.2, 4999.6, 8191.9, 8192.4, 16_384.3, 20_000.1, 33_000.8, 48_900.3]
)
def test_no_alias_passes_for_the_tone(kind: str, cycles: float) -> None:
    """100 000 samples are averaged down to 14 285 before the search, which folds everything above 7142 cycles.

    The frequency still comes out within six standard uncertainties and the phase keeps its sign.
    """
    n = 100_000
    rng = np.random.default_rng(round(cycles))
    data = []
    for wave in two_channels(n, cycles, ratio=0.3):
        values = 20_000 * wave + 200 * rng.normal(size=n)
        data.append(np.round(values).astype(kind) if kind == "int16" else values)
    fit = fit_sines(data, 1 / n, harmonics=1, check=False)
    assert abs(fit.frequency_hz - cycles) < 6 * fit.u_frequency_hz
    ratio = fit.ratio(1, 0)
    assert abs(ratio.phase_deg - np.degrees(-1.3)) < 6 * ratio.u_phase_deg
    assert abs(ratio.ratio - 0.3) < 6 * ratio.u_ratio


def test_a_fast_tone_beside_a_slow_one_does_not_vanish() -> None:
    """The larger of the two is taken, whether averaging passes or folds it."""
    n = 200_000
    t = np.arange(n) / n
    slow, fast = np.sin(2 * np.pi * 30 * t), np.sin(2 * np.pi * 61_234.5 * t)
    assert fit_sines([slow + 0.4 * fast], 1 / n, check=False).frequency_hz == pytest.approx(30, abs=0.01)
    assert fit_sines([0.4 * slow + fast], 1 / n, check=False).frequency_hz == pytest.approx(
        61_234.5, abs=0.01
    )


@pytest.mark.parametrize("kind", ["int8", "uint8", "int16", "uint16", "float32"])
@pytest.mark.parametrize("n", [4000, 150_000])
def test_every_code_type_gives_the_same_ratio(kind: str, n: int) -> None:
    """Scale, offset and probe factor are put on the results alone."""
    rng = np.random.default_rng(4)
    middle = 128 if kind == "uint8" else 33_000 if kind == "uint16" else 0
    size = 100 if kind.endswith("8") and kind != "uint16" else 5000
    codes = []
    for wave in two_channels(n, 23.7, ratio=0.9):
        values = size * wave + 0.5 * rng.normal(size=n) + middle
        codes.append((np.round(values) if "int" in kind else values).astype(kind))
    scales = [2e-3, -5e-3]
    fit = fit_sines(codes, 1e-6, scales=scales, offsets=[0.1, 0.2], check=False)
    ratio = fit.ratio(1, 0)
    assert abs(ratio.ratio - 0.9 * 2.5) < 5 * ratio.u_ratio
    assert ratio.u_ratio / ratio.ratio < 1e-3
    assert ratio.phase_deg == pytest.approx(
        np.degrees(np.pi - 1.3), abs=0.1
    )  # the negative scale reverses it
    assert fit.amplitude[0] == pytest.approx(size * 2e-3, rel=1e-3)
    assert fit.offset[0] == pytest.approx(middle * 2e-3 + 0.1, abs=1e-3 * size * 2e-3)
    assert fit.noise_rms[0] == pytest.approx(
        np.hypot(0.5, 1 / np.sqrt(12) if "int" in kind else 0) * 2e-3, rel=0.1
    )


def test_the_weaker_channel_borrows_the_frequency_of_the_stronger() -> None:
    """1000:1 with the weak one at 0 dB: the frequency is as sure as the strong channel alone makes it."""
    rng = np.random.default_rng(8)
    n = 5000
    first, second = two_channels(n, 31.3, ratio=1e-3)
    noisy = [first + 1e-3 * rng.normal(size=n), second + 1e-3 / np.sqrt(2) * rng.normal(size=n)]
    alone, both = fit_sines(noisy[:1], 1e-6), fit_sines(noisy, 1e-6)
    assert both.u_frequency_hz == pytest.approx(alone.u_frequency_hz, rel=0.02)
    assert both.frequency_hz == pytest.approx(alone.frequency_hz, abs=0.1 * alone.u_frequency_hz)


def test_sixty_percent_third_harmonic_does_not_mislead() -> None:
    """A saturated core's voltage: the fundamental is still found and its harmonics stated."""
    first, second = two_channels(8000, 3.3, ratio=0.5, third=0.6)
    fit = fit_sines([first, second], 1e-6)
    assert fit.cycles == pytest.approx(3.3, abs=1e-6)
    assert fit.ratio(1, 0).ratio == pytest.approx(0.5, rel=1e-6)


def test_a_pulse_train_is_not_taken_for_its_second_harmonic() -> None:
    """At a duty of 1 % the lines are all but equal; the lowest is the fundamental."""
    for cycles in (5.2, 7.77, 17.3):
        pulses = (np.mod(np.arange(20_000) * cycles / 20_000 + 0.0013, 1) < 0.01) * 10.0
        assert fit_sines([pulses], 1e-5, check=False).cycles == pytest.approx(cycles, abs=0.02)


# --- properties -------------------------------------------------------------------------------------------------

PHASES = st.floats(-3.1, 3.1)
records = st.builds(
    lambda cycles, ratio, phase, seed: [
        w + s * np.random.default_rng(seed + k).normal(size=600)
        for k, (w, s) in enumerate(
            zip(
                two_channels(600, cycles, ratio=ratio, phase=phase, third=0.03),
                (1e-3, 1e-3 * ratio),
                strict=True,
            )
        )
    ],
    st.floats(1.2, 100),
    st.floats(0.01, 50),
    PHASES,
    st.integers(0, 1000),
)


@settings(max_examples=30)
@given(records, st.floats(1e-6, 1e6))
def test_scaling_a_channel_scales_the_ratio_and_nothing_else(data: list[Samples], factor: float) -> None:
    """Volts or millivolts, the relative uncertainty and the phase stay."""
    plain = fit_sines(data, 1e-3, check=False).ratio(1, 0)
    scaled = fit_sines([data[0], factor * data[1]], 1e-3, check=False).ratio(1, 0)
    assert scaled.ratio == pytest.approx(factor * plain.ratio, rel=1e-7)
    assert scaled.u_ratio / scaled.ratio == pytest.approx(plain.u_ratio / plain.ratio, rel=1e-4)
    assert scaled.phase_deg == pytest.approx(plain.phase_deg, abs=1e-5)


@settings(max_examples=30)
@given(records)
def test_swapping_the_channels_inverts_the_ratio_and_the_phase(data: list[Samples]) -> None:
    """Which channel is named first is not a matter."""
    there = fit_sines(data, 1e-3, check=False).ratio(1, 0)
    back = fit_sines(data[::-1], 1e-3, check=False).ratio(1, 0)
    assert there.ratio * back.ratio == pytest.approx(1, rel=1e-7)
    assert np.cos(np.radians(there.phase_deg + back.phase_deg)) == pytest.approx(1, abs=1e-12)
    assert there.u_phase_deg == pytest.approx(back.u_phase_deg, rel=1e-4)


@settings(max_examples=30)
@given(records)
def test_reversing_a_winding_turns_the_phase_by_half_a_turn(data: list[Samples]) -> None:
    """The ratio stays, the phase moves by 180 degree within (-180, 180]."""
    plain = fit_sines(data, 1e-3, check=False).ratio(1, 0)
    turned = fit_sines([data[0], -data[1]], 1e-3, check=False).ratio(1, 0)
    assert turned.ratio == pytest.approx(plain.ratio, rel=1e-9)
    assert -180 < turned.phase_deg <= 180
    assert abs(abs(turned.phase_deg - plain.phase_deg) - 180) < 1e-6


@settings(max_examples=20)
@given(records, st.floats(1e-9, 1e3))
def test_the_time_unit_scales_the_frequency_alone(data: list[Samples], interval: float) -> None:
    """The samples give frequency times interval only."""
    one, other = fit_sines(data, 1.0, check=False), fit_sines(data, interval, check=False)
    assert other.frequency_hz * interval == pytest.approx(one.frequency_hz, rel=1e-12)
    assert other.ratio(1, 0) == one.ratio(1, 0)


@settings(max_examples=20)
@given(st.floats(3.0, 80), PHASES, st.integers(0, 40))
def test_starting_later_turns_both_phases_by_the_same_angle(cycles: float, phase: float, late: int) -> None:
    """The ratio does not depend on when the trigger came."""
    first, second = two_channels(1000, cycles, ratio=2.0, phase=phase)
    early = fit_sines([first[:900], second[:900]], 1e-3, check=False)
    later = fit_sines([first[late : late + 900], second[late : late + 900]], 1e-3, check=False)
    assert later.ratio(1, 0).ratio == pytest.approx(early.ratio(1, 0).ratio, rel=1e-8)
    difference = np.exp(1j * (later.phase_rad - early.phase_rad - 2 * np.pi * cycles * late / 1000))
    np.testing.assert_allclose(difference, 1, atol=1e-6)


# --- edges ------------------------------------------------------------------------------------------------------


def test_a_capture_is_fitted_with_scale_offset_and_probe() -> None:
    """Named channels in the order asked for; ten times through a ten to one probe."""
    codes = [np.round(100 * w).astype(np.int8) for w in two_channels(3000, 12.3, ratio=0.8)]
    capture = Capture(
        (
            ChannelRecord("CH1", codes[0], scale=0.01, code_limits=(-128, 127)),
            ChannelRecord("CH2", codes[1], scale=0.01, offset=0.5, probe=10.0),
        ),
        interval_s=1e-6,
    )
    fit = fit_capture(capture, ["CH2", "CH1"])
    assert fit.amplitude == pytest.approx([8.0, 1.0], rel=5e-3)
    assert fit.offset[0] == pytest.approx(5.0, abs=0.02)
    assert fit.frequency_hz == pytest.approx(12.3 / 3e-3, rel=1e-4)
    assert not fit.blocked


def test_ten_million_samples_need_little_memory_beside_them() -> None:
    """Nothing as long as the record is ever made, on the averaging way nor on that of a fast tone."""
    n = 2_000_000
    for cycles in (50.4, 500_000.3):
        data = [np.round(9000 * w).astype(np.int16) for w in two_channels(n, cycles)]
        tracemalloc.start()
        fit_sines(data, 1e-6)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < 24e6


@pytest.mark.parametrize(
    ("channels", "interval", "message"),
    [
        ([], 1.0, "no channel"),
        ([np.zeros(100), np.zeros(99)], 1.0, r"one length, not \[99, 100\]"),
        ([np.zeros(15)], 1.0, "15 samples are too few"),
        ([np.zeros(100)], 0.0, "must be positive"),
        ([np.zeros(100)], float("nan"), "must be positive"),
        ([np.where(np.arange(100) == 41, np.nan, 1.0)], 1.0, "channel 1, sample 42 is nan"),
        ([np.where(np.arange(200_000) == 41, np.nan, 1.0)], 1.0, "channel 1, sample 42 is nan"),
    ],
)
def test_what_cannot_be_fitted_is_refused_with_place_and_reason(
    channels: list[Samples], interval: float, message: str
) -> None:
    """One clear error each."""
    with pytest.raises(AnalysisError, match=message):
        fit_sines(channels, interval)


def test_a_fast_record_with_a_broken_sample_is_refused_too() -> None:
    """Raw codes are read in one go there, yet the place is found."""
    first, _ = two_channels(300_000, 90_000.3)
    first[123_456] = np.nan
    with pytest.raises(AnalysisError, match="sample 123457"):
        fit_sines([first], 1.0)


def test_a_ratio_to_nothing_is_refused() -> None:
    """A dead channel has no amplitude to divide by."""
    first, _ = two_channels(1000, 9.3)
    with pytest.raises(AnalysisError, match="channel 2 shows no signal"):
        fit_sines([first, np.zeros(1000)], 1.0).ratio(0, 1)
