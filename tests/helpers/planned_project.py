"""A project in one folder: a plan file, its logbook and a clock moved by hand; on record is what the test puts there."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Any, Self

from benchlog.clock import ManualClock, parse_rfc3339
from benchlog.logbook import EntryRef, Logbook
from benchlog.plan import Plan, read_plan
from benchlog.project.overview import Overview, overview
from benchlog.project.release import release_hold, take_step
from benchlog.project.state import ProjectState, read_state
from benchlog.result import Result, Verdict

DAY_S = 86400.0
START_NS = parse_rfc3339("2026-06-01T09:00:00Z")


class PlannedProject:
    """A plan, the record of what was done, and what follows from both at the clock's time.

    Parameters
    ----------
    folder : Path
        An empty folder.
    text : str
        The plan file's text.
    """

    def __init__(self, folder: Path, text: str) -> None:
        self.path = folder / "plan.toml"
        self.rewrite(text)
        self.clock = ManualClock(START_NS)
        self.book = Logbook.open(folder / "bench.logbook", clock=self.clock)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.book.close()

    def rewrite(self, text: str) -> None:
        """Edit the plan file."""
        self.path.write_text(text, encoding="utf-8")

    def days(self, number: float) -> None:
        """Let days pass."""
        self.clock.advance(number * DAY_S)

    @property
    def plan(self) -> Plan:
        """The plan as its file is now."""
        return read_plan(self.path)

    @property
    def state(self) -> ProjectState:
        """The state of the project now."""
        return read_state(self.plan, self.book, self.clock.utc_ns())

    @property
    def states(self) -> list[str]:
        """The word for each check, in the plan's order."""
        return [str(status.state) for status in self.state.checks.values()]

    @property
    def overview(self) -> Overview:
        """What `status` shows."""
        return overview(self.plan, self.book, self.clock.utc_ns())

    def bodies(self, kind: str) -> list[dict[str, Any]]:
        """What the entries of a kind say."""
        return [dict(entry.body) for entry in self.book.entries(kind)]

    def record(self, check_id: str, verdict: Verdict = Verdict.PASS, **more: Any) -> int:
        """Write down a result of a check of the plan as it is; returns its entry number.

        `more` are fields of `Result` that differ from those of a reading judged by the plan's limits.
        """
        check = self.plan.check(check_id)
        values: dict[str, Any] = {
            "check": "reading",
            "verdict": verdict,
            "reason": "because",
            "check_id": check_id,
            "check_revision": check.revision,
            "part": check.part,
            "part_state": "as received",
            "limits_set": "plan",
        }
        return self.book.append_result(Result(**{**values, **more})).seq

    def release(self, hold: str = "H1", **more: Any) -> tuple[EntryRef, str]:
        """Try to release a hold."""
        return release_hold(self.plan, self.book, hold, self.clock.utc_ns(), **more)

    def take(self, hold: str = "H1") -> None:
        """Write down that the step behind a hold was taken."""
        take_step(self.plan, self.book, hold, self.clock.utc_ns())
