"""Meters on one node: E_n per pair, the odd one out, drift of the node, what can't be compared."""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np
import pytest
from helpers.waveforms import ideal_waveform
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.checks.crosscheck import check_crosscheck
from benchlog.displayed import parse_displayed
from benchlog.errors import AnalysisError, UsageError
from benchlog.metrology.accuracy import UNKNOWN_ACCURACY, Accuracy, parse_accuracy
from benchlog.metrology.meter_reading import MeterReading
from benchlog.metrology.next_best import next_step
from benchlog.reading import Flag, Function
from benchlog.result import Result, Verdict
from benchlog.signal.waveform import measure_waveform


def meter(tag: str, shown: str, accuracy: str = "1 % + 5", resolution: float | None = None) -> MeterReading:
    return MeterReading(
        parse_displayed(shown, instrument=tag, resolution=resolution), parse_accuracy(accuracy)
    )


def e_n_of(result: Result) -> float:
    return result.quantities["e_n"].value


@pytest.mark.parametrize(("shown", "e_n"), [("5.01 V dc", 0.14), ("5.05 V dc", 0.72), ("5.19 V dc", 2.67)])
def test_a_meter_going_bad_against_a_reference_module(shown: str, e_n: float) -> None:
    """5.000 V +-0.05 % against a 2000-count meter of 0.8 % + 2: 0.14, 0.72, then 2.67 (worked by hand)."""
    result = check_crosscheck([meter("MB-02", shown, "0.8 % + 2"), meter("CS-3", "5.000 V dc", "0.05 % + 0")])
    assert e_n_of(result) == pytest.approx(e_n, abs=0.005)
    assert result.verdict is (Verdict.FAIL if e_n > 1 else Verdict.PASS)


def test_two_healthy_meters_on_a_transformer() -> None:
    """27.75 V (1 % + 5) and 27.8 V (1.2 % + 5): E_n 0.05 (worked by hand)."""
    result = check_crosscheck([meter("MA-01", "27.75 V ac"), meter("MB-02", "27.8 V ac", "1.2 % + 5")])
    assert e_n_of(result) == pytest.approx(0.05, abs=0.005)
    assert result.quantities["difference"].value == pytest.approx(-0.05)
    assert result.functions == {"MA-01": "V~", "MB-02": "V~"}


def test_two_meters_never_tell_which_is_wrong() -> None:
    result = check_crosscheck([meter("A", "5.19 V dc", "0.8 % + 2"), meter("B", "5.000 V dc", "0.05 % + 0")])
    words = " ".join(result.findings)
    assert "not which" in words
    assert "check standard" in words
    assert "odd_one_out" not in result.details


def test_nist_dataplot_rows(worked_examples: dict[str, dict[str, object]]) -> None:
    """NIST Dataplot manual, ISO 13528 EN SCORE sample output (READ): same numbers through the check."""
    case = worked_examples["en_dataplot"]
    u_lab, xref, width = (float(str(case[k])) for k in ("U_lab", "xref", "recomputed_denominator"))
    u_ref = math.sqrt(width**2 - u_lab**2)
    rows = case["rows"]
    assert isinstance(rows, Sequence)
    for value, expected in rows:
        # Accuracy of no percentage and as many counts as give these expanded uncertainties.
        lab = MeterReading(
            msgspec.structs.replace(parse_displayed(f"{value} V dc", instrument="lab"), resolution=1e-3),
            Accuracy(0.0, u_lab / 2 * math.sqrt(3) / 1e-3),
        )
        reference = MeterReading(
            msgspec.structs.replace(parse_displayed(f"{xref} V dc", instrument="ref"), resolution=1e-3),
            Accuracy(0.0, u_ref / 2 * math.sqrt(3) / 1e-3),
        )
        assert e_n_of(check_crosscheck([lab, reference])) == pytest.approx(abs(expected), abs=6e-4)


