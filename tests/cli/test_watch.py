"""The command ``watch``: pictures, lines, JSON, typed readings, what is recorded, exit codes."""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

import benchlog
from benchlog.cli import main
from benchlog.logbook import Logbook
from benchlog_drivers.simbench.bench import SimulatedBench

Given = Callable[[str], None]


@pytest.fixture
def given(monkeypatch: pytest.MonkeyPatch) -> Iterator[Given]:
    """Make a text standard input, as a pipe."""
    with ExitStack() as stack:

        def make(text: str) -> None:
            read, write = os.pipe()
            os.write(write, text.encode())
            os.close(write)
            monkeypatch.setattr(sys, "stdin", stack.enter_context(open(read, encoding="utf-8")))

        yield make


def snapshots(text: str) -> list[dict[str, Any]]:
    """JSON lines."""
    return [json.loads(line) for line in text.splitlines()]


def test_once_shows_the_meters_their_agreement_and_records_them(
    bench: SimulatedBench, capsys: pytest.CaptureFixture[str], given: Given
) -> None:
    given("MB-02=27.3 V ac\n")
    assert main(["watch", "--once", "--for", "2 s"]) == 0
    text = capsys.readouterr().out
    assert "on T1 output  ● agree" in text
    assert "no meter is in doubt" in text
    with benchlog.open("bench.logbook") as book:
        readings = book.readings()
    assert set(readings["instrument"]) == {"MA-01", "MC-05", "MD-06", "MB-02"}
    assert set(readings[readings["instrument"] == "MB-02"]["origin"]) == {"hand"}


def test_json_names_the_odd_meter_its_reason_and_the_next_check_and_the_doubt_is_recorded(
    bench: SimulatedBench, capsys: pytest.CaptureFixture[str], given: Given
) -> None:
    given("")
    bench.fault("wrong_function", meter="MC-05")
    assert main(["watch", "--once", "--json", "--for", "2.5 s"]) == 3
    (picture,) = snapshots(capsys.readouterr().out)
    assert picture["schema"] == "benchlog.watch/1"
    (doubt,) = picture["suspects"]
    assert (doubt["instrument"], doubt["kind"], doubt["or"]) == ("MC-05", "wrong function", [])
    assert doubt["next"] == {"action": "look", "minutes": 0.3}
    assert doubt["reason"] == "set to V=, the others are on V~"
    assert picture["recorder"]["lost"] == 0
    with Logbook.open(Path("bench.logbook"), mode="ro") as book:
        (entry,) = book.entries("doubt")
    assert entry.body["instruments"] == ["MC-05"]
    assert entry.body["event"] == "begins"


def test_lines_for_a_screen_reader_tell_a_doubt_and_what_to_do(
    bench: SimulatedBench, capsys: pytest.CaptureFixture[str], given: Given
) -> None:
    given("")
    bench.fault("lead_open", meter="MD-06")
    assert main(["watch", "--plain", "--for", "3.2 s", "--no-record"]) == 3
    text = capsys.readouterr().out
    assert "DOUBT MD-06: near zero." in text
    assert any("  Next (" in line and "turn to ohms" in line for line in text.splitlines())
    assert "at the end, T1 output: no reading of MB-02 typed yet" in text
    assert "\x1b" not in text
    assert not Path("bench.logbook").exists()


def test_json_lines_come_every_second_and_on_change(
    bench: SimulatedBench, capsys: pytest.CaptureFixture[str], given: Given
) -> None:
    given("")
    assert main(["watch", "MA-01", "--json", "--for", "2.3 s", "--no-record"]) == 0
    pictures = snapshots(capsys.readouterr().out)
    assert len(pictures) == 3
    assert [i["tag"] for i in pictures[-1]["instruments"]] == ["MA-01"]
    assert pictures[-1]["recorder"]["logbook"] is None


