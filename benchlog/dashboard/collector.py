"""Collects readings from several threads and gives snapshots of the bench."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from benchlog.clock import Clock
from benchlog.dashboard.agreement import agreement_words, pending, typed_once
from benchlog.dashboard.history import KEPT_S, History
from benchlog.dashboard.model import GroupLine, Health, MeterLine, Next, NodeGroup, Place, Snapshot
from benchlog.dashboard.plot import Plot, Series, plot_of
from benchlog.dashboard.reasons import age, display
from benchlog.dashboard.suspicion import Watchdog
from benchlog.dashboard.track import HAND_FRESH_NS
from benchlog.dashboard.trend import trend
from benchlog.errors import BenchlogError
from benchlog.metrology.accuracy import Accuracy
from benchlog.number_format import format_quantity, format_uncertain
from benchlog.project.suspect import Kind, Suspect
from benchlog.reading import Function, Reading
from benchlog.recorder import Link, LinkStatus

if TYPE_CHECKING:
    from benchlog.bench import Bench

_SECOND_NS = 10**9
_RATE_NS = 5 * _SECOND_NS
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


class Collector:
    """Takes readings, errors and commits; gives snapshots.

    Parameters
    ----------
    bench : Bench
        For the accuracy statements.
    groups : sequence of NodeGroup
        Meters on one node.
    linked, typed : sequence of str
        Meters shown from the start; silence of linked ones is reported.
    known : mapping of str to str, optional
        Meters already in doubt by their check standards.
    before : sequence of Suspect
        Doubts of an earlier watch that nothing has settled.
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
        before: Sequence[Suspect] = (),
        target: str = "",
    ) -> None:
        self._bench = bench
        self._clock = clock
        self._groups = tuple(groups)
        self._lock = threading.Lock()
        self._accuracies: dict[tuple[str, Function, float], Accuracy] = {}
        averaging = {tag for tag, one in bench.instruments.items() if one.response == "average"}
        self._detector = Watchdog(self.accuracy, self._groups, known, before, averaging)
        self._start_ns = clock.monotonic_ns()
        grouped = [tag for group in self._groups for tag in group.tags]
        self._linked = frozenset(linked)
        self._seen = {tag: History() for tag in (*grouped, *linked, *typed)}
        for tag in linked:
            self._detector.expect(tag, self._start_ns)
        self._arrivals: deque[int] = deque(maxlen=4096)
        self._received = self._written = self._gaps = 0
        self._links: dict[str, Link] = {}
        self._trouble = ""
        self._target = target
        self._trends: dict[str, float | None] = {}
        self._plots: tuple[Plot, ...] | None = None
        self._drawn_second = -1

    # ---- in ----

    def accuracy(self, reading: Reading) -> Accuracy:
        """Accuracy statement of a reading; looked up once per range."""
        key = (reading.instrument, reading.function, reading.resolution)
        if key not in self._accuracies:
            found = self._bench.accuracy(reading)
            if reading.value is None:
                return found  # without the range
            self._accuracies[key] = found
        return self._accuracies[key]

    def take(self, reading: Reading) -> None:
        """Take one reading; a sink for the recorder."""
        with self._lock:
            self._received += 1
            self._arrivals.append(reading.mono_ns)
            self._detector.take(reading)
            self._seen.setdefault(reading.instrument, History()).take(reading, self._expanded(reading) or 0.0)

    def clear_plots(self) -> None:
        """Clear the plots; comparisons go on."""
        with self._lock:
            for seen in self._seen.values():
                seen.clear()
            self._drawn_second = -1

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
        """Function of a meter's last reading; before the first, the function of its group."""
        with self._lock:
            seen = self._seen.get(tag)
            if seen is not None and seen.last is not None:
                return seen.last.function
            return next((g.function for g in self._groups if tag in g.tags), None)

    def snapshot(self, statuses: Sequence[LinkStatus] = (), *, note: str = "") -> Snapshot:
        """Return a snapshot of the bench.

        Parameters
        ----------
        statuses : sequence of LinkStatus
            State of the recorder's links, if there is a recorder.
        note : str
            Line for the user, such as what is being typed.
        """
        now, utc = self._clock.monotonic_ns(), self._clock.utc_ns()
        with self._lock:
            self._follow_links(statuses)
            suspects = self._detector.suspects(now, utc)
            self._look_back(now)
            doubts = _doubts(suspects)
            groups = [self._group(group, doubts, now) for group in self._groups]
            grouped = {tag for group in self._groups for tag in group.tags}
            alone = tuple(self._meter(tag, doubts, now) for tag in self._seen if tag not in grouped)
            if alone:
                groups.append(GroupLine("", "", "", None, alone))
            if self._plots is None:
                self._plots = self._draw_plots(groups, now)
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
                self._plots,
                self._detector.unsettled,
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
            agreement_words(agreement),
            agreement.e_n,
            _placed(meters),
            pending(agreement, {m.tag for m in meters if m.by_hand}),
            agreement.ever,
            typed_once(agreement),
        )

    def _meter(self, tag: str, doubts: dict[str, str], now_ns: int) -> MeterLine:
        seen = self._seen.get(tag, History())
        reading = seen.last
        doubt = doubts.get(tag, "")
        if reading is None:
            state = "silent" if doubt == "silent" else "waiting"
            words = "type it" if tag not in self._linked and state != "silent" else state
            return MeterLine(tag, state=state, words=words, by_hand=tag not in self._linked)
        value, unit = reading.value, reading.unit
        expanded = self._expanded(reading)
        width = ""
        if value is not None:
            width = format_uncertain(value, expanded or 0.0, unit).partition("±")[2].strip()
        by_hand = reading.origin.value == "hand"
        age_ns = now_ns - reading.mono_ns
        old = by_hand and age_ns > HAND_FRESH_NS
        slope = None if by_hand or doubt == "silent" or value is None else self._trends.get(tag)
        direction, speed = _trend_words(slope, unit)
        usual = "settling" if seen.settling else {"": "ok", "steady": "steady"}.get(direction, "moving")
        state, words = _state(doubt, reading, age_ns if old else 0, usual)
        return MeterLine(
            tag,
            display(reading),
            reading.function.value,
            _FUNCTION_WORDS.get(reading.function, ""),
            value,
            expanded,
            unit,
            state,
            words,
            direction,
            speed,
            None,
            width,
            by_hand,
            age_ns / 1e9,
            seen.settling,
        )

    def _expanded(self, reading: Reading) -> float | None:
        """Expanded uncertainty (k = 2) of a reading by its accuracy statement, in its unit."""
        if reading.value is None:
            return None
        return 2 * self.accuracy(reading).standard_uncertainty(reading.value, reading.resolution)

    def _look_back(self, now_ns: int) -> None:
        """Trends, computed once a second although the screen updates ten times a second."""
        if now_ns // _SECOND_NS == self._drawn_second:
            return
        self._drawn_second = now_ns // _SECOND_NS
        self._plots = None
        self._trends = {
            tag: trend(seen.values, seen.last.resolution)
            for tag, seen in self._seen.items()
            if seen.last is not None
        }

    def _draw_plots(self, groups: Sequence[GroupLine], now_ns: int) -> tuple[Plot, ...]:
        """One plot per group and function; a meter alone on its node has its own plot."""
        sets: dict[tuple[str, str], list[MeterLine]] = {}
        for group in groups:
            for meter in group.meters:
                if meter.value is not None:
                    sets.setdefault((group.name or meter.tag, meter.function), []).append(meter)
        plots = []
        for (name, _), meters in sets.items():
            series = [
                Series(
                    m.tag,
                    self._seen[m.tag].since(now_ns - KEPT_S * _SECOND_NS),
                    getattr(self._seen[m.tag].last, "resolution", 0.0),
                    m.by_hand,
                    _on_scale(m),
                )
                for m in meters
            ]
            plots.append(plot_of(name, series, meters[0].unit, now_ns))
        return tuple(plot for plot in plots if plot is not None)