def test_three_meters_name_the_odd_one_out() -> None:
    result = check_crosscheck(
        [
            meter("A", "5.01 V dc", "0.8 % + 2"),
            meter("B", "5.19 V dc", "0.8 % + 2"),
            meter("C", "5.002 V dc", ".1 % + 2"),
        ]
    )
    assert result.verdict is Verdict.FAIL
    assert result.details["odd_one_out"] == "B"
    assert any(f.startswith("B is the odd one out") for f in result.findings)
    assert len(result.details["pairs"]) == 3


def test_a_reason_shows_one_e_n_and_says_what_it_is() -> None:
    """E_n is the difference over what the accuracies allow (ISO/IEC 17043): 0.19 V over 2/sqrt(3) of 61.5 mV, 2.68."""
    readings = [meter("A", "5.19 V dc", "0.8 % + 2"), meter("B", "5.000 V dc", "0.05 % + 0", 1e-6)]
    two = check_crosscheck(readings)
    assert two.reason.endswith("differ by 190.0 mV, 2.67 times what their accuracies allow (E_n)")
    three = check_crosscheck([*readings, meter("C", "5.001 V dc", "0.5 % + 2")])
    assert three.reason.endswith("differ by 2.15 times what their accuracies allow (E_n)")
    assert not any("E_n" in finding for finding in three.findings)


@pytest.mark.parametrize(("unit", "verdict"), [("dc", Verdict.FAIL), ("ac", Verdict.INDETERMINATE)])
def test_a_response_to_the_average_excuses_a_difference_on_ac_only(unit: str, verdict: Verdict) -> None:
    """A square wave: mean absolute value times 1.11 is 11 % high; on DC both kinds are alike."""
    readings = [meter("A", f"10.00 V {unit}"), meter("B", f"11.11 V {unit}")]
    result = check_crosscheck(readings, responses={"A": "true rms", "B": "average"})
    assert result.verdict is verdict


@pytest.mark.parametrize(
    ("shown", "words"),
    [
        (("5.00 V dc", "5.09 V dc", "5.18 V dc"), "it could be A or C"),
        (("5.00 V dc", "6.00 V dc", "7.00 V dc"), "more than one meter disagrees"),
    ],
)
def test_three_meters_that_do_not_tell_leave_it_open(shown: tuple[str, str, str], words: str) -> None:
    result = check_crosscheck([meter(t, s, "0.8 % + 2") for t, s in zip("ABC", shown, strict=True)])
    assert result.details["odd_one_out"] is None
    assert any(words in f for f in result.findings)


def test_three_in_agreement_have_no_odd_one() -> None:
    result = check_crosscheck([meter(t, "5.00 V dc") for t in "ABC"])
    assert result.verdict is Verdict.PASS
    assert result.details["odd_one_out"] is None


def test_order_a_b_a_takes_a_drift_of_the_node_out() -> None:
    """The node falls by 0.2 V a reading; A and B agree exactly once that is taken out."""
    result = check_crosscheck([meter("A", "27.80 V ac"), meter("B", "27.60 V ac"), meter("A", "27.40 V ac")])
    assert e_n_of(result) == pytest.approx(0, abs=1e-9)
    assert result.details["drift"] == {"value": pytest.approx(-0.2), "per": "reading"}
    assert any("what was measured moved by -200.0 mV" in f for f in result.findings)
    assert result.details["meters"]["A"]["readings"] == 2


def test_times_of_the_readings_count_when_they_are_known() -> None:
    shown = [("A", "10.00 V dc", 0), ("B", "10.10 V dc", 1), ("A", "11.00 V dc", 10)]
    stamped = []
    for tag, text, second in shown:
        m = meter(tag, text)
        stamped.append(
            MeterReading(msgspec.structs.replace(m.reading, utc_ns=10**18 + second * 10**9), m.accuracy)
        )
    result = check_crosscheck(stamped)
    assert result.details["drift"]["value"] == pytest.approx(0.1)
    assert result.quantities["difference"].value == pytest.approx(0, abs=1e-9)


