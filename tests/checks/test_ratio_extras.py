"""Series opposition, channel delay, and captures that do not belong together."""

from __future__ import annotations

import cmath
import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.two_channels import Scope

from benchlog.capture import Capture
from benchlog.checks.inductance import SeriesSetup, check_inductance
from benchlog.checks.phase import check_phase
from benchlog.checks.turns_ratio import RatioSetup, check_turns_ratio
from benchlog.errors import UsageError
from benchlog.result import Limits, Result, Verdict

FREQUENCY = 5e3
OFF = Scope(gain={"A": 1.025, "B": 0.977})
PER_TURN = 0.1 * cmath.exp(0.3j)


def _opposed(turns: int, against: int, *, planned: int = 32) -> Result:
    """Windings of `turns` and `against` turns in series opposition, channels 4.9 % apart."""
    capture = OFF.capture({"A": PER_TURN * (turns - against), "B": PER_TURN}, FREQUENCY)
    setup = RatioSetup(primary="B", secondary="A", opposed_turns=against)
    return check_turns_ratio(capture, setup, expected_turns=planned)


@pytest.mark.parametrize("turns", [31, 32, 33])
def test_series_opposition_counts_with_one_uncorrected_capture(turns: int) -> None:
    result = _opposed(turns, 30)
    ratio = result.quantities["turns_ratio"]
    assert ratio.value == pytest.approx(turns, abs=ratio.expanded_uncertainty)
    # 1, 2 or 3 turns left with 2.45 %, and 0.1 % half-width of 32 for winding resistance and leakage.
    left = abs(turns - 30) * 0.03 * math.sqrt(2 / 3)
    assert ratio.standard_uncertainty == pytest.approx(
        math.hypot(left, turns * 0.001 / math.sqrt(3)), rel=0.08
    )
    assert result.verdict is (Verdict.PASS if turns == 32 else Verdict.FAIL)
    assert f"{turns} turns" in result.reason
    # An ordinary reading with these gains could not.
    plain = OFF.capture({"A": PER_TURN * turns, "B": PER_TURN}, FREQUENCY)
    assert check_turns_ratio(plain, RatioSetup("B", "A"), expected_turns=32).verdict is Verdict.INDETERMINATE


def test_more_temporary_turns_than_the_winding_has_turn_the_sign() -> None:
    result = _opposed(32, 34)
    assert result.verdict is Verdict.PASS
    assert not any("polarity" in finding for finding in result.findings)


def test_nothing_left_decides_nothing() -> None:
    result = _opposed(30, 30)
    assert result.verdict is Verdict.INDETERMINATE
    assert any("one turn more or fewer" in finding for finding in result.findings)


def test_windings_that_aid_are_seen() -> None:
    capture = OFF.capture({"A": PER_TURN * 62, "B": PER_TURN}, FREQUENCY)
    result = check_turns_ratio(capture, RatioSetup("B", "A", opposed_turns=30), expected_turns=32)
    assert result.verdict is not Verdict.PASS
    assert any("aid each other" in finding for finding in result.findings)


def test_below_40_turns_series_opposition_is_offered() -> None:
    def offered(turns: int) -> list[str]:
        capture = OFF.capture({"A": PER_TURN * turns, "B": PER_TURN}, FREQUENCY)
        details = check_turns_ratio(capture, RatioSetup("B", "A"), expected_turns=turns).details
        return [way["method"] for way in details["would_settle"]]

    assert "series opposition" in offered(32)
    assert "series opposition" not in offered(60)


def test_series_opposition_goes_with_no_divider() -> None:
    with pytest.raises(UsageError, match="combined with a divider"):
        RatioSetup("B", "A", opposed_turns=30, divider=30.0)


def test_two_captures_at_two_frequencies_are_not_one_set_up() -> None:
    def pair(second_hz: float) -> tuple[Capture, Capture]:
        return (
            OFF.capture({"A": 60 * PER_TURN, "B": PER_TURN}, FREQUENCY),
            OFF.capture({"A": PER_TURN, "B": 60 * PER_TURN}, second_hz),
        )

    setup = RatioSetup("B", "A")
    for second_hz, odd in ((FREQUENCY * (1 + 2e-5), False), (FREQUENCY * 1.01, True)):
        normal, swapped = pair(second_hz)
        result = check_turns_ratio(normal, setup, expected_turns=60, swapped=swapped)
        assert any("capture both at one frequency" in finding for finding in result.findings) is odd


