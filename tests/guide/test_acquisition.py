"""Acquisition: jacks after a current, no scope on the mains, slips asked about, typed like linked."""

from __future__ import annotations

import msgspec
import pytest
from helpers.scripted_person import ScriptedPerson

from benchlog.adapter import Adapter
from benchlog.bench import AccuracyLine, Bench, Instrument
from benchlog.clock import ManualClock
from benchlog.errors import LinkLostError, ReadTimeoutError, UsageError
from benchlog.guide import instruments as instruments_module
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckContext
from benchlog.guide.dialogue import SkippedError, StoppedError, UndoneError
from benchlog.guide.person import Prompt
from benchlog.reading import Flag, Function, Origin, Reading
from benchlog.testing import ScriptedReader

V_AC, V_DC, A_DC = Function.AC_VOLTS, Function.DC_VOLTS, Function.DC_CURRENT
LINES = (AccuracyLine(V_AC, "1 % + 5"), AccuracyLine(V_DC, "0.5 % + 2"))
BENCH = Bench(
    [
        Instrument(tag="MA-01", address="sim:MA-01", accuracy=LINES),
        Instrument(tag="MB-02", accuracy=LINES),
        Instrument(tag="SC-03", kind="scope", address="sim:SC-03"),
    ]
)


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(10**18)


def linked(monkeypatch: pytest.MonkeyPatch, clock: ManualClock, *scripts: object) -> None:
    """Let MA-01 follow a script; a second script is what it does after it was opened again."""
    waiting = [list(s) for s in scripts]  # type: ignore[call-overload]

    def opened(address: str, tag: str, **_: object) -> Adapter:
        return ScriptedReader(tag, waiting.pop(0), clock=clock)

    monkeypatch.setattr(instruments_module, "make_adapter", opened)


def frames(value: float, function: Function = V_AC, n: int = 3, **more: object) -> list[object]:
    reading = Reading(function, value, 0.01, f"{value:.2f} V", raw=b"frame", **more)  # type: ignore[arg-type]
    return [item for _ in range(n) for item in (0.4, reading)]


# ---- the jacks ----


@pytest.mark.parametrize("function", [V_AC, V_DC, Function.AC_DC_VOLTS])
def test_every_volts_step_after_a_current_demands_the_jacks(function: Function, clock: ManualClock) -> None:
    person = ScriptedPerson({"a": "0.500", "v/jacks": "y", "v": "27.75", "w": "27.75"})
    acquisition = Acquisition(BENCH, person, clock)
    acquisition.reading("MB-02", A_DC, "test current", "a")
    acquisition.reading("MB-02", function, "voltage", "v")
    assert person.keys == ["a", "v/jacks", "v"]
    acquisition.reading("MB-02", function, "voltage", "w")
    assert person.keys[-1] == "w"


def test_no_is_no_until_the_leads_are_back(clock: ManualClock) -> None:
    """n is answered with what would happen, and asked again; the reading waits."""
    person = ScriptedPerson({"a": "0.500", "v/jacks": ["n", "", "y"], "v": "27.75"})
    acquisition = Acquisition(BENCH, person, clock)
    acquisition.reading("MB-02", A_DC, "test current", "a")
    acquisition.reading("MB-02", V_AC, "voltage", "v")
    assert person.keys.count("v/jacks") == 3
    assert "short circuit" in person.said


def test_the_other_meter_is_not_asked_about(clock: ManualClock) -> None:
    person = ScriptedPerson({"a": "0.500", "v": "27.75"})
    acquisition = Acquisition(BENCH, person, clock)
    acquisition.reading("MB-02", A_DC, "test current", "a")
    acquisition.reading("third", V_AC, "voltage", "v")
    assert person.keys == ["a", "v"]


def test_a_meter_that_the_record_left_on_current_is_asked_about(clock: ManualClock) -> None:
    person = ScriptedPerson({"v/jacks": "y", "v": "27.75"})
    acquisition = Acquisition(BENCH, person, clock)
    acquisition.in_current_jack({"MB-02"})
    acquisition.reading("MB-02", V_AC, "voltage", "v")
    assert person.keys == ["v/jacks", "v"]


# ---- the mains ----


def test_no_scope_clip_on_a_mains_referenced_node(clock: ManualClock) -> None:
    acquisition = Acquisition(BENCH, ScriptedPerson({}), clock)
    acquisition.begin(CheckContext(mains_referenced=True))
    with pytest.raises(UsageError, match="connected to mains") as error:
        acquisition.capture("SC-03", ["CH1"])
    assert "rated meter" in error.value.hint