def test_scatter_of_repeated_readings_widens_the_difference() -> None:
    quiet = check_crosscheck([meter("A", "10.00 V dc"), meter("B", "10.00 V dc")])
    rows = [("A", "10.00"), ("B", "9.00"), ("A", "9.00"), ("B", "10.00"), ("A", "10.50"), ("B", "9.50")]
    noisy = check_crosscheck([meter(t, f"{s} V dc") for t, s in rows])
    assert (
        noisy.quantities["difference"].standard_uncertainty
        > 2 * quiet.quantities["difference"].standard_uncertainty
    )
    assert noisy.quantities["difference"].degrees_of_freedom is not None
    assert any(line.label == "scatter of the readings" for line in noisy.quantities["difference"].budget)


def test_meters_read_in_one_go_leave_drift_and_difference_mixed() -> None:
    result = check_crosscheck([meter(t, "10.00 V dc") for t in "AABB"])
    assert any("read A-B-A" in f for f in result.findings)
    assert "drift" not in result.details


@pytest.mark.parametrize(
    ("order", "in_turns"), [("AB", False), ("AABB", False), ("ABA", True), ("ABC", False)]
)
def test_the_record_tells_the_order_that_was_kept(order: str, in_turns: bool) -> None:
    """It says A-B-A where a meter was read again after another, and nowhere else."""
    result = check_crosscheck([meter(t, "10.00 V dc") for t in order])
    assert ("A-B-A" in result.hookup) is in_turns
    assert "minute" not in result.hookup  # nobody said when they were read


@settings(max_examples=40)
@given(
    st.lists(st.sampled_from("ABC"), min_size=4, max_size=9).filter(lambda tags: len(set(tags)) > 1),
    st.floats(-0.5, 0.5),
)
def test_a_steady_drift_never_shows_as_a_difference_when_bracketed(tags: list[str], drift: float) -> None:
    """Whatever the order, meters that agree are found to agree if the drift could be found."""
    readings = [
        MeterReading(
            msgspec.structs.replace(parse_displayed("1.000 V dc", instrument=tag), value=100 + drift * i),
            parse_accuracy("0.1 % + 1"),
        )
        for i, tag in enumerate(tags)
    ]
    result = check_crosscheck(readings)
    if "drift" in result.details:
        assert e_n_of(result) < 1e-6


@settings(max_examples=40)
@given(st.floats(1, 1000), st.floats(1, 1000), st.floats(0.001, 0.05), st.floats(0.001, 0.05))
def test_e_n_does_not_care_which_meter_comes_first_or_about_the_unit(
    a: float, b: float, fraction_a: float, fraction_b: float
) -> None:
    def one(first: float, second: float, swap: bool) -> float:
        pair = [
            MeterReading(
                msgspec.structs.replace(
                    parse_displayed("1 V dc", instrument="A", resolution=0.0), value=first
                ),
                Accuracy(fraction_a, 0),
            ),
            MeterReading(
                msgspec.structs.replace(
                    parse_displayed("1 V dc", instrument="B", resolution=0.0), value=second
                ),
                Accuracy(fraction_b, 0),
            ),
        ]
        return e_n_of(check_crosscheck(pair[::-1] if swap else pair))

    assert one(a, b, False) == pytest.approx(one(a, b, True), rel=1e-9)
    assert one(a, b, False) == pytest.approx(one(1000 * a, 1000 * b, False), rel=1e-9)


def test_different_functions_are_refused() -> None:
    with pytest.raises(UsageError, match=r"A reads V= and B V~: these are different quantities"):
        check_crosscheck([meter("A", "5 V dc"), meter("B", "5 V ac")])
    with pytest.raises(UsageError, match="different quantities"):
        check_crosscheck([meter("A", "5 ohm"), meter("B", "5 V ac")])


def test_overload_and_held_displays_are_refused() -> None:
    with pytest.raises(AnalysisError, match=r"B shows 'OL V ac' \(overload\)"):
        check_crosscheck([meter("A", "5 V ac"), meter("B", "OL V ac")])
    held = meter("A", "5 V ac")
    held = MeterReading(msgspec.structs.replace(held.reading, flags=frozenset([Flag.HOLD])), held.accuracy)
    with pytest.raises(AnalysisError, match="not a current reading"):
        check_crosscheck([held, meter("B", "5 V ac")])


