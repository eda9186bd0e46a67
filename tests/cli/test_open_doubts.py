"""Doubts of a watch that nothing has settled: `status` names them, the next watch takes them up."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest

import benchlog
from benchlog.cli import main
from benchlog.logbook import Logbook

_ACCURACY = '[{ function = "V~", statement = "1 % + 5" }, { function = "V=", statement = "0.8 % + 2" }]'
BENCH = "".join(f'[[instrument]]\ntag = "{tag}"\naccuracy = {_ACCURACY}\n' for tag in ("A", "B"))
BENCH += "".join(
    f'[[standard]]\ntag = "CS-{k}"\nvalue = "5.000 V {k}"\nfunction = "{f}"\nuncertainty = "0.05 %"\n'
    for k, f in (("ac", "V~"), ("dc", "V="))
)
PLAN = '[project]\nname = "P"\n'
DISAGREE = "".join(f"A=27.80 V ac\nB=31.8{k} V ac\n" for k in range(6))
AGREE = "".join(f"A=27.8{k} V ac\nB=27.80 V ac\n" for k in range(6))


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("plan.toml").write_text(PLAN, encoding="utf-8")
    Path("bench.toml").write_text(BENCH, encoding="utf-8")
    return tmp_path


class Sitting:
    """Watches A and B, and asks for the status."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self._monkeypatch, self._capsys = monkeypatch, capsys

    def watch(self, typed: str, group: str = "out") -> tuple[int, list[tuple[str, list[str]]]]:
        self._monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
        code = main(["watch", "A", "B", "--group", f"{group}=A,B", "--json"])
        last = json.loads(self._capsys.readouterr().out.splitlines()[-1])
        return code, [(s["kind"], [s["instrument"], *s["or"]]) for s in last["suspects"]]

    def status(self) -> str:
        main(["status", "plan.toml"])
        return " ".join(self._capsys.readouterr().out.split())


@pytest.fixture
def sitting(place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Sitting:
    return Sitting(monkeypatch, capsys)


def events() -> list[str]:
    with benchlog.open("bench.logbook") as record:
        return [entry.body["event"] for entry in record.book.entries("doubt")]


def test_a_disagreement_outlives_the_watch_until_the_meters_agree(sitting: Sitting) -> None:
    assert sitting.watch(DISAGREE) == (3, [("disagrees", ["A", "B"])])
    assert (
        "! meter A or B: watch doubted it today, not settled since: disagrees: A shows 27.80 V"
        in sitting.status()
    )
    assert sitting.watch("", group="named otherwise") == (3, [("disagrees", ["A", "B"])])
    assert events() == ["begins"]
    code, doubts = sitting.watch(AGREE)
    assert (code, doubts) == (0, [])
    assert events() == ["begins", "ends"]
    assert "doubted" not in sitting.status()


@pytest.mark.parametrize(("function", "left"), [("V~", "meter B: watch"), ("V=", "meter A or B: watch")])
def test_of_two_in_doubt_a_check_standard_of_that_function_clears_the_one_that_passes_it(
    function: str, left: str, sitting: Sitting
) -> None:
    sitting.watch(DISAGREE)
    coupling = "ac" if function == "V~" else "dc"
    for tag, seen in (("A", left), ("B", "" if function == "V~" else left)):
        assert main(["standard", tag, f"CS-{coupling}", f"5.00 V {coupling}"]) == 0
        said = sitting.status()
        assert (seen in said) if seen else ("watch doubted" not in said)


def test_a_check_standard_read_with_too_few_digits_settles_no_doubt(
    sitting: Sitting, capsys: pytest.CaptureFixture[str]
) -> None:
    """5 V on a meter that shows 5.00 V may be anything from 4.5 to 5.5 V."""
    Path("bench.toml").write_text(BENCH.replace('tag = "A"', 'tag = "A"\ncounts = 4000'), encoding="utf-8")
    sitting.watch(DISAGREE)
    assert main(["standard", "A", "CS-ac", "5 V ac", "--as-read"]) == 3
    assert "meter A or B: watch doubted" in sitting.status()
    assert main(["record", "list", "--kind", "standard"]) == 0
    assert "can't tell" in " ".join(capsys.readouterr().out.split())
    assert main(["standard", "A", "CS-ac", "5.00 V ac"]) == 0
    assert "meter A or B: watch doubted" not in sitting.status()


def test_a_doubt_about_meters_that_are_not_watched_now_stays_open(
    sitting: Sitting, monkeypatch: pytest.MonkeyPatch
) -> None:
    sitting.watch(DISAGREE)
    monkeypatch.setattr(sys, "stdin", io.StringIO("27.8 V ac\n"))
    assert main(["watch", "A", "--plain"]) == 0
    assert events() == ["begins"]
    assert "meter A or B: watch doubted" in sitting.status()


def test_an_entry_of_another_shape_is_passed_over(sitting: Sitting) -> None:
    with Logbook.open(Path("bench.logbook")) as book:
        for body in ({}, {"kind": "disagrees"}, {"kind": "disagrees", "instruments": "A"}, {"kind": 3}):
            book.append("doubt", {"event": "begins", **body})
    assert "doubted" not in sitting.status()
