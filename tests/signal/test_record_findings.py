"""What is odd about a record is said, and a good record draws no remark."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from benchlog.signal.findings import RecordFinding, Severity
from benchlog.signal.sine_fit import SineFit, fit_sines

N = 10_000
T = np.arange(N) / N
NOISE = np.random.default_rng(11).normal(size=N)


def tone(cycles: float, phase: float = 0.0) -> npt.NDArray[np.float64]:
    """A sine of unit amplitude."""
    return np.sin(2 * np.pi * cycles * T + phase)


def kinds(fit: SineFit, severity: Severity | None = None) -> set[str]:
    """Kinds of the findings, of one severity or of any."""
    return {f.kind for f in fit.findings if severity is None or f.severity is severity}


@pytest.mark.parametrize("cycles", [2.7, 7.4, 50.4, 318.0, 1000.6])
@pytest.mark.parametrize("noise", [0.1, 1e-2, 1e-4, 0.0])
def test_a_good_record_draws_no_remark(cycles: float, noise: float) -> None:
    """Two channels, third harmonic, at any noise and number of cycles from two on."""
    rng = np.random.default_rng(5)
    data = [tone(cycles) + 0.05 * tone(3 * cycles, 1.0) + noise * NOISE, 0.3 * tone(cycles, 1.0)]
    data[1] = data[1] + 0.3 * noise * rng.normal(size=N)
    assert fit_sines(data, 1e-6).findings == ()


@pytest.mark.parametrize("cycles", [2.7, 50.4])
@pytest.mark.parametrize("cut", [0.98, 0.8])
def test_flat_tops_block_where_the_limits_are_not_known(cycles: float, cut: float) -> None:
    """Cut in values or in 8-bit codes with noise, one per cent to a fifth of the amplitude."""
    for data in (
        np.clip(tone(cycles), -cut, cut),
        np.clip(np.round(140 * tone(cycles) + 0.3 * NOISE), -140 * cut, 140 * cut).astype(np.int16),
    ):
        assert "clipping" in kinds(fit_sines([data], 1e-6), Severity.BLOCKS)


def test_samples_at_the_limits_of_the_converter_block() -> None:
    """With known limits a single cut top is enough; the message counts the samples."""
    codes = np.clip(np.round(140 * tone(12.3)), -128, 127).astype(np.int8)
    fit = fit_sines([codes], 1e-6, code_limits=[(-128, 127)])
    at_limits = int(np.sum((codes == 127) | (codes == -128)))
    assert any(f.kind == "clipping" and f"{at_limits} samples" in f.message for f in fit.findings)
    assert fit.blocked
    inside = np.round(126 * tone(12.3)).astype(np.int8)
    assert "clipping" not in kinds(fit_sines([inside], 1e-6, code_limits=[(-128, 127)]))


def test_the_rounded_top_of_a_coarse_or_coherent_sine_is_not_clipping() -> None:
    """Equal neighbouring samples at the top are natural in 8 bits and where sampling keeps step with the tone."""
    for data in (
        np.round(127 * tone(2.7)).astype(np.int8),
        np.round(40 * tone(50.4)).astype(np.int8),
        tone(N / 8, np.pi / 8),
        tone(50.0, 0.1),
    ):
        assert "clipping" not in kinds(fit_sines([data], 1e-6))


def test_a_rectangular_wave_is_named_as_such() -> None:
    """Most samples at two values: no block, but said."""
    fit = fit_sines([np.sign(tone(20.3))], 1e-6)
    assert "clipping" in kinds(fit, Severity.WARNS)
    assert not fit.blocked


def test_too_few_cycles_say_how_long_a_record_is_needed() -> None:
    """Below one cycle the numbers are blocked, below two they are doubted."""
    (finding,) = fit_sines([tone(1.3) + 0.01 * NOISE], 1e-6).findings
    assert finding.kind == "too few cycles"
    assert finding.severity is Severity.WARNS
    assert "record 0.0154 s or more" in finding.message  # two cycles of 130 Hz are 15.4 ms
    assert "too few cycles" in kinds(fit_sines([tone(0.6) + 0.001 * NOISE], 1e-6), Severity.BLOCKS)


def test_an_even_time_base_passes_and_rounded_times_do_too() -> None:
    """Times written with six digits stray by less than matters."""
    times = T * N * 1e-6
    assert fit_sines([tone(20.3)], 1e-6, time_s=times).findings == ()
    assert fit_sines([tone(20.3)], 1e-6, time_s=np.round(times, 9)).findings == ()


@pytest.mark.parametrize(
    ("warp", "kind"),
    [
        (lambda t: np.where(np.arange(N) >= 5000, t + 3.3e-5, t), "gap"),
        (lambda t: t * 1.01, "time base"),
        (lambda t: t + 2e-4 * np.sin(3 * np.pi * t / t[-1]), "time base"),
        (lambda t: np.where(np.arange(N) == 700, t - 5e-6, t), "time base"),
        (lambda t: -t, "time base"),
    ],
)
def test_an_uneven_time_base_blocks(warp: object, kind: str) -> None:
    """Gap, wrong interval, wandering clock, a step back, and time running backwards."""
    assert callable(warp)
    fit = fit_sines([tone(20.3)], 1e-6, time_s=warp(T * N * 1e-6))
    assert kind in kinds(fit, Severity.BLOCKS)


def test_missing_samples_show_as_a_jump_of_the_phase_without_any_times() -> None:
    """150 of 10 000 samples lost in the middle: the finding says where."""
    wave = tone(60.4) + 0.001 * NOISE
    fit = fit_sines([np.concatenate([wave[:5000], wave[5150:]])], 1e-6)
    (gap,) = [f for f in fit.findings if f.kind == "gap"]
    assert gap.severity is Severity.BLOCKS
    assert "at 50 % of the record" in gap.message or "at 52 % of the record" in gap.message


@pytest.mark.parametrize("cycles", [2.7, 7.4, 50.4, 400.3])
@pytest.mark.parametrize(
    ("make", "kind"),
    [
        (lambda c: tone(c) * np.exp(-2 * T), "amplitude moves"),
        (lambda c: np.sin(2 * np.pi * c * (T + T**2 / 2)), "frequency moves"),
    ],
)
def test_decay_and_sweep_block(cycles: float, make: object, kind: str) -> None:
    """A tone that decays to a seventh, or sweeps over an octave."""
    assert callable(make)
    fit = fit_sines([make(cycles) + 1e-3 * NOISE], 1e-6)
    assert kind in kinds(fit, Severity.BLOCKS)


def test_slight_movement_warns_and_says_how_much() -> None:
    """Five per cent over the record at 40 dB."""
    fit = fit_sines([tone(50.4) * (1 - 0.05 * T) + 0.01 * NOISE], 1e-6)
    (finding,) = fit.findings
    assert finding.kind == "amplitude moves"
    assert finding.severity is Severity.WARNS
    assert "by 4.9 %" in finding.message or "by 5.0 %" in finding.message


def test_ringing_and_a_burst_block() -> None:
    """Only part of the record holds the tone."""
    for data in (tone(50.4) * np.exp(-20 * T), tone(50.4) * (T > 0.6)):
        assert fit_sines([data + 1e-3 * NOISE], 1e-6).blocked


def test_a_second_tone_is_named_with_its_size() -> None:
    """Ten per cent at 3.37 times the frequency; harmonics are not a second tone."""
    fit = fit_sines([tone(50.4) + 0.1 * tone(3.37 * 50.4) + 1e-3 * NOISE], 1e-6)
    (finding,) = fit.findings
    assert finding.kind == "several tones"
    assert "3.37 times" in finding.message
    assert fit_sines([tone(50.4) + 0.1 * tone(7 * 50.4) + 1e-3 * NOISE], 1e-6).findings == ()


def test_a_spectrum_is_not_taken_for_a_waveform() -> None:
    """Saved in decibel or linear, a few lines over a noise floor."""
    rng = np.random.default_rng(9)
    decibel = -80 + 5 * np.log10(rng.exponential(size=N) + 1e-9)
    decibel[999:1002] = -20, -5, -20
    decibel[2000] = -30
    for data in (decibel, 10 ** (decibel / 20)):
        assert "spectrum" in kinds(fit_sines([data], 1e-6), Severity.BLOCKS)


def test_pulses_and_rectified_sines_are_not_taken_for_a_spectrum() -> None:
    """One-sided and spiky, yet they repeat."""
    for data in ((np.mod(30.3 * T, 1) < 0.02) * 1.0, np.maximum(tone(7.7), 0), np.abs(tone(7.7))):
        assert "spectrum" not in kinds(fit_sines([data + 1e-3 * NOISE], 1e-6))


@pytest.mark.parametrize("n", [1000, 40_000])
def test_noise_and_constants_have_no_signal(n: int) -> None:
    """Whole record and single channel; the numbers stay finite."""
    rng = np.random.default_rng(13)
    noise = rng.normal(size=n)
    wave = np.sin(2 * np.pi * 20.3 * np.arange(n) / n) + 0.01 * rng.normal(size=n)
    for data, channel in (
        ([noise, rng.normal(size=n)], None),
        ([np.ones(n), np.zeros(n)], None),
        ([np.full(n, 7, np.int16)], None),
        ([wave, noise], 1),
        ([wave, np.full(n, 3.0)], 1),
    ):
        fit = fit_sines(data, 1e-6)
        (finding,) = [f for f in fit.findings if f.kind == "no signal"]
        assert finding.channel == channel
        assert finding.severity is Severity.BLOCKS
        assert np.isfinite(fit.covariance).all()
        assert np.isfinite(fit.amplitude).all()


def test_a_tone_too_weak_to_rule_out_an_alias_is_blocked() -> None:
    """1 % of a tone in noise over 300 000 samples: found after averaging, but not seen in raw stretches."""
    n = 300_000
    weak = 0.03 * np.sin(2 * np.pi * 900.3 * np.arange(n) / n) + np.random.default_rng(2).normal(size=n)
    fit = fit_sines([weak], 1e-6)
    assert any(f.kind == "no signal" and "alias of a faster one" in f.message for f in fit.findings)


def test_coarse_steps_without_noise_are_noted_with_their_size() -> None:
    """A note for 8 bits, a warning where a channel uses a few codes only, nothing with noise to smooth them."""

    def of_steps(size: float, noise: float) -> list[RecordFinding]:
        codes = np.round(size * tone(50.4) + noise * NOISE).astype(np.int8)
        return [f for f in fit_sines([codes], 1e-6).findings if f.kind == "quantisation"]

    (note,) = of_steps(100, 0.0)
    assert note.severity is Severity.NOTE
    assert "1/100" in note.message
    assert [f.severity for f in of_steps(8, 0.0)] == [Severity.WARNS]
    assert of_steps(100, 0.8) == []


def test_findings_come_worst_first() -> None:
    """What blocks comes before what warns."""
    codes = np.clip(np.round(140 * tone(1.3)), -128, 127).astype(np.int8)
    order = [f.severity for f in fit_sines([codes], 1e-6, code_limits=[(-128, 127)]).findings]
    assert order == sorted(order, key=list(Severity).index)
    assert len(set(order)) > 1
