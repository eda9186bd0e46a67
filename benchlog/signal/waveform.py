"""Waveform parameters over whole cycles: rms, mean, form and crest factor, frequency, distortion.

Uncertainties include what the record itself causes: noise, sampling grid, changes from cycle to cycle, steps of the
converter. Gain and offset errors of the instrument are added by the caller, who knows the instrument.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from benchlog.capture import Capture
from benchlog.errors import AnalysisError
from benchlog.finding import FindingKind
from benchlog.influence import Influence, Role
from benchlog.metrology.budget import to_uncertain, uncertain, uniform
from benchlog.metrology.statistics import robust_sd
from benchlog.result import Uncertain
from benchlog.signal.cycle_average import CycleAverage, CycleWindows
from benchlog.signal.findings import RecordFinding
from benchlog.signal.harmonic_fit import fit_harmonics
from benchlog.signal.moments import ComplexArray
from benchlog.signal.quantisation import code_step
from benchlog.signal.samples import FloatArray, RawArray
from benchlog.signal.sine_fit import fit_sines

_NOISE = Influence(Role.NOISE)


@dataclass(frozen=True)
class Waveform:
    """Waveform parameters of one channel.

    Attributes
    ----------
    rms, ac_rms, mean, mean_abs, ac_mean_abs, peak : Uncertain
        In the channel's unit. `rms` and `mean_abs` include the mean, `ac_rms` and `ac_mean_abs` don't; `peak` is
        the largest absolute value.
    form_factor, crest_factor, ac_crest_factor : Uncertain
        rms over mean_abs, peak over rms, both with the mean included; and largest deviation from the mean over
        ac_rms.
    frequency : Uncertain or None
        Hertz; None if there is no significant tone and none was stated.
    thd : Uncertain or None
        Total harmonic distortion: root of the summed squares of harmonics 2 to `harmonics_counted`, over the
        fundamental.
    harmonics_counted : int
        Highest harmonic in `thd`.
    harmonics : complex array of shape (harmonics_counted,)
        Peak phasors of the fundamental and its multiples at the centre of the record.
    whole_cycles : int
        In the record; zero means that all samples were taken.
    """

    rms: Uncertain
    ac_rms: Uncertain
    mean: Uncertain
    mean_abs: Uncertain
    ac_mean_abs: Uncertain
    peak: Uncertain
    form_factor: Uncertain
    crest_factor: Uncertain
    ac_crest_factor: Uncertain
    frequency: Uncertain | None
    thd: Uncertain | None
    harmonics_counted: int
    harmonics: ComplexArray
    whole_cycles: int
    findings: tuple[RecordFinding, ...] = ()


def measure_channel(
    capture: Capture, name: str, *, frequency_hz: float | None = None, highest_harmonic: int = 40
) -> Waveform:
    """Measure one channel of a capture; see `measure_waveform`.

    Raises
    ------
    UsageError
        If there is no such channel.
    """
    record = capture.channel(name)
    return measure_waveform(
        record.codes,
        capture.interval_s,
        scale=record.scale * record.probe,
        offset=record.offset * record.probe,
        unit=record.unit,
        frequency_hz=frequency_hz,
        highest_harmonic=highest_harmonic,
        code_limits=record.code_limits,
        time_s=capture.time_s,
    )


def measure_waveform(
    codes: RawArray,
    interval_s: float,
    *,
    scale: float = 1.0,
    offset: float = 0.0,
    unit: str = "V",
    frequency_hz: float | None = None,
    highest_harmonic: int = 40,
    code_limits: tuple[float, float] | None = None,
    time_s: FloatArray | None = None,
) -> Waveform:
    """Measure a waveform over the whole cycles in its record.

    Parameters
    ----------
    codes : array of shape (n_samples,)
        Raw codes or values.
    interval_s : float
        Time between samples, second.
    scale, offset : float
        Value = code * scale + offset, in `unit`.
    unit : str
        SI unit of the values.
    frequency_hz : float or None
        Frequency if known from elsewhere, e.g. for exactly one cycle; None takes it from the record.
    highest_harmonic : int
        Highest harmonic to count; fewer if the sampling allows no more.
    code_limits : tuple of float or None
        Lowest and highest code, where known.
    time_s : array of shape (n_samples,) or None
        Sample times, only checked.

    Raises
    ------
    AnalysisError
        If the record can't be fitted, or is shorter than one cycle of the stated frequency.

    Examples
    --------
    >>> t = np.arange(10000) * 1e-5
    >>> wave = measure_waveform(np.sign(np.sin(2e3 * t + 0.1)), 1e-5)
    >>> round(wave.form_factor.value, 4), round(wave.crest_factor.value, 4)
    (1.0, 1.0)
    """
    fit = fit_sines([codes], interval_s, code_limits=[code_limits], time_s=time_s)
    findings = fit.findings
    frequency: Any = None
    if frequency_hz is not None:
        findings = tuple(
            f for f in findings if f.kind not in (FindingKind.TOO_FEW_CYCLES, FindingKind.NO_SIGNAL)
        )
        frequency = uncertain(frequency_hz, 0.0)
        if len(codes) * interval_s * frequency_hz < 0.999:
            raise AnalysisError(
                f"the record holds {len(codes) * interval_s * frequency_hz:.3g} cycles of {frequency_hz:.6g} Hz",
                hint="record at least one whole cycle",
            )
    elif (
        not any(f.kind in (FindingKind.NO_SIGNAL, FindingKind.SPECTRUM) for f in findings)
        and fit.cycles >= 0.999
    ):
        frequency = uncertain(
            fit.frequency_hz, fit.u_frequency_hz, fit.degrees_of_freedom, label="noise", influence=_NOISE
        )
    hertz = float(frequency.x) if frequency is not None else 0.0
    distortion = None
    if hertz:
        cycles = hertz * interval_s * len(codes)
        distortion = fit_harmonics(codes, cycles, highest_harmonic, refine=frequency_hz is None)
        if distortion is not None and frequency_hz is None:
            # A fit with all harmonics gives a better frequency than the few of the sine fit.
            per_cycle = 1 / (len(codes) * interval_s)
            hertz = distortion.cycles * per_cycle
            frequency = uncertain(
                hertz,
                distortion.u_cycles * per_cycle,
                distortion.degrees_of_freedom,
                label="noise",
                influence=_NOISE,
            )
    period = 1 / (hertz * interval_s) if hertz else 0.0

    windows = CycleWindows(codes, period, scale, offset)
    noise = _noise(windows, float(fit.noise_rms[0]) * abs(scale))
    step = code_step(codes) * abs(scale)
    averages = _Averages(windows, noise, step, unit)
    thd = None
    harmonics: ComplexArray = np.zeros(0, np.complex128)
    if distortion is not None:
        harmonics = distortion.phasors * scale
        value = uncertain(
            distortion.thd, distortion.u_thd, distortion.degrees_of_freedom, label="noise", influence=_NOISE
        )
        thd = to_uncertain(
            value
            + uniform(0.0, distortion.noise_share, label="noise counted as harmonics", influence=_NOISE),
            "1",
        )
    return Waveform(
        rms=averages.rms,
        ac_rms=averages.ac_rms,
        mean=averages.mean,
        mean_abs=averages.mean_abs,
        ac_mean_abs=averages.ac_mean_abs,
        peak=averages.peak,
        form_factor=averages.form_factor,
        crest_factor=averages.crest_factor,
        ac_crest_factor=averages.ac_crest_factor,
        frequency=to_uncertain(frequency, "Hz") if frequency is not None else None,
        thd=thd,
        harmonics_counted=len(harmonics),
        harmonics=harmonics,
        whole_cycles=windows.cycles,
        findings=findings,
    )


def _noise(windows: CycleWindows, residual: float) -> float:
    """Noise of one sample: residual of the harmonics, or what neighbours don't predict, whichever is less."""
    values = windows.values(0, min(windows.n, 65_536))
    rough = np.diff(values, 3)
    return min(residual, robust_sd(rough) / math.sqrt(20))


