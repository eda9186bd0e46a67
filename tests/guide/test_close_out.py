"""The last lines of a session: what is left is read back before it is written."""

from __future__ import annotations

from pathlib import Path

from helpers.scripted_person import ScriptedPerson

from benchlog.bench import Bench
from benchlog.clock import ManualClock
from benchlog.guide.run import Guide
from benchlog.logbook import Logbook
from benchlog.plan import read_plan


def closed(folder: Path, person: ScriptedPerson) -> dict[str, str]:
    """What a guide writes down at the end."""
    path = folder / "plan.toml"
    path.write_text('[project]\nname = "Test rig"\n', encoding="utf-8")
    clock = ManualClock()
    with Logbook.open(folder / "x.logbook", clock=clock) as book:
        guide = Guide(read_plan(path), Bench(), book, clock=clock, person=person, show=lambda result: None)
        return guide.close_out()


def test_a_stray_word_is_read_back_and_taken_back(tmp_path: Path) -> None:
    """A word meant for another question does not stay on the record as something charged."""
    answers = {"close/left": ["y", "C3, 38 V"], "close/left/right": ["n", "y"], "close/next": ""}
    person = ScriptedPerson(answers, interactive=True)
    assert closed(tmp_path, person) == {"left": "C3, 38 V", "next": "go on with the plan"}
    assert "written down as left: 'y'; right?" in [prompt.text for prompt in person.asked]


def test_a_pipe_is_not_asked_twice(tmp_path: Path) -> None:
    person = ScriptedPerson({"close/left": "C3, 38 V", "close/next": ""})
    assert closed(tmp_path, person)["left"] == "C3, 38 V"
    assert person.keys == ["close/left", "close/next"]