def test_a_linked_meter_named_only_in_a_group_is_watched_too(
    bench: SimulatedBench, capsys: pytest.CaptureFixture[str], given: Given
) -> None:
    given("")
    assert main(["watch", "MA-01", "--group", "out=MA-01,MC-05", "--json", "--once", "--for", "2 s"]) == 0
    (picture,) = snapshots(capsys.readouterr().out)
    assert [i["displayed"] is not None for i in picture["instruments"]] == [True, True]
    assert picture["groups"][0]["state"] == "agree"


def test_an_instrument_out_of_reach_is_reported_and_ends_in_4(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, given: Given
) -> None:
    monkeypatch.chdir(tmp_path)
    given("")
    address = "serial:socket://127.0.0.1:9?frames=segment14"
    Path("bench.toml").write_text(f'[[instrument]]\ntag = "MA-01"\naddress = "{address}"\n', encoding="utf-8")
    assert main(["watch", "--once", "--no-record"]) == 4
    assert "MA-01" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("MB-02=27.8 V", "does not say ac or dc"),
        ("MB-02 27.8 V ac", "which meter shows it?; write it like "),
        ("MX-99=27.8 V ac", "not a typed meter"),
    ],
)
def test_a_line_that_is_not_a_reading_is_answered_and_nothing_recorded(
    line: str,
    answer: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    given: Given,
) -> None:
    monkeypatch.chdir(tmp_path)
    given(line + "\n")
    assert main(["watch", "typed:MB-02", "typed:MB-03", "--plain"]) == 0
    assert answer in capsys.readouterr().out
    with Logbook.open(Path("bench.logbook"), mode="ro") as book:
        assert list(book.entries("readings")) == []


def test_typed_meters_alone_are_watched_until_standard_input_ends(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, given: Given
) -> None:
    monkeypatch.chdir(tmp_path)
    given("A=27.8 V ac\nB=27.7 V ac\nA=27.9\nq\nA=99 V ac\n")
    assert main(["watch", "typed:A", "typed:B", "--group", "out=A,B", "--plain"]) == 0
    text = capsys.readouterr().out
    assert "A: 27.9 V ac ±" in text
    assert "99" not in text


def test_a_typed_reading_short_of_digits_is_recorded_and_asked_about(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, given: Given
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("bench.toml").write_text(
        '[[instrument]]\ntag = "A"\naddress = "typed:"\ncounts = 4000\n', encoding="utf-8"
    )
    given("A=27.8 V ac\n")
    assert main(["watch", "A", "--plain"]) == 0
    text = capsys.readouterr().out
    assert "A: 27.8 V ac ±" in text
    assert "27.8 V ac has fewer digits than A shows there (steps of 10 mV): type all of them" in text


@pytest.mark.parametrize("how", [["--plain"], ["--plain", "--once", "--for", "0.5 s"]])
def test_a_bad_line_is_answered_even_when_a_good_one_follows_at_once(
    how: list[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    given: Given,
) -> None:
    monkeypatch.chdir(tmp_path)
    given("A=27.8 V ac\nA=banana\nB=27,2 V ac\nB=27,1\n")
    assert main(["watch", "typed:A", "typed:B", "--group", "out=A,B", *how]) == 0
    text = capsys.readouterr().out
    (answer,) = [line for line in text.splitlines() if "banana" in line]
    assert answer.startswith("not recorded: 'A=banana': 'banana' does not begin with a number; write")
    assert "B: 27.1 V ac ±" in text


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("", "out: nothing compared yet, no reading of A, B typed yet"),
        ("A=27.8 V ac\n", "out: nothing compared yet, no reading of B typed yet"),
        ("A=27.800 V ac\nB=31.800 V ac\n", "comparison out: type it once more to decide; E_n"),
    ],
)
def test_a_comparison_not_made_or_not_decided_clears_nobody(
    lines: str,
    said: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    given: Given,
) -> None:
    monkeypatch.chdir(tmp_path)
    accuracy = '[{ function = "V~", statement = "1 % + 5" }]'
    text = "".join(f'[[instrument]]\ntag = "{tag}"\naccuracy = {accuracy}\n' for tag in "AB")
    Path("bench.toml").write_text(text, encoding="utf-8")
    given(lines)
    assert main(["watch", "A", "B", "--group", "out=A,B", "--plain"]) == 3
    assert said in capsys.readouterr().out
    given(lines)
    assert main(["watch", "A", "B", "--group", "out=A,B", "--once"]) == 3
    picture = capsys.readouterr().out
    assert "no meter is in doubt" not in picture
    assert ("not decided yet" if "31" in lines else "nothing compared yet") in picture
    given(lines)
    assert main(["watch", "A", "B", "--group", "out=A,B", "--once", "--json"]) == 3
    (found,) = snapshots(capsys.readouterr().out)
    assert found["groups"][0]["pending"]