class _Averages:
    """The averages as uncertain numbers with shared inputs."""

    def __init__(self, windows: CycleWindows, noise: float, step: float, unit: str) -> None:
        n = windows.length
        plain = windows.average(lambda x: x)
        mean = plain.value
        squares = windows.average(np.square)
        ac_squares = windows.average(lambda x: (x - mean) ** 2)
        absolute = windows.average(np.abs)
        # An error of the mean shifts the mean deviation in proportion to the excess of samples on one side.
        surplus = abs(windows.average(lambda x: np.sign(x - mean)).value)
        deviation = windows.average(lambda x: np.abs(x - mean))
        ac_absolute = replace(
            deviation,
            u_grid=deviation.u_grid + surplus * plain.u_grid,
            u_repeat=deviation.u_repeat + surplus * plain.u_repeat,
        )
        rms, ac_rms = math.sqrt(squares.value), math.sqrt(ac_squares.value)
        if not ac_rms > 0:
            raise AnalysisError(
                f"all samples are {mean:.6g} {unit}: no waveform to measure", hint="check probe and coupling"
            )
        # Steps of the converter without noise: leading terms for a sine (see `quantisation`).
        smooth = math.exp(-2 * math.pi**2 * max((noise / step) ** 2 - 1 / 12, 0.0)) if step else 0.0
        ratio = min(step / (math.sqrt(2) * ac_rms), 1.0) if ac_rms else 1.0
        u_level = 0.2026 * ratio**1.5 * smooth * ac_rms
        u_mean = 0.1013 * step * math.sqrt(ratio) * smooth

        def number(value: float, average: CycleAverage, slope: float, u_noise: float, u_steps: float) -> Any:
            """Value with its uncertainty parts; `slope` converts the average's uncertainty to the value's."""
            u_noise = max(u_noise, 0.0)
            u_repeat = average.u_repeat * slope
            out = value + uncertain(0.0, average.u_grid * slope, label="sampling grid", influence=_NOISE)
            if u_repeat > u_noise:
                out += uncertain(0.0, u_repeat, average.groups - 1, label="cycle to cycle", influence=_NOISE)
            else:
                out += uncertain(0.0, u_noise, label="noise", influence=_NOISE)
            return out + uncertain(0.0, u_steps, label="converter steps", influence=_NOISE)

        root = noise / math.sqrt(n)
        tail = noise * noise / math.sqrt(2 * n)  # uncertainty of the noise power itself
        by_rms, by_ac = 1 / (2 * rms) if rms else 0.0, 1 / (2 * ac_rms) if ac_rms else 0.0
        self.rms = to_uncertain(
            number(rms, squares, by_rms, math.hypot(root, 2 * tail * by_rms), u_level), unit
        )
        self.ac_rms = to_uncertain(
            number(ac_rms, ac_squares, by_ac, math.hypot(root, 2 * tail * by_ac), u_level), unit
        )
        self.mean = to_uncertain(number(mean, plain, 1.0, root, u_mean), unit)
        self.mean_abs = to_uncertain(number(absolute.value, absolute, 1.0, root, u_level), unit)
        self.ac_mean_abs = to_uncertain(number(ac_absolute.value, ac_absolute, 1.0, root, u_level), unit)
        peak = uncertain(
            *_peak(windows, noise, 0.0), label="peak between samples and noise", influence=_NOISE
        )
        ac_peak = uncertain(
            *_peak(windows, noise, mean), label="peak between samples and noise", influence=_NOISE
        )
        self.peak = to_uncertain(peak, unit)
        # rms and mean absolute value rise and fall together; treating their parts as independent overestimates.
        whole = number(rms, squares, by_rms, root, u_level)
        self.crest_factor = to_uncertain(peak / whole, "1")
        self.ac_crest_factor = to_uncertain(ac_peak / number(ac_rms, ac_squares, by_ac, root, u_level), "1")
        self.form_factor = to_uncertain(whole / number(absolute.value, absolute, 1.0, root, u_level), "1")


def _peak(windows: CycleWindows, noise: float, mean: float) -> tuple[float, float]:
    """Largest deviation from `mean` and its half-width: noise raises it, sampling may miss the top."""
    values = np.abs(windows.values(0, windows.n) - mean)
    top = float(values.max())
    rivals = int(np.count_nonzero(values > top - 3 * noise))
    lifted = noise * math.sqrt(2 * math.log(rivals + 1))
    at = int(np.clip(np.argmax(values), 2, len(values) - 3))
    before, left, here, right, after = (float(v) for v in values[at - 2 : at + 3])
    # A rounded top or corner exceeds the samples by at most half the bend, one at a step by the slope up to it.
    missed = min(abs(left - 2 * here + right) / 2, abs(left - before), abs(right - after))
    if windows.cycles and abs(windows.period - round(windows.period)) > 1 / 8:
        missed /= windows.cycles  # each cycle samples the top at a different place
    return top, math.hypot(lifted, missed) / math.sqrt(3)
