"""A voltage from a scope record, used like a meter's reading, with the uncertainty of record and channel gain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from benchlog.finding import Finding, FindingKind, unique
from benchlog.influence import CAPTURE, Influence, Role
from benchlog.metrology.accuracy import Accuracy
from benchlog.metrology.budget import to_uncertain, uncertain
from benchlog.metrology.meter_reading import MeterReading
from benchlog.number_format import format_quantity
from benchlog.reading import Function, Origin, Reading
from benchlog.result import Uncertain
from benchlog.signal.findings import RecordFinding, Severity

if TYPE_CHECKING:
    from benchlog.capture import Capture
    from benchlog.signal.waveform import Waveform

#: Kinds of findings that make an rms value useless.
_SPOILING = (
    FindingKind.CLIPPING,
    FindingKind.GAP,
    FindingKind.TIME_BASE,
    FindingKind.TOO_FEW_CYCLES,
    FindingKind.AMPLITUDE_MOVES,
    FindingKind.FREQUENCY_MOVES,
)


#: Autocorrelation at one period from which a record counts as periodic; a sine with equal noise power has 0.5.
_ALIKE = 0.5


@dataclass(frozen=True, slots=True)
class Captured(MeterReading):
    """A voltage from a record."""

    waveform: Waveform  #: Where it comes from.
    #: Whether the record repeats after one cycle; otherwise an rms over whole cycles means nothing.
    repeats: bool = True

    @property
    def name(self) -> str:
        """Name of the channel in budgets and texts."""
        tag = self.reading.instrument or "scope"
        return f"{tag} {self.reading.channel}"

    def influence(self, role: Role) -> Influence:
        """See `MeterReading.influence`; the function is the scope's, whatever the voltage is used as."""
        shown = self.reading
        return Influence(role, shown.instrument, CAPTURE, shown.channel, shown.range_max)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Findings about the record; what spoils it first."""
        found = [self._named(f) for f in self.waveform.findings if f.severity is not Severity.NOTE]
        return unique([self.spoiled, *found] if self.spoiled else found)

    def _named(self, found: RecordFinding) -> Finding:
        return found.named([self.reading.channel])

    @property
    def spoiled(self) -> Finding | None:
        """Why the record allows no verdict; None if it does."""
        for found in self.waveform.findings:
            if found.severity is Severity.BLOCKS and found.kind in _SPOILING:
                return self._named(found)
        if self.repeats:
            return None
        return Finding(
            FindingKind.TOO_FEW_CYCLES,
            "the record does not repeat (a single pulse, or less than two cycles), so an rms means nothing: record two "
            "cycles or more",
        )

    def uncertain(self) -> Any:
        return self.with_gain(self.gain_error())

    def with_gain(self, gain: Any, zero: Any = None) -> Any:
        """See `MeterReading.with_gain`; noise and steps of the record are its own."""
        del zero  # a record has an offset of its own
        direct = self.reading.function is Function.DC_VOLTS
        return self._own(self.waveform.mean if direct else self.waveform.ac_rms, "record") * (1 + gain)

    def peak(self, gain: Any, crest: tuple[float, float]) -> Any:
        """See `MeterReading.peak`: as recorded."""
        del crest
        gain = self.gain_error() if gain is None else gain
        return self._own(self.waveform.peak, "peak of the record") * (1 + gain)

    def quantities(self) -> dict[str, Uncertain]:
        """Numbers of the waveform, by their names in a result; levels carry the channel's gain error."""
        wave, unit = self.waveform, self.reading.unit
        gain = 1 + self.gain_error()
        found = {
            name: to_uncertain(self._own(level, "record") * gain, unit)
            for name, level in (("rms", wave.rms), ("ac_rms", wave.ac_rms), ("mean", wave.mean))
        }
        shape = {
            "crest_factor": wave.crest_factor,
            "form_factor": wave.form_factor,
            "frequency": wave.frequency,
            "thd": wave.thd,
        }
        return found | {name: quantity for name, quantity in shape.items() if quantity is not None}

    def _own(self, quantity: Uncertain, label: str) -> Any:
        df = math.inf if quantity.degrees_of_freedom is None else quantity.degrees_of_freedom
        return uncertain(
            quantity.value,
            quantity.standard_uncertainty,
            df,
            label=label,
            influence=self.influence(Role.NOISE),
        )


def read_capture(capture: Capture, channel: str, function: Function, gain_accuracy: float) -> Captured:
    """Read a channel of a capture as a meter on that function would.

    Parameters
    ----------
    function : Function
        V~ is the rms without the mean, V= the mean.
    gain_accuracy : float
        Half-width of the channel's relative gain error, probe included.

    Raises
    ------
    UsageError
        If there is no such channel.
    AnalysisError
        If the record can't be measured.
    """
    from benchlog.signal.waveform import measure_channel  # not needed for a meter's reading

    wave = measure_channel(capture, channel)
    shown = wave.mean if function is Function.DC_VOLTS else wave.ac_rms
    reading = Reading(
        function,
        shown.value,
        0.0,
        format_quantity(shown.value, "V"),
        instrument=capture.instrument,
        channel=channel,
        range_max=capture.channel(channel).range_max,
        utc_ns=capture.utc_ns,
        origin=Origin.FILE,
    )
    accuracy = Accuracy(gain_accuracy, 0.0, "gain of the scope's channel")
    alternating = function is not Function.DC_VOLTS
    return Captured(reading, accuracy, wave, not alternating or _repeats(capture, channel, wave))


def _repeats(capture: Capture, channel: str, wave: Waveform) -> bool:
    """Whether a record repeats after one period; with less than two periods that can't be seen."""
    if wave.frequency is None:
        return False
    lag = round(1 / (wave.frequency.value * capture.interval_s))
    values = capture.channel(channel).values()
    values -= values.mean()
    if not 0 < lag <= len(values) // 2:
        return False
    later, before = values[lag:], values[:-lag]
    energy = math.sqrt(float(later @ later) * float(before @ before))
    return float(later @ before) > _ALIKE * energy
