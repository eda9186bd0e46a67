"""The logbook: appended to, kept, read back, under all that can go wrong around it."""

from __future__ import annotations

from contextlib import suppress
from itertools import pairwise
from typing import Any

import msgspec
import numpy as np
import pytest
from helpers.small_logbook import START, a_result, some_readings

from benchlog.clock import ManualClock
from benchlog.errors import LogbookError, UsageError
from benchlog.logbook import Logbook
from benchlog.logbook.verify import verify
from benchlog.result import Verdict


def test_a_closed_logbook_is_reported_as_closed(book: Logbook) -> None:
    """Not as damaged."""
    book.close()
    for use in (book.head, lambda: book.append("note", {"text": "x"}), lambda: list(book.entries())):
        with pytest.raises(UsageError, match="was closed"):
            use()


@pytest.mark.parametrize("body", [None, [1], "text", 3, ("a", 1)])
def test_what_is_not_names_and_values_is_refused(book: Logbook, body: Any) -> None:
    """It would be a last entry that nothing can be appended to."""
    with pytest.raises(UsageError):
        book.append("note", body)
    with pytest.raises(UsageError, match="can't hold this"):
        book.append("release", {"step": "opened"})
    with pytest.raises(UsageError, match="entry 9, which does not exist"):
        book.append("release", {"hold": "H1", "step": "x", "rests_on": [{"check_id": "C01", "entry": 9}]})
    with pytest.raises(UsageError, match="entry 1 is not a recall"):
        book.append("recall undone", {"entry": 1})
    assert book.append("note", {"text": "goes on"}).seq == 2


def test_a_long_double_is_kept_as_a_number(book: Logbook) -> None:
    """Its `item()` gives a long double again."""
    ref = book.append("note", {"value": np.longdouble(1.5)})
    assert book.entry(ref.seq).body == {"value": 1.5}


def test_what_is_appended_is_read_back(book: Logbook, clock: ManualClock) -> None:
    """Readings, results and notes come back equal, each entry with the digest of the one before."""
    readings = some_readings(clock)
    ref = book.append_readings(readings)
    assert book.readings_of(ref.seq) == readings
    result = a_result()
    placed = book.result(book.append_result(result).seq)
    assert (placed.quantities, placed.limits, placed.verdict) == (
        result.quantities,
        result.limits,
        Verdict.PASS,
    )
    assert placed.record == book.record_of(book.head())
    note = book.append("note", {"text": "cover stays on"})
    assert book.entry(note.seq).body == {"text": "cover stays on"}
    entries = list(book.entries())
    assert [e.seq for e in entries] == list(range(1, len(entries) + 1))
    assert all(later.previous == earlier.digest for earlier, later in pairwise(entries))
    assert book.head() == note


def test_entries_can_be_chosen(book: Logbook) -> None:
    """By kind, place, session, from either end."""
    for number in range(6):
        book.append("note" if number % 2 else "remark", {"n": number})
    session = book.begin_session()
    book.append("note", {"n": 6})
    assert [e.body["n"] for e in book.entries("note")] == [1, 3, 5, 6]
    assert [e.body["n"] for e in book.entries("note", newest_first=True, limit=2)] == [6, 5]
    assert [e.body["n"] for e in book.entries(("note", "remark"), after=5)] == [4, 5, 6]
    assert [e.body.get("n") for e in book.entries(session=session)] == [None, 6]
    assert book.kinds() == ["logbook", "note", "remark", "session begin"]
    assert book.counts()["note"] == 4


def test_long_lists_of_entries_come_in_pieces(book: Logbook) -> None:
    """Iterating gives every entry once, in order, however many there are."""
    with book.transaction():
        for number in range(1203):
            book.append("note", {"n": number})
    assert [e.body["n"] for e in book.entries("note")] == list(range(1203))
    assert [e.body["n"] for e in book.entries("note", newest_first=True)] == list(range(1202, -1, -1))
    assert len(list(book.entries("note", limit=700))) == 700


