"""Four healthy meters on one node for hours: the simulated bench's meters without solving its circuit anew each second.

The circuit is linear, so the node follows the mains factor; systematic errors, ranges and noise are those of
`benchlog_drivers.simbench.meter`, drawn under the same names, and computed for all readings at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from benchlog.clock import ManualClock
from benchlog.metrology.accuracy import Accuracy
from benchlog.reading import Flag, Function, Reading, State
from benchlog_drivers.simbench.draws import generator, normal
from benchlog_drivers.simbench.kc1 import build_scene
from benchlog_drivers.simbench.meter_spec import MA_01, MB_02, FunctionSpec, MeterSpec, Range

START_NS = 1_770_000_000_000_000_000
Floats = npt.NDArray[np.float64]


def _spec(top: str, decades: int, counts: int, fraction: float, digits: float, rate_hz: float) -> MeterSpec:
    """A true-rms meter with `decades` volts ranges, the lowest with full scale `top`."""
    first = Range.parse(top)
    ranges = tuple(Range(first.decimals - k, "", first.top_counts) for k in range(decades))
    spec = FunctionSpec(ranges, fraction, digits)
    return MeterSpec(
        counts, True, {Function.AC_VOLTS: spec, Function.DC_VOLTS: spec}, "segment14", rate_hz=rate_hz
    )


FOUR = {
    "M1": MA_01,
    "M2": MeterSpec(MB_02.counts, False, MB_02.functions, rate_hz=3.0),  # its kind, without its old battery
    "M3": _spec("6.000", 3, 6000, 0.005, 3, 5.0),
    "M4": _spec("2.000", 4, 2000, 0.01, 4, 2.0),
}
"""Tags and data sheets: 4000, 2000, 6000 and 2000 counts, 2 to 5 readings a second."""


def accuracy(reading: Reading) -> Accuracy:
    """Data sheet of a meter of `FOUR`."""
    spec = FOUR[reading.instrument].functions[reading.function]
    return Accuracy(spec.fraction, spec.counts)


def mains_wander(seed: int, span_s: float) -> Floats:
    """Factor on the mains voltage at each whole second, as on the simulated bench."""
    scene = build_scene(seed, ManualClock(START_NS))
    return np.array([scene.mains_factor(scene.start_s + s) for s in range(int(span_s) + 2)])


def steady(seed: int, span_s: float) -> Floats:
    """A cell that loses 0.1 mV of 5 V a day."""
    return 1.0 - 2e-5 * np.arange(int(span_s) + 2) / 86400.0


def busy(seed: int, span_s: float) -> Floats:
    """The mains wander, with the source set to another level, or off, every few minutes."""
    factor = mains_wander(seed, span_s)
    g = generator(seed, "busy bench")
    t = 0.0
    while t < span_s:
        length = float(g.uniform(60, 900))
        factor[int(t) : int(t + length)] *= float(g.choice([0.0, 0.2, 0.9, 1.0, 1.1]))
        t += length
    return factor


@dataclass
class Node:
    """One node with meters on it.

    Attributes
    ----------
    volt : float
        Nominal voltage.
    wander : callable
        Factor at each second, of seed and span.
    """

    seed: int
    function: Function = Function.AC_VOLTS
    volt: float = 27.75
    wander: Callable[[int, float], Floats] = mains_wander
    tags: tuple[str, ...] = tuple(FOUR)
    noise_counts: dict[str, float] = field(default_factory=dict)

    def readings(self, span_s: float) -> Iterator[Reading]:
        """All readings in the order of their times."""
        factor = self.wander(self.seed, span_s)
        streams = [self._stream(tag, factor, span_s) for tag in self.tags]
        times = np.concatenate([s[0] for s in streams])
        which = np.repeat(np.arange(len(streams)), [len(s[0]) for s in streams])
        index = np.concatenate([np.arange(len(s[0])) for s in streams])
        for k in np.argsort(times, kind="stable"):
            tag, (t, counts, ranges) = self.tags[which[k]], streams[which[k]]
            yield self.reading(tag, float(t[index[k]]), int(counts[index[k]]), int(ranges[index[k]]))

    def reading(self, tag: str, t_s: float, counts: int, range_index: int) -> Reading:
        """One reading of a meter."""
        size = FOUR[tag].functions[self.function].ranges[range_index]
        now = round(t_s * 1e9)
        over = abs(counts) >= size.top_counts
        return Reading(
            self.function,
            None if over else counts * size.resolution,
            size.resolution,
            "OL" if over else f"{counts * size.resolution:.{size.decimals}f} V",
            State.OVERLOAD if over else State.OK,
            frozenset({Flag.AUTO}),
            instrument=tag,
            utc_ns=START_NS + now,
            mono_ns=now,
        )

    def _stream(
        self, tag: str, factor: Floats, span_s: float
    ) -> tuple[Floats, npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        spec = FOUR[tag]
        line = spec.functions[self.function]
        g = generator(self.seed, "readings", tag)
        t = (float(g.uniform()) + np.arange(int(span_s * spec.rate_hz) - 1)) / spec.rate_hz
        second = t.astype(int)
        before = np.concatenate(([factor[0]], factor[:-1]))
        fade = np.exp(-(t - second) / spec.settle_s)
        true = self.volt * (factor[second] + (before[second] - factor[second]) * fade)
        z = normal(self.seed, "systematic", tag, self.function)
        noise = self.noise_counts.get(tag, spec.noise_counts) * g.standard_normal(len(t))
        counts = np.zeros(len(t), dtype=np.int64)
        chosen = np.full(len(t), -1, dtype=np.int64)
        for k, size in enumerate(line.ranges):
            error = spec.spread * z * (line.fraction * np.abs(true) + line.counts * size.resolution)
            shown = np.rint((true + error) / size.resolution + noise).astype(np.int64)
            if self.function is Function.AC_VOLTS:
                shown = np.maximum(shown, 0)
            take = (chosen < 0) & ((np.abs(shown) < size.top_counts) | (k == len(line.ranges) - 1))
            counts[take], chosen[take] = shown[take], k
        return t, counts, chosen
