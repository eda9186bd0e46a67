"""Bench work of the automatic turns-ratio run: drive, ranges, records; no verdicts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from benchlog.adapter import Source
from benchlog.capture import Capture
from benchlog.checks.ratio_model import RatioSetup
from benchlog.errors import AnalysisError, UsageError
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.ratio_sweep import ratio_point
from benchlog.guide.scope_ranges import (
    FILL,
    AdjustableScope,
    TriggeredScope,
    capture_in_range,
    clips,
    peak_v,
)
from benchlog.magnetics.drive_choice import PROOF_SPAN, Drive, sweep_frequencies
from benchlog.magnetics.frequency_window import FLATNESS, flatness_finding
from benchlog.magnetics.sweep_fit import SweepPoint
from benchlog.number_format import format_quantity
from benchlog.result import Limits

SWEEP_POINTS = 13
#: Part of the range to fill, if both channels can do so with a level within 3:1 of the wanted one.
GOOD_FILL = 0.70
#: The level is chosen this much below the one that would need the next range.
_MARGIN = 0.96
_SETTLE_S = 0.1


@dataclass(frozen=True, slots=True)
class RatioRun:
    """Settings of an automatic run."""

    key: str  #: Of its prompts, usually the check's id.
    #: scope, generator: Tags.
    scope: str
    generator: str
    setup: RatioSetup
    expected_turns: float
    al_h: float  #: Expected inductance of one turn, henry.
    #: area_m2, saturation_t: For the flux limit; both or neither.
    area_m2: float | None = None
    saturation_t: float | None = None
    #: Use this frequency instead of the one computed for the core.
    frequency_hz: float | None = None
    amplitude_vpp: float = 10.0  #: Highest level wanted, open circuit.
    #: tolerance, limits: As in `check_turns_ratio`.
    tolerance: float | None = None
    limits: Limits | None = None
    swap: bool = True
    prior: Mapping[int, float] | None = None  #: As in `check_turns_ratio`.
    sweep_points: int = SWEEP_POINTS  #: 0 for none.


class RatioBench:
    """Scope and generator during one run, and the present drive level."""

    def __init__(self, run: RatioRun, acquisition: Acquisition, drive: Drive) -> None:
        if acquisition.takes_files(run.scope):
            raise UsageError(
                f"an automatic run needs a link to {run.scope}",
                hint="leave out AL: then you set frequency and ranges, and the run asks for the files",
            )
        scope = acquisition.scope(run.scope)
        if not isinstance(scope, AdjustableScope):
            raise UsageError(
                f"the ranges of {run.scope} can't be set over its link",
                hint="leave out AL: then you set frequency and ranges by hand",
            )
        self.run, self.acquisition, self.drive = run, acquisition, drive
        self.scope: AdjustableScope = scope
        self.source: Source = acquisition.source(run.generator)
        self.channels = (run.setup.primary, run.setup.secondary)
        self.one_range = run.setup.divider is not None
        self.amplitude_vpp = drive.amplitude_vpp

    @contextmanager
    def driving(self, *, swapped: bool = False) -> Iterator[None]:
        """Output on at the chosen drive, triggered by the winding's channel; always off at the end."""
        if isinstance(self.scope, TriggeredScope):
            self.scope.set_trigger(self.run.setup.primary if swapped else self.run.setup.secondary, 0.0)
        self.set(self.drive.frequency_hz, self.amplitude_vpp)
        self.source.set_output(True)
        try:
            self.acquisition.clock.sleep(_SETTLE_S)
            yield
        finally:
            self.source.set_output(False)

    def set(self, frequency_hz: float, amplitude_vpp: float) -> None:
        self.source.set_sine(frequency_hz, amplitude_vpp)
        self.acquisition.clock.sleep(_SETTLE_S)

    def capture(self) -> Capture:
        """Take a record at the chosen drive, with well-filled ranges."""
        return capture_in_range(
            self.acquisition, self.run.scope, self.channels, self.drive.frequency_hz, one_range=self.one_range
        )

    def first_capture(self) -> Capture:
        """Take the first record; take it again if another level fills the ranges better."""
        capture = self.capture()
        factor = _best_level(self.scope, capture, self.channels, one_range=self.one_range)
        lowest = self.drive.lowest_vpp / self.amplitude_vpp
        if factor == 1.0 or factor < lowest:
            return capture
        self.amplitude_vpp = float(f"{self.amplitude_vpp * factor:.2e}")
        self.set(self.drive.frequency_hz, self.amplitude_vpp)
        return self.capture()

    def prove_flat(self, normal: Capture) -> tuple[dict[str, Any], tuple[Capture, ...]]:
        """Take the ratio over 3:1 in frequency and in level, on the ranges of the first record.

        Ranges are not changed, so that a gain error between two of them does not look like a change of the ratio. Without a
        usable record nothing is kept and no captures are returned.
        """
        try:
            return self._prove(normal)
        except AnalysisError as error:
            finding = f"could not prove that the ratio is flat: {error}"
            return {"settings": [], "allowed": FLATNESS, "flat": False, "finding": finding}, ()

    def _prove(self, normal: Capture) -> tuple[dict[str, Any], tuple[Capture, ...]]:
        low_hz, high_hz = self.drive.proof_hz
        settings = [
            (self.drive.frequency_hz, self.amplitude_vpp / PROOF_SPAN),
            (low_hz, self.amplitude_vpp),
            (high_hz, self.amplitude_vpp),
        ]
        seen = [ratio_point(normal, self.run.setup, self.drive.frequency_hz, self.amplitude_vpp)]
        captures = []
        for frequency, amplitude in settings:
            self.set(frequency, amplitude)
            self.scope.set_timebase(n_samples=normal.n_samples, span_s=50 / frequency)
            capture = self.acquisition.capture(self.run.scope, self.channels)
            if any(clips(capture.channel(c)) for c in self.channels):
                capture = capture_in_range(
                    self.acquisition, self.run.scope, self.channels, frequency, one_range=self.one_range
                )
            captures.append(capture)
            seen.append(ratio_point(capture, self.run.setup, frequency, amplitude))
        ratios = {
            f"{format_quantity(p.frequency_hz, 'Hz', 3)}, {format_quantity(p.amplitude_vpp, 'V', 3)} peak to peak": p.ratio
            for p in seen
        }
        finding = flatness_finding(ratios)
        spread = (max(ratios.values()) - min(ratios.values())) / (max(ratios.values()) + min(ratios.values()))
        proof = {
            "settings": [
                {
                    "frequency_hz": p.frequency_hz,
                    "amplitude_vpp": p.amplitude_vpp,
                    "ratio": p.ratio,
                    "relative_uncertainty": p.u_ratio,
                }
                for p in seen
            ],
            "spread": spread,
            "allowed": FLATNESS,
            "flat": finding is None,
            "finding": finding,
        }
        return proof, tuple(captures)

    def sweep(self, normal: Capture) -> tuple[list[SweepPoint], list[str]]:
        """Take a short record at each frequency of the sweep; below the chosen one at constant flux.

        A frequency whose record can't be used is left out and reported.
        """
        frequencies = sweep_frequencies(
            self.drive,
            self.run.al_h,
            self.run.expected_turns,
            generator_ohm=self.run.setup.generator_ohm,
            points=self.run.sweep_points,
            sense_turns=self.run.setup.loop_turns,
        )
        peaks = {c: peak_v(normal.channel(c)) for c in self.channels}
        points, missed = [], []
        for frequency in frequencies:
            factor = min(1.0, frequency / self.drive.frequency_hz)
            self.set(frequency, self.amplitude_vpp * factor)
            capture = capture_in_range(
                self.acquisition,
                self.run.scope,
                self.channels,
                frequency,
                one_range=self.one_range,
                start={c: peak * factor for c, peak in peaks.items()},
                cycles=20.0,
                samples=4000,
            )
            try:
                points.append(ratio_point(capture, self.run.setup, frequency, self.amplitude_vpp * factor))
            except AnalysisError as error:
                missed.append(f"left out of the sweep: {error}")
        return points, missed


