"""Contents of the dashboard as a frozen snapshot: all numbers are computed here, the view only formats them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchlog.clock import rfc3339
from benchlog.dashboard.plot import Plot
from benchlog.project.suspect import Suspect
from benchlog.reading import Function


@dataclass(frozen=True, slots=True)
class NodeGroup:
    """Meters on one node, which must agree."""

    name: str
    tags: tuple[str, ...]  #: At least two for a comparison.
    #: Function they should be set to, if known; else that of the majority.
    function: Function | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """An interval on a scale from 0 to 1: value, and its ends."""

    low: float
    centre: float
    high: float


@dataclass(frozen=True, slots=True)
class MeterLine:
    """One meter."""

    #: tag, shown, function, kind: `shown` is the display's text, empty before the first reading; `kind` completes
    #: its unit: ``"ac"``, ``"dc"``, ``"4-wire"``.
    tag: str
    shown: str = ""
    function: str = ""
    kind: str = ""
    #: value, expanded: SI, with the expanded uncertainty at k = 2 by the accuracy statement.
    value: float | None = None
    expanded: float | None = None
    unit: str = ""
    #: One of "ok", "old", "suspect", "one of", "silent", "waiting", "no number". "one of": one of several
    #: is wrong. "old": typed more than a minute ago.
    state: str = "waiting"
    words: str = "waiting"  #: The state in words.
    trend: str = ""  #: One of "", "steady", "up", "down". Empty with too few readings.
    trend_words: str = ""  #: How fast.
    place: Place | None = None  #: On the group's scale.
    uncertainty_words: str = ""
    by_hand: bool = False  #: Whether it is typed.
    age_s: float | None = None  #: Age of the latest reading.
    settling: bool = False  #: Whether the display is still settling.


@dataclass(frozen=True, slots=True)
class GroupLine:
    """Meters on one node, or (with an empty name) those alone on theirs."""

    name: str
    word: str  #: State of the comparison, see `agreement.Agreement`; `verdict` is the text shown.
    words: str  #: The numbers behind it.
    e_n: float | None
    meters: tuple[MeterLine, ...]
    #: What is missing for a comparison of all meters; empty if nothing.
    pending: str = ""
    ever: bool = True  #: Whether any two were ever compared.
    typed_once: bool = False  #: Whether it waits for a second typed reading.

    @property
    def verdict(self) -> str:
        """The state in words."""
        if self.word == "no comparison":
            return "nothing compared now" if self.ever else "nothing compared yet"
        return "not decided yet" if self.word == "unsettled" else self.word

    @property
    def undecided(self) -> str:
        """Why this group proves no meter good; empty if it does."""
        if not self.pending:
            return ""
        decided = self.word in ("agree", "disagree")
        return f"{self.name}: {self.pending}" if decided else f"{self.name}: {self.verdict}, {self.pending}"


@dataclass(frozen=True, slots=True)
class Next:
    """A check to do next: action of the diagnosis vocabulary, its minutes, what to do."""

    action: str
    minutes: float
    card: str

    @property
    def duration(self) -> str:
        """How long it takes, in words."""
        return f"{60 * self.minutes:.0f} s" if self.minutes < 1 else f"{self.minutes:g} min"


@dataclass(frozen=True, slots=True)
class Health:
    """State of the recorder.

    `target` is the logbook; empty when nothing is recorded.
    """

    rate_hz: float = 0.0
    received: int = 0
    written: int = 0
    waiting: int = 0
    lost: int = 0
    gaps: int = 0
    bad_frames: int = 0
    target: str = ""
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A snapshot of the bench."""

    utc_ns: int
    running_s: float
    groups: tuple[GroupLine, ...] = ()
    suspects: tuple[Suspect, ...] = ()
    next_steps: Mapping[str, Next] | None = None
    health: Health = Health()
    note: str = ""
    plots: tuple[Plot, ...] = ()
    unsettled: tuple[Suspect, ...] = ()  #: Doubts that nothing has settled, also hidden ones.

    @property
    def meters(self) -> tuple[MeterLine, ...]:
        """All meters, each once."""
        seen = {meter.tag: meter for group in self.groups for meter in group.meters}
        return tuple(seen.values())

    def to_json(self) -> dict[str, Any]:
        """Plain JSON form (schema ``benchlog.watch/1``), numbers in SI units."""
        steps = self.next_steps or {}
        return {
            "schema": "benchlog.watch/1",
            "time": rfc3339(self.utc_ns),
            "running_s": round(self.running_s, 3),
            "instruments": [
                {
                    "tag": m.tag,
                    "function": m.function or None,
                    "value": m.value,
                    "unit": m.unit or None,
                    "expanded_uncertainty": m.expanded,
                    "displayed": m.shown or None,
                    "state": m.state,
                    "trend": m.trend or None,
                    "age_s": None if m.age_s is None else round(m.age_s, 3),
                }
                for m in self.meters
            ],
            "groups": [
                {
                    "name": g.name,
                    "state": g.word,
                    "e_n": g.e_n,
                    "pending": g.pending or None,
                    "instruments": [m.tag for m in g.meters],
                }
                for g in self.groups
                if g.name
            ],
            "suspects": [s.to_json(getattr(steps.get(s.next_check), "minutes", None)) for s in self.suspects],
            "recorder": {
                "rate_hz": round(self.health.rate_hz, 3),
                "received": self.health.received,
                "written": self.health.written,
                "waiting": self.health.waiting,
                "lost": self.health.lost,
                "gaps": self.health.gaps,
                "bad_frames": self.health.bad_frames,
                "logbook": self.health.target or None,
            },
        }
