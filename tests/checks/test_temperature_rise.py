"""Temperature rise after a soak: by the resistance of a copper winding, or by a thermometer on the part."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from helpers.guided_project import GuidedProject
from helpers.plan_text import check, part, plan_text
from helpers.scripted_person import ScriptedPerson

from benchlog.bench import AccuracyLine, Bench, Instrument
from benchlog.checks.temperature_rise import check_temperature_rise
from benchlog.displayed import parse_displayed
from benchlog.errors import ConfigError, UsageError
from benchlog.magnetics.wire import copper_factor
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.metrology.meter_reading import MeterReading
from benchlog.reading import Function
from benchlog.report.facts import gather
from benchlog.result import Limits, Result, Verdict

LIMITS = Limits(None, 60.0, "K", "plan")


def shown(text: str, function: Function, meter: str, accuracy: str) -> MeterReading:
    """A display of a meter."""
    return MeterReading(parse_displayed(text, function, instrument=meter), parse_accuracy(accuracy))


def ohms(text: str, accuracy: str = "0.05 % + 2") -> MeterReading:
    """A winding on a four-wire meter."""
    return shown(text, Function.FOUR_WIRE_OHMS, "MA-01", accuracy)


def degrees(text: str) -> MeterReading:
    """A thermometer."""
    return shown(text, Function.TEMPERATURE, "TH-05", "0.3 % + 5")


def by_resistance(cold: str, hot: str, cold_air: str, air: str, **more: object) -> Result:
    """Judge a winding's rise against 60 K."""
    return check_temperature_rise(
        ohms(hot), degrees(air), LIMITS, cold=ohms(cold), cold_air=degrees(cold_air), **more
    )  # type: ignore[arg-type]


def test_the_winding_follows_the_standards_formula() -> None:
    """R2/R1 (234.5 + T1) - 234.5 - T2 (IEC 60076-2, from memory); RECOMPUTED: 1.175 x 256.9 - 234.5 - 23.1 = 44.26."""
    result = by_resistance("0.2000 ohm", "0.2350 ohm", "22.4", "23.1")
    assert result.quantities["temperature_rise"].value == pytest.approx(44.2575, abs=1e-4)
    assert result.quantities["hot_temperature"].value == pytest.approx(44.2575 + 23.1, abs=1e-4)
    assert result.verdict is Verdict.PASS


@pytest.mark.parametrize("celsius", [40.0, 75.0, 115.0])
def test_it_agrees_with_the_copper_standard(celsius: float) -> None:
    """0.00393 per kelvin at 20 degree Celsius (IEC 60028) is another way to write k = 234.45: the same to 0.1 K."""
    hot = f"{0.2 * copper_factor(celsius):.6f} ohm"
    result = by_resistance("0.200000 ohm", hot, "20.0", "20.0")
    assert result.quantities["temperature_rise"].value == pytest.approx(celsius - 20, abs=0.1)


def test_the_uncertainty_is_that_of_simulated_meters() -> None:
    """200 000 draws of all errors, uniform and shared as the readings share them: the same spread within 2 %."""
    result = by_resistance("0.2000 ohm", "0.2350 ohm", "22.4", "23.1")
    rng, n = np.random.default_rng(7), 200_000

    def draw(half: float) -> np.ndarray:
        return rng.uniform(-half, half, n)

    gain, warmth = 1 + draw(0.0005), 1 + draw(0.003)
    cold, hot = 0.2 * gain + draw(2e-4), 0.235 * gain + draw(2e-4)
    before, after = 22.4 * warmth + draw(0.5), 23.1 * warmth + draw(0.5)
    k = 234.5 + draw(1.0)
    rise = hot / cold * (k + before + draw(1.0)) - k - after
    assert result.quantities["temperature_rise"].standard_uncertainty == pytest.approx(rise.std(), rel=0.02)


def test_near_the_limit_nothing_is_decided() -> None:
    """A guard band of U on each side of 60 K."""
    assert by_resistance("0.2000 ohm", "0.2470 ohm", "22.0", "22.0").verdict is Verdict.INDETERMINATE
    assert by_resistance("0.2000 ohm", "0.2600 ohm", "22.0", "22.0").verdict is Verdict.FAIL


def test_a_winding_read_late_does_not_pass() -> None:
    """It was hotter before, so a pass is open; a fail stays one."""
    late = by_resistance("0.2000 ohm", "0.2350 ohm", "22.4", "23.1", after_s=300.0)
    assert late.verdict is Verdict.INDETERMINATE
    assert "300 s after power-off" in late.reason
    assert "soak again" in late.details["would_settle"][0]["action"]
    failed = by_resistance("0.2000 ohm", "0.2600 ohm", "22.0", "22.0", after_s=300.0)
    assert failed.verdict is Verdict.FAIL


