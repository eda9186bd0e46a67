"""On a terminal the picture appears and the terminal comes back; elsewhere nothing is drawn."""

from __future__ import annotations

import io
import os
import time

import pytest
from helpers.meters_on_node import Node
from helpers.systems import skip_without_terminals
from rich.console import Console

from benchlog.bench import Bench
from benchlog.clock import ManualClock
from benchlog.dashboard.collector import Collector
from benchlog.dashboard.keyboard import Keyboard
from benchlog.dashboard.live import Screen, can_show, play, showing
from benchlog.dashboard.model import NodeGroup
from benchlog.keyboard import single_keys
from benchlog.registry import make_adapter
from benchlog.simulation import served_as_sim
from benchlog_drivers.simbench.bench import SimulatedBench


def collector() -> Collector:
    """Two meters that were read for a while."""
    found = Collector(Bench(), clock=ManualClock(), linked=["M1"])
    for reading in Node(1, tags=("M1",)).readings(5):
        found.take(reading)
    return found


def terminal(out: io.StringIO, **options: object) -> Console:
    """A console that believes it is a terminal."""
    return Console(file=out, force_terminal=True, width=80, height=24, _environ={"TERM": "xterm"}, **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("classic", [False, True])
def test_a_screen_is_left_as_it_was_found(classic: bool) -> None:
    """A classic Windows console has no other screen: the cursor is left below the picture."""
    out = io.StringIO()
    with Screen(terminal(out, legacy_windows=classic)) as screen:
        screen.show(collector().snapshot())
    text = out.getvalue()
    assert "M1" in text
    assert text.count("\x1b[?1049h") == text.count("\x1b[?1049l") == (not classic)  # other screen on, off
    assert text.count("\x1b[?25l") == text.count("\x1b[?25h") == 1  # cursor hidden, shown
    assert text.endswith("\n\x1b[?25h") == classic


def test_no_colour_means_no_colour() -> None:
    out = io.StringIO()
    console = Console(
        file=out, force_terminal=True, width=80, height=24, _environ={"TERM": "xterm", "NO_COLOR": "1"}
    )
    with Screen(console) as screen:
        screen.show(collector().snapshot())
    assert "\x1b[32m" not in out.getvalue()
    assert "\x1b[31m" not in out.getvalue()


def test_showing_draws_below_the_printed_lines_on_a_terminal() -> None:
    out = io.StringIO()
    console = terminal(out)
    with showing(console, collector(), hz=10):
        console.print("a line told meanwhile")
        time.sleep(0.25)
    assert "a line told meanwhile" in out.getvalue()
    assert "Bench watch" in out.getvalue()


def test_showing_does_nothing_on_a_pipe_or_a_dumb_terminal() -> None:
    for console in (
        Console(file=io.StringIO(), force_terminal=False),
        Console(file=io.StringIO(), force_terminal=True, _environ={"TERM": "dumb"}),
    ):
        assert not can_show(console)
        with showing(console, collector(), linger_s=60):
            console.print("told")
        assert console.file.getvalue() == "told\n"  # type: ignore[attr-defined]


@pytest.mark.parametrize("drawn", [True, False])
def test_meters_are_watched_on_a_clock_moved_by_hand(drawn: bool) -> None:
    clock = ManualClock(1_770_000_000_000_000_000)
    bench = SimulatedBench(1, clock)
    bench.scene.leads["LB"].open = True
    bench.set_function("MB-02", "V~")
    bench.connect("MB-02", at="T1.output", leads="LB")
    group = NodeGroup("T1 output", ("MA-01", "MB-02"))
    out, said = io.StringIO(), list[str]()
    console = terminal(out) if drawn else Console(file=out)
    with bench, served_as_sim(bench):
        readers = [make_adapter(f"sim:{tag}", tag, clock=clock) for tag in group.tags]
        found = Collector(Bench(), [group], clock=clock)
        kept = play(console, found, readers, clock=clock, span_s=8.0, real_s=0.3, say=said.append)
    assert {r.instrument for r in kept} == set(group.tags)
    assert [s.who for s in found.snapshot().suspects] == ["MB-02"]
    assert ("Bench watch" in out.getvalue()) is drawn
    assert any("DOUBT MB-02: near zero" in line for line in said) is not drawn


def test_keys_stop_enter_and_drop_and_the_terminal_s_mode_is_restored() -> None:
    skip_without_terminals()
    import termios

    master, slave = os.openpty()
    try:
        before = termios.tcgetattr(slave)
        with open(slave, closefd=False) as stream, single_keys(stream) as keys:
            assert keys is not None
            keyboard = Keyboard(keys)
            os.write(master, b"tMB-02=27.8 V acx\x7f\n")
            assert list(keyboard.entries(0.1)) == ["MB-02=27.8 V ac"]
            os.write(master, b"MA-01=27.8 V ac\n27.7\n")  # without a t before
            assert list(keyboard.entries(0.1)) == ["MA-01=27.8 V ac", "27.7"]
            os.write(master, b"t27")
            assert list(keyboard.entries(0.1)) == []
            assert keyboard.entry == "27"
            os.write(master, b"\x1b")
            assert list(keyboard.entries(0.1)) == []
            assert keyboard.entry is None
            assert not keyboard.stop
            os.write(master, b"\x1b[A")  # an arrow key is not an entry
            assert list(keyboard.entries(0.1)) == []
            os.write(master, b"q")
            assert list(keyboard.entries(0.1)) == []
            assert keyboard.stop
        assert termios.tcgetattr(slave) == before
    finally:
        os.close(master)
        os.close(slave)
