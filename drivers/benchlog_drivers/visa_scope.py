"""Scopes over SCPI: ranges, time base, trigger, single records as raw codes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from benchlog.adapter import Digitiser
from benchlog.capture import Capture, ChannelRecord
from benchlog.errors import BadFrameError, ReadTimeoutError, UsageError
from benchlog_drivers._patterns import search
from benchlog_drivers._replies import MAX_LINE
from benchlog_drivers._scpi import parse_fields, parse_number, parse_samples, volts_line
from benchlog_drivers._session import ScpiInstrument
from benchlog_drivers.dialects import ScopeDialect

_LONGEST_NUMBER = 32  # byte of a sample in text, with its comma


class VisaScope(ScpiInstrument[ScopeDialect], Digitiser):
    """A scope at a VISA resource.

    Full scale here is the largest voltage at the probe tip, from zero, that fits on the screen: half its height, with the
    trace in the middle. The scope is left with the trace in the middle.
    """

    _kind = ScopeDialect

    @property
    def channels(self) -> tuple[str, ...]:
        """Channel names of the dialect, in order; the scope may have fewer."""
        return tuple(self._session.dialect.channels)

    def set_vertical(
        self,
        channel: str,
        full_scale_v: float,
        *,
        coupling: Literal["dc", "ac"] = "dc",
        probe: float | None = None,
    ) -> float:
        """Switch a channel on and choose the smallest range that holds plus and minus `full_scale_v`.

        Parameters
        ----------
        full_scale_v : float
            Largest voltage expected at the probe tip, volt.
        coupling : {"dc", "ac"}
            Input coupling.
        probe : float, optional
            Attenuation of the probe: 10 for x10. By default the factor set on the scope stays; it must match the probe's
            switch, which no program can see.

        Returns
        -------
        float
            Full scale that the scope set, volt at the probe tip.

        Raises
        ------
        UsageError
            If the scope has no such channel, coupling or range.
        InstrumentRefusedError
            If the scope did not take it.
        """
        with self._named_errors():
            vertical = self._session.dialect.vertical
            word = self._word(channel)
            if probe is None:
                probe = self._probe(word)
            if not (math.isfinite(full_scale_v) and full_scale_v > 0 and math.isfinite(probe) and probe > 0):
                raise UsageError(
                    f"full scale {full_scale_v!r} V at probe x{probe!r} must be positive numbers",
                    hint="give the largest voltage expected, such as 8.0",
                )
            if coupling not in vertical.couplings:
                raise UsageError(
                    f"coupling {coupling!r} is not known here",
                    hint=f"one of: {', '.join(vertical.couplings)}",
                )
            step = step_125(full_scale_v / probe / (vertical.divisions / 2))
            if step > vertical.per_division_max_v * (1 + 1e-9):
                top = vertical.per_division_max_v * vertical.divisions / 2 * probe
                raise UsageError(
                    f"{full_scale_v:g} V is more than {channel} holds with a x{probe:g} probe ({top:g} V)",
                    hint="use a probe or divider with more attenuation",
                )
            step = max(step, vertical.per_division_min_v)
            with self._session.link.exclusive():
                self._session.send(
                    vertical.set,
                    channel=word,
                    probe=probe,
                    coupling=vertical.couplings[coupling],
                    scale=step * probe if vertical.volts_at_tip else step,
                )
                return self._full_scale(word, probe) * probe

    def set_timebase(
        self, *, n_samples: int, interval_s: float | None = None, span_s: float | None = None
    ) -> None:
        """Set the record length and number of samples; the record may be longer.

        The time base steps in 1, 2, 5, so record and interval may be up to 2.5 times longer than asked; `Capture.interval_s` is
        the true interval.

        Parameters
        ----------
        n_samples : int
            Samples in the record, where the scope lets them be chosen.
        interval_s, span_s : float
            Time between samples, or length of the record, second; give one of them.

        Raises
        ------
        UsageError, InstrumentRefusedError
            If no such record is possible, or the scope refused it.
        """
        with self._named_errors():
            if (interval_s is None) == (span_s is None) or n_samples < 2:
                raise UsageError(
                    "a record needs at least two samples and either an interval or a span",
                    hint="for example set_timebase(span_s=0.1, n_samples=10000)",
                )
            span = span_s if span_s is not None else (interval_s or 0.0) * n_samples
            if not (math.isfinite(span) and span > 0):
                raise UsageError(f"a record can't be {span!r} s long", hint="give a positive time")
            timebase = self._session.dialect.timebase
            self._session.send(timebase.set, scale=step_125(span / timebase.divisions), samples=n_samples)

    def set_trigger(self, channel: str, level_v: float) -> None:
        """Trigger on a channel rising through a voltage at the probe tip, volt.

        Raises
        ------
        UsageError, InstrumentRefusedError
            If there is no such channel, or the scope did not take it.
        """
        with self._named_errors():
            self._session.send(self._session.dialect.trigger.set, channel=self._word(channel), level=level_v)

    def _capture(self, channels: Sequence[str], timeout_s: float) -> Capture:
        if not channels:
            raise UsageError("no channel to capture", hint=f"channels here: {', '.join(self.channels)}")
        words = [self._word(channel) for channel in channels]
        with self._session.link.exclusive():
            self._acquire(timeout_s)
            done_ns = self.clock.utc_ns()
            records, intervals = zip(
                *(self._fetch(c, w) for c, w in zip(channels, words, strict=True)), strict=True
            )
            self._session.check("reading the record")
        if not all(math.isclose(i, intervals[0], rel_tol=1e-9) for i in intervals):
            raise BadFrameError(
                f"channels of one record have different sample intervals: {intervals}", hint="take it again"
            )
        settings = {"identity": self._session.identity, "dialect": self._session.dialect.name}
        length_ns = round(intervals[0] * len(records[0].codes) * 1e9)
        return Capture(records, intervals[0], utc_ns=max(0, done_ns - length_ns), settings=settings)

    def _acquire(self, timeout_s: float) -> None:
        """Take one record; the wait runs on the adapter's clock, since a simulated scope lives on it too."""
        rules = self._session.dialect.acquisition
        self._session.write(rules.start)
        deadline_ns = self.clock.monotonic_ns() + round((timeout_s + rules.settle_s) * 1e9)
        self.clock.sleep(rules.settle_s)
        while True:
            status = self._session.ask(rules.poll)
            if search(rules.done, status) is not None:
                return
            if self.clock.monotonic_ns() >= deadline_ns:
                raise ReadTimeoutError(
                    f"no record within {timeout_s:g} s (the scope says {status!r})",
                    hint="is there a signal, and does it cross the trigger level?",
                )
            self.clock.sleep(rules.poll_s)

    def _fetch(self, channel: str, word: str) -> tuple[ChannelRecord, float]:
        session, dialect = self._session, self._session.dialect
        wave, vertical = dialect.waveform, dialect.vertical
        coupling = session.ask(vertical.coupling_query, channel=word) if vertical.coupling_query else ""
        probe = self._probe(word)
        full_scale = self._full_scale(word, probe)
        session.write(wave.setup, channel=word)
        fields = (
            parse_fields(session.ask(wave.preamble, channel=word), wave.preamble_fields)
            if wave.preamble
            else {}
        )
        fields |= wave.constants
        for name, question in wave.fields.items():
            fields[name] = parse_number(session.ask(question, channel=word))[0]
        scale, offset = volts_line(fields, wave.scale, wave.subtract_codes, wave.add_volts)
        per_tip = probe if vertical.volts_at_tip else 1.0
        points, interval = fields.get(wave.points, 0.0), fields.get(wave.interval, 0.0)
        if not (points >= 1 and interval > 0):
            raise BadFrameError(
                f"{channel}: the scope reports a record of {points:g} samples {interval:g} s apart",
                hint="is the channel on, and has a record been taken?",
            )
        record = ChannelRecord(
            channel,
            self._codes(word, round(points)),
            scale=scale / per_tip,
            offset=offset / per_tip,
            probe=probe,
            coupling=next(
                (k for k, v in vertical.couplings.items() if v.lower() == coupling.strip().lower()), ""
            ),
            code_limits=(wave.code_limits[0], wave.code_limits[1]) if wave.code_limits else None,
            range_max=full_scale,
        )
        return record, interval

    def _codes(self, word: str, n_samples: int) -> npt.NDArray[np.generic]:
        wave = self._session.dialect.waveform
        step = wave.chunk_samples or n_samples
        parts = []
        for first in range(1, n_samples + 1, step):
            last = min(first + step - 1, n_samples)
            self._session.write(wave.window, channel=word, first=first, last=last)
            parts.append(self._samples(wave.data.format(channel=word), last - first + 1))
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    def _samples(self, question: str, count: int) -> npt.NDArray[np.generic]:
        """Ask for a piece of a record."""
        wave, link = self._session.dialect.waveform, self._session.link
        if wave.code_type == "ascii":
            return parse_samples(link.query_text(question, MAX_LINE + count * _LONGEST_NUMBER), count)
        dtype = np.dtype(wave.code_type).newbyteorder("<" if wave.byte_order == "little" else ">")
        codes = link.query_block(question, expected=count * dtype.itemsize).view(dtype)
        return codes.astype(dtype.newbyteorder("="), copy=False)

    def _probe(self, word: str) -> float:
        """Probe factor the scope is set to; 1 where it has none."""
        question = self._session.dialect.vertical.probe_query
        if not question:
            return 1.0
        factor, _ = parse_number(self._session.ask(question, channel=word))
        if not factor > 0:
            raise BadFrameError(
                f"{word}: the scope reports a probe factor of {factor!r}", hint="check the dialect"
            )
        return factor

    def _full_scale(self, word: str, probe: float) -> float:
        """Half the screen's height, volt at the scope input."""
        vertical = self._session.dialect.vertical
        step = parse_number(self._session.ask(vertical.scale_query, channel=word))[0]
        return step * vertical.divisions / 2 / (probe if vertical.volts_at_tip else 1.0)

    def _word(self, channel: str) -> str:
        words = self._session.dialect.channels
        if channel not in words:
            raise UsageError(
                f"no channel {channel!r} on this scope", hint=f"channels here: {', '.join(words)}"
            )
        return words[channel]


def step_125(value: float) -> float:
    """Smallest of ..., 1, 2, 5, 10, ... that is at least `value` (less a rounding error).

    >>> step_125(0.3), step_125(2.0), step_125(6e-3)
    (0.5, 2.0, 0.01)
    """
    decade = math.floor(math.log10(value))
    for factor in (1, 2, 5, 10):
        step = float(f"{factor}e{decade}")
        if value <= step * (1 + 1e-9):
            return step
    return float(f"1e{decade + 1}")