def test_leads_are_taken_off_both_readings() -> None:
    """0.3 ohm of leads on 0.2 ohm: without the null the rise would be 18 K."""
    cold, hot, null = (
        shown(text, Function.OHMS, "MA-01", "0.5 % + 1") for text in ("0.5000", "0.5350", "0.3000")
    )
    result = check_temperature_rise(
        hot, degrees("22.0"), LIMITS, cold=cold, cold_air=degrees("22.0"), lead_null=null
    )
    assert result.quantities["temperature_rise"].value == pytest.approx(0.175 * 256.5)


def test_a_drop_needs_a_steady_current() -> None:
    """Voltages at one test current: 1 % of current is 1 % of the ratio, some 3 K."""
    cold, hot = (shown(text, Function.DC_VOLTS, "MA-01", "0.05 % + 2") for text in ("100.00 mV", "117.50 mV"))
    u = {
        stability: check_temperature_rise(
            hot, degrees("22.0"), LIMITS, cold=cold, cold_air=degrees("22.0"), current_stability=stability
        ).quantities["temperature_rise"]
        for stability in (0.0, 0.01)
    }
    moved = (u[0.01].standard_uncertainty ** 2 - u[0.0].standard_uncertainty ** 2) ** 0.5
    assert moved == pytest.approx(0.01 / 3**0.5 * 1.175 * 256.5, rel=0.01)


def test_one_thermometer_shares_its_gain() -> None:
    """61.0 less 23.0 degree; the 0.3 % count on the difference only."""
    result = check_temperature_rise(degrees("61.0"), degrees("23.0"), LIMITS)
    rise = result.quantities["temperature_rise"]
    assert rise.value == pytest.approx(38.0)
    expected = ((0.003 * 38) ** 2 / 3 + 2 * 0.5**2 / 3) ** 0.5
    assert rise.standard_uncertainty == pytest.approx(expected, rel=1e-6)
    assert result.verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("hot", "more"),
    [
        (ohms("0.2350"), {}),
        (ohms("0.2350"), {"cold": ohms("0.2000"), "cold_air": ohms("22.0")}),
        (ohms("0.2350"), {"cold": shown("0.2", Function.OHMS, "MA-01", "1 %"), "cold_air": degrees("22.0")}),
        (ohms("0.2350"), {"cold": ohms("-0.2000"), "cold_air": degrees("22.0")}),
    ],
)
def test_readings_that_do_not_belong_together_are_refused(
    hot: MeterReading, more: dict[str, MeterReading]
) -> None:
    with pytest.raises(UsageError):
        check_temperature_rise(hot, degrees("22.0"), LIMITS, **more)  # type: ignore[arg-type]


# ---- in a plan ----

BENCH = Bench(
    [
        Instrument(tag="MA-01", accuracy=(AccuracyLine(Function.FOUR_WIRE_OHMS, "0.05 % + 2"),)),
        Instrument(tag="TH-05", accuracy=(AccuracyLine(Function.TEMPERATURE, "0.3 % + 5"),)),
    ]
)
RISE = {
    "meter": "MA-01",
    "thermometer": "TH-05",
    "soak": "2 h at 1.65 A",
    "function": "ohm4w",
    "limits": {"temperature_rise": {"high": "60 K"}},
}


def rise_plan(**changed: object) -> str:
    return plan_text(part("T1"), check("C01", "temperature_rise", **{**RISE, **changed}))


def test_a_person_is_guided_through_it(tmp_path: Path) -> None:
    """Cold, soak, hot, air; the result counts for the plan and is on the certificate with both its quantities."""
    answers = {"C01/cold_air": "22.4", "C01/cold": "0.2000", "C01/hot": "0.2350", "C01/air": "23.1"}
    person = ScriptedPerson(answers)
    with GuidedProject(tmp_path, rise_plan(), BENCH) as project:
        assert project.run(person) is Verdict.PASS
        assert project.states == ["passed"]
        (tested,) = gather(project.book, project.plan, project.clock.utc_ns()).tested
    assert "limits: temperature rise ≤ 60 K" in person.said
    assert any("2 h at 1.65 A; then power off" in prompt.text for prompt in person.asked)
    assert [row.quantity for row in tested.rows] == ["temperature rise", "hot temperature"]
    assert tested.instruments == "TH-05, MA-01"


def test_a_thermometer_needs_nothing_cold(tmp_path: Path) -> None:
    """Two readings in all."""
    text = rise_plan(function="degC", meter="TH-05")
    with GuidedProject(tmp_path, text, BENCH) as project:
        assert project.run(ScriptedPerson({"C01/hot": "61.0", "C01/air": "23.0"})) is Verdict.PASS
        (result,) = project.results
    assert result.conditions["method"] == "thermometer"


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"function": "V~"}, "function 'V~'"),
        ({"limits": {}}, "limits.temperature_rise is missing"),
        ({"limits": {"temperature_rise": {"high": "60 V"}}}, "not in K"),
        ({"soak": 2}, "soak"),
    ],
)
def test_a_slip_in_the_plan_is_named(tmp_path: Path, changed: dict[str, object], said: str) -> None:
    with (
        pytest.raises(ConfigError, match=said),
        GuidedProject(tmp_path, rise_plan(**changed), BENCH) as project,
    ):
        _ = project.plan
