"""Bench multimeters over SCPI: one question, one reading."""

from __future__ import annotations

import math
import time

from benchlog.adapter import Reader
from benchlog.clock import Clock
from benchlog.errors import BadFrameError, OpenError, OpenReason, ReadTimeoutError
from benchlog.number_format import format_quantity
from benchlog.reading import Function, Reading, State
from benchlog_drivers._patterns import search
from benchlog_drivers._scpi import Sentinels, parse_measurement, parse_number, parse_string
from benchlog_drivers._session import LinkOptions, ScpiInstrument
from benchlog_drivers.dialects import MeterDialect
from benchlog_drivers.wiretap import Wiretap

#: Time allowed for an answer, in time-outs and at least in seconds: integrating meters are slow.
_GIVE_UP_TIMEOUTS = 4
_GIVE_UP_S = 20.0


class MeterOptions(LinkOptions, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Options of a meter."""

    #: Function to set at opening; None leaves it unchanged and asks.
    function: Function | None = None
    #: One count, in the SI unit; 0 takes what the meter reports for its range, else the last digit of the
    #: answer.
    resolution: float = 0.0


class VisaMeter(ScpiInstrument[MeterDialect], Reader):
    """A multimeter at a VISA resource.

    If an answer takes longer than a read's deadline, the next read goes on waiting for it. Range and resolution are those at
    opening; an autoranging meter may change them later.

    Attributes
    ----------
    wiretap : Wiretap or None
        Gets every byte, for recording.
    """

    Options = MeterOptions
    _kind = MeterDialect

    def __init__(
        self, instrument: str, rest: str, options: MeterOptions | None = None, *, clock: Clock | None = None
    ) -> None:
        self._options = options or MeterOptions()
        super().__init__(instrument, rest, self._options, clock=clock)
        self._session.link.tap = self._note
        self._session.on_reopened = self._set_up
        self._function = Function.DC_VOLTS
        self._resolution = 0.0
        self._range_max: float | None = None
        self._sentinels = Sentinels()
        self._asked_s: float | None = None
        self.wiretap: Wiretap | None = None

    def _note(self, direction: str, data: bytes) -> None:
        if self.wiretap is not None:
            self.wiretap(self.clock.utc_ns(), self.clock.monotonic_ns(), direction, data)

    def _open(self) -> None:
        self._asked_s = None
        super()._open()
        self._set_up()

    def _set_up(self) -> None:
        """Set the function, or ask for it."""
        dialect = self._session.dialect
        self._sentinels = Sentinels(dialect.reading.overload, dialect.reading.not_a_number)
        wanted = self._options.function
        if wanted is not None:
            if wanted not in dialect.functions:
                raise OpenError(
                    f"dialect {dialect.name} can't set {wanted.value}",
                    hint=f"it knows {', '.join(f.value for f in dialect.functions)}",
                )
            self._session.send((dialect.functions[wanted].configure,))
        self._learn_setting(wanted)

    def _learn_setting(self, wanted: Function | None) -> None:
        dialect = self._session.dialect
        said, match = "", None
        if dialect.reading.setting_query:
            said = parse_string(self._session.ask(dialect.reading.setting_query))
            match = search(dialect.reading.setting, said)
        parts = match or {}
        word = (parts.get("function") or "").strip().upper()
        found = next((f for f, m in dialect.functions.items() if word in m.answers), None)
        if wanted is None and found is None:
            raise OpenError(
                f"the meter says it is set to {said!r}, which is not a known function",
                hint="give its function with function=, one of "
                + ", ".join(f.value for f in dialect.functions),
                reason=OpenReason.WRONG_DEVICE,
            )
        if found not in (None, wanted or found):
            raise OpenError(
                f"the meter was set to {wanted} but says it is set to {said!r}",
                hint="the dialect's `answers` may be wrong for this meter",
                reason=OpenReason.WRONG_DEVICE,
            )
        self._function = wanted or found or Function.DC_VOLTS
        self._range_max = _number(parts.get("range"))
        self._resolution = self._options.resolution or _number(parts.get("resolution")) or 0.0

    def _read(self, timeout_s: float) -> Reading | None:
        link, question = self._session.link, self._session.dialect.reading.read
        if self._asked_s is None:
            self._session.prepare()
            link.write(question)
            self._asked_s = time.monotonic()
        try:
            line = link.read_line(timeout_s, total=True)
        except ReadTimeoutError:
            if time.monotonic() - self._asked_s > max(_GIVE_UP_S, _GIVE_UP_TIMEOUTS * link.timeout_s):
                self._asked_s = None
                self._session.explain_silence(question)
            return None
        except BadFrameError:
            self._asked_s = None
            raise
        self._asked_s = None
        return self.reading_of(line)

    def reading_of(self, line: str) -> Reading:
        """Make a reading out of an answer line, in the meter's present function.

        Raises
        ------
        BadFrameError
            If it is not a number.
        """
        value, step, state = parse_measurement(line, self._sentinels)
        resolution = (self._resolution or step) if state is State.OK else 0.0
        return Reading(
            self._function,
            value,
            resolution,
            _displayed(value, resolution, self._function.unit) if value is not None else state.value,
            state,
            range_max=self._range_max,
            raw=line.encode("latin-1", "replace"),
        )


def _number(text: str | None) -> float | None:
    """A setting's number; words such as AUTO and DEF give None."""
    try:
        return parse_number(text)[0] if text else None
    except BadFrameError:
        return None


def _displayed(value: float, resolution: float, unit: str) -> str:
    digits = 6
    if resolution > 0 and value:
        digits = min(9, max(1, math.floor(math.log10(abs(value) / resolution) + 1e-9) + 1))
    return format_quantity(value, unit, digits)
