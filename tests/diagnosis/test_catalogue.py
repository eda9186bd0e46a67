"""The catalogue is complete, and every line says where it comes from."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import numpy as np
import pytest

from benchlog.diagnosis.catalogue import FAMILIES, KINDS, Distribution, load_catalogue
from benchlog.diagnosis.information import joint_table, mutual_information

CAUSES = {
    "none": {"all_good"},
    "plan": {"expectation_wrong"},
    "part": {
        "part_open_output",
        "part_open_primary",
        "part_low",
        "part_high",
        "part_dc",
        "part_intermittent",
    },
    "supply": {"no_mains", "mains_off_nominal"},
    "lead": {
        "lead_open",
        "lead_intermittent",
        "lead_in_current_jack",
        "contact_not_made",
        "contact_resistance",
        "reversed_polarity",
    },
    "setting": {
        "wrong_function",
        "range_slip",
        "hold_engaged",
        "relative_mode",
        "other_mode",
        "not_settled",
        "outside_bandwidth",
        "probe_setting",
        "scope_coupling",
    },
    "meter": {
        "meter_input_damaged",
        "meter_battery_low",
        "meter_gain_drift",
        "display_frozen",
        "ac_converter_dead",
        "average_responding",
        "range_switch_dirty",
        "input_loading",
        "meter_offset",
        "current_fuse_blown",
        "ac_of_ac_plus_dc",
    },
}
SCOPE_AND_CURRENT = {"probe_on_calibrator", "ground_input", "generator_at_frequency", "ohms_jack_to_jack"}


def test_all_causes_of_the_vocabulary_are_there() -> None:
    """The ids and families scripts rely on, no more and no fewer."""
    found = {family: {c.id for c in load_catalogue().causes if c.family == family} for family in FAMILIES}
    assert found == CAUSES


def test_scope_and_current_checks_are_offered_only_there() -> None:
    """Checks of scope and current readings are not offered for a meter on volts or ohms."""
    for action in load_catalogue().actions.values():
        if action.id in SCOPE_AND_CURRENT:
            assert set(action.kinds) <= {"scope", "current"}


def test_every_line_gives_its_reason() -> None:
    """No number without saying where it comes from."""
    data = tomllib.loads(files("benchlog.diagnosis").joinpath("catalogue.toml").read_text("utf-8"))
    tables = [
        *data["engine"].values(),
        *data["hidden"].values(),
        *data["look"].values(),
        *data["context"].values(),
    ]
    tables += [t for kind in data["kind"].values() for t in kind.values()]
    tables += [*data["cause"], *data["action"]]
    tables += [t for cause in data["cause"] for t in cause.get("hidden", {}).values()]
    assert all(t["reason"].strip() for t in tables)


def test_look_tells_every_setting_apart() -> None:
    """Each word of a look belongs to one flag."""
    flags = [flag for flag, _ in load_catalogue().look.values()]
    assert len(flags) == len(set(flags))
    assert set(load_catalogue().actions["look"].words) == {"in order", *load_catalogue().look}


@pytest.mark.parametrize("kind", KINDS)
def test_weights_of_each_kind_sum_to_one(kind: str) -> None:
    """Context or not."""
    assert sum(load_catalogue().weights(kind).values()) == pytest.approx(1.0)
    assert sum(load_catalogue().weights(kind, ("after rest", "just read right")).values()) == pytest.approx(
        1.0
    )


def test_a_mixture_gives_each_part_its_share() -> None:
    """Whatever the seed."""
    mix = Distribution(
        "mix", (Distribution("constant", (0.0,)), Distribution("uniform", (5.0, 6.0))), (0.65, 0.35)
    )
    drawn = mix.draw(np.random.default_rng(3), 2000)
    assert np.mean(drawn == 0.0) == pytest.approx(0.65, abs=0.002)
    assert drawn.max() <= 6.0


def test_mutual_information_in_bits() -> None:
    """Two bits for four labels that match, none for labels that don't depend on each other."""
    four = np.repeat(np.arange(4), 25)
    five = np.tile(np.arange(5), 20)
    assert mutual_information(joint_table(four, four, 4, 4)) == pytest.approx(2.0)
    assert mutual_information(joint_table(four, five, 4, 5)) == pytest.approx(0.0, abs=1e-12)


def test_leads_are_moved_only_after_power_is_off() -> None:
    """A card that has clips taken off, fitted or moved on the circuit says to power off (or unplug) first."""
    untouched = {"look", "reread", "lamp_in_outlet", "reread_nameplate", "read_mains", "reading_again"}
    catalogue = load_catalogue()
    for action in catalogue.actions.values():
        if action.id in untouched:
            continue
        text = catalogue.card(action.card).lower()
        off = min((text.find(w) for w in ("power off at the outlet", "unplug") if w in text), default=-1)
        assert off >= 0, action.id
        handled = [text.find(w) for w in ("clip", "probe off", "leads") if w in text]
        assert all(off < place for place in handled), action.id
        if "power on" in text:
            assert "while dead" in text or "hold by themselves" in text or "while it is dead" in text, (
                action.id
            )
