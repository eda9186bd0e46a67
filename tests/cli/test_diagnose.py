"""The diagnose command: JSON, cases by line, typed answers, record."""

from __future__ import annotations

import argparse
import io
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from helpers.scripted_person import ScriptedPerson

from benchlog.cli import main
from benchlog.cli.diagnose import _command, add_arguments
from benchlog.clock import SystemClock
from benchlog.diagnosis import Case, NextCheck, Session
from benchlog.folding import folded_line
from benchlog.guide.dialogue import Dialogue, SkippedError, StoppedError
from benchlog.guide.inquiry import Inquiry, choice_prompt
from benchlog.guide.prompt_keys import question_text
from benchlog.logbook import Logbook


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder, nothing in the environment, no terminal."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BENCHLOG_LOGBOOK", raising=False)
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, list[dict[str, Any]]]:
    """Run the command; JSON lines back."""
    code = main(["diagnose", *words])
    return code, [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_json_has_the_words_scripts_rely_on(capsys: pytest.CaptureFixture[str]) -> None:
    """Causes, P(live), next checks and stop, under their names."""
    code, (answer,) = run(
        capsys,
        "--expect",
        "27 V ac",
        "--reading",
        "31.4 V ac",
        "--evidence",
        "fresh_cell=1.839 V dc",
        "--evidence",
        "look=battery symbol",
        "--json",
    )
    assert code == 0
    assert {"causes", "p_live", "next", "stop"} <= set(answer)
    assert set(answer["causes"][0]) == {"id", "label", "probability", "family"}
    assert answer["causes"][0]["id"] == "meter_battery_low"
    assert answer["stop"] == "decided"


def test_the_path_is_recorded(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """An entry of its own keeps expectation, reading, path and answer; --no-record keeps none."""
    words = ["--expect", "27 V ac", "--reading", "13.6 V ac", "--evidence", "reread=13.7 V ac", "--json"]
    run(capsys, *words, "--no-record")
    assert not (folder / "bench.logbook").exists()
    run(capsys, *words)
    with Logbook.open(folder / "bench.logbook", clock=SystemClock(), mode="ro", create=False) as book:
        (entry,) = book.entries("diagnosis")
    assert entry.body["path"] == [["reread", "13.7 V ac"]]
    assert entry.body["causes"][0]["id"] == "expectation_wrong"


def test_cases_from_a_file_one_answer_a_line(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """A bad line is answered by its error and the rest goes on; the exit code shows it."""
    good = {"expect": "27 V ac", "reading": "0.003 V ac", "mains_nominal": "230 V ac", "evidence": []}
    lines = [
        json.dumps(good),
        "",
        "{not json",
        json.dumps({**good, "evidence": [["look", "in order"]]}),
        "[1]",
    ]
    (folder / "c.jsonl").write_text("\n".join(lines), encoding="utf-8")
    code, answers = run(capsys, "--cases", "c.jsonl")
    assert code == 2
    assert [("causes" in a) for a in answers] == [True, False, True, False]
    assert "case 3" in answers[1]["error"]


def test_continued_cases_answer_as_fresh_ones(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """A case that only adds evidence goes on from the last; the answer is the same as from scratch."""
    base = {"expect": "27 V ac", "reading": "25.0 V ac"}
    longer = {**base, "evidence": [["reread", "25.0 V ac"], ["fresh_cell", "1.456 V dc"]]}
    (folder / "a.jsonl").write_text(json.dumps(base) + "\n" + json.dumps(longer) + "\n", encoding="utf-8")
    (folder / "b.jsonl").write_text(json.dumps(longer) + "\n", encoding="utf-8")
    _, (_, continued) = run(capsys, "--cases", "a.jsonl")
    _, (fresh,) = run(capsys, "--cases", "b.jsonl")
    assert continued == fresh


@pytest.fixture
def asked(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., tuple[int, str]]:
    """Let 27 V read as nearly nothing and type these answers; exit code and screen back."""

    def ask(typed: str, reading: str = "0.003 V ac") -> tuple[int, str]:
        monkeypatch.setattr("sys.stdin", io.StringIO(typed))
        code = main(["diagnose", "--expect", "27 V ac", "--reading", reading, "--ask", "--no-record"])
        return code, capsys.readouterr().out

    return ask


def test_typed_answers_one_card_at_a_time(asked: Callable[..., tuple[int, str]]) -> None:
    """A wrong word is asked again, a check can be skipped or named, the end of input ends it."""
    code, out = asked("perhaps\nin order\nskip\nlamp_in_outlet=dark\n")
    assert code == 0
    assert "not one of the answers" in out
    assert "decided: no mains at the outlet" in out
    assert "safe" not in out


def test_the_number_of_an_answer_picks_it(asked: Callable[..., tuple[int, str]]) -> None:
    _, by_word = asked("in order\nlamp_in_outlet=dark\n")
    _, by_number = asked("1\nlamp_in_outlet=dark\n")
    assert "1 in order" in asked("?\n")[1]
    assert by_number.replace("battery symbol] 1\n", "battery symbol] in order\n") == by_word


def test_u_takes_the_last_answer_back(asked: Callable[..., tuple[int, str]]) -> None:
    """A wrong word is not the end of it: the check is asked again, and what was likely before is shown."""
    _, out = asked("in order\nu\n")
    assert "withdrawn: look, in order" in out
    assert out.count("look at dial") == 2
    before, after = (
        out.split("output is live")[n].rsplit("%  no mains at the outlet")[0][-4:] for n in (0, 2)
    )
    assert before == after


def test_people_see_no_bits_and_no_ids(asked: Callable[..., tuple[int, str]]) -> None:
    """Time in words, names in words; what is skipped stays away; a typo repeats the question, not the table."""
    _, out = asked("?\nperhaps\nskip\nskip\n")
    assert "bit)" not in out
    assert "_" not in out
    assert "Next (half a minute): Power off at the outlet" in out
    assert out.index("current jack") < out.index("output is live:")
    assert out.count("output is live:") == 1
    assert len(re.findall(r"\d lead in current jack, \d battery symbol", out)) == 3
    assert out.count("look at dial") == 3
    assert "instead" not in out


def test_the_help_names_the_checks_that_may_be_answered_instead(
    asked: Callable[..., tuple[int, str]],
) -> None:
    """As the evidence of the command line names them."""
    _, out = asked("in order\n?\n")
    (line,) = [line for line in out.splitlines() if line.startswith("  checks: ")]
    assert {"look", "fresh cell", "second meter"} <= set(line.removeprefix("  checks: ").split(", "))


def test_skipping_the_look_at_the_jacks_opens_no_other_check(asked: Callable[..., tuple[int, str]]) -> None:
    """A source may be shorted through the meter: nothing live is proposed before somebody has looked."""
    _, out = asked("skip\nskip\n", "0.001 V ac")
    assert out.count("? Next") == 1
    assert "power off and look" in out


def test_a_bad_meter_brings_its_recall_along(capsys: pytest.CaptureFixture[str]) -> None:
    """The command for what was measured with it."""
    words = ["--expect", "27 V ac", "--reading", "31.4 V ac", "--evidence", "fresh_cell=1.839 V dc"]
    words += ["--evidence", "look=battery symbol"]
    main(["diagnose", *words, "--no-record"])
    out = " ".join(capsys.readouterr().out.split())
    assert "recall results that used it: benchlog recall METER --reason \"the meter's battery" in out


def test_the_step_that_fixes_says_what_is_most_likely(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who is asked to replace the leads must know why; the same reading after it is not taken as fixed."""
    words = ["--expect", "15 V ac", "--reading", "0.02 V ac", "--ask", "--no-record"]
    for pair in (
        "look=in order",
        "second_meter=14.6 V ac",
        "reread=0.02 V ac",
        "short_tips_ohms=OL",
        "wiggle_leads=steady",
    ):
        words += ["--evidence", pair]
    monkeypatch.setattr("sys.stdin", io.StringIO("0.02 V ac\n"))
    assert main(["diagnose", *words]) == 0
    out = capsys.readouterr().out
    assert "Most likely a test lead is open." in out
    assert "replace the leads" in out
    assert "already fixed" not in out
    assert "either this was not fixed, or it is not the cause: a test lead is open" in out


def test_a_slip_is_asked_about(capsys: pytest.CaptureFixture[str]) -> None:
    """Half of the expected: the question, and the value as read."""
    main(["diagnose", "--expect", "27.1 V ac", "--reading", "13.6 V ac", "--no-record"])
    out = capsys.readouterr().out
    assert "is it one of two windings" in out


def test_counts_of_this_bench_are_taken_in(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """A bench whose leads break often has these counts in its answer."""
    (folder / "counts.toml").write_text("lead_open = 40\n", encoding="utf-8")
    words = ["--expect", "27 V ac", "--reading", "0.21 V ac", "--json", "--no-record"]
    _, (plain,) = run(capsys, *words)
    _, (counted,) = run(capsys, *words, "--counts", "counts.toml")
    assert plain["causes"][0]["id"] != "lead_open"
    assert counted["causes"][0]["id"] == "lead_open"


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        ([], "expected"),
        (["--expect", "27 V ac"], "read"),
        (["--expect", "27 V", "--reading", "1 V ac"], "ac or dc"),
        (["--expect", "27 V ac", "--reading", "1 V ac", "--evidence", "look"], "NAME=VALUE"),
        (["--expect", "27 V ac", "--reading", "1 V ac", "--evidence", "look=blue"], "not one of the answers"),
        (["--expect", "27 V ac", "--reading", "1 V ac", "--evidence", "short_tips_ohms=OL V"], "is in V"),
        (["--expect", "27 V ac", "--reading", "1 V ac", "--seed", "-1"], "negative"),
        (["--cases", "x.jsonl", "--expect", "27 V ac"], "are in the cases"),
        (["--cases", "missing.jsonl"], "missing.jsonl"),
    ],
)
def test_slips_on_the_command_line(
    capsys: pytest.CaptureFixture[str], words: list[str], problem: str
) -> None:
    """Exit 2 and one message that names what is wrong."""
    code, (answer,) = run(capsys, *words, "--json", "--no-record")
    assert code == 2
    assert problem in answer["error"]


def test_probabilities_above_100_percent_are_explained(capsys: pytest.CaptureFixture[str]) -> None:
    """A cause's probability counts pairs that it is part of, so the list can add to more than 100 %."""
    assert (
        main(
            [
                "diagnose",
                "--expect",
                "27 V ac",
                "--reading",
                "0.17 V ac",
                "--evidence",
                "look=in order",
                "--no-record",
            ]
        )
        == 0
    )
    out = capsys.readouterr().out
    shown = [int(percent) for percent in re.findall(r"(\d+) %  ", out)]
    assert (sum(shown) > 102) == ("two causes can be present at once" in out)
    assert sum(shown) > 102


def test_an_answer_in_another_unit_is_refused_at_once(asked: Callable[..., tuple[int, str]]) -> None:
    """Neither taken nor the end of it: the same check is asked for again."""
    _, out = asked("in order\nread_mains = 24 ohm\nohms_output = 236 V ac\nfresh cell = 1.5 V ac\n")
    assert "'24 ohm' is in ohm, but this check is read in V ac" in out
    assert "'236 V ac' is in V, but this check is read in ohm" in out
    assert "'1.5 V ac' is in ac, but this check is read in V dc" in out
    assert out.count("output is live:") == 2  # as it began, and after the look
    assert "neither one" not in out


def test_a_check_nobody_knows_is_named_with_those_there_are(
    asked: Callable[..., tuple[int, str]], capsys: pytest.CaptureFixture[str]
) -> None:
    assert "did you mean fresh cell?" in asked("fresh cel = 1.5 V dc\n")[1]
    words = ["--expect", "27 V ac", "--reading", "1 V ac", "--evidence", "lok=in order", "--json"]
    assert run(capsys, *words, "--no-record")[1][0]["hint"] == "did you mean look?"
    assert "checks are look, reread" in asked("abc = 1.5 V dc\n")[1]
    assert "change the battery" in asked("in order\nreread = blank\n")[1]


def test_an_answer_that_fits_nothing_can_be_taken_back() -> None:
    """27 V read as 24.1 V can't be an overload ten seconds later on automatic ranges: a slip, and no ranking of it."""
    outcomes = iter([("reread", "OL"), ("reread", "24.1 V ac")])
    person = ScriptedPerson({"reread/fits": "y"}, interactive=True)

    def perform(check: NextCheck) -> tuple[str, str]:
        if (found := next(outcomes, None)) is None:
            raise SkippedError
        return found

    session = Session(Case.from_text("27 V ac", "24.1 V ac"))
    Inquiry(session, Dialogue(person), perform).go_on(most=2)
    assert [e.text for e in session.done] == ["24.1 V ac"]
    assert person.shown.count("  withdrawn: reread, OL") == 1
    before, after = person.said.split("  withdrawn: reread, OL")
    assert before.count("the part is good") == 1
    assert "the part is good" in after


def test_names_nobody_knows_are_not_taken_in_silence(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    """A bench file or a logbook that is not there is an error, and a meter that is in neither."""
    words = ["--expect", "27 V ac", "--reading", "0.003 V ac", "--no-record"]
    for named in (["--bench", "nosuch.toml"], ["--meter", "A", "--logbook", "nosuch.logbook"]):
        assert main(["diagnose", *words, *named]) != 0
        assert named[-1] in capsys.readouterr().err
    (folder / "bench.toml").write_text('[[instrument]]\ntag = "MB-02"\nkind = "meter"\n', encoding="utf-8")
    assert main(["diagnose", *words, "--meter", "MB-03"]) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "MB-03 is neither in the bench file nor in the record did you mean MB-02?" in said


@pytest.mark.parametrize("columns", [80, 40])
@pytest.mark.parametrize("case", [("27 V ac", "0.003 V ac"), ("1.6 A ac", "0.000 A ac")])
def test_the_first_screen_fits_a_small_terminal(columns: int, case: tuple[str, str]) -> None:
    """In 24 lines: the caution about the current jack, the likeliest cause, the caution, and the question with its answers."""

    class Small(ScriptedPerson):
        columns, height = property(lambda _: columns), property(lambda _: 24)

    person = Small({})
    session = Session(Case.from_text(*case))

    def perform(check: NextCheck) -> tuple[str, str]:
        prompt = choice_prompt(session, check, check.action)
        assert prompt is not None
        person.show(question_text(prompt, columns, keys=True))
        raise StoppedError

    with pytest.raises(StoppedError):
        Inquiry(session, Dialogue(person), perform).go_on()
    *state, question = person.shown
    screen = "\n".join([*(folded_line(line, columns) for line in state), question])
    assert len(screen.splitlines()) <= 24
    assert "known live source" in " ".join(screen.split())
    assert ("current jack:" in screen) is (case[0] == "27 V ac")


def test_a_cross_check_on_record_counts(capsys: pytest.CaptureFixture[str]) -> None:
    """A meter that disagreed with another one, and the other one was found good since: one line says so, and it weighs."""
    diagnose = ["diagnose", "--expect", "5 V dc", "--reading", "5.6 V dc", "--source", "bench", "--meter"]
    meters = ["--reading", "A=5.19 V dc", "--reading", "B=5.00 V dc", "--accuracy", "A=0.8 % + 2"]
    main(["crosscheck", *meters, "--accuracy", "B=0.5 % + 2"])
    capsys.readouterr()
    main([*diagnose, "A", "--json"])
    one_of_two = json.loads(capsys.readouterr().out)
    assert one_of_two["known"].startswith("On record: A disagreed with B in a cross-check (entry ")
    main(["standard", "B", "CS", "5.00 V dc", "--nominal", "5 V dc", "--accuracy", "0.5 % + 2"])
    capsys.readouterr()
    main([*diagnose, "A", "--json"])
    the_one = json.loads(capsys.readouterr().out)
    assert the_one["known"].endswith(
        "B read a check standard correctly since, so a meter fault is more likely."
    )
    main(["record", "show", "8"])
    assert "known before: odd one out" in capsys.readouterr().out  # what it was decided with is on record
    main([*diagnose, "C", "--json"])
    nothing = json.loads(capsys.readouterr().out)
    assert nothing["known"] == ""
    meter = [
        sum(c["probability"] for c in answer["causes"] if c["family"] == "meter")
        for answer in (nothing, one_of_two, the_one)
    ]
    assert meter[0] + 0.1 < meter[1] < meter[2]


def test_a_resistance_may_be_written_as_it_is_marked(capsys: pytest.CaptureFixture[str]) -> None:
    """4k7 is 4.7 kohm (IEC 60062); what the slip is about is said as a sentence that asks for no answer."""
    assert main(["diagnose", "--expect", "4k7", "--reading", "4.7 ohm", "--no-record"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "! 4.7 ohm is a thousandth of the expected value" in said


def test_the_command_that_goes_on_has_all_answers() -> None:
    session = Session(Case.from_text("27 V ac", "0.003 V ac"))
    session.update(session.answer("look", "in order"))
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    parser.set_defaults(bench=None, logbook=None)
    args = parser.parse_args(["--expect", "27 V ac", "--reading", "0.003 V ac", "--meter", "A"])
    assert _command(args, session) == (
        "benchlog diagnose --expect '27 V ac' --reading '0.003 V ac' --meter A --evidence 'look=in order'"
    )
