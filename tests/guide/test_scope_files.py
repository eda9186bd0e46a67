"""A scope whose records come on a memory stick: a plan's check asks for the file, or a replay reads it."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.guided_project import GuidedProject
from helpers.plan_text import check, part, plan_text
from helpers.scripted_person import ScriptedPerson

from benchlog.bench import Bench, Instrument
from benchlog.errors import ConfigError, OpenError
from benchlog.guide.file_capture import _paths
from benchlog.plan import read_plan
from benchlog.registry import make_adapter
from benchlog.result import Verdict

CAPTURES = Path(__file__).parents[2] / "sample_captures"
FILE, SWAPPED = (str(CAPTURES / f"ct1_60_turns_divider{end}.npz") for end in ("", "_swapped"))
FIELDS = {
    "expect": "60",
    "scope": "SC-1",
    "primary": "CH1",
    "secondary": "CH2",
    "divider": "60:1",
    "divider_tolerance": "0.2 %",
}


def ratio_plan(**more: object) -> str:
    return plan_text(part("CT1"), check("C01", "ratio", part="CT1", **FIELDS, **more))


SCOPE = Instrument(tag="SC-1", kind="scope", gain="3 %")


def test_a_scope_without_a_link_is_asked_for_its_files(tmp_path: Path) -> None:
    """60 turns (sample_captures/captures.truth.json), by the two files, one for each hook-up."""
    with GuidedProject(tmp_path, ratio_plan(), Bench([SCOPE])) as rig:
        person = ScriptedPerson({"C01/file": [FILE, SWAPPED]})
        assert rig.run(person) is Verdict.PASS
        assert person.keys == ["C01/file", "C01/swap", "C01/file"]
        (result,) = rig.results
        assert abs(result.quantities["turns_ratio"].value - 60) < 0.5
        assert result.instruments == ("SC-1",)
        assert len(list(rig.book.entries("capture"))) == 2
        assert rig.states == ["passed"]


def test_the_first_file_given_again_is_asked_for_again(tmp_path: Path) -> None:
    """The question says that it is the record with the probes swapped."""
    with GuidedProject(tmp_path, ratio_plan(), Bench([SCOPE])) as rig:
        person = ScriptedPerson({"C01/file": [FILE, FILE, SWAPPED]})
        assert rig.run(person) is Verdict.PASS
        assert "the same samples as the first one" in person.said
        asked = [prompt.text for prompt in person.asked if prompt.key == "C01/file"]
        assert [text.startswith("second record, probes swapped") for text in asked] == [False, True, True]


def test_capture_file_asks_although_there_is_no_bench_entry(tmp_path: Path) -> None:
    with GuidedProject(tmp_path, ratio_plan(capture="file"), Bench([Instrument(tag="MB-02")])) as rig:
        rig.run(ScriptedPerson({"C01/file": [FILE, SWAPPED]}))
        assert rig.states == ["passed"]


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("none.csv", "none.csv"),
        (str(CAPTURES / "meter_pattern.truth.jsonl"), "meter_pattern"),
        ("", "no capture file given"),
        ('"unclosed', "unclosed"),
    ],
)
def test_a_file_that_cannot_be_used_is_asked_for_again(tmp_path: Path, typed: str, said: str) -> None:
    with GuidedProject(tmp_path, ratio_plan(swap=False), Bench([SCOPE])) as rig:
        person = ScriptedPerson({"C01/file": [typed, FILE]})
        rig.run(person)
        assert said in person.said
        assert len(rig.results) == 1


def test_channels_that_are_not_in_the_file_are_named(tmp_path: Path) -> None:
    text = ratio_plan(swap=False).replace('"CH2"', '"B"')
    with GuidedProject(tmp_path, text, Bench([SCOPE])) as rig:
        person = ScriptedPerson({"C01/file": [FILE, "s"], "C01/file/skip": "wrong channel"})
        rig.run(person)
        assert "CH1, CH2" in person.said
        assert rig.results == []


def test_the_automatic_run_needs_a_link(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(ratio_plan(capture="file", al="61 uH", generator="SG-04"), encoding="utf-8")
    with pytest.raises(ConfigError, match="link"):
        read_plan(path)


def test_the_revision_of_older_plans_stays(tmp_path: Path) -> None:
    """What is on record counts for a check as it was before it could say how its record comes."""
    with GuidedProject(tmp_path, ratio_plan()) as rig:
        before = rig.plan.checks["C01"].revision
        rig.rewrite(ratio_plan(capture="file"))
        assert rig.plan.checks["C01"].revision != before
        rig.rewrite(ratio_plan())
        assert rig.plan.checks["C01"].revision == before


@pytest.mark.parametrize("name", ["a.csv", "my capture.csv"])
def test_one_path_may_have_spaces(tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path(name).write_text("x", encoding="utf-8")
    assert _paths(name) == _paths(f"'{name}'") == [name]


# ---- replay ----


def test_a_replayed_scope_passes_the_check_over_its_address(tmp_path: Path) -> None:
    """The same files, the first for the first hook-up and the second after the swap."""
    scope = Instrument(tag="SC-1", kind="scope", gain="3 %", address=f"replay:{FILE}?then={SWAPPED}")
    with GuidedProject(tmp_path, ratio_plan(), Bench([scope])) as rig:
        assert rig.run(ScriptedPerson({})) is Verdict.PASS


def test_a_csv_with_its_interval_elsewhere_is_replayed(tmp_path: Path) -> None:
    rows = "\n".join(f"{0.1 * n},{0.2 * n}" for n in range(50))
    (tmp_path / "t.csv").write_text(f"CH1,CH2\n{rows}\n", encoding="utf-8")
    address = f"replay:{tmp_path / 't.csv'}"
    scope = make_adapter(f"{address}?sample_interval=1 us", "SC-1", kind="scope").open()
    with scope:
        capture = scope.capture(["CH1"])  # type: ignore[attr-defined]
    assert (capture.instrument, capture.n_samples) == ("SC-1", 50)
    assert capture.interval_s == pytest.approx(1e-6)


def test_a_missing_file_is_one_clear_error(tmp_path: Path) -> None:
    with pytest.raises(OpenError, match=r"gone\.csv does not exist"):
        make_adapter(f"replay:{tmp_path / 'gone.csv'}", "SC-1", kind="scope").open()