def test_a_meter_that_left_its_chart_or_failed_its_standard_is_in_doubt_from_the_start(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, given: Given
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("bench.toml").write_text(
        '[[instrument]]\ntag = "MB-02"\naccuracy = [{ function = "V=", statement = "0.8 % + 2" }]\n'
        '[[standard]]\ntag = "CS-3"\nvalue = "5.000 V dc"\nuncertainty = "0.05 %"\n',
        encoding="utf-8",
    )
    for shown, words in (("5.01", ""), ("5.05", "moved since"), ("5.19", "failed its check standard")):
        main(["standard", "MB-02", "CS-3", f"{shown} V dc"])
        capsys.readouterr()
        given("")
        assert main(["watch", "--once", "--json"]) == (3 if words else 0)
        (picture,) = snapshots(capsys.readouterr().out)
        assert [s["kind"] for s in picture["suspects"]] == (["check standard"] if words else [])
        assert all(words in s["reason"] for s in picture["suspects"])


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([], "no meter to watch"),
        (["nosuch"], "no instrument 'nosuch'"),
        (["sim:SC-03"], "is not a meter"),
        (["sim:MA-01", "--group", "x=MA-01"], "needs two meters"),
        (["sim:MA-01", "--group", "x=MA-01,M9"], "no instrument 'M9'"),
        (["sim:MA-01", "sim:MA-01"], "named twice"),
        (["sim:MA-01", "--for", "3 V"], "--for"),
        (["sim:MA-01", "--for", "0 s"], "above zero"),
    ],
)
def test_what_can_t_be_watched_is_refused_with_a_hint(
    words: list[str],
    message: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    assert main(["watch", *words]) == 2
    error = capsys.readouterr().err
    assert message in error
    assert not Path("bench.logbook").exists()


def test_a_group_of_the_bench_file_with_an_unknown_meter_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("bench.toml").write_text(
        '[[instrument]]\ntag = "A"\n[[group]]\nname = "out"\nmeters = ["A", "B"]\n', encoding="utf-8"
    )
    assert main(["watch"]) == 2
    assert "no instrument 'B'" in capsys.readouterr().err


def test_the_commented_group_of_a_new_bench_file_is_one_that_watch_takes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from benchlog.bench import read_bench

    monkeypatch.chdir(tmp_path)
    assert main(["new", "kiln"]) == 0
    text = Path("kiln/bench.toml").read_text(encoding="utf-8")
    head, mark, rest = text.partition("# [[group]]")
    assert mark
    block, _, rest = (mark + rest).partition("\n\n")
    Path("kiln/bench.toml").write_text(head + block.replace("# ", "") + "\n\n" + rest, encoding="utf-8")
    (group,) = read_bench(Path("kiln/bench.toml")).groups
    assert (group.name, group.meters) == ("T1 output", ("MA-01", "MB-02"))


def test_a_short_plain_watch_without_a_reading_says_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It ends with a line, not with an exit code alone."""
    monkeypatch.chdir(tmp_path)
    gone = f"serial:{tmp_path}/gone?frames=segment14"
    assert main(["watch", gone, "--plain", "--for", "2 s", "--no-record"]) == 4
    assert "no such port" in capsys.readouterr().out