def test_one_meter_twice_is_not_two() -> None:
    with pytest.raises(UsageError, match="can't confirm itself"):
        check_crosscheck([meter("A", "5 V ac"), meter("A", "5 V ac")])
    with pytest.raises(UsageError, match="does not name its meter"):
        check_crosscheck([meter("", "5 V ac"), meter("A", "5 V ac")])


@pytest.mark.parametrize(
    ("second", "stated", "verdict"),
    [
        ("27.80 V ac", False, Verdict.INDETERMINATE),  # 5 counts: whose manual allows that?
        ("27.76 V ac", False, Verdict.PASS),  # the last digit: any manual does
        ("27.8 V ac", False, Verdict.PASS),
        ("31.00 V ac", False, Verdict.FAIL),  # beyond what is assumed for both
        ("27.35 V ac", True, Verdict.INDETERMINATE),  # A alone may be off by 0.33 V
        ("27.60 V ac", True, Verdict.PASS),
    ],
)
def test_meters_agree_only_by_what_was_stated(second: str, stated: bool, verdict: Verdict) -> None:
    """A wide assumption makes agreement easy, so it can fail two meters but never pass them."""
    first = MeterReading(
        parse_displayed("27.75 V ac", instrument="A"),
        parse_accuracy("1 % + 5") if stated else UNKNOWN_ACCURACY,
    )
    other = MeterReading(parse_displayed(second, instrument="B"), UNKNOWN_ACCURACY)
    result = check_crosscheck([first, other])
    assert result.verdict is verdict
    way = next_step(result)
    assert (way is not None and "manual" in way) is (verdict is Verdict.INDETERMINATE)


def test_three_equal_readings_have_an_e_n_of_zero() -> None:
    assert e_n_of(check_crosscheck([meter(tag, "27.75 V ac") for tag in "ABC"])) == 0


def test_unknown_accuracy_and_low_battery_are_reported() -> None:
    a = MeterReading(parse_displayed("5.00 V ac", instrument="A"), UNKNOWN_ACCURACY)
    b = meter("B", "5.00 V ac")
    b = MeterReading(msgspec.structs.replace(b.reading, flags=frozenset([Flag.LOW_BATTERY])), b.accuracy)
    result = check_crosscheck([a, b])
    assert any("2 % + 10 counts assumed" in f for f in result.findings)
    assert any("low battery" in f for f in result.findings)


TURNS = 10 * (np.arange(5000) + 0.37) / 5000
SQUARE = "square 50% bipolar"


@pytest.mark.parametrize(
    ("shape", "dc", "error"), [("sine", 0.0, 0.0), (SQUARE, 0.0, 0.1107), ("triangle", 7.0, -0.0381)]
)
def test_form_factors_of_known_waveforms(shape: str, dc: float, error: float) -> None:
    """An average-responding meter is right on a sine, reads 11.1 % high on a square, 3.8 % low on a triangle."""
    values = ideal_waveform(shape, TURNS) + dc
    readings = [meter("T", "10.00 V ac"), meter("A", f"{10 * (1 + error):.2f} V ac")]
    kinds = {"T": "true rms", "A": "average"}
    result = check_crosscheck(readings, responses=kinds, waveform=measure_waveform(values, 1e-5))
    assert result.details["meters"]["A"]["value"] == pytest.approx(10, rel=2e-3)


def test_a_capture_without_the_waveform_is_refused() -> None:
    readings = [meter("T", "10.00 V ac"), meter("A", "11.11 V ac")]
    ramp = measure_waveform(np.arange(100.0), 1e-5)
    with pytest.raises(AnalysisError, match="does not show the waveform"):
        check_crosscheck(readings, responses={"A": "average"}, waveform=ramp)


def test_average_responding_meter_is_explained_by_the_waveform() -> None:
    """On a square wave of 10 V an average-responding meter shows 11.1 V; both meters are right."""
    readings = [meter("MA-01", "10.00 V ac"), meter("MB-02", "11.11 V ac")]
    kinds = {"MA-01": "true rms", "MB-02": "average"}
    blind = check_crosscheck(readings, responses=kinds)
    assert blind.verdict is Verdict.INDETERMINATE  # neither is blamed before the waveform is known
    assert "capture the waveform" in blind.reason
    assert any("capture the waveform" in f for f in blind.findings)
    seen = check_crosscheck(
        readings, responses=kinds, waveform=measure_waveform(ideal_waveform(SQUARE, TURNS), 1e-5)
    )
    assert seen.verdict is Verdict.PASS
    assert seen.details["e_n_as_read"] == pytest.approx(e_n_of(blind))
    assert any("MB-02 responds to the average" in f and "+11.0" in f for f in seen.findings)


