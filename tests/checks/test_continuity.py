"""Continuity and winding resistance."""

from __future__ import annotations

import pytest

from benchlog.checks.continuity import check_continuity
from benchlog.displayed import parse_displayed
from benchlog.errors import UsageError
from benchlog.magnetics.wire import parse_wire
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.metrology.meter_reading import MeterReading
from benchlog.reading import Function
from benchlog.result import Verdict


def ohms(text, accuracy="1 % + 5"):
    """Typed ohms on a 0.1 ohm digit unless the text says otherwise."""
    return MeterReading(parse_displayed(text, Function.OHMS, instrument="MA-01"), parse_accuracy(accuracy))


def winding():
    """60 turns of 34.74 mm plus 0.3 m of leads in AWG 24: 0.201 ohm."""
    return parse_wire("AWG 24").resistance_per_m() * (60 * 0.03474 + 0.3)


def test_handheld_cannot_resolve_a_winding():
    """0.2 ohm on a 0.1 ohm digit, 1 % + 5: U = 0.58 ohm; not resolvable, use four-wire."""
    result = check_continuity(ohms("0.2 ohm"), expected_ohm=winding())
    assert result.verdict is Verdict.INDETERMINATE
    assert "not resolvable" in result.reason
    assert "four-wire" in result.reason
    assert result.quantities["resistance"].expanded_uncertainty == pytest.approx(0.58, abs=0.005)


def test_four_wire_resolves_it():
    """0.500 A and 100.6 mV at the winding's ends: 201 mohm, pass against 202 +- 6 %."""
    drop = MeterReading(parse_displayed("100.6 mV dc", instrument="MA-01"), parse_accuracy("0.5 % + 2"))
    current = MeterReading(parse_displayed("0.500 A dc", instrument="MB-02"), parse_accuracy("1 % + 2"))
    result = check_continuity(drop, current=current, expected_ohm=winding())
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
    assert labels == ["counts of MA-01", "gain of MA-01"]


def test_open_circuit_is_a_fail_only_with_proven_leads():
    """OL may be the lead: without a null nothing is decided."""
    assert check_continuity(ohms("OL"), max_ohm=1.0).verdict is Verdict.INDETERMINATE
    proven = check_continuity(ohms("OL"), lead_null=ohms("0.2 ohm"), max_ohm=1.0)
    assert proven.verdict is Verdict.FAIL


def test_far_off_is_a_fail_without_four_wire():
    """A winding of hundreds of ohms where 67 is expected is wrong beyond any doubt."""
    result = check_continuity(ohms("412.0 ohm"), expected_ohm=67.0)
    assert result.verdict is Verdict.FAIL


def test_no_limits_is_exploratory():
    """Without limits a reading is recorded, not judged."""
    result = check_continuity(ohms("3.2 ohm"))
    assert result.verdict is Verdict.NOT_DONE
    assert "exploratory" in result.reason


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
    assert "doubt the null" in result.reason
    assert result.reason in result.findings
