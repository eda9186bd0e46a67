"""The bench file: instruments on this table with their addresses and data sheets, and check standards."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import msgspec

from benchlog.address import parse_address
from benchlog.errors import ConfigError, UsageError, did_you_mean
from benchlog.metrology.accuracy import Accuracy, assumed_accuracy, parse_accuracy
from benchlog.number_format import format_quantity
from benchlog.reading import Function, Origin, Reading
from benchlog.toml_file import located, read_toml
from benchlog.units import parse_quantity

#: One count of the smallest range that every handheld meter has, by unit; common practice, no source.
_SMALLEST_STEPS = {"V": 1e-3, "ohm": 0.1, "A": 0.01}

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt


class AccuracyLine(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One line of a data sheet: accuracy of one function, maybe of one range.

    `range` is the full scale ("40 V"); a reading belongs to the smallest range that can show it.
    """

    function: Function
    statement: str
    resolution: str | None = None
    range: str | None = None
    band: str | None = None


class Instrument(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One instrument of the bench.

    `data_sheet_only` leaves aside what check standards and cross-checks on record showed of a meter.
    """

    tag: str
    kind: Literal["meter", "scope", "generator"] = "meter"
    address: str = "typed:"
    counts: Annotated[int, msgspec.Meta(ge=1)] | None = None
    response: Literal["true rms", "average"] | None = None
    category: str | None = None
    input_resistance: str | None = None
    gain: str | None = None
    range_gain: str | None = None
    leads: str | None = None
    note: str = ""
    accuracy: tuple[AccuracyLine, ...] = ()
    data_sheet_only: bool = False
    options: Mapping[str, Any] = {}

    @property
    def linked(self) -> bool:
        """Whether the instrument is read over a link, not by eye."""
        return not self.address.startswith("typed:")

    def refuse_unreadable(self) -> None:
        """Raise `UsageError` for a value that can't be understood."""
        if self.linked:
            parse_address(self.address)
        for line in self.accuracy:
            parse_accuracy(line.statement, function=line.function)
            for text in (line.range, line.resolution):
                if text is not None:
                    parse_quantity(text, line.function.unit)
        for text in (self.gain, self.range_gain):
            if text is not None:
                parse_quantity(text, "1")
        if self.input_resistance is not None:
            parse_quantity(self.input_resistance, "ohm", what="input_resistance", above_zero=True)


class Standard(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A check standard: a source or part of stable known value."""

    tag: str
    value: str
    uncertainty: str = "0 %"
    function: Function = Function.DC_VOLTS
    note: str = ""

    def refuse_unreadable(self) -> None:
        """Raise `UsageError` for a value that can't be understood."""
        value = parse_quantity(self.value, what="value")
        if value.unit not in ("1", self.function.unit):
            fitting = next((f for f in Function if f.unit == value.unit), None)
            raise UsageError(
                f"value: {self.value!r} is not for function {str(self.function)!r}",
                hint=f'add function = "{fitting}"' if fitting else f"write a value in {self.function.unit}",
            )
        parse_quantity(self.value, self.function.unit, what="value")
        parse_quantity(self.uncertainty, what="uncertainty")


class Group(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Meters on one point, which must agree."""

    name: str
    meters: tuple[str, ...]
    function: Function | None = None


class RecordCare(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Copies, signature and time stamps of the record at the end of each guided session."""

    copies: tuple[str, ...] = ()  #: Folders that get a sealed copy: a memory stick, a folder that is synced.
    sign_with: str = ""  #: SSH key that signs the head.
    authorities: tuple[str, ...] = ()  #: Addresses of time-stamping authorities (RFC 3161).


class _BenchFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    instrument: tuple[Instrument, ...] = ()
    standard: tuple[Standard, ...] = ()
    group: tuple[Group, ...] = ()
    record: RecordCare = RecordCare()


class Bench:
    """Instruments and check standards by tag.

    Parameters
    ----------
    instruments, standards : sequence
        As read from the bench file; empty for "no bench file".
    source : str
        File they come from.
    groups : sequence
        Meters that share a node.
    record : RecordCare
        What is done with the record when a session ends.
    """

    def __init__(
        self,
        instruments: Sequence[Instrument] = (),
        standards: Sequence[Standard] = (),
        source: str = "",
        groups: Sequence[Group] = (),
        record: RecordCare | None = None,
    ) -> None:
        self.instruments = {i.tag: i for i in instruments}
        self.standards = {s.tag: s for s in standards}
        self.source = source
        self.groups = tuple(groups)
        self.record = record or RecordCare()

    def instrument(self, tag: str) -> Instrument:
        """Return the instrument of that tag.

        Raises
        ------
        UsageError
            If there is none; the hint lists those there are.
        """
        try:
            return self.instruments[tag]
        except KeyError:
            known = ", ".join(self.instruments) or self._none("instruments")
            hint = did_you_mean(tag, self.instruments)
            raise UsageError(
                f"no instrument {tag!r} on the bench", hint=f"{hint} known: {known}".strip()
            ) from None

    def standard(self, tag: str) -> Standard:
        """Return the check standard of that tag, or raise `UsageError`."""
        try:
            return self.standards[tag]
        except KeyError:
            known = ", ".join(self.standards) or self._none("check standards ([[standard]] tables)")
            raise UsageError(f"no check standard {tag!r} on the bench", hint=f"known: {known}") from None

    def _none(self, what: str) -> str:
        """Why none is known."""
        return f"none ({self.source} lists no {what})" if self.source else "none (no bench file read)"

    def refuse_unserved(self) -> None:
        """Raise `ConfigError` for an address that no installed adapter serves."""
        from benchlog.registry import refuse_unknown

        for instrument in self.instruments.values():
            if instrument.linked:
                try:
                    refuse_unknown(parse_address(instrument.address))
                except UsageError as error:
                    place = f"{self.source}: instrument {instrument.tag}"
                    raise ConfigError(f"{place}: {error}", hint=error.hint) from None

    @property
    def simulated(self) -> tuple[Instrument, ...]:
        """Instruments of the simulated bench."""
        return tuple(i for i in self.instruments.values() if i.address.startswith("sim:"))

    def display_step(self, reading: Reading) -> float | None:
        """One count where a meter shows a value of that size on the best range for it; None where that is not known.

        By the resolution of the range, else by the display's counts, which say nothing on a meter's smallest ranges.
        """
        instrument, size = self.instruments.get(reading.instrument), abs(reading.value or 0.0)
        if instrument is None or size == 0:
            return None
        unit = reading.function.unit
        for line in instrument.accuracy:
            if line.function is reading.function and line.range and line.resolution:
                top = parse_quantity(line.range, unit).value
                if 0.1 * top < size <= top:
                    return parse_quantity(line.resolution, unit).value
        if instrument.counts is None:
            return None
        step = 10.0 ** math.ceil(math.log10(size / instrument.counts))
        near_the_end = size > 0.9 * instrument.counts * step  # a meter may have gone on to the next range
        return None if near_the_end or step < _SMALLEST_STEPS.get(unit, math.inf) else step

    def other_digits(self, reading: Reading) -> str:
        """Doubt about a typed reading with other decimals than its meter shows there; empty where there is none.

        The last digit says how sure a reading is.
        """
        step = self.display_step(reading) if reading.origin is Origin.HAND else None
        if step is None or 0.5 < reading.resolution / step < 2:
            return ""
        which = "fewer" if reading.resolution > step else "more"
        steps = format_quantity(step, reading.unit, 1)
        return (
            f"{reading.displayed} has {which} digits than {reading.instrument} shows there (steps of {steps})"
        )

    def accuracy(self, reading: Reading) -> Accuracy:
        """Accuracy statement for a reading; one that is assumed if none is known."""
        assumed = assumed_accuracy(reading.function)
        if reading.value is None:
            return assumed
        ranges = self._ranges(reading.instrument, reading.function)
        return next((accuracy for top, accuracy in ranges if top >= abs(reading.value)), assumed)

    def _ranges(self, tag: str, function: Function) -> list[tuple[float, Accuracy]]:
        """Full scale and accuracy of each range of a meter's function, smallest range first."""
        instrument = self.instruments.get(tag)
        if instrument is None:
            return []
        source = f"data sheet of {tag} ({self.source or 'bench file'})"
        ranges = [
            (
                parse_quantity(line.range, function.unit).value if line.range else float("inf"),
                parse_accuracy(line.statement, source=source),
            )
            for line in instrument.accuracy
            if line.function is function
        ]
        return sorted(ranges, key=lambda one: one[0])

    def standard_uncertainties(
        self,
        tag: str,
        function: Function,
        values: npt.NDArray[np.float64],
        resolutions: npt.NDArray[np.float64],
    ) -> npt.NDArray[np.float64]:
        """Standard uncertainty of many readings of one meter, as `Accuracy.standard_uncertainty` gives for one.

        Parameters
        ----------
        values, resolutions : array of shape (n_readings,)
            In the function's unit; NaN for no number.

        Returns
        -------
        array of shape (n_readings,)
            NaN where there is no number, or no statement for its range.
        """
        import numpy as np

        out = np.full(len(values), np.nan)
        for top, accuracy in reversed(
            self._ranges(tag, function)
        ):  # the smallest range that holds a value wins
            held = np.abs(values) <= top
            bound = accuracy.fraction * np.abs(values[held]) + accuracy.counts * resolutions[held]
            bound += accuracy.degrees
            out[held] = np.maximum(bound, resolutions[held] / 2) / math.sqrt(3)
        return out


def read_bench(path: Path) -> Bench:
    """Read a bench file.

    Raises
    ------
    ConfigError
        If it can't be read, or a value in it can't be understood.
    """
    file = read_toml(path, _BenchFile, what="bench file")
    _refuse_unreadable(path, "instrument", file.instrument)
    _refuse_unreadable(path, "standard", file.standard)
    known = [i.tag for i in file.instrument]
    for number, group in enumerate(file.group):
        if missing := [tag for tag in group.meters if tag not in known]:
            raise ConfigError(
                f"{located(path, f'group[{number}]')}: group {group.name!r}: no instrument {missing[0]!r}",
                hint=did_you_mean(missing[0], known, f"instruments are {', '.join(known) or 'none'}"),
            )
    return Bench(file.instrument, file.standard, str(path), file.group, file.record)


def _refuse_unreadable(path: Path, table: str, items: Sequence[Instrument | Standard]) -> None:
    times = Counter(item.tag for item in items)
    for number, item in enumerate(items):
        try:
            if times[item.tag] > 1:
                raise UsageError("that tag is used twice", hint="tags must differ")
            item.refuse_unreadable()
        except UsageError as error:
            place = located(path, f"{table}[{number}]")
            raise ConfigError(f"{place}: {table} {item.tag}: {error}", hint=error.hint) from None


def bench_schema() -> dict[str, Any]:
    """JSON Schema of a bench file, for editors."""
    from benchlog.file_reference import (
        described,
    )  # takes longer to import than a bench file to read

    return described(msgspec.json.schema(_BenchFile))
