"""A failed cross-check diagnosed in a guided run: whichever meter is wrong, that one is put in doubt."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from helpers.guided_project import TWO_METERS, GuidedProject
from helpers.plan_text import check, part, plan_text
from helpers.scripted_person import Shy

from benchlog.bench import Bench, Instrument

THREE_METERS = Bench(
    [
        *TWO_METERS.instruments.values(),
        Instrument(tag="MC-03", accuracy=TWO_METERS.instruments["MA-01"].accuracy),
    ]
)


def diagnosed(
    folder: Path,
    shown: Mapping[str, str],
    cell: str,
    bench: Bench = TWO_METERS,
    *,
    examined: str = "MB-02",
    times: int = 1,
) -> tuple[Shy, list[dict[str, Any]], list[str]]:
    """Cross-check and diagnose; returns the person, the diagnoses, and the tags of the meters found bad.

    `cell` is what the meter examined shows on a new cell; a third meter shows 27.05 V. What else is offered is left out.
    """
    display = shown[examined]
    shows = {"reread": display, "fresh_cell": cell, "short_tips": "0.00", "new_battery": display}
    shows |= {"reselect_function": display, "second_meter": "27.05"}
    answers = {f"C01/doubt/{step}/reading": text for step, text in shows.items()}
    answers |= {f"C01/doubt/{step}": "" for step in shows}
    answers |= {"C01/doubt/look": "in order", **{f"C01/{tag}": text for tag, text in shown.items()}}
    meters = check("C01", "crosscheck", part="T1", meters=list(shown), function="V~")
    with GuidedProject(folder, plan_text(part("T1"), meters, mains="230 V"), bench) as rig:
        person = Shy({**answers, "close/last": ["diagnose"] * times + [""]}, interactive=True)
        rig.run(person, standards=False)
        return person, rig.bodies("diagnosis"), [body["meter"] for body in rig.bodies("found bad")]


@pytest.mark.parametrize(
    ("first", "last", "cell", "family", "bad"),
    [("31.40", "27.00", "1.605", "other meter", []), ("27.00", "31.40", "1.867", "meter", ["MB-02"])],
)
def test_of_two_meters_the_last_is_examined_and_either_may_be_wrong(
    tmp_path: Path, first: str, last: str, cell: str, family: str, bad: list[str]
) -> None:
    """16 % apart; a new cell has 1.60 to 1.65 V (common practice): the meter that shows that is not put in doubt.

    Whoever leaves out the new battery that is offered ends nothing by it.
    """
    person, (diagnosis,), found = diagnosed(tmp_path, {"MA-01": first, "MB-02": last}, cell)
    assert (diagnosis["causes"][0]["family"], found) == (family, bad)
    assert (diagnosis["context"], diagnosis["beside"]) == (
        ["meters disagreed", "compared with a meter"],
        "MA-01",
    )
    assert f"Is MB-02 wrong? {first} V by MA-01 counts as expected" in person.said
    assert "C01/doubt/second_meter" not in person.keys  # MA-01 can't confirm itself


def test_a_third_meter_shows_that_the_one_read_first_is_wrong(tmp_path: Path) -> None:
    """MB-02 shows 27.00 V and reads a new cell right, MC-03 shows 27.05 V: MA-01 with its 31.40 V is in doubt."""
    shown = {"MA-01": "31.40", "MB-02": "27.00"}
    person, (diagnosis,), found = diagnosed(tmp_path, shown, "1.605", THREE_METERS)
    assert (diagnosis["stop"], diagnosis["confirmed"], found) == ("decided", True, ["MA-01"])
    assert "MC-03 shows 27.05 V" in person.said
    assert "MA-01 is in doubt from now on: it disagrees with MB-02, which reads right" in person.said


def test_of_three_meters_the_odd_one_out_is_examined(tmp_path: Path) -> None:
    """MA-01 shows 16 % more than two others, and than a new cell has: it is the one in doubt, though read first."""
    shown = {"MA-01": "31.40", "MB-02": "27.00", "MC-03": "27.05"}
    person, (diagnosis,), found = diagnosed(tmp_path, shown, "1.867", THREE_METERS, examined="MA-01")
    assert (diagnosis["reading"], diagnosis["beside"], found) == ("31.40 V", "MC-03", ["MA-01"])
    assert "Is MA-01 wrong?" in person.said


def test_of_three_meters_without_an_odd_one_the_last_is_examined(tmp_path: Path) -> None:
    """27, 29 and 31 V: either end may be wrong."""
    shown = {"MA-01": "27.00", "MB-02": "29.00", "MC-03": "31.00"}
    person, (diagnosis,), _ = diagnosed(tmp_path, shown, "1.716", THREE_METERS, examined="MC-03")
    assert (diagnosis["reading"], diagnosis["beside"]) == ("31.00 V", "MB-02")
    assert "Is MC-03 wrong? 29.00 V by MB-02 counts as expected" in person.said


def test_a_second_diagnosis_goes_on_from_the_first(tmp_path: Path) -> None:
    """What was answered is not asked again, and it is still the cross-check's reading that is diagnosed."""
    shown = {"MA-01": "31.40", "MB-02": "27.00"}
    person, (one, other), _ = diagnosed(tmp_path, shown, "1.605", times=2)
    assert other["path"][: len(one["path"])] == one["path"]
    assert (one["reading"], one["beside"]) == (other["reading"], other["beside"]) == ("27.00 V", "MA-01")
    assert person.keys.count("C01/doubt/look") == 1


def test_of_two_meters_the_one_that_shows_nothing_is_examined(tmp_path: Path) -> None:
    """Nothing can be expected of the points where 0.00 V is, so MB-02 with its 27.00 V is the one to go by."""
    shown = {"MA-01": "0.00", "MB-02": "27.00"}
    person, (diagnosis,), _ = diagnosed(tmp_path, shown, "0.000", examined="MA-01")
    assert (diagnosis["reading"], diagnosis["beside"]) == ("0.00 V", "MB-02")
    assert "Is MA-01 wrong? 27.00 V by MB-02 counts as expected" in person.said
