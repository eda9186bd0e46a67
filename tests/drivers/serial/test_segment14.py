"""LCD-mirroring frames. Layout: common practice among handheld meters, from memory, no source."""

from __future__ import annotations

from itertools import combinations

import pytest
from helpers.frames import SEGMENTS, segment14

from benchlog.errors import ConfigError
from benchlog.reading import Flag, Function, Reading, State
from benchlog_drivers.decoders import FrameOptions, make_decoder
from benchlog_drivers.decoders.segment14 import SEGMENT_CODES, Segment14


def only(frame: bytes, **options: object) -> Reading:
    decoder = make_decoder(FrameOptions(frames="segment14", **options))  # type: ignore[arg-type]
    (reading,) = decoder.feed(frame)
    assert not decoder.rejects
    return reading


def reason(frame: bytes) -> str:
    decoder = Segment14()
    assert decoder.feed(frame) == []
    ((word, count),) = decoder.rejects.items()
    assert count == 1
    return word


def test_a_reading_is_what_the_display_shows() -> None:
    frame = segment14("27.75", "ac", "auto", "volt")
    reading = only(frame)
    assert reading == Reading(
        Function.AC_VOLTS, 27.75, 0.01, "27.75 V", flags=frozenset({Flag.AUTO}), raw=frame
    )


@pytest.mark.parametrize(
    ("display", "symbols", "function", "value", "resolution", "shown"),
    [
        ("-0.300", ("dc", "volt", "milli"), Function.DC_VOLTS, -0.0003, 1e-6, "-0.300 mV"),
        ("1.602", ("dc", "volt"), Function.DC_VOLTS, 1.602, 0.001, "1.602 V"),
        ("12.60", ("ac", "ampere"), Function.AC_CURRENT, 12.6, 0.01, "12.60 A"),
        ("400.0", ("dc", "ampere", "micro"), Function.DC_CURRENT, 400e-6, 0.1e-6, "400.0 µA"),
        ("10.00", ("ohm", "kilo"), Function.OHMS, 10e3, 10.0, "10.00 kΩ"),
        ("  0.4", ("ohm",), Function.OHMS, 0.4, 0.1, "0.4 Ω"),
        ("3.300", ("ohm", "mega"), Function.OHMS, 3.3e6, 1e3, "3.300 MΩ"),
        ("000.4", ("ohm", "continuity"), Function.CONTINUITY, 0.4, 0.1, "000.4 Ω"),
        ("0.612", ("volt", "diode"), Function.DIODE, 0.612, 0.001, "0.612 V"),
        ("47.00", ("farad", "nano"), Function.CAPACITANCE, 47e-9, 10e-12, "47.00 nF"),
        ("50.02", ("hertz",), Function.FREQUENCY, 50.02, 0.01, "50.02 Hz"),
        ("50.02", ("hertz", "ac"), Function.FREQUENCY, 50.02, 0.01, "50.02 Hz"),
        ("  50.0"[1:], ("percent",), Function.DUTY, 0.5, 0.001, "50.0 %"),
        ("9999", ("dc", "volt"), Function.DC_VOLTS, 9999.0, 1.0, "9999 V"),
    ],
)
def test_digits_prefix_and_unit_give_value_and_count(
    display: str, symbols: tuple[str, ...], function: Function, value: float, resolution: float, shown: str
) -> None:
    reading = only(segment14(display, *symbols))
    assert (reading.function, reading.value, reading.resolution, reading.displayed) == (
        function,
        value,
        resolution,
        shown,
    )


def test_overload_is_a_state_with_any_point() -> None:
    for display in (" 0L ", " .0L ", " 0.L ", " 0L. "):
        reading = only(segment14(display, "ohm", "mega"))
        assert (reading.state, reading.value, reading.displayed) == (State.OVERLOAD, None, "OL MΩ")


def test_hold_relative_auto_and_low_battery_are_flags() -> None:
    reading = only(segment14("-00.01", "ac", "volt", "hold", "relative", "auto", "low battery"))
    assert reading.flags == {Flag.HOLD, Flag.RELATIVE, Flag.AUTO, Flag.LOW_BATTERY}
    assert reading.value == -0.01


