"""Lines and tables of the commands that only look something up."""

from __future__ import annotations

import io
import textwrap

import pytest
from helpers.desk import Desk
from helpers.plan_text import part, plan_text, reading_check
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from benchlog.cli.listing import Listing, on_console, on_stream


def lay(width):
    """A listing and the lines it writes."""
    lines = []
    return Listing(lambda line, style: lines.append((line, style)), width), lines


@given(st.text(alphabet="ab cd-Ω±●é\u4e2d\u0301", max_size=200), st.integers(20, 60))
def test_no_line_is_wider_than_the_screen(text, width):
    """Whatever the text, each line fits, as rich counts cells, and nothing but spaces is lost."""
    out, lines = lay(width)
    out.line(text)
    assert all(cell_len(line) <= width for line, _ in lines)
    assert "".join(line for line, _ in lines).replace(" ", "") == text.replace(" ", "")


@given(
    st.lists(st.text(alphabet="abcde", min_size=1, max_size=15), min_size=1, max_size=40), st.integers(20, 60)
)
def test_text_folds_where_the_standard_library_folds_it(words, width):
    """textwrap is the reference for plain words."""
    out, lines = lay(width)
    out.line(" ".join(words))
    assert [line for line, _ in lines] == textwrap.wrap(" ".join(words), width)


def test_folded_lines_keep_the_indent():
    """A hold's missing evidence stays under its hold."""
    out, lines = lay(24)
    out.line("    missing: C03 has no result on T1")
    assert [line for line, _ in lines] == ["    missing: C03 has no", "    result on T1"]


def test_a_very_long_word_is_cut_in_no_time():
    """A million characters without a space are folded, not copied line by line."""
    out, lines = lay(80)
    out.line("x" * 1_000_000)
    assert len(lines) == 12_500


def test_columns_are_as_wide_as_their_texts_and_the_last_takes_the_rest():
    """Rows line up; a long last cell folds within its column, or is cut where asked."""
    out, lines = lay(30)
    rows = [
        ("C01", "passed", "primary 63.60 ± 0.82 Ω on T1"),
        ("C02b", "failed", "too far from what it should be"),
    ]
    out.table(("check", "state", "why"), rows, cut=[True, False])
    assert [line for line, _ in lines] == [
        "check  state   why",
        "C01    passed  primary 63.60…",
        "C02b   failed  too far from",
        "               what it should",
        "               be",
    ]
    assert lines[0][1] == "dim"


def test_wide_columns_give_way_before_the_screen_does():
    """Forty-character names on a narrow screen are folded within their columns."""
    out, lines = lay(40)
    out.table(("check", "part", "why"), [("C" * 40, "P" * 40, "not done yet")])
    assert all(len(line) <= 40 for line, _ in lines)
    assert "".join(line.split()[0] for line, _ in lines[1:]) == "C" * 40


def test_numbers_stand_flush_right():
    """Columns named so are set to the right."""
    out, lines = lay(40)
    out.table(("meter", "mean"), [("A", "5 V"), ("B", "27.75 V")], right=("mean",))
    assert [line for line, _ in lines] == ["meter     mean", "A          5 V", "B      27.75 V"]


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self):
        """Yes."""
        return True


@pytest.mark.parametrize(
    ("stream", "env", "expected"),
    [
        (Terminal(), {"WT_SESSION": "1"}, "\x1b[1mnext\x1b[0m\n"),  # which only Windows looks at
        (Terminal(), {"NO_COLOR": "1"}, "next\n"),
        (Terminal(), {"TERM": "dumb"}, "next\n"),
        (io.StringIO(), {}, "next\n"),
    ],
)
def test_styles_only_on_a_terminal_that_wants_them(stream, env, expected):
    """A pipe gets plain text, and so does who asks for it."""
    on_stream(stream, env).line("next", "bold")
    assert stream.getvalue() == expected


def test_control_characters_of_others_never_reach_the_terminal():
    """Plans and entries of others may hold anything."""
    out = Terminal()
    on_stream(out, {"COLUMNS": "60"}).table(("a", "b"), [("x\x1b[2J", "\x07")])
    assert "\x1b[2J" not in out.getvalue()
    assert "\x07" not in out.getvalue()


def test_the_same_lines_on_a_rich_console():
    """The demo prints commands' answers on a console of its own."""
    console = Console(file=io.StringIO(), width=30)
    on_console(console).table(("check", "why"), [("C01", "[bold] :smile: stays as it is, and folds")])
    assert console.file.getvalue().splitlines() == [
        "check  why",
        "C01    [bold] :smile: stays as",
        "       it is, and folds",
    ]


def test_status_names_a_meter_that_is_not_on_the_bench(tmp_path):
    """Its accuracy would be assumed, so it is said before anything is measured."""
    desk = Desk(tmp_path)
    plan = plan_text(
        part("T1"), reading_check("C03", "V~", low="26 V", high="30 V", meter="DM-9"), mains="230 V"
    )
    said = desk.run("status", desk.write("plan.toml", plan))
    assert "meter DM-9 of the plan is not in the bench file" in said.out


def test_status_breaks_no_word_on_a_narrow_screen(tmp_path, monkeypatch):
    """Forty columns: a check on a line, its reason below."""
    monkeypatch.setenv("COLUMNS", "40")
    desk = Desk(tmp_path)
    plan = plan_text(part("T1"), reading_check("C03", "V~", low="26 V", high="30 V"), mains="230 V")
    said = desk.run("status", desk.write("plan.toml", plan)).out
    assert "C03 T1 ○ to do\n    not done yet\n" in said