def test_a_transaction_is_kept_whole_or_not_at_all(book: Logbook) -> None:
    """An error between two appends undoes the first; the book goes on."""
    head = book.head()

    def interrupted() -> None:
        with book.transaction():
            book.append("note", {"text": "first"})
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert book.head() == head
    assert book.append("note", {"text": "after"}).seq == head.seq + 1
    assert verify(book.path).ok


def test_a_part_that_fails_undoes_the_whole_transaction(book: Logbook, clock: ManualClock) -> None:
    """Even when the caller swallows the error: half an append is never kept."""

    def swallowing() -> None:
        with book.transaction():
            book.append("note", {"text": "first"})
            with suppress(UsageError):
                book.append_readings([msgspec.structs.replace(some_readings(clock)[0], raw=bytes(70_000))])

    head = book.head()
    with pytest.raises(LogbookError, match="a part of this transaction failed"):
        swallowing()
    assert book.head() == head
    assert verify(book.path).ok


@pytest.mark.parametrize("kind", ["result", "readings", "Note", "", "no\nte", "x" * 60])
def test_kinds_that_have_their_own_method_or_no_name_are_refused(book: Logbook, kind: str) -> None:
    """What tables are derived from is written in one place only."""
    with pytest.raises(UsageError):
        book.append(kind, {})


def test_a_correction_supersedes_and_never_overwrites(book: Logbook) -> None:
    """The wrong result stays, marked; the newest that counts is the other one."""
    wrong = book.append_result(a_result(Verdict.FAIL))
    right = book.append_result(a_result())
    book.append_result(a_result(part="T2"))
    mark = book.supersede(right.seq, "the lead was off", replacement=wrong.seq)
    assert book.superseded() == {right.seq: mark.seq}
    assert book.result(right.seq).verdict is Verdict.PASS
    for bad in (right.seq, mark.seq, 1, 99):
        with pytest.raises(UsageError):
            book.supersede(bad, "again")
    with pytest.raises(UsageError, match="reason"):
        book.supersede(wrong.seq, " ")


def test_a_session_that_was_cut_off_is_resumed_under_its_number(book: Logbook, clock: ManualClock) -> None:
    """A killed program leaves a session open; going on with it makes no second one."""
    assert book.begin_session({"plan": "kc1.toml"}) == 1
    book.close()
    with Logbook.open(book.path, clock=clock) as again:
        assert again.last_session() == (1, True)
        assert again.begin_session(resume=True) == 1
        again.end_session({"next": "load point"})
        assert again.last_session() == (1, False)
        assert again.begin_session(resume=True) == 2
        kinds = [e.kind for e in again.entries(session=1)]
    assert kinds == ["session begin", "session resume", "session end"]


def test_ending_no_session_is_refused(book: Logbook) -> None:
    """A session must have begun."""
    with pytest.raises(UsageError):
        book.end_session("done")


def test_readings_sent_again_are_kept_once(book: Logbook, clock: ManualClock) -> None:
    """A stream resumed from its last acknowledged place doubles nothing and leaves no hole."""
    readings = some_readings(clock, 30)
    first = book.append_readings(readings[:10], stream="run", position=0)
    assert book.append_readings(readings[:10], stream="run", position=0) == first
    second = book.append_readings(readings[5:20], stream="run", position=5)
    assert book.readings_of(second.seq) == readings[10:20]
    with pytest.raises(UsageError, match="missing"):
        book.append_readings(readings[25:], stream="run", position=25)
    book.append_readings(readings[20:], stream="run", position=20)
    assert [r for e in book.entries("readings") for r in book.readings_of(e.seq)] == readings
    assert verify(book.path).ok


def test_a_clock_set_back_is_written_down(book: Logbook, clock: ManualClock) -> None:
    """Order comes from the numbers; that the clock went back is an entry of its own."""
    clock.advance(3600)
    book.append("note", {"n": 1})
    clock.set_utc_ns(START)
    book.append("note", {"n": 2})
    book.append("note", {"n": 3})
    step = next(book.entries("clock"))
    assert step.body["set_back_s"] == 3600
    assert [e.kind for e in book.entries()] == ["logbook", "note", "clock", "note", "note"]
    assert verify(book.path).ok