def test_a_waveform_does_not_excuse_dc_or_true_rms_meters() -> None:
    readings = [meter("A", "10.00 V dc"), meter("B", "11.11 V dc")]
    kinds = {"A": "true rms", "B": "average"}
    assert (
        check_crosscheck(
            readings, responses=kinds, waveform=measure_waveform(ideal_waveform(SQUARE, TURNS), 1e-5)
        ).verdict
        is Verdict.FAIL
    )


def test_all_functions_of_meters_can_be_compared() -> None:
    for function in Function:
        readings = [
            MeterReading(parse_displayed("1.000", function, instrument=tag), parse_accuracy("1 % + 2"))
            for tag in "AB"
        ]
        assert check_crosscheck(readings).verdict is Verdict.PASS


def test_a_node_that_moved_more_than_the_difference_decides_nothing() -> None:
    """12.31, 11.80, 11.20 V on A-B-A: 1.11 V against a difference of some ten millivolts."""
    result = check_crosscheck([meter("A", "12.31 V dc"), meter("B", "11.80 V dc"), meter("A", "11.20 V dc")])
    assert result.verdict is Verdict.INDETERMINATE
    assert result.reason.startswith(
        "what was measured moved more than the meters differ: A went from 12.31 V to 11.20 V"
    )
    assert result.reason in result.findings
    calm = check_crosscheck([meter("A", "12.31 V dc"), meter("B", "12.31 V dc"), meter("A", "12.33 V dc")])
    assert calm.verdict is Verdict.PASS


def test_average_responding_meters_do_not_blame_the_true_rms_one() -> None:
    """Two that respond to the average agree with each other and not with the third, on a waveform nobody captured."""
    readings = [meter("A", "10.00 V ac", "0.5 % + 5"), meter("B", "8.92 V ac"), meter("C", "8.95 V ac")]
    kinds = {"A": "true rms", "B": "average", "C": "average"}
    result = check_crosscheck(readings, responses=kinds)
    assert result.verdict is Verdict.INDETERMINATE
    assert result.details["odd_one_out"] is None
    # Two of one kind that differ are wrong whatever the waveform is.
    apart = [meter("A", "10.00 V ac", "0.5 % + 5"), meter("B", "8.92 V ac"), meter("C", "9.95 V ac")]
    assert check_crosscheck(apart, responses=kinds).verdict is Verdict.FAIL


def test_more_meters_do_not_alarm_more_often() -> None:
    """Four values of one variance 2.1 standard uncertainties apart at most: a pair is above 1, all together are not."""
    spread = [meter(tag, text) for tag, text in (("A", "27.00 V ac"), ("B", "27.20 V ac"), ("C", "27.20 V ac"),
                                                 ("D", "27.56 V ac"))]  # fmt: skip
    result = check_crosscheck(spread)
    assert max(pair["e_n"] for pair in result.details["pairs"]) > 1
    assert result.quantities["e_n"].value < 1
    assert result.verdict is Verdict.PASS


def test_two_good_meters_at_opposite_ends_of_their_data_sheets_do_not_fail() -> None:
    """1 % + 5 of each leaves 2 x (0.2775 + 0.05) V between them: at 0.55 V E_n is above 1, at 0.70 V one must be wrong."""

    def beside(text: str) -> Result:
        return check_crosscheck([meter("A", "27.75 V ac"), meter("B", text)])

    edge = beside("28.30 V ac")
    assert edge.quantities["e_n"].value > 1
    assert edge.verdict is Verdict.INDETERMINATE
    assert "both may still be within their data sheets" in edge.reason
    assert beside("28.45 V ac").verdict is Verdict.FAIL
