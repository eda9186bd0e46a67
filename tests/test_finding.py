"""Findings keep their kind beside their words, in the record too; older records have words only."""

from __future__ import annotations

import copy

from benchlog.finding import Finding, FindingKind, unique
from benchlog.result import Result, Verdict

POLARITY = Finding(FindingKind.POLARITY, "the secondary is inverted")


def test_kind_and_words_go_through_the_record() -> None:
    result = Result(check="turns_ratio", verdict=Verdict.PASS, reason=POLARITY, findings=(POLARITY,))
    plain = result.to_json()
    assert list(plain["findings"]) == ["the secondary is inverted"]
    assert type(plain["findings"][0]) is type(plain["reason"]) is str
    assert plain["finding_kinds"] == ["polarity"]
    (back,) = Result.from_json(plain).findings
    assert (back, back.kind) == (POLARITY, FindingKind.POLARITY)


def test_older_and_newer_records_are_read() -> None:
    plain = {"check": "supply", "verdict": "pass", "reason": "", "findings": ["a", "b"]}
    assert [f.kind for f in Result.from_json(plain).findings] == [FindingKind.NOTE] * 2
    newer = plain | {"finding_kinds": ["clipping", "of a later version", "drift"]}
    assert [f.kind for f in Result.from_json(newer).findings] == [FindingKind.CLIPPING, FindingKind.NOTE]


def test_a_finding_can_be_copied_put_in_front_of_and_made_unique() -> None:
    assert copy.deepcopy(POLARITY).kind is FindingKind.POLARITY
    about = POLARITY.about("core A")
    assert (about, about.kind) == ("core A: the secondary is inverted", FindingKind.POLARITY)
    assert unique([POLARITY, about, POLARITY]) == (POLARITY, about)
