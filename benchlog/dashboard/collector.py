"""Collects readings from several threads and gives a snapshot of the bench on request."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from statistics import median
from typing import TYPE_CHECKING

from benchlog.clock import Clock
from benchlog.dashboard.agreement import Agreement
from benchlog.dashboard.model import GroupLine, Health, MeterLine, Next, Place, Snapshot
from benchlog.dashboard.reasons import display
from benchlog.dashboard.suspect import Kind, NodeGroup, Suspect
from benchlog.dashboard.suspicion import Watchdog
from benchlog.dashboard.trend import TRACE_S, Trace, trace
from benchlog.errors import BenchlogError
from benchlog.metrology.accuracy import Accuracy
from benchlog.reading import Function, Reading
from benchlog.recorder import Link, LinkStatus
from benchlog.units import format_quantity, format_uncertain

if TYPE_CHECKING:
    from benchlog.bench import Bench

__all__ = ["Collector"]

_SECOND_NS = 10**9
_RATE_NS = 5 * _SECOND_NS
_LATELY_NS = 10 * _SECOND_NS
_TREND_NS = 30 * _SECOND_NS
_FUNCTION_WORDS = {
    Function.AC_VOLTS: "ac",
    Function.DC_VOLTS: "dc",
    Function.AC_DC_VOLTS: "ac+dc",
    Function.AC_CURRENT: "ac",
    Function.DC_CURRENT: "dc",
    Function.FOUR_WIRE_OHMS: "4w",
    Function.CONTINUITY: "cont",
    Function.DIODE: "diode",
    Function.DUTY: "duty",
}


@dataclass(slots=True)
class _Seen:
    """Data kept for the line of one meter."""

    last: Reading | None = None
    history: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=TRACE_S))
    _traced: tuple[int, int, Trace] = (-1, -1, Trace())

    def trace(self, now_ns: int) -> Trace:
        """The last minutes, laid out once a second, though pictures are drawn ten times as often."""
        if self.last is None or not self.history:
            return Trace()
        latest, second = self.history[-1][0], now_ns // _SECOND_NS
        if self._traced[:2] != (latest, second):
            found = trace(self.history, now_ns, self.last.resolution, self.last.unit)
            self._traced = (latest, second, found)
        return self._traced[2]


class Collector:
    """Takes readings, errors and commits; gives snapshots.

    Parameters
    ----------
    bench : Bench
        For the accuracy statements.
    groups : sequence of NodeGroup
        Meters on one node.
    clock : Clock
    linked, typed : sequence of str
        Meters to be shown from the start; the silence of linked ones is noticed.
    known : mapping of str to str, optional
        Meters already in doubt by their check standards.
    target : str
        Logbook, as shown.
    """

    def __init__(
        self,
        bench: Bench,
        groups: Sequence[NodeGroup] = (),
        *,
        clock: Clock,
        linked: Sequence[str] = (),
        typed: Sequence[str] = (),
        known: dict[str, str] | None = None,
        target: str = "",
    ) -> None:
        self._bench = bench
        self._clock = clock
        self._groups = tuple(groups)
        self._lock = threading.Lock()
        self._accuracies: dict[tuple[str, Function, float], Accuracy] = {}
        self._detector = Watchdog(self.accuracy, self._groups, known)
        self._start_ns = clock.monotonic_ns()
        grouped = [tag for group in self._groups for tag in group.tags]
        self._linked = frozenset(linked)
        self._seen = {tag: _Seen() for tag in (*grouped, *linked, *typed)}
        for tag in linked:
            self._detector.expect(tag, self._start_ns)
        self._arrivals: deque[int] = deque(maxlen=4096)
        self._received = self._written = self._gaps = 0
        self._links: dict[str, Link] = {}
        self._trouble = ""
        self._target = target

    # ---- in ----

    def accuracy(self, reading: Reading) -> Accuracy:
        """Accuracy statement that holds for a reading; looked up once for each range."""
        key = (reading.instrument, reading.function, reading.resolution)
        if key not in self._accuracies:
            found = self._bench.accuracy(reading)
            if reading.value is None:
                return found  # says nothing of the range
            self._accuracies[key] = found
        return self._accuracies[key]

    def take(self, reading: Reading) -> None:
        """Take one reading; a sink for the recorder."""
        with self._lock:
            self._received += 1
            self._arrivals.append(reading.mono_ns)
            self._detector.take(reading)
            seen = self._seen.setdefault(reading.instrument, _Seen())
            if seen.last is not None and (
                seen.last.function is not reading.function or seen.last.resolution != reading.resolution
            ):
                seen.history.clear()
            seen.last = reading
            if reading.value is not None and (
                not seen.history or reading.mono_ns - seen.history[-1][0] >= _SECOND_NS
            ):
                seen.history.append((reading.mono_ns, reading.value))

    def committed(self, _entry: object, readings: Sequence[Reading]) -> None:
        """Count readings on the disk; a sink for the recorder."""
        with self._lock:
            self._written += len(readings)

    def error(self, error: BenchlogError) -> None:
        """Keep the latest link error; a sink for the recorder."""
        with self._lock:
            self._trouble = str(error)

    # ---- out ----

    def function(self, tag: str) -> Function | None:
        """What a meter was set to at its last reading; before that, what its group is meant to be set to."""
        with self._lock:
            seen = self._seen.get(tag)
            if seen is not None and seen.last is not None:
                return seen.last.function
            return next((g.function for g in self._groups if tag in g.tags), None)

    def snapshot(self, statuses: Sequence[LinkStatus] = (), *, note: str = "") -> Snapshot:
        """Return a picture of the bench now.

        Parameters
        ----------
        statuses : sequence of LinkStatus
            Of the recorder's links, where there is one.
        note : str
            Line for the person, such as what is being typed.
        """
        now, utc = self._clock.monotonic_ns(), self._clock.utc_ns()
        with self._lock:
            self._follow_links(statuses)
            suspects = self._detector.suspects(now, utc)
            doubts = _doubts(suspects)
            groups = [self._group(group, doubts, now) for group in self._groups]
            grouped = {tag for group in self._groups for tag in group.tags}
            alone = tuple(self._meter(tag, doubts, now) for tag in self._seen if tag not in grouped)
            if alone:
                groups.append(GroupLine("", "", "", None, alone))
            while self._arrivals and now - self._arrivals[0] > _RATE_NS:
                self._arrivals.popleft()
            span_s = max(1.0, min(_RATE_NS, now - self._start_ns) / 1e9)
            lost = sum(s.dropped for s in statuses)
            health = Health(
                len(self._arrivals) / span_s,
                self._received,
                self._written,
                max(0, self._received - self._written - lost),
                lost,
                self._gaps,
                sum(s.bad_frames for s in statuses),
                self._target,
                self._trouble,
            )
            return Snapshot(
                utc,
                (now - self._start_ns) / 1e9,
                tuple(groups),
                suspects,
                _steps(suspects),
                health,
                note,
            )

    def _follow_links(self, statuses: Sequence[LinkStatus]) -> None:
        for status in statuses:
            old = self._links.get(status.instrument)
            if status.link in (Link.LOST, Link.SILENT) and old is not status.link:
                self._gaps += old not in (Link.LOST, Link.SILENT)
            self._links[status.instrument] = status.link
            self._detector.link_trouble(status.instrument, status.error if status.link is Link.LOST else "")
        if all(s.link is Link.READING for s in statuses):
            self._trouble = ""

    def _group(self, group: NodeGroup, doubts: dict[str, str], now_ns: int) -> GroupLine:
        agreement = self._detector.agreement(group, now_ns)
        meters = tuple(self._meter(tag, doubts, now_ns) for tag in group.tags)
        return GroupLine(
            group.name,
            agreement.word,
            _agreement_words(agreement),
            agreement.e_n,
            _placed(meters),
            _pending(agreement, {m.tag for m in meters if m.by_hand}),
            agreement.ever,
            _typed_once(agreement),
        )

    def _meter(self, tag: str, doubts: dict[str, str], now_ns: int) -> MeterLine:
        seen = self._seen.get(tag, _Seen())
        reading = seen.last
        doubt = doubts.get(tag, "")
        if reading is None:
            state = "silent" if doubt == "silent" else "waiting"
            words = "to be typed" if tag not in self._linked and state != "silent" else state
            return MeterLine(tag, state=state, words=words, by_hand=tag not in self._linked)
        value, unit = reading.value, reading.unit
        expanded = None
        width = ""
        if value is not None:
            u = self.accuracy(reading).standard_uncertainty(value, reading.resolution)
            expanded = 2 * u
            width = format_uncertain(value, expanded, unit).partition("±")[2].strip()
        trend, speed = self._trend(seen, now_ns)
        state, words = _state(doubt, reading)
        if state == "silent":
            trend = speed = ""
        elif not doubt and value is not None and trend:
            words = "steady" if trend == "steady" else "moving"
        by_hand = reading.origin.value == "hand"
        kind = _FUNCTION_WORDS.get(reading.function, "")
        return MeterLine(
            tag,
            display(reading),
            reading.function.value,
            kind,
            value,
            expanded,
            unit,
            state,
            words,
            trend,
            speed,
            Trace() if by_hand else seen.trace(now_ns),
            None,
            width,
            by_hand,
        )

    def _trend(self, seen: _Seen, now_ns: int) -> tuple[str, str]:
        if seen.last is None or seen.last.value is None:
            return "", ""
        recent = [(t, v) for t, v in seen.history if now_ns - t <= _TREND_NS]
        if len(recent) < 6:
            return "", ""
        half = len(recent) // 2
        old, new = recent[:half], recent[-half:]
        # Medians: one value caught while the display settled is not a trend.
        change = median(v for _, v in new) - median(v for _, v in old)
        if abs(change) < 1.5 * seen.last.resolution:
            return "steady", ""
        minutes = (median(t for t, _ in new) - median(t for t, _ in old)) / 60e9
        per_minute = format_quantity(abs(change / minutes), seen.last.unit, 2)
        return ("up", f"+{per_minute}/min") if change > 0 else ("down", f"-{per_minute}/min")


def _doubts(suspects: Sequence[Suspect]) -> dict[str, str]:
    """Word for the gravest doubt about each meter; "one of" where it shares the doubt with others."""
    found: dict[str, str] = {}
    for suspect in suspects:
        for tag in suspect.tags:
            word = "one of" if suspect.others else suspect.kind.value
            if tag not in found or found[tag] == "one of":
                found[tag] = word
    return found


def _state(doubt: str, reading: Reading) -> tuple[str, str]:
    if doubt == "silent":
        return "silent", "silent"
    if doubt == "one of":
        return "one of", "in doubt"
    if doubt:
        return "suspect", doubt
    if reading.value is None:
        return "no number", reading.state.value
    return "ok", "ok"


def _agreement_words(agreement: Agreement) -> str:
    if agreement.e_n is None or agreement.pair is None or agreement.difference is None:
        return "one is near zero, another is not" if agreement.word == "disagree" else ""
    a, b = agreement.pair
    apart = format_quantity(abs(agreement.difference), agreement.unit, _digits(agreement.difference))
    words = f"E_n {agreement.e_n:.2f} (limit 1): {a} and {b} "
    if len(agreement.typed) == 1 and agreement.age_ns > _LATELY_NS:
        words += f"were {apart} apart when {agreement.typed[0]} was typed"
    else:
        words += f"are {apart} apart"
    return f"{words}; the disagreement has ended" if agreement.word == "agree" and agreement.ended else words


def _digits(difference: float) -> int:
    """Write a difference in two digits, a large one (a meter that shows zero) in three."""
    return 3 if abs(difference) >= 10 else 2


def _typed_once(agreement: Agreement) -> bool:
    return agreement.word == "unsettled" and not agreement.ended and bool(agreement.typed)


def _pending(agreement: Agreement, by_hand: AbstractSet[str]) -> str:
    """Say what a comparison still needs."""
    if agreement.word == "set differently":
        return "not on the same function"
    lacks = []
    if agreement.word == "unsettled" and agreement.ended:
        lacks.append("agreeing again, but not for long enough")
    elif agreement.word == "unsettled":
        lacks.append("waits for a second typed reading" if _typed_once(agreement) else "not for long enough")
    if agreement.unread:
        how = " typed" if by_hand >= set(agreement.unread) else ""
        lacks.append(f"no reading of {', '.join(agreement.unread)}{how} yet")
    if late := [tag for tag in agreement.missing if tag not in agreement.unread]:
        if agreement.word != "no comparison":
            lacks.append(f"{', '.join(late)} not compared now")
        elif not agreement.unread:
            lacks.append(
                "type the readings within a minute of each other"
                if by_hand >= set(late)
                else "needs a number from two meters that have come to rest"
            )
    return "; ".join(lacks)


def _placed(meters: tuple[MeterLine, ...]) -> tuple[MeterLine, ...]:
    """Put meters of one unit on one scale, their uncertainty intervals just inside it."""
    shown = [m for m in meters if m.value is not None and m.expanded is not None and _on_scale(m)]
    functions = [m.function for m in shown]
    if not shown:
        return meters
    usual = max(functions, key=functions.count)
    shown = [m for m in shown if m.function == usual]
    low = min((m.value or 0.0) - (m.expanded or 0.0) for m in shown)
    high = max((m.value or 0.0) + (m.expanded or 0.0) for m in shown)
    span = high - low
    if span <= 0:
        return meters
    placed = []
    for meter in meters:
        if meter in shown:
            value, width = meter.value or 0.0, meter.expanded or 0.0
            at = Place((value - width - low) / span, (value - low) / span, (value + width - low) / span)
            meter = replace(meter, place=at)
        placed.append(meter)
    return tuple(placed)


def _on_scale(meter: MeterLine) -> bool:
    """Whether a meter's interval may widen the common scale: one near zero would press the others flat."""
    return meter.state in ("ok", "one of") or meter.words in (Kind.DISAGREES, Kind.DRIFTS, Kind.LOW_BATTERY)


def _steps(suspects: Sequence[Suspect]) -> dict[str, Next]:
    """Cards of the checks that would settle the doubts."""
    if not suspects:
        return {}
    from benchlog.diagnosis.catalogue import load_catalogue  # numpy comes with it

    catalogue = load_catalogue()
    found = {}
    for suspect in suspects:
        if suspect.next_check in catalogue.actions:
            action = catalogue.actions[suspect.next_check]
            found[action.id] = Next(action.id, action.minutes, catalogue.card(action.card))
    return found
