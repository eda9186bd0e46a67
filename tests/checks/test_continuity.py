"""Continuity and winding resistance."""

from __future__ import annotations

import math

import pytest

from benchlog.checks.continuity import check_continuity, copper_resistance
from benchlog.displayed import parse_displayed
from benchlog.errors import UsageError
from benchlog.magnetics.wire import parse_wire
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.metrology.meter_reading import MeterReading
from benchlog.reading import Function
from benchlog.result import Uncertain, Verdict


def ohms(text, accuracy="1 % + 5"):
    """Typed ohms on a 0.1 ohm digit unless the text says otherwise."""
    return MeterReading(parse_displayed(text, Function.OHMS, instrument="MA-01"), parse_accuracy(accuracy))


def shown(text, accuracy):
    """What a meter shows, function and all."""
    return MeterReading(parse_displayed(text, instrument="MA-01"), parse_accuracy(accuracy))


def winding():
    """60 turns of 34.74 mm plus 0.3 m of leads in AWG 24: 0.201 ohm."""
    return parse_wire("AWG 24").resistance_per_m() * (60 * 0.03474 + 0.3)


def test_handheld_cannot_resolve_a_winding():
    """0.2 ohm on a 0.1 ohm digit, 1 % + 5: U = 0.58 ohm; not resolvable, use four-wire."""
    result = check_continuity(ohms("0.2 ohm"), expected=Uncertain(winding(), 0.0, 0.0, "ohm"))
    assert result.verdict is Verdict.INDETERMINATE
    assert "can't be resolved" in result.reason
    assert "four wires" in result.reason
    assert result.quantities["resistance"].expanded_uncertainty == pytest.approx(0.58, abs=0.005)


def test_a_coarse_reading_far_above_its_limits_fails():
    """4.7 kohm on a digit of 0.1 kohm where 0.2 ohm should be: however coarse, nothing near 0.2 ohm reads so."""
    result = check_continuity(ohms("4.7 kohm"), expected=Uncertain(winding(), 0.0, 0.0, "ohm"))
    assert result.verdict is Verdict.FAIL


def test_four_wire_resolves_it():
    """0.500 A and 100.6 mV at the winding's ends: 201 mohm, pass against 202 +- 6 %."""
    drop = MeterReading(parse_displayed("100.6 mV dc", instrument="MA-01"), parse_accuracy("0.5 % + 2"))
    current = MeterReading(parse_displayed("0.500 A dc", instrument="MB-02"), parse_accuracy("1 % + 2"))
    result = check_continuity(drop, current=current, expected=Uncertain(winding(), 0.0, 0.0, "ohm"))
    resistance = result.quantities["resistance"]
    assert resistance.value == pytest.approx(0.2012, abs=1e-4)
    # 0.5 % + 2 counts of 0.1 mV and 1 % + 2 counts of 1 mA, as uniform half-widths: 0.70 % and 1.40 %.
    assert resistance.standard_uncertainty / resistance.value == pytest.approx(0.0090, abs=0.0002)
    assert result.verdict is Verdict.PASS


def test_lead_null_is_subtracted_and_shares_the_gain():
    """0.9 less 0.2 ohm of leads is 0.7 ohm; the gain error of both is one."""
    result = check_continuity(ohms("0.9 ohm"), lead_null=ohms("0.2 ohm"), max_ohm=5.0)
    assert result.quantities["resistance"].value == pytest.approx(0.7)
    assert result.verdict is Verdict.PASS
    labels = [line.label for line in result.quantities["resistance"].budget]
    assert labels == ["rounding and scatter of MA-01", "gain of MA-01"]


def test_open_circuit_is_a_fail_only_with_proven_leads():
    """OL may be the lead: without a null nothing is decided."""
    assert check_continuity(ohms("OL"), max_ohm=1.0).verdict is Verdict.INDETERMINATE
    proven = check_continuity(ohms("OL"), lead_null=ohms("0.2 ohm"), max_ohm=1.0)
    assert proven.verdict is Verdict.FAIL


def test_far_off_is_a_fail_without_four_wire():
    """A winding of hundreds of ohms where 67 is expected is wrong beyond any doubt."""
    result = check_continuity(ohms("412.0 ohm"), expected=Uncertain(67.0, 0.0, 0.0, "ohm"))
    assert result.verdict is Verdict.FAIL


def test_no_limits_is_exploratory():
    """Without limits a reading is recorded, not judged."""
    result = check_continuity(ohms("3.2 ohm"))
    assert result.verdict is Verdict.NOT_DONE
    assert "no limit" in result.reason


def test_missing_null_is_a_finding():
    """Two-wire without null holds the leads' resistance."""
    assert any("lead null" in f for f in check_continuity(ohms("3.2 ohm"), max_ohm=10.0).findings)


