"""From readings to pictures: uncertainty, trend, scale, recorder's health, changes written as lines."""

from __future__ import annotations

import msgspec
import pytest
from helpers.meters_on_node import Node

from benchlog.bench import Bench, Instrument
from benchlog.clock import ManualClock
from benchlog.dashboard.collector import Collector
from benchlog.dashboard.model import NodeGroup, Snapshot
from benchlog.dashboard.plain import Changes, summary
from benchlog.displayed import parse_displayed
from benchlog.reading import Function, Reading
from benchlog.recorder import Link, LinkStatus

BENCH = Bench([Instrument("M1", accuracy=()), Instrument("M3", accuracy=())])
GROUP = NodeGroup("node", ("M1", "M3"))


def collected(readings: list[Reading], **options: object) -> tuple[Collector, ManualClock]:
    """A collector that was given readings, on a clock that is at the last one."""
    clock = ManualClock(readings[0].utc_ns)
    collector = Collector(BENCH, [GROUP], clock=clock, linked=["M1", "M3"], **options)  # type: ignore[arg-type]
    for reading in readings:
        clock.advance((reading.mono_ns - clock.monotonic_ns()) / 1e9)
        collector.take(reading)
    return collector, clock


def node_readings(span_s: float) -> list[Reading]:
    """Two healthy meters on one node."""
    return list(Node(1, tags=("M1", "M3")).readings(span_s))


def test_a_picture_holds_value_uncertainty_agreement_and_rate() -> None:
    collector, _ = collected(node_readings(30))
    picture = collector.snapshot()
    (group,) = picture.groups
    assert group.word == "agree"
    assert group.e_n is not None
    assert group.e_n < 1
    first = group.meters[0]
    # 2 % + 10 counts of 10 mV where no data sheet is known: U = 2 (0.02 x 27.7 + 0.1) / sqrt 3.
    assert first.value is not None
    assert first.expanded is not None
    assert abs(first.expanded - 2 * (0.02 * first.value + 0.1) / 3**0.5) < 1e-9
    assert 6 < picture.health.rate_hz < 9  # 3 and 5 readings a second
    assert picture.suspects == ()


def test_meters_on_one_node_share_a_scale_on_which_agreeing_intervals_overlap() -> None:
    collector, _ = collected(node_readings(30))
    a, b = (m.place for m in collector.snapshot().groups[0].meters)
    assert a is not None
    assert b is not None
    assert min(a.low, b.low) == 0
    assert max(a.high, b.high) == 1
    assert a.low < b.high
    assert b.low < a.high


def test_a_trend_says_direction_and_speed_with_a_unit() -> None:
    rising = []
    for reading in node_readings(60):
        value = 27.0 + 0.01 * round(reading.mono_ns / 1e9)  # 0.6 V a minute
        rising.append(msgspec.structs.replace(reading, value=value, displayed=f"{value:.2f} V"))
    collector, _ = collected(rising)
    line = collector.snapshot().groups[0].meters[0]
    assert line.trend == "up"
    assert line.trend_words == "+600 mV/min"
    assert line.words == "moving"


def test_a_settling_start_is_in_neither_plot_nor_trend() -> None:
    readings = node_readings(60)
    start = [msgspec.structs.replace(r, value=6.7, displayed="6.70 V") for r in readings[:2]]
    picture = collected([*start, *readings[2:]])[0].snapshot()
    (plot,) = picture.plots
    assert [curve.tag for curve in plot.curves] == ["M1", "M3"]
    assert float(plot.bottom.split()[0]) > 25
    assert {m.trend for m in picture.meters} == {"steady"}


def test_a_typed_reading_is_old_after_a_minute() -> None:
    collector, clock = collected(node_readings(10))
    typed = parse_displayed("27.3 V ac", instrument="M3")
    collector.take(typed.stamped("M3", clock.utc_ns(), clock.monotonic_ns()))
    line = {m.tag: m for m in collector.snapshot().meters}["M3"]
    assert (line.state, line.age_s) == ("ok", 0.0)
    clock.advance(240)
    line = {m.tag: m for m in collector.snapshot().meters}["M3"]
    assert (line.state, line.words) == ("old", "4 min old")
    instruments = collector.snapshot().to_json()["instruments"]
    assert [i["age_s"] for i in instruments if i["tag"] == "M3"] == [240.0]


def test_clearing_begins_the_plots_again() -> None:
    collector, _ = collected(node_readings(30))
    assert collector.snapshot().plots
    collector.clear_plots()
    assert not collector.snapshot().plots


def test_readings_that_wait_are_counted_apart_from_those_written_and_lost() -> None:
    collector, _ = collected(node_readings(10))
    readings = node_readings(10)
    collector.committed(None, readings[:50])
    status = LinkStatus("M1", Link.READING, readings=30, dropped=2, bad_frames=3)
    health = collector.snapshot([status]).health
    assert (health.received, health.written, health.lost) == (len(readings), 50, 2)
    assert health.waiting == len(readings) - 52
    assert health.bad_frames == 3