@pytest.mark.parametrize(
    ("frame", "word"),
    [
        (segment14("27.75", "ac", "volt", "ampere"), "unit"),
        (segment14("27.75", "ac"), "unit"),
        (segment14("27.75", "volt"), "coupling"),
        (segment14("27.75", "ac", "dc", "volt"), "coupling"),
        (segment14("27.75", "ac", "ohm"), "coupling"),
        (segment14("27.75", "ac", "volt", "milli", "kilo"), "prefix"),
        (segment14("27.75", "ac", "volt", "mega"), "prefix"),
        (segment14("27.75", "farad"), "prefix"),
        (segment14("27.75", "diode", "ohm"), "unit"),
        (segment14("-27.75", "ac", "volt"), "sign"),
        (segment14("-1.000", "ohm"), "sign"),
        (segment14("2.7.75", "ac", "volt"), "points"),
        (segment14("2 75", "ac", "volt"), "blank"),
        (segment14("275 ", "ac", "volt"), "blank"),
        (segment14("2L75", "ac", "volt"), "digit"),
        (segment14("    ", "ac", "volt"), "digit"),
        (segment14("27.75", "ac", "volt", last=2), "unknown symbol"),
    ],
)
def test_what_no_display_shows_is_rejected_by_name(frame: bytes, word: str) -> None:
    assert reason(frame) == word


def test_a_segment_code_that_is_not_a_digit_is_rejected() -> None:
    frame = bytearray(segment14("27.75", "ac", "volt"))
    frame[2] ^= 0x01  # 5B, a 2, becomes 5A
    assert reason(bytes(frame)) == "digit"


def test_more_counts_than_the_display_has_are_rejected() -> None:
    decoder = make_decoder(FrameOptions(frames="segment14", counts=4000))
    assert decoder.feed(segment14("40.01", "ac", "volt")) == []
    assert decoder.rejects == {"counts": 1}


def test_the_bench_file_names_a_bit_that_differs() -> None:
    frame = segment14("23.5 ".strip().rjust(5), last=4)
    assert Segment14().feed(frame) == []
    reading = only(frame, annunciators={"14.2": "degC"})
    assert (reading.function, reading.value, reading.displayed) == (Function.TEMPERATURE, 23.5, "23.5 °C")


def test_degree_fahrenheit_becomes_celsius_and_shows_what_was_shown() -> None:
    reading = only(segment14(" 77.0", last=4), annunciators={"14.2": "degF"})
    assert (reading.value, reading.displayed) == (25.0, "77.0 °F")
    assert reading.resolution == pytest.approx(0.1 / 1.8)


def test_a_meter_with_an_ac_plus_dc_mode_needs_it_said() -> None:
    frame = segment14("27.75", "ac", "dc", "volt")
    assert only(frame, ac_and_dc=True).function is Function.AC_DC_VOLTS


def test_an_unknown_lit_bit_says_what_to_write_in_the_bench_file() -> None:
    decoder = Segment14()
    decoder.feed(segment14("27.75", "ac", "volt", last=2))
    assert decoder.last_reject is not None
    assert "14.1" in decoder.last_reject[1]
    assert "instrument.options.annunciators" in decoder.last_reject[1]


@pytest.mark.parametrize("override", [{"15.0": "ac"}, {"1.9": "ac"}, {"1.3": "bogus"}, {"one": "ac"}])
def test_an_override_that_fits_no_bit_or_symbol_is_refused(override: dict[str, str]) -> None:
    with pytest.raises(ConfigError) as error:
        make_decoder(FrameOptions(frames="segment14", annunciators=override))
    assert error.value.hint


def test_lost_and_added_bytes_cost_that_frame_only() -> None:
    good = segment14("27.75", "ac", "volt")
    for stream in (good[:5] + good[6:], good[:5] + b"\x00" + good[5:], good[5:]):
        decoder = Segment14()
        assert len(decoder.feed(stream + good)) == 1
        assert decoder.skipped == len(stream)


def test_minimum_distance_of_the_digits_is_one_segment() -> None:
    """14 of the 70 single-segment flips of a digit give another digit: why one frame is never enough."""
    digits = {c: code for c, code in SEGMENTS.items() if c.isdigit()}
    close = {a + b for a, b in combinations(digits, 2) if (digits[a] ^ digits[b]).bit_count() == 1}
    assert close == {"08", "17", "39", "56", "59", "68", "89"}
    flips = [code ^ 1 << bit for code in digits.values() for bit in range(7)]
    assert (sum(code in digits.values() for code in flips), len(flips)) == (14, 70)
    assert {code: c for c, code in SEGMENTS.items()} == SEGMENT_CODES