# ---- the battery ----


@pytest.mark.parametrize(("wish", "shown"), [("y", 27.75), ("n", 28.90)])
def test_a_battery_symbol_is_asked_about_before_the_reading_counts(
    wish: str, shown: float, monkeypatch: pytest.MonkeyPatch, clock: ManualClock
) -> None:
    """A new battery is noted and the display read again; who keeps the old one is not asked twice."""
    low = frames(28.90, flags=frozenset({Flag.LOW_BATTERY}))
    linked(monkeypatch, clock, [*low, *low], frames(27.75))
    person = ScriptedPerson({"v/battery": wish}, interactive=True)
    renewed: list[str] = []
    with Acquisition(BENCH, person, clock) as acquisition:
        acquisition.begin(CheckContext(renewed=renewed.append))
        assert acquisition.reading("MA-01", V_AC, "voltage", "v").value == shown
        assert renewed == (["MA-01"] if wish == "y" else [])
        assert ("v/new_battery" in person.keys) is (wish == "y")
        if wish == "n":
            acquisition.reading("MA-01", V_AC, "voltage", "w")
            assert "w/battery" not in person.keys


# ---- slips ----


@pytest.mark.parametrize(
    ("typed", "question"),
    [
        ("27.7 mV", "a thousandth of the expected"),
        ("38.3", "peak value"),
        ("271", "ten times the expected"),
        ("13.6", "half the expected"),
    ],
)
def test_a_slip_is_asked_about_and_never_corrected(typed: str, question: str, clock: ManualClock) -> None:
    """At a terminal: the right question, then the value as read if it is kept."""
    person = ScriptedPerson({"v": typed, "v/slip": "y"}, interactive=True)
    acquisition = Acquisition(BENCH, person, clock)
    taken = acquisition.reading("MB-02", V_AC, "voltage", "v", expect=27.1)
    assert question in person.said
    assert taken.value == pytest.approx(27.7e-3 if "mV" in typed else float(typed))
    assert question in acquisition.findings[0]


def test_a_slip_can_be_read_again(clock: ManualClock) -> None:
    person = ScriptedPerson({"v": ["271", "27.1"], "v/slip": "n"}, interactive=True)
    acquisition = Acquisition(BENCH, person, clock)
    assert acquisition.reading("MB-02", V_AC, "voltage", "v", expect=27.1).value == 27.1
    assert acquisition.findings == []


def test_a_script_gets_an_error_instead_of_a_question(clock: ManualClock) -> None:
    person = ScriptedPerson({"v": "271"})
    acquisition = Acquisition(BENCH, person, clock)
    assert acquisition.reading("MB-02", V_AC, "voltage", "v", expect=27.1).value == 271
    assert acquisition.findings
    assert person.keys == ["v"]


@pytest.mark.parametrize("typed", ["27.1", "26.0", "28.6"])
def test_a_plausible_value_raises_no_question(typed: str, clock: ManualClock) -> None:
    person = ScriptedPerson({"v": typed}, interactive=True)
    Acquisition(BENCH, person, clock).reading("MB-02", V_AC, "voltage", "v", expect=27.1)
    assert person.keys == ["v"]


def test_another_unit_or_function_is_refused_and_asked_again(clock: ManualClock) -> None:
    person = ScriptedPerson({"v": ["15 ohm", "27.1 V dc", "27.1 V ac"]})
    assert Acquisition(BENCH, person, clock).reading("MB-02", V_AC, "voltage", "v").value == 27.1
    assert "not in V" in person.said
    assert "check the meter's setting" in person.said


# ---- typed like linked ----


def test_a_typed_reading_makes_the_same_record_as_a_linked_one(
    monkeypatch: pytest.MonkeyPatch, clock: ManualClock
) -> None:
    """All fields alike but how it came in, the frame, and the two times."""
    linked(monkeypatch, clock, frames(27.75))
    with Acquisition(BENCH, ScriptedPerson({}), clock) as acquisition:
        by_link = acquisition.reading("MA-01", V_AC, "voltage", "v")
    typed_bench = Bench([Instrument(tag="MA-01", accuracy=LINES)])
    by_hand = Acquisition(typed_bench, ScriptedPerson({"v": "27.75"}), clock).reading(
        "MA-01", V_AC, "voltage", "v"
    )
    apart = {"origin", "raw", "utc_ns", "mono_ns"}
    for field in msgspec.structs.fields(Reading):
        if field.name not in apart:
            assert getattr(by_hand.reading, field.name) == getattr(by_link.reading, field.name), field.name
    assert (by_link.reading.origin, by_hand.reading.origin) == (Origin.LINK, Origin.HAND)
    assert by_hand.reading.utc_ns > 0
    assert by_hand.settled() == by_link.settled()


