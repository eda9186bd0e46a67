"""No part is condemned, and no output called probably dead, on the word of an instrument that nobody has proven."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.diagnosis import Case, Session, parse_evidence
from benchlog.diagnosis.catalogue import load_catalogue
from benchlog.diagnosis.control import controls, proven
from benchlog.diagnosis.next_check import offers, ranked

CASES = {
    "ac_volts": ("27 V ac", "V ac"),
    "dc_volts": ("12 V dc", "V dc"),
    "ohms": ("47 ohm", "ohm"),
    "current": ("3 A ac", "A ac"),
    "scope": ("5 V ac", "V ac"),
}
#: What a dead circuit, or a dead meter, shows.
NOTHING = ("0.000", "0.001", "0.004", "0.2")
LIVE_DC = [
    ("look", "in order"),
    ("read_mains", "229.8 V ac"),
    ("short_tips_ohms", "0.2 ohm"),
    ("remake_contact", "-0.003 V dc"),
    ("reselect_function", "0.001 V dc"),
    ("ohms_output", "12 kohm"),
]


def _unit(kind: str, action: str) -> str:
    if "ohms" in action or action in ("known_resistor", "short_tips_ohms"):
        return "ohm"
    if action in ("fresh_cell", "dc_same_points"):
        return "V dc"
    if action in ("generator_50hz", "read_mains"):
        return "V ac"
    return CASES[kind][1]


@st.composite
def unproven(draw: st.DrawFn) -> tuple[Case, list[tuple[str, str]]]:
    """A reading and evidence of any kind that holds no passed control: mostly what speaks for a dead part."""
    kind = draw(st.sampled_from(sorted(CASES)))
    expect, unit = CASES[kind]
    overload = "OL"
    first = draw(
        st.sampled_from([f"{n} {unit}" for n in NOTHING] + [overload] * (kind == "ohms") + [f"2.5 {unit}"])
    )
    case = Case.from_text(expect, first, instrument="scope" if kind == "scope" else "meter")
    known = {a.id for a in controls(case)} | ({"short_tips_ohms"} if kind == "ohms" else set())
    found: list[tuple[str, str]] = []
    for action in draw(st.lists(st.sampled_from(list(load_catalogue().actions.values())), max_size=7)):
        if kind not in action.kinds or action.id == "reading_again":
            continue
        if action.words:
            found.append((action.id, draw(st.sampled_from(action.words))))
            continue
        shows = [f"{n} {_unit(kind, action.id)}" for n in NOTHING] + [
            overload,
            f"11.7 {_unit(kind, action.id)}",
        ]
        if action.id == "read_mains":
            shows = ["230.1 V ac", "0.0 V ac"]
        outcome = draw(st.sampled_from(shows))
        if action.id in known and proven(case, [parse_evidence((action.id, outcome))]):
            continue
        found.append((action.id, outcome))
    return case, found


@settings(max_examples=40, deadline=None, derandomize=True)
@given(unproven())
def test_nothing_typed_condemns_a_part_before_the_meter_is_proven(
    given_case: tuple[Case, list[tuple[str, str]]],
) -> None:
    """Whatever the evidence: P(live) at least one half, and "decided" never names a part."""
    case, steps = given_case
    session = Session(case)
    for step in steps:
        session.update(parse_evidence(step))
    state = session.state()
    assert not state.proven
    assert state.p_live >= 0.5
    assert not (state.stop == "decided" and state.causes[0].family == "part")


def test_a_quiet_dead_input_does_not_condemn_the_supply() -> None:
    """A live 12 V output read through a dead input that shows steady zero: a control is asked for, and settles it."""
    session = Session(Case.from_text("12 V dc", "0.001 V dc", evidence=LIVE_DC))
    state = session.state()
    assert state.stop is None
    assert state.p_live >= 0.5
    assert {n.action for n in state.next} & {a.id for a in controls(session.case)}
    session.update(parse_evidence(("fresh_cell", "0.001 V dc")))
    state = session.state()
    assert state.causes[0].id == "meter_input_damaged"
    assert state.p_live > 0.9


def test_a_passed_control_lets_a_dead_part_be_named() -> None:
    """The same readings, and the cell reads right: then it is the part."""
    session = Session(
        Case.from_text("12 V dc", "0.001 V dc", evidence=[*LIVE_DC, ("fresh_cell", "1.602 V dc")])
    )
    state = session.state()
    assert state.proven
    assert state.causes[0].family == "part"
    assert state.p_live < 0.5


@pytest.mark.parametrize(
    ("expect", "first", "step", "is_proof"),
    [
        ("12 V dc", "0.001 V dc", ("fresh_cell", "1.59 V dc"), True),
        ("12 V dc", "0.001 V dc", ("fresh_cell", "1.20 V dc"), False),
        # A cell proves V=, not the converter that AC goes through.
        ("27 V ac", "0.001 V ac", ("fresh_cell", "1.59 V dc"), False),
        ("27 V ac", "0.001 V ac", ("generator_50hz", "5.02 V ac"), True),
        ("27 V ac", "0.001 V ac", ("second_meter", "0.003 V ac"), True),
        ("27 V ac", "0.001 V ac", ("second_meter", "27.1 V ac"), False),
        ("27 V ac", "20.1 V ac", ("second_meter", "20.2 V ac"), True),
        ("47 ohm", "OL", ("short_tips_ohms", "0.2 ohm"), True),
        ("47 ohm", "61 ohm", ("short_tips_ohms", "0.2 ohm"), False),
        ("47 ohm", "61 ohm", ("known_resistor", "10.02 kohm"), True),
        ("3 A ac", "0.000 A ac", ("ohms_jack_to_jack", "0.4 ohm"), False),
        ("3 A ac", "0.000 A ac", ("generator_at_frequency", "3.02 A ac"), True),
    ],
)
def test_what_proves_a_meter(expect: str, first: str, step: tuple[str, str], is_proof: bool) -> None:
    """A known source in the same function, or a second instrument that shows the same."""
    assert proven(Case.from_text(expect, first), [parse_evidence(step)]) is is_proof


def test_a_control_that_is_needed_in_any_case_can_be_ranked() -> None:
    """Where a part is as good as certain, its proof costs no time beyond what it would cost later; a score needs some."""
    session = Session(Case.from_text("12 V dc", "0.001 V dc", evidence=LIVE_DC))
    belief, known = session.belief, controls(session.case)
    found = offers(
        belief, np.zeros((len(belief.causes), len(belief.hypotheses))), list(known), known, p_part=1.0
    )
    assert all(offer.minutes > 0.0 for offer in found)
    assert ranked(found, by_profit=False)
