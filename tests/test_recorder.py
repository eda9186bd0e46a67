"""The recorder: meters in threads, one writer, gaps written down, nothing lost silently."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchlog.adapter import Reader
from benchlog.clock import ManualClock
from benchlog.errors import (
    BadFrameError,
    BenchlogError,
    LinkLostError,
    LogbookFullError,
    OpenError,
    UsageError,
)
from benchlog.logbook import Logbook
from benchlog.logbook.verify import verify
from benchlog.reading import Function, Origin, Reading
from benchlog.recorder import Link, Recorder

START = 1_770_000_000_000_000_000


def volts(number: int, **changes: object) -> Reading:
    """A reading whose digits are its number."""
    fields = {"function": Function.DC_VOLTS, "value": number / 100, "resolution": 0.01}
    return Reading(**{**fields, "displayed": f"{number / 100:.2f} V", **changes})  # type: ignore[arg-type]


class Scripted(Reader):
    """A meter that plays a script: readings, errors, or None; then stays silent."""

    def __init__(self, instrument: str, script: list[Reading | Exception | None], clock: ManualClock) -> None:
        super().__init__(instrument, clock=clock)
        self.script = iter(script)
        self.opened = self.closed = 0
        self.finished = threading.Event()

    def _open(self) -> None:
        self.opened += 1

    def _close(self) -> None:
        self.closed += 1

    def _read(self, timeout_s: float) -> Reading | None:
        step = next(self.script, ...)
        if step is ...:
            self.finished.set()
            threading.Event().wait(0.002)  # a real link would block here
            return None
        if isinstance(step, Exception):
            raise step
        self.clock.sleep(0.05)
        return step  # type: ignore[return-value]


@pytest.fixture
def clock() -> ManualClock:
    """A clock moved by hand."""
    return ManualClock(START)


@pytest.fixture
def book(tmp_path: Path, clock: ManualClock) -> Iterator[Logbook]:
    """An empty logbook."""
    with Logbook.open(tmp_path / "bench.logbook", clock=clock) as opened:
        yield opened


def recorded(book: Logbook) -> list[Reading]:
    """All readings in the logbook."""
    return [r for entry in book.entries("readings") for r in book.readings_of(entry.seq)]


def run(book: Logbook, meters: list[Scripted], clock: ManualClock, **options: object) -> Recorder:
    """Record until every meter has played its script."""
    recorder = Recorder(book, meters, clock=clock, **options)  # type: ignore[arg-type]
    with recorder:
        for meter in meters:
            assert meter.finished.wait(10)
    return recorder


def test_every_reading_of_every_meter_is_recorded_in_its_order(book: Logbook, clock: ManualClock) -> None:
    """Two meters at once: all readings are kept, each meter's in order, with their tags and times."""
    meters = [
        Scripted(tag, [volts(n) for n in range(start, start + 300)], clock)
        for tag, start in [("MA-01", 0), ("MB-02", 5000)]
    ]
    seen: list[Reading] = []
    committed: list[Reading] = []
    recorder = run(
        book,
        meters,
        clock,
        on_reading=seen.append,
        on_commit=lambda ref, readings: committed.extend(readings),
    )
    kept = recorded(book)
    for meter, start in zip(meters, (0, 5000), strict=True):
        values = [r.value for r in kept if r.instrument == meter.instrument]
        assert values == [n / 100 for n in range(start, start + 300)]
        assert meter.opened == meter.closed == 1
    assert sorted(r.value or 0 for r in seen) == sorted(r.value or 0 for r in kept)
    assert committed == kept
    assert recorder.stop().recorded == 600
    assert [s.link for s in recorder.statuses()] == [Link.STOPPED, Link.STOPPED]
    assert recorder.latest()["MB-02", ""].value == pytest.approx(52.99)
    assert verify(book.path).ok


def test_a_broken_link_is_a_gap_in_the_record_and_is_made_again(book: Logbook, clock: ManualClock) -> None:
    """A lost link leaves an entry where it breaks, one where it comes back, and the readings of both sides."""
    script = [
        volts(1),
        LinkLostError("the port went away", hint="plug it in"),
        OpenError("no such port"),
        OpenError("no such port"),
        volts(2),
    ]
    errors: list[BenchlogError] = []
    meter = Scripted("MA-01", script, clock)
    run(book, [meter], clock, on_error=errors.append)
    assert [r.value for r in recorded(book)] == [0.01, 0.02]
    begins, ends = [entry.body for entry in book.entries("gap")]
    assert (begins["instrument"], begins["event"], begins["cause"]) == (
        "MA-01",
        "begins",
        "the port went away",
    )
    assert ends["event"] == "ends"
    # Pauses of 0.5, 1 and 2 s lie between the attempts.
    assert ends["gap_s"] == pytest.approx(3.5, abs=0.2)
    assert meter.opened == meter.closed == 4
    assert [e.message for e in errors] == ["the port went away", "no such port"]


def test_a_silent_meter_is_a_gap(book: Logbook, clock: ManualClock) -> None:
    """A link that stays but brings no reading for five seconds is written down."""

    class Sleepy(Scripted):
        def _read(self, timeout_s: float) -> Reading | None:
            reading = super()._read(timeout_s)
            if reading is None:
                self.clock.sleep(timeout_s)
            return reading

    run(book, [Sleepy("MA-01", [volts(1), *[None] * 30, volts(2)], clock)], clock)
    events = [(e.body["event"], e.body.get("link")) for e in book.entries("gap")]
    assert events[:2] == [("begins", "silent"), ("ends", None)]