@pytest.mark.parametrize(
    ("typed", "displayed"),
    [
        ("27.75", "27.75 V"),
        ("27.75 V", "27.75 V"),
        ("27.75 V ac", "27.75 V"),
        ("27.75V~", "27.75 V"),
        ("27,75", "27.75 V"),
        ("-27.3 mV", "-27.3 mV"),
        ("27.3m", "27.3 mV"),
        ("OL", "OL"),
    ],
)
def test_what_is_typed_is_kept_as_a_display_shows_it(typed: str, displayed: str, clock: ManualClock) -> None:
    person = ScriptedPerson({"v": typed})
    assert (
        Acquisition(BENCH, person, clock).reading("MB-02", V_AC, "voltage", "v").reading.displayed
        == displayed
    )


def test_a_reading_is_kept_before_anybody_hears_of_it(clock: ManualClock) -> None:
    """What was acknowledged by the bell is on the disk already."""
    person = ScriptedPerson({"v": "27.75"})
    acquisition = Acquisition(BENCH, person, clock)
    heard_when_kept: list[int] = []

    def keep(reading: Reading, use: str) -> str:
        heard_when_kept.append(len(person.heard))
        return "readings:7"

    acquisition.begin(CheckContext(keep=keep))
    taken = acquisition.reading("MB-02", V_AC, "voltage", "v")
    assert heard_when_kept == [0]
    assert person.heard == [taken.reading]
    assert acquisition.kept == [(taken.reading, "readings:7")]


# ---- keys, trouble ----


def test_t_types_what_the_link_should_have_sent(monkeypatch: pytest.MonkeyPatch, clock: ManualClock) -> None:
    linked(monkeypatch, clock, [item for n in range(40) for item in (0.4, *frames(n, n=1)[1:])])
    person = ScriptedPerson({"v": "27.75"}, keys="t")
    with Acquisition(BENCH, person, clock) as acquisition:
        taken = acquisition.reading("MA-01", V_AC, "voltage", "v")
    assert (taken.value, taken.reading.origin) == (27.75, Origin.HAND)


def test_hold_is_never_taken(monkeypatch: pytest.MonkeyPatch, clock: ManualClock) -> None:
    """A steady display with hold lit waits until it is cleared."""
    linked(monkeypatch, clock, [*frames(27.0, flags=frozenset({Flag.HOLD})), *frames(27.75, n=4)])
    person = ScriptedPerson({})
    with Acquisition(BENCH, person, clock) as acquisition:
        assert acquisition.reading("MA-01", V_AC, "voltage", "v").value == 27.75
    assert person.keys == ["v/setting"]
    assert "hold" in person.asked[0].text


def test_the_wrong_function_is_named(monkeypatch: pytest.MonkeyPatch, clock: ManualClock) -> None:
    linked(monkeypatch, clock, [*frames(0.01, V_DC), *frames(27.75, n=4)])
    person = ScriptedPerson({})
    with Acquisition(BENCH, person, clock) as acquisition:
        acquisition.reading("MA-01", V_AC, "no-load voltage", "v")
    assert "is set to V=" in person.asked[0].text
    assert "needs V~" in person.asked[0].text


def test_a_broken_link_is_tried_again_or_typed(monkeypatch: pytest.MonkeyPatch, clock: ManualClock) -> None:
    linked(monkeypatch, clock, [LinkLostError("unplugged", "plug it in")], frames(27.75))
    person = ScriptedPerson({"v/trouble": "try again"}, interactive=True)
    with Acquisition(BENCH, person, clock) as acquisition:
        assert acquisition.reading("MA-01", V_AC, "voltage", "v").value == 27.75
    assert "plug it in" in person.said


def test_a_silent_link_can_be_typed(monkeypatch: pytest.MonkeyPatch, clock: ManualClock) -> None:
    linked(monkeypatch, clock, [])
    person = ScriptedPerson({"v/trouble": "type it", "v": "27.75"}, interactive=True)
    with Acquisition(BENCH, person, clock) as acquisition:
        assert acquisition.reading("MA-01", V_AC, "voltage", "v").reading.origin is Origin.HAND