def _trend_words(slope: float | None, unit: str) -> tuple[str, str]:
    if not slope:
        return ("" if slope is None else "steady"), ""
    speed = f"{format_quantity(60 * abs(slope), unit, 2)}/min"
    return ("up", f"+{speed}") if slope > 0 else ("down", f"-{speed}")


def _doubts(suspects: Sequence[Suspect]) -> dict[str, str]:
    """State by the most serious doubt about each meter; "one of" if others share the doubt."""
    found: dict[str, str] = {}
    for suspect in suspects:
        for tag in suspect.tags:
            word = "one of" if suspect.others else suspect.kind.value
            if tag not in found or found[tag] == "one of":
                found[tag] = word
    return found


def _state(doubt: str, reading: Reading, old_ns: int, usual: str) -> tuple[str, str]:
    if doubt == "silent":
        return "silent", "silent"
    if doubt == "one of":
        return "one of", "in doubt"
    if doubt:
        return "suspect", doubt
    if reading.value is None:
        return "no number", reading.state.value
    return ("old", f"{age(old_ns // _SECOND_NS)} old") if old_ns else ("ok", usual)


def _placed(meters: tuple[MeterLine, ...]) -> tuple[MeterLine, ...]:
    """Place meters of one function on one scale that just holds their uncertainty intervals."""
    ends = {
        m.tag: (m.value - m.expanded, m.value + m.expanded)
        for m in meters
        if m.value is not None and m.expanded is not None and _on_scale(m)
    }
    functions = [m.function for m in meters if m.tag in ends]
    usual = max(functions, key=functions.count, default="")
    shown = {m.tag: ends[m.tag] for m in meters if m.tag in ends and m.function == usual}
    bottom = min((low for low, _ in shown.values()), default=0.0)
    span = max((high for _, high in shown.values()), default=0.0) - bottom
    if span <= 0:
        return meters

    def place(low: float, high: float) -> Place:
        return Place((low - bottom) / span, ((low + high) / 2 - bottom) / span, (high - bottom) / span)

    return tuple(replace(m, place=place(*shown[m.tag])) if m.tag in shown else m for m in meters)


def _on_scale(meter: MeterLine) -> bool:
    """Whether a meter's interval counts for the common scale: one near zero would compress the others."""
    return meter.state in ("ok", "old", "one of") or meter.words in (
        Kind.DISAGREES,
        Kind.DRIFTS,
        Kind.LOW_BATTERY,
    )


def _steps(suspects: Sequence[Suspect]) -> dict[str, Next]:
    """Cards of the checks that settle the doubts."""
    if not suspects:
        return {}
    from benchlog.diagnosis.catalogue import load_catalogue  # imports NumPy

    catalogue = load_catalogue()
    found = {}
    for suspect in suspects:
        if suspect.next_check in catalogue.actions:
            action = catalogue.actions[suspect.next_check]
            found[action.id] = Next(action.id, action.minutes, catalogue.card(action.card))
    return found
