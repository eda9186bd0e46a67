"""The dashboard as lines, one for each change: for screen readers, pipes and plain terminals."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime

from benchlog.dashboard.model import GroupLine, MeterLine, Snapshot
from benchlog.project.suspect import Suspect

_SAY_AGAIN_NS = 5 * 10**9  # shortest time between two lines with one meter's reading
_STILL_THERE_NS = 60 * 10**9
_ARRIVING_S = 3.0  # time allowed for the first readings before they are reported missing


@dataclass
class Changes:
    """Finds changes since the last snapshot."""

    _said: dict[str, tuple[int, MeterLine]] = field(default_factory=dict)
    _groups: dict[str, str] = field(default_factory=dict)
    _suspects: dict[tuple[str, ...], Suspect] = field(default_factory=dict)
    _last_ns: int = 0
    _lost: int = 0

    def lines(self, snapshot: Snapshot) -> Iterator[str]:
        """Lines to print now, oldest first."""
        lines = [
            *self._doubts(snapshot),
            *(m for meter in snapshot.meters for m in self._meter(meter, snapshot.utc_ns)),
            *self._agreements(snapshot),
        ]
        if snapshot.health.lost > self._lost:
            lines.append(f"recorder: {snapshot.health.lost} readings lost so far")
            self._lost = snapshot.health.lost
        if not lines and snapshot.utc_ns - self._last_ns >= _STILL_THERE_NS and self._said:
            lines.append(summary(snapshot))
        if lines:
            self._last_ns = snapshot.utc_ns
        clock = datetime.fromtimestamp(snapshot.utc_ns // 10**9, UTC).strftime("%H:%M:%S")
        return (f"{clock}  {line}" for line in lines)

    def _meter(self, meter: MeterLine, utc_ns: int) -> Iterator[str]:
        if not meter.shown:
            if meter.tag not in self._said and meter.state == "silent":
                self._said[meter.tag] = (utc_ns, meter)
            return
        if meter.settling and meter.state == "ok":
            return
        old = self._said.get(meter.tag)
        if old is not None and utc_ns - old[0] < _SAY_AGAIN_NS and old[1].shown:
            return
        if old is not None and not _worth_saying(old[1], meter):
            return
        self._said[meter.tag] = (utc_ns, meter)
        width = f" ± {meter.uncertainty_words}" if meter.uncertainty_words else ""
        state = "" if meter.state == "ok" else f", {meter.words}"
        yield f"{meter.tag}: {_number(meter)}{width}{state}"

    def _agreements(self, snapshot: Snapshot) -> Iterator[str]:
        for group in snapshot.groups:
            state = f"{group.word} {group.pending}"
            arriving = bool(group.pending) and group.word != "unsettled" and snapshot.running_s < _ARRIVING_S
            if group.name and self._groups.get(group.name) != state and not arriving:
                yield _comparison(group)
                self._groups[group.name] = state

    def _doubts(self, snapshot: Snapshot) -> Iterator[str]:
        now = {(s.kind, s.group, *s.tags): s for s in snapshot.suspects}
        for key, suspect in self._suspects.items():
            if key not in now:
                yield f"{suspect.who}: no longer in doubt ({suspect.kind.value})"
        steps = snapshot.next_steps or {}
        for key, suspect in now.items():
            if key not in self._suspects:
                yield f"DOUBT {suspect.who}: {suspect.kind.value}. {suspect.reason}"
                if suspect.next_check in steps:
                    step = steps[suspect.next_check]
                    yield f"  Next ({step.duration}): {step.card}"
        self._suspects = now


def _comparison(group: GroupLine) -> str:
    if group.typed_once:
        return f"comparison {group.name}: {group.pending}; {group.words}"
    if group.word in ("agree", "disagree"):
        words = "; ".join(part for part in (group.words, group.pending) if part)
        return f"{group.name}: meters {group.word}; {words}"
    return "; ".join(part for part in (group.undecided, group.words) if part)


def _number(meter: MeterLine) -> str:
    return f"{meter.shown} {meter.kind}".rstrip()


def _worth_saying(old: MeterLine, new: MeterLine) -> bool:
    if (old.state, old.function) != (new.state, new.function) or (old.value is None) != (new.value is None):
        return True
    if old.value is None or new.value is None:
        return False
    return abs(new.value - old.value) > max(new.expanded or 0.0, 0.01 * abs(old.value))


def summary(snapshot: Snapshot) -> str:
    """The bench in one line."""
    shown = ", ".join(f"{m.tag} {_number(m)}" for m in snapshot.meters if m.shown)
    doubts = ", ".join(f"{s.who} {s.kind.value}" for s in snapshot.suspects) or "none"
    undecided = "".join(f"; {g.undecided}" for g in snapshot.groups if g.undecided)
    return f"{shown or 'no reading yet'}; in doubt: {doubts}{undecided}"
