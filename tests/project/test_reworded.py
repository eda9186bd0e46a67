"""Sentences are for people: with every one of them reworded, the same results are recalled, in the same order.

Labels, reasons, findings, hook-ups and cautions of every entry are replaced by other words; what is asked of the record
before and after must be the same but for words.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
from helpers.desk import Desk
from helpers.plan_text import check, hold, part, plan_text
from helpers.two_channels import Scope

from benchlog.checks.inductance import SeriesSetup, check_inductance
from benchlog.finding import Finding, FindingKind
from benchlog.logbook.chain import Entry
from benchlog.plan import read_plan
from benchlog.project.meter_doubt import MeterDoubts
from benchlog.project.overview import meter_trust
from benchlog.project.recall import Failure, recall_results
from benchlog.project.state import project_state
from benchlog.result import Verdict

SENTENCES = {"label", "reason", "hookup", "rule", "source", "why", "note", "left", "next", "text"}
LISTS = {"findings", "cautions", "missing"}


def _reworded(value: Any, numbers: Iterator[int]) -> Any:
    """Replace every sentence by a new one, deep in a body."""
    if isinstance(value, dict):
        return {
            name: f"words {next(numbers)}"
            if name in SENTENCES and isinstance(item, str)
            else [f"words {next(numbers)}" for _ in item]
            if name in LISTS and isinstance(item, list)
            else _reworded(item, numbers)
            for name, item in value.items()
        }
    if isinstance(value, list):
        return [_reworded(item, numbers) for item in value]
    return value


def _in_other_words(entries: list[Entry]) -> list[Entry]:
    numbers = itertools.count(1)
    return [msgspec.structs.replace(e, body=_reworded(dict(e.body), numbers)) for e in entries]


@pytest.fixture
def story(tmp_path: Path) -> tuple[Path, list[Entry]]:
    """Passes, a failing standard with its recall, a recall by hand, a step taken, a result measured in doubt."""
    desk = Desk(tmp_path)
    meter = {"function": "V=", "meter": "MB-02", "limits": {"low": "4 V", "high": "6 V"}}
    resist = {"function": "ohm", "meter": "MA-01", "limits": {"high": "2 ohm"}}
    volts, ohms = (
        {**item, "limits": {name: item["limits"]}}
        for item, name in ((meter, "voltage"), (resist, "resistance"))
    )
    both = [{"take": "reading", "name": "rail", **meter}, {"take": "reading", "name": "lead", **resist}]
    plan = desk.write(
        "plan.toml",
        plan_text(
            part("T1"),
            check("C01", "reading", **volts),
            check("C02", "reading", **ohms),
            check("C03", "list", item=both),
            hold("H1", "open the case of T1", "C01", irreversible=True),
            hold("H2", "close it", "C02", "C03"),
        ),
    )
    desk.run("standard", "MB-02", "CS-3", "5.00 V dc")
    desk.answer(plan, "C01", ["", "5.40 V"])
    desk.answer(plan, "C02", ["", "1.9 ohm"])
    desk.answer(plan, "C03", ["C03/rail: 5.00 V", "C03/lead: 0.4 ohm"])
    desk.run("release", plan, "H1")
    desk.run("release", plan, "H1", "--taken")
    desk.days(10)
    desk.run("standard", "MB-02", "CS-3", "5.80 V dc", "--plan", plan)
    desk.run("standard", "MA-01", "--bad", "a clip was loose", "--error", "-30 %", "--plan", plan)
    desk.answer(plan, "C01", ["", "5.00 V"])
    from benchlog.logbook import Logbook

    with Logbook.open(desk.logbook, mode="ro") as book:
        return plan, list(book.entries())


def _seen(plan_file: Path, entries: list[Entry]) -> dict[str, Any]:
    """All that is concluded from a record, without words."""
    plan = read_plan(plan_file)
    now = entries[-1].utc_ns
    state = project_state(plan, entries, now)
    doubts = MeterDoubts(entries)
    return {
        "checks": [
            (s.check.id, s.state, bool(s.recall), s.entry and s.entry.seq) for s in state.checks.values()
        ],
        "holds": [(h.hold.id, h.state, len(h.missing)) for h in state.holds.values()],
        "next": state.next_check and state.next_check.check.id,
        "trust": [(m.tag, m.word) for m in meter_trust(entries, now)],
        "doubts": [(tag, (d := doubts.of(tag)) and d.entry) for tag in doubts.meters],
        "recalls": [
            [(r.entry, r.kind, r.holds) for r in recall_results(entries, failure).results]
            for failure in (
                Failure("MB-02", "V=", found=entries[-1].seq, error_low=0.0, error_high=0.16),
                Failure("MA-01", found=entries[-1].seq, error_low=0.0, error_high=0.1),
                Failure("MA-01", found=entries[-1].seq),
            )
        ],
    }


def test_no_conclusion_hangs_on_a_sentence(story: tuple[Path, list[Entry]]) -> None:
    """Recall classes, check and hold states, trust, doubts and their order."""
    plan, entries = story
    seen = _seen(plan, entries)
    assert {state for _, state, *_ in seen["checks"]} == {"indeterminate", "recalled", "passed"}
    assert ("H1", "taken") in [(h, s) for h, s, _ in seen["holds"]]
    assert all(seen["recalls"])
    other = _in_other_words(entries)
    assert sum(a.body != b.body for a, b in zip(entries, other, strict=True)) > 5
    assert _seen(plan, other) == seen


def test_the_wrong_hookup_is_known_by_its_kind(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two probes on one signal: indeterminate in any language."""
    make = Finding.__new__
    monkeypatch.setattr(Finding, "__new__", lambda cls, kind, words: make(cls, kind, "☃" * len(words)))
    capture = Scope(interval_s=1e-5).capture({"A": 1.0 + 0j, "B": 0.9 + 1e-6j}, 1e3)
    result = check_inductance(capture, SeriesSetup("A", "B", 1e3), turns=60, al_h=62e-6)
    assert result.verdict is Verdict.INDETERMINATE
    assert result.reason in [f for f in result.findings if f.kind is FindingKind.HOOKUP]
    assert set(result.reason) == {"☃"}