def test_the_delay_between_channels_counts_in_one_capture_and_cancels_in_two() -> None:
    scope = Scope(delay_s={"A": 0.0, "B": 4e-9}, interval_s=1e-7)
    frequency = 100e3
    normal = scope.capture({"A": 3.0 + 0j, "B": 1.0 + 0j}, frequency)
    swapped = scope.capture({"A": 1.0 + 0j, "B": 3.0 + 0j}, frequency)
    setup = RatioSetup("B", "A")
    one = check_turns_ratio(normal, setup, expected_turns=3).quantities["phase"]
    assert one.value == pytest.approx(360 * frequency * 4e-9, abs=0.05)
    assert one.budget[0].label == "delay between channels"
    assert one.budget[0].contribution == pytest.approx(360 * frequency * 5e-9 / math.sqrt(3), rel=1e-4)
    both = check_turns_ratio(normal, setup, expected_turns=3, swapped=swapped).quantities["phase"]
    assert both.value == pytest.approx(0, abs=max(0.02, both.expanded_uncertainty))
    left = {line.label: line.contribution for line in both.budget}.get("delay between channels", 0.0)
    assert left < 1e-4 * one.budget[0].contribution
    lone = check_phase(normal, "B", "A", Limits(-1, 1, "deg", "plan")).quantities["phase"]
    assert lone.standard_uncertainty == pytest.approx(one.standard_uncertainty)


def test_a_phase_from_a_clipped_record_says_how_to_take_it_again() -> None:
    good = Scope().capture({"A": 3.0 + 0j, "B": 3.0 + 0j}, 5e3)
    cut = tuple(replace(c, codes=np.clip(c.codes, -60, 60), code_limits=(-60, 60)) for c in good.channels)
    result = check_phase(replace(good, channels=cut), "B", "A", Limits(-1, 1, "deg", "plan"))
    assert result.verdict is Verdict.INDETERMINATE
    assert "next larger range" in result.details["would_settle"][0]["action"]


def test_converter_steps_are_in_the_budget_not_among_the_findings() -> None:
    quiet = Scope(noise_steps=0.0)
    capture = quiet.capture({"A": 1.3 + 0j, "B": 1.3 / 3 + 0j}, 4.9873e3)
    result = check_turns_ratio(capture, RatioSetup("B", "A"), expected_turns=3)
    assert any("step of the converter" in note for note in result.details["notes"])
    assert not any("step of the converter" in finding for finding in result.findings)


def test_a_resistor_seen_upside_down_is_not_a_finding_but_a_winding_that_lags_at_the_node_is() -> None:
    def check(node: bool) -> Result:
        scope = Scope()
        across = 2.0 * cmath.exp(1j * (math.pi / 2 if not node else math.pi / 4))
        capture = scope.capture({"A": -across, "B": 1.0 + 0j}, 1e3)
        return check_inductance(capture, SeriesSetup("A", "B", 1e3, node=node))

    apart = check(node=False)
    assert not any("lags" in finding for finding in apart.findings)
    assert any("inverted, as with both" in note for note in apart.details["notes"])
    assert any("lags" in finding for finding in check(node=True).findings)
    assert apart.quantities["phase"].standard_uncertainty > 0


def test_ways_that_seldom_settle_a_count_are_not_offered() -> None:
    """2000 turns with 0.1 % for the unknown winding: rounding is right in erf(0.5 / (2000 x 0.00058 sqrt 2)) = 0.33 (RECOMPUTED)."""
    capture = OFF.capture({"A": 0.004 * 2000, "B": 0.004}, FREQUENCY)
    result = check_turns_ratio(capture, RatioSetup("B", "A"), expected_turns=2000)
    assert result.verdict is Verdict.INDETERMINATE
    assert all(way["probability"] >= 0.5 for way in result.details["would_settle"])
    assert sum(finding.startswith("next (") for finding in result.findings) == 1