def test_a_script_gets_the_error_itself(monkeypatch: pytest.MonkeyPatch, clock: ManualClock) -> None:
    linked(monkeypatch, clock, [])
    with Acquisition(BENCH, ScriptedPerson({}), clock) as acquisition, pytest.raises(ReadTimeoutError):
        acquisition.reading("MA-01", V_AC, "voltage", "v")


def test_s_q_and_u_are_understood_at_any_question(clock: ManualClock) -> None:
    person = ScriptedPerson({"a": "s", "a/skip": "no probe", "b": "q", "c": ["u", "y"]})
    acquisition = Acquisition(BENCH, person, clock)
    with pytest.raises(SkippedError, match="no probe"):
        acquisition.do("clip on", "a")
    with pytest.raises(StoppedError):
        acquisition.confirm("lit?", "b")
    assert acquisition.confirm("lit?", "c")  # nothing to undo: asked again
    assert "nothing to undo" in person.said
    acquisition.begin(CheckContext(undo=lambda: True))
    with pytest.raises(UndoneError):
        acquisition.wish("u", "d")


@pytest.mark.parametrize("typed", ["wait, not yet", "5.01 ohm", " ", "y", "?"])
def test_only_enter_alone_says_that_a_hook_up_is_done(typed: str, clock: ManualClock) -> None:
    """Anything else is asked again, a reading too: it was not taken for the step that comes after."""
    person = ScriptedPerson({"a": [typed, ""]})
    Acquisition(BENCH, person, clock).do("tips on", "a")
    assert person.keys == ["a", "a"]
    assert f"'{typed}' does not answer this" in person.said


def test_free_words_are_never_commands(clock: ManualClock) -> None:
    acquisition = Acquisition(BENCH, ScriptedPerson({"why": "q"}), clock)
    assert acquisition.ask(Prompt("text", "why?", "why")) == "q"


def test_what_a_diagnosis_should_know_of_a_meter(clock: ManualClock) -> None:
    acquisition = Acquisition(BENCH, ScriptedPerson({"a": "0.5"}), clock)
    assert acquisition.context("MA-01", V_DC) == ("linked meter",)
    acquisition.reading("MB-02", A_DC, "current", "a")
    assert acquisition.context("MB-02", V_DC) == ("after current",)
    acquisition.rested = True
    assert set(acquisition.context("MB-02", V_DC)) == {"after current", "after rest"}
    acquisition.read_right("MB-02")
    assert acquisition.context("MB-02", V_DC) == ("just read right",)


# ---- typed displays ----


@pytest.mark.parametrize(
    ("typed", "function", "displayed", "value"),
    [
        ("4k7", Function.OHMS, "4.7 kΩ", 4700.0),  # IEC 60062: the letter is in the place of the decimal mark
        ("1R5", Function.OHMS, "1.5 Ω", 1.5),
        ("R47", Function.OHMS, "0.47 Ω", 0.47),
        ("4.7 kohms", Function.OHMS, "4.7 kΩ", 4700.0),
        ("4k7", V_AC, "4.7 kV", 4700.0),
        ("141 mVAC", V_AC, "141 mV", 0.141),
        ("−0,3 mV", V_DC, "-0.3 mV", -0.0003),
    ],
)
def test_what_was_taken_shows_all_that_was_typed(
    clock: ManualClock, typed: str, function: Function, displayed: str, value: float
) -> None:
    person = ScriptedPerson({"x": typed})
    taken = Acquisition(BENCH, person, clock).reading("MB-02", function, "value", "x").reading
    assert (taken.displayed, taken.value) == (displayed, value)
    assert f"MB-02 shows {displayed}" in person.said


def test_the_accuracy_of_an_overload_is_not_missed(clock: ManualClock) -> None:
    """What the bench file lacks is said once, and of values only."""
    acquisition = Acquisition(BENCH, ScriptedPerson({"x": ["OL", "1.2", "1.3"]}), clock)
    acquisition.reading("MB-02", Function.OHMS, "leads", "x")
    assert acquisition.findings == []
    for _ in range(2):
        acquisition.reading("MB-02", Function.OHMS, "leads", "x")
    assert [str(found) for found in acquisition.findings] == [
        "accuracy of MB-02 on ohm is not known: 2 % + 10 counts assumed"
    ]