def test_bad_frames_are_counted_once_a_minute_and_cost_no_reading(book: Logbook, clock: ManualClock) -> None:
    """Frames that make no reading are counted; the first is kept as an example."""
    script: list[Reading | Exception | None] = [volts(1)]
    script += [BadFrameError("checksum", raw=b"\x01\x02") for _ in range(40)]
    recorder = run(book, [Scripted("MA-01", [*script, volts(2)], clock)], clock)
    assert len(recorded(book)) == 2
    entries = [e.body for e in book.entries("bad frames")]
    assert sum(e["count"] for e in entries) == 40
    assert entries[0]["raw"] == "0102"
    assert recorder.statuses()[0].bad_frames == 40
    assert not list(book.entries("gap"))


def test_a_faulty_adapter_does_not_end_the_others(book: Logbook, clock: ManualClock) -> None:
    """An adapter that fails in a way it should not is reported as such, and the other meter goes on."""
    errors: list[BenchlogError] = []
    bad = Scripted("MB-02", [ZeroDivisionError("oops"), volts(9)], clock)
    good = Scripted("MA-01", [volts(n) for n in range(100)], clock)
    run(book, [bad, good], clock, on_error=errors.append)
    assert len(recorded(book)) == 101
    assert "its adapter failed: ZeroDivisionError: oops" in errors[0].message


class Stuck:
    """Makes a logbook unwritable until released."""

    def __init__(self, book: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
        self.stuck = threading.Event()
        self.stuck.set()
        self.tried = threading.Event()
        whole: Callable[..., object] = book.append_readings

        def append(*args: object, **options: object) -> object:
            if self.stuck.is_set():
                self.tried.set()
                raise LogbookFullError("disk full")
            return whole(*args, **options)

        monkeypatch.setattr(book, "append_readings", append)


def test_a_full_disk_for_a_while_loses_nothing(
    book: Logbook, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the logbook can't be written readings wait; once it can, all are there, once each."""
    stuck = Stuck(book, monkeypatch)
    errors: list[BenchlogError] = []
    monkeypatch.setattr("benchlog.logbook.block_writer._RETRY_S", 0.01)
    meter = Scripted("MA-01", [volts(n) for n in range(500)], clock)
    with Recorder(book, [meter], clock=clock, on_error=errors.append):
        assert stuck.tried.wait(10)
        assert meter.finished.wait(10)
        stuck.stuck.clear()
    assert [r.value for r in recorded(book)] == [n / 100 for n in range(500)]
    assert [e.message for e in errors] == ["disk full"]


def test_what_finds_no_room_is_counted_and_written_down(
    book: Logbook, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Memory stays bounded: past the queue's limit readings of a meter are lost, and the record says how many."""
    stuck = Stuck(book, monkeypatch)
    monkeypatch.setattr("benchlog.logbook.block_writer._RETRY_S", 0.01)
    meter = Scripted("MA-01", [volts(n) for n in range(3000)], clock)
    recorder = Recorder(book, [meter], clock=clock, queue_limit=100)
    with recorder:
        assert meter.finished.wait(10)
        stuck.stuck.clear()
    summary = recorder.stop()
    lost = sum(e.body["lost"] for e in book.entries("gap") if e.body["event"] == "readings lost")
    assert summary.dropped == lost > 0
    assert summary.recorded + summary.dropped == 3000
    assert len(recorded(book)) == summary.recorded


def test_a_recorded_stream_waits_instead_of_losing(book: Logbook, clock: ManualClock) -> None:
    """Readings out of a file come as fast as the writer takes them; none is dropped."""
    meter = Scripted("MA-01", [volts(n, origin=Origin.FILE) for n in range(1000)], clock)
    recorder = run(book, [meter], clock, queue_limit=20)
    assert recorder.stop().recorded == 1000
    assert recorder.stop().dropped == 0


def test_stopping_while_the_logbook_cannot_be_written_says_so(
    book: Logbook, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A recording that ends with readings not on the disk ends in the logbook's error."""
    Stuck(book, monkeypatch)
    meter = Scripted("MA-01", [volts(1)], clock)
    recorder = Recorder(book, [meter], clock=clock).start()
    assert meter.finished.wait(10)
    with pytest.raises(LogbookFullError, match="disk full"):
        recorder.stop()


def test_a_reading_that_cannot_be_kept_does_not_hold_up_the_rest(book: Logbook, clock: ManualClock) -> None:
    """A frame too long to keep is left out, counted, reported; its neighbours are recorded."""
    errors: list[BenchlogError] = []
    script = [volts(n) for n in range(50)]
    script[20] = volts(20, raw=bytes(70_000))
    recorder = run(book, [Scripted("MA-01", list(script), clock)], clock, on_error=errors.append)
    assert [r.value for r in recorded(book)] == [n / 100 for n in range(50) if n != 20]
    assert recorder.stop().dropped == 1
    assert isinstance(errors[0], UsageError)


def test_two_meters_with_one_tag_are_refused(book: Logbook, clock: ManualClock) -> None:
    """Readings must say which meter they came from."""
    with pytest.raises(UsageError):
        Recorder(book, [Scripted("MA-01", [], clock), Scripted("MA-01", [], clock)], clock=clock)
