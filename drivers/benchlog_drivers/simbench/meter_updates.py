"""The succession of displays of one meter, in the meter's own time."""

from __future__ import annotations

from dataclasses import dataclass

from benchlog.clock import ManualClock, RunningClock
from benchlog_drivers.simbench.display import Display
from benchlog_drivers.simbench.meter import HandheldMeter
from benchlog_drivers.simbench.scene import Scene


@dataclass
class MeterUpdates:
    """Gives the next display each time it is asked.

    On a clock that runs that is the display now. On a clock that is moved by hand time may not advance; there
    each display counts as one update period later than the one before, until the clock moves or the scene
    changes.
    """

    meter: HandheldMeter
    scene: Scene

    def __post_init__(self) -> None:
        clock = self.scene.clock
        self.manual = isinstance(clock, ManualClock) and not isinstance(clock, RunningClock)
        self._epoch: tuple[int, float] = (-1, 0.0)
        self._index = 0

    def next(self, ahead_s: float = 0.0) -> Display:
        """Next display; `ahead_s` lets a meter that measures on request wait for its filter first."""
        with self.scene.lock:
            now = self.scene.now_s()
            epoch = (self.scene.version, now)
            self._index = self._index + 1 if epoch == self._epoch else 0
            self._epoch = epoch
            t_s = now + (self._index + 1) / self.meter.spec.rate_hz if self.manual else now
            return self.meter.display(self.scene, t_s + ahead_s, self._index)
