"""The picture: fits the terminal, says in words and shapes what colour says, holds limits and reading on one bar."""

from __future__ import annotations

import dataclasses
import io

import pytest
from rich.console import Console, Group

from benchlog.dashboard.model import (
    GroupLine,
    Health,
    MeterLine,
    Next,
    Place,
    Snapshot,
)
from benchlog.dashboard.plot import Series, plot_of
from benchlog.dashboard.view import SHAPES, view_lines
from benchlog.project.suspect import Kind, Suspect


def meter(tag: str, **fields: object) -> MeterLine:
    """A meter that shows 27.75 V."""
    usual: dict[str, object] = {
        "shown": "27.75 V",
        "function": "V~",
        "kind": "ac",
        "value": 27.75,
        "expanded": 0.38,
        "unit": "V",
        "state": "ok",
        "words": "steady",
        "trend": "steady",
        "place": Place(0.1, 0.4, 0.7),
        "uncertainty_words": "0.38 V",
    }
    return MeterLine(tag, **(usual | fields))  # type: ignore[arg-type]


WANDER = [(t * 10**9, 27.66 + 0.07 * (t % 4)) for t in range(50)]
PLOTS = tuple(
    plot
    for name in ("T1 output", "T2 output")
    if (plot := plot_of(name, [Series("MA-01", WANDER, 0.01)], "V", 50 * 10**9)) is not None
)


def snapshot(meters: int = 2, doubts: int = 0) -> Snapshot:
    """A picture with that many meters on one node and that many doubts."""
    tags = [f"MA-{k:02d}" for k in range(1, meters + 1)]
    lines = [meter(tag) for tag in tags]
    suspects = tuple(
        Suspect(tag, Kind.FROZEN, f"27.0 V unchanged for 41 s while {tags[0]} moved by 0.3 V", "short_tips")
        for tag in tags[:doubts]
    )
    for k in range(doubts):
        lines[k] = meter(tags[k], state="suspect", words="frozen")
    step = Next("short_tips", 0.3, "Take the tips off the circuit, hold them together, same function. Read.")
    return Snapshot(
        1_770_000_000_000_000_000,
        3661.0,
        (GroupLine("T1 output", "agree", "E_n 0.31 (limit 1)", 0.31, tuple(lines)),),
        suspects,
        {"short_tips": step},
        Health(12.0, 400, 396, 4, target="bench.logbook"),
        plots=PLOTS,
    )


def drawn(picture: Snapshot, width: int, height: int, **options: bool) -> list[str]:
    """The picture as lines of text."""
    out = io.StringIO()
    console = Console(file=out, width=width, height=height, color_system=None, legacy_windows=False)
    console.print(Group(*view_lines(picture, width, height, **options)))
    return out.getvalue().rstrip("\n").split("\n")


@pytest.mark.parametrize(("width", "height"), [(80, 24), (200, 50), (40, 12)])
@pytest.mark.parametrize("doubts", [0, 1, 4])
def test_the_picture_fills_the_terminal_and_no_more(width: int, height: int, doubts: int) -> None:
    lines = drawn(snapshot(4, doubts), width, height)
    assert len(lines) == height
    assert max(map(len, lines)) <= width


def test_state_uncertainty_agreement_doubt_next_check_and_recorder_are_in_words() -> None:
    text = "\n".join(drawn(snapshot(2, 1), 80, 24))
    for words in (
        "27.75 V ac",
        "± 0.38 V",
        "▲ MA-01",
        "frozen",
        "● agree",
        "E_n 0.31",
        "unchanged for 41 s",
        "Next (18 s): Take the tips off",
        "12.0 readings/s, 396 saved, 4 being saved, none lost",
        "into bench.logbook",
    ):
        assert words in text


def test_a_check_that_several_doubts_ask_for_is_shown_once() -> None:
    text = "\n".join(drawn(snapshot(4, 3), 80, 30))
    assert text.count("Take the tips off") == 1
    assert text.count("the same check as above") == 2


def test_doubts_that_find_no_room_are_counted() -> None:
    assert any("more doubt" in line for line in drawn(snapshot(6, 6), 80, 24))


def test_no_two_states_of_a_meter_differ_by_colour_alone() -> None:
    states = ("ok", "suspect", "one of", "no number", "silent", "waiting")
    assert len({SHAPES[state][0] for state in states}) == len(states)


def test_a_terminal_without_the_shapes_gets_ascii() -> None:
    text = "\n".join(drawn(snapshot(3, 1), 200, 50, plain=True))
    assert text.isascii()
    assert "! MA-01" in text


def grouped(words: str = "", **fields: object) -> Snapshot:
    """Two meters whose comparison is as given."""
    picture = snapshot(2)
    group = dataclasses.replace(picture.groups[0], words=words, **fields)  # type: ignore[arg-type]
    return dataclasses.replace(picture, groups=(group,))


def test_long_words_of_a_group_and_of_a_note_are_wrapped_not_cut() -> None:
    words = "E_n 2.48 (limit 1): MA-01 and MB-02 were 2.7 V apart when MB-02 was typed"
    picture = grouped(words, word="unsettled", pending="waits for a second typed reading")
    note = "not recorded: 'MB-02=banana': 'banana' does not begin with a number; write it like '27.75 V ac'"
    lines = drawn(dataclasses.replace(picture, note=note), 80, 24)
    assert len(lines) == 24
    text = " ".join(" ".join(lines).split())
    assert f"not decided yet {words}; waits for a second typed reading" in text
    assert note in text
    assert "◐ T1 output: not decided yet, waits for a second typed reading" in text
    assert "no meter is in doubt" not in text
    assert "not all compared" in lines[0]


@pytest.mark.parametrize(
    ("width", "height", "plots"), [(80, 24, 2), (200, 50, 2), (80, 18, 1), (80, 12, 0), (40, 24, 1)]
)
def test_height_that_is_left_goes_to_a_plot_of_each_group(width: int, height: int, plots: int) -> None:
    lines = drawn(snapshot(2), width, height)
    assert len(lines) == height
    assert sum(line.endswith("now") for line in lines) == plots
    assert sum(line.startswith("  27.87 V │") for line in lines) == plots
    assert ("a MA-01 27.66 V to 27.87 V" in "\n".join(lines)) is bool(plots)


def test_a_narrow_terminal_cuts_nothing_off() -> None:
    text = " ".join(" ".join(drawn(snapshot(2, 1), 40, 24)).split())
    for words in (
        "MA-01 27.75 V ac ± 0.38 V",
        "frozen",
        "none lost",
        "2 meters, 1 doubt",
        "t type a reading",
    ):
        assert words in text


def test_keys_and_shapes_are_explained_on_request() -> None:
    text = "\n".join(drawn(snapshot(2), 80, 24, explained=True))
    for words in ("q  stop", "c  clear the plots", "◌ silent"):
        assert words in text
    assert "┬" not in text


def test_a_typed_reading_tells_its_age() -> None:
    picture = snapshot(1)
    old = meter("MB-02", state="old", words="4 min old", by_hand=True, age_s=240.0)
    group = dataclasses.replace(picture.groups[0], meters=(*picture.groups[0].meters, old))
    text = "\n".join(drawn(dataclasses.replace(picture, groups=(group,)), 80, 24))
    assert "○ MB-02" in text
    assert "4 min old" in text