@pytest.mark.parametrize("text", ["0.2 V dc", "1.0 A dc"])
def test_other_functions_are_refused(text):
    """Volts without current are not resistance."""
    with pytest.raises(UsageError):
        check_continuity(MeterReading(parse_displayed(text), parse_accuracy("1 % + 5")), max_ohm=1.0)


def test_zero_current_is_refused():
    """Four-wire needs a current."""
    drop = MeterReading(parse_displayed("1.0 mV dc"), parse_accuracy("1 % + 5"))
    current = MeterReading(parse_displayed("0.000 A dc"), parse_accuracy("1 % + 5"))
    with pytest.raises(UsageError, match="current is zero"):
        check_continuity(drop, current=current, max_ohm=1.0)


def test_a_lead_null_above_the_reading_is_doubted():
    """0.1 ohm less 0.3 ohm is not a resistance below the limit."""
    result = check_continuity(ohms("0.1 ohm"), lead_null=ohms("0.3 ohm"), max_ohm=5.0)
    assert result.verdict is Verdict.INDETERMINATE
    assert "take the null again" in result.reason
    assert result.reason in result.findings


def test_copper_of_unstated_temperature_is_uncertain() -> None:
    """±10 K are ±3.9 % of the resistance: 2.27 % standard, 4.5 % expanded, beside ±6 % of limits."""
    wire = parse_wire("AWG 24")
    stated, _ = copper_resistance(wire, 2.4, 20.0)
    unstated, source = copper_resistance(wire, 2.4, None)
    assert stated.expanded_uncertainty == 0
    assert unstated.value == stated.value
    assert unstated.expanded_uncertainty / unstated.value == pytest.approx(0.0454, abs=2e-4)
    assert "no temperature was stated" in source
    volts, current = shown("104.0 mV dc", "0.1 % + 1"), shown("0.500 A dc", "0.1 % + 1")
    near = [check_continuity(volts, current=current, expected=e).verdict for e in (stated, unstated)]
    assert near == [Verdict.PASS, Verdict.INDETERMINATE]


@pytest.mark.parametrize(("volts", "current"), [("0.100 V ac", "0.500 A dc"), ("0.100 V dc", "0.500 A ac")])
def test_unlike_couplings_give_no_resistance(volts: str, current: str) -> None:
    """AC volts over DC current is a slip of the dial, not 0.2 ohm."""
    with pytest.raises(UsageError, match="gives no resistance"):
        check_continuity(shown(volts, "0.5 % + 2"), current=shown(current, "1 % + 2"), max_ohm=1.0)


def test_ac_never_for_a_winding() -> None:
    """Its inductance counts too."""
    with pytest.raises(UsageError, match="impedance"):
        check_continuity(
            shown("0.100 V ac", "0.5 % + 2"),
            current=shown("0.500 A ac", "1 % + 2"),
            expected=Uncertain(0.2, 0.0, 0.0, "ohm"),
        )


def test_a_null_takes_the_zero_error_off() -> None:
    """0.5 % + 5 at 0.1 ohm: the five counts are one zero error, gone with the null; rounding and scatter stay."""
    one = check_continuity(ohms("1.2 ohm", "0.5 % + 5"), lead_null=ohms("0.2 ohm", "0.5 % + 5"), max_ohm=5.0)
    u = one.quantities["resistance"].standard_uncertainty
    assert u == pytest.approx(0.1 * math.hypot(1 / math.sqrt(12), 0.3) * math.sqrt(2), rel=0.01)
    other = check_continuity(
        ohms("1.20 ohm", "0.5 % + 5"), lead_null=ohms("0.2 ohm", "0.5 % + 5"), max_ohm=5.0
    )
    assert other.quantities["resistance"].standard_uncertainty > 3 * u


@pytest.mark.parametrize(
    ("text", "limits", "verdict"),
    [
        ("0.45 ohm", {"expected": Uncertain(0.202, 0.0, 0.0, "ohm")}, Verdict.INDETERMINATE),
        ("0.95 ohm", {"expected": Uncertain(0.202, 0.0, 0.0, "ohm")}, Verdict.FAIL),
        ("1.30 ohm", {"max_ohm": 1.0}, Verdict.INDETERMINATE),
        ("1.80 ohm", {"max_ohm": 1.0}, Verdict.FAIL),
        ("0.45 ohm", {"max_ohm": 1.0}, Verdict.PASS),
    ],
)
def test_leads_that_were_not_measured_condemn_no_part(text, limits, verdict):
    """Two leads are 0.1 to 0.5 ohm (common practice, no source): a fail that they explain is none."""
    result = check_continuity(ohms(text, "0.5 % + 1"), **limits)
    assert result.verdict is verdict
    if verdict is Verdict.INDETERMINATE:
        assert "includes the leads" in result.reason
