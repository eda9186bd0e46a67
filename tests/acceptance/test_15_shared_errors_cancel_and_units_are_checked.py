"""A derived value knows which errors its readings share; quantities of the wrong kind are refused."""

from __future__ import annotations

import pytest

SUPPLY = (
    "supply", "--nameplate", "24 V ac 40 VA", "--mains", "236 V", "--mains-nominal", "230 V",
    "--reading", "27.75 V ac", "--load", "15 ohm", "--loaded", "24.70 V ac", "--no-record", "--json",
)  # fmt: skip


def relative_u(desk, *more: str) -> float:
    """Standard uncertainty of the source resistance, relative."""
    source = desk.run(*SUPPLY, *more).json["quantities"]["source_resistance"]
    assert source["value"] == pytest.approx(1.852, abs=0.001)
    return float(source["standard_uncertainty"] / source["value"])


def test_one_meter_cancels_its_gain_two_meters_do_not(desk) -> None:
    """u/Rth: 3.1 % with one meter on one range, 9.3 ± 0.4 % with two meters of 1 % + 5, each by its whole bound."""
    one = relative_u(desk, "--meter", "MA-01")
    two = relative_u(
        desk,
        "--meter",
        "X-1",
        "--accuracy",
        "1 % + 5",
        "--loaded-meter",
        "X-2",
        "--loaded-accuracy",
        "1 % + 5",
    )
    assert one == pytest.approx(0.031, abs=0.002)
    assert two == pytest.approx(0.093, abs=0.004)


@pytest.mark.parametrize(
    ("option", "wrong"),
    [("--load", "15 V"), ("--loaded", "24.70 ohm"), ("--capacitor", "35 ohm"), ("--mains", "236 ohm")],
)
def test_a_quantity_of_another_kind_is_refused(desk, option: str, wrong: str) -> None:
    """Volts for a resistance, ohms for a voltage: refused with what would be right, exit 2."""
    said = desk.run(*SUPPLY, "--meter", "MA-01", option, wrong)
    assert said.code == 2
    assert said.json["error"]


def test_current_from_volts_and_ohms_is_accepted_volts_for_ohms_are_not(kiln) -> None:
    """The drop and the current give ohms; limits of a resistance in volts are refused when the plan is read."""
    said = kiln.answer(kiln.plan, "C09", ["C09/drop: 100.6 mV"], "--json")
    (result,) = said.lines
    assert result["quantities"]["resistance"]["unit"] == "ohm"
    assert result["quantities"]["resistance"]["value"] == pytest.approx(0.2012)
    text = kiln.plan.read_text(encoding="utf-8")
    bad = kiln.write(
        "bad.toml", text.replace('low = "1.4 ohm", high = "2.4 ohm"', 'low = "1.4 V", high = "2.4 ohm"')
    )
    refused = kiln.run("status", bad)
    assert refused.code == 2
    assert "low is in V, high in ohm" in refused.words
