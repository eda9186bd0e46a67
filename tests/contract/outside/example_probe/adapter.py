"""A thermometer that reads a number from a file, as hardware-monitoring drivers offer it: all an adapter needs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from benchlog.adapter import Reader
from benchlog.clock import Clock
from benchlog.errors import LinkLostError, OpenError, OpenReason
from benchlog.reading import Function, Reading


@dataclass(frozen=True)
class ThermometerOptions:
    """Seconds between readings."""

    every: float = 0.01


class Thermometer(Reader):
    """Reads thousandths of a degree Celsius from a file: ``probe:/sys/class/hwmon/hwmon0/temp1_input``."""

    Options = ThermometerOptions

    def __init__(
        self, instrument: str, path: str, options: ThermometerOptions, *, clock: Clock | None = None
    ) -> None:
        super().__init__(instrument, clock=clock)
        self._path = Path(path)
        self._every_s = options.every

    def _open(self) -> None:
        if not self._path.is_file():
            raise OpenError(f"no file {self._path}", hint="check the path", reason=OpenReason.MISSING)

    def _close(self) -> None:
        pass

    def _read(self, timeout_s: float) -> Reading | None:
        if not self.is_open:
            raise OpenError(f"{self._path} is not open", hint="open the adapter first")
        if timeout_s < self._every_s:
            return None
        self.clock.sleep(self._every_s)
        try:
            thousandths = int(self._path.read_text())
        except (OSError, ValueError) as error:
            raise LinkLostError(f"{self._path}: {error}", hint="is the sensor still there?") from error
        return Reading(Function.TEMPERATURE, thousandths / 1000, 0.001, f"{thousandths / 1000:.3f} °C")