def _best_level(
    scope: AdjustableScope, capture: Capture, channels: tuple[str, str], *, one_range: bool
) -> float:
    """Return the fraction of the present level, 1/3 to 1, that best fills the worst-filled range.

    The scope is asked for its ranges, since a 1-2-5 series may begin anywhere.
    """
    peaks = {c: peak_v(capture.channel(c)) for c in channels}
    if min(peaks.values()) <= 0:
        return 1.0
    if one_range:
        peaks = dict.fromkeys(channels, max(peaks.values()))
    ranges = {c: _ranges_below(scope, c, peaks[c]) for c in channels}
    best, best_fill = 1.0, 0.0
    candidates = [1.0, *(full * FILL * _MARGIN / peaks[c] for c in channels for full in ranges[c])]
    for factor in sorted((f for f in candidates if 1 / PROOF_SPAN <= f <= 1.0), reverse=True):
        fill = min(_fill(peaks[c] * factor, ranges[c]) for c in channels)
        if fill > best_fill + 0.02:
            best, best_fill = factor, fill
        if best_fill >= GOOD_FILL:
            break
    for c in channels:
        scope.set_vertical(c, peaks[c] / FILL)
    return best


def _fill(peak: float, ranges: list[float]) -> float:
    """Part of its smallest suitable range that a peak fills."""
    return peak / min(full for full in ranges if full * FILL >= peak * (1 - 1e-9))


def _ranges_below(scope: AdjustableScope, channel: str, peak: float) -> list[float]:
    """Full scales of a channel, from the one for this peak down to a third of it."""
    found = [scope.set_vertical(channel, peak / FILL)]
    while found[-1] * FILL > peak / PROOF_SPAN:
        lower = scope.set_vertical(channel, found[-1] * 0.4)
        if lower >= found[-1]:
            break
        found.append(lower)
    return found