def test_a_gap_is_counted_once_and_the_silent_meter_named() -> None:
    collector, clock = collected(node_readings(10))
    clock.advance(20)
    lost = LinkStatus("M1", Link.LOST, error="the port went away")
    collector.snapshot([lost])
    picture = collector.snapshot([lost])
    assert picture.health.gaps == 1
    assert picture.groups[0].word == "no comparison"
    assert {s.tag for s in picture.suspects} == {"M1", "M3"}
    assert any("the port went away" in s.reason for s in picture.suspects)


def test_lines_tell_changes_once() -> None:
    collector, clock = collected(node_readings(30))
    changes = Changes()
    first = list(changes.lines(collector.snapshot()))
    assert any("M1: 27" in line and "±" in line for line in first)
    assert any("meters agree" in line for line in first)
    assert list(changes.lines(collector.snapshot())) == []
    clock.advance(20)
    later = list(changes.lines(collector.snapshot()))
    assert any("DOUBT M1: silent" in line for line in later)
    assert any("Next (18 s)" in line for line in later)
    assert list(changes.lines(collector.snapshot())) == []
    now = round((clock.monotonic_ns() + 1e9) / 1e9)
    clock.advance(1)
    for reading in node_readings(5):
        collector.take(msgspec.structs.replace(reading, mono_ns=now * 10**9))
    assert any("no longer in doubt" in line for line in changes.lines(collector.snapshot()))


def test_a_number_on_its_way_is_marked_and_no_line_tells_it() -> None:
    """A display that climbs after the clip was put on; the line comes once it has settled."""
    clock, changes = ManualClock(0), Changes()
    collector = Collector(Bench(), (), clock=clock)
    words, told = [], []
    for volts in (3.1, 12.4, 20.2, 24.9, 27.02, 27.61, 27.62, 27.62, 27.63):
        clock.advance(0.3)
        shown = Reading(Function.AC_VOLTS, volts, 0.01, f"{volts:.2f} V", instrument="M1")
        collector.take(shown.stamped("M1", clock.utc_ns(), clock.monotonic_ns()))
        words.append(collector.snapshot().meters[0].words)
        told += changes.lines(collector.snapshot())
    assert words[:6] == ["settling"] * 6
    assert words[-1] != "settling"
    assert len(told) == 1
    assert "M1: 27.6" in told[0]


def test_summary_names_every_meter_and_doubt() -> None:
    collector, _ = collected(node_readings(10))
    words = summary(collector.snapshot())
    assert "M1 27" in words
    assert "in doubt: none" in words
    assert summary(Snapshot(0, 0.0)) == "no reading yet; in doubt: none"


@pytest.mark.parametrize(
    ("typed", "function", "shown"),
    [
        ("27,2", Function.AC_VOLTS, "27.2 V"),
        ("27,2 V ac", Function.AC_VOLTS, "27.2 V"),
        ("27.2V~", Function.AC_VOLTS, "27.2 V"),
        ("-0.3m", Function.DC_VOLTS, "-0.3 mV"),
        ("12 mV dc", Function.DC_VOLTS, "12 mV"),
        ("10k", Function.OHMS, "10 kΩ"),
        ("10 kohm", Function.OHMS, "10 kohm"),
        ("23", Function.TEMPERATURE, "23 °C"),
        ("OL", Function.OHMS, "OL"),
    ],
)
def test_a_typed_reading_is_shown_with_its_unit(typed: str, function: Function, shown: str) -> None:
    collector = Collector(BENCH, clock=ManualClock(), typed=["M1"])
    collector.take(parse_displayed(typed, function, instrument="M1"))
    picture = collector.snapshot()
    assert picture.meters[0].shown == shown
    assert f"M1 {shown}" in summary(picture)


def test_words_of_a_group_give_e_n_its_limit_and_the_time_of_the_typed_reading() -> None:
    collector, clock = collected(node_readings(10))
    last = collector.snapshot().meters[1]
    typed = parse_displayed("31.0 V ac", instrument="M3")
    now = clock.monotonic_ns()
    collector.take(msgspec.structs.replace(typed, mono_ns=now))
    (group,) = collector.snapshot().groups
    assert last.value is not None
    assert (group.word, group.verdict) == ("unsettled", "not decided yet")
    assert "(limit 1): M1 and M3 are 3." in group.words
    assert group.pending == "type it once more to decide"
    for second in range(20):
        clock.advance(1)
        for reading in node_readings(1):
            if reading.instrument == "M1":
                collector.take(msgspec.structs.replace(reading, mono_ns=now + (second + 1) * 10**9))
    (group,) = collector.snapshot().groups
    assert "M1 and M3 were 3." in group.words
    assert group.words.endswith("apart when M3 was typed")
