"""Digit-code frames. Layout and ranges: common practice among handheld meters, from memory, no source."""

from __future__ import annotations

import pytest
from helpers.frames import digitcode, with_parity

from benchlog.errors import ConfigError
from benchlog.reading import Flag, Function, Reading, State
from benchlog_drivers.decoders import FrameOptions, make_decoder
from benchlog_drivers.decoders.base import Decoder

AC, DC, AUTO = 0b0100, 0b1000, 0b0010


def decoder_of(family: str, **options: object) -> Decoder:
    return make_decoder(FrameOptions(frames=family, **options))  # type: ignore[arg-type]


def only(frame: bytes, **options: object) -> Reading:
    decoder = decoder_of("digitcode14" if len(frame) == 14 else "digitcode11", **options)
    (reading,) = decoder.feed(frame)
    return reading


def reason(frame: bytes, family: str = "") -> str:
    decoder = decoder_of(family or ("digitcode14" if len(frame) == 14 else "digitcode11"))
    assert decoder.feed(frame) == []
    ((word, _),) = decoder.rejects.items()
    return word


@pytest.mark.parametrize(
    ("frame", "function", "value", "resolution", "shown", "range_max"),
    [
        (
            digitcode(2, "02775", 0x3B, 0, 0, 0, AC | AUTO, 0),
            Function.AC_VOLTS,
            27.75,
            0.01,
            "27.75 V",
            220.0,
        ),
        (digitcode(0, "16020", 0x3B, 0, 0, 0, DC, 0), Function.DC_VOLTS, 1.602, 1e-4, "1.6020 V", 2.2),
        (digitcode(4, "00300", 0x3B, 4, 0, 0, DC, 0), Function.DC_VOLTS, -0.003, 1e-5, "-3.00 mV", 0.22),
        (
            digitcode(1, "12600", 0x3D, 0, 0, 0, DC, 0),
            Function.DC_CURRENT,
            1260e-6,
            1e-7,
            "1260.0 µA",
            0.0022,
        ),
        (digitcode(0, "12600", 0x3F, 0, 0, 0, AC, 0), Function.AC_CURRENT, 0.0126, 1e-6, "12.600 mA", 0.022),
        (digitcode(0, "12600", 0x30, 0, 0, 0, AC, 0), Function.AC_CURRENT, 12.6, 1e-3, "12.600 A", 22.0),
        (digitcode(2, "10000", 0x33, 0, 0, 0, 0, 0), Function.OHMS, 10e3, 1.0, "10.000 kΩ", 22e3),
        (digitcode(0, "00040", 0x35, 0, 0, 0, 0, 0), Function.CONTINUITY, 0.4, 0.01, "0.40 Ω", 220.0),
        (digitcode(0, "06120", 0x31, 0, 0, 0, 0, 0), Function.DIODE, 0.612, 1e-4, "0.6120 V", 2.2),
        (digitcode(1, "04700", 0x36, 0, 0, 0, 0, 0), Function.CAPACITANCE, 47e-9, 1e-11, "47.00 nF", 220e-9),
        (digitcode(0, "05002", 0x32, 0, 0, 0, 0, 0), Function.FREQUENCY, 50.02, 0.01, "50.02 Hz", 220.0),
        (digitcode(0, "00500", 0x32, 8, 0, 0, 0, 0), Function.DUTY, 0.5, 1e-3, "50.0 %", 22.0),
        (digitcode(1, "2775", 0x3B, 0, 0, AC | AUTO), Function.AC_VOLTS, 27.75, 0.01, "27.75 V", 40.0),
        (digitcode(0, "1260", 0x39, 0, 0, DC), Function.DC_CURRENT, 0.0126, 1e-5, "12.60 mA", 0.04),
        (digitcode(0, "1260", 0x3F, 4, 0, DC), Function.DC_CURRENT, -12.6, 0.01, "-12.60 A", 40.0),
        (digitcode(2, "1000", 0x33, 0, 0, 0), Function.OHMS, 10e3, 10.0, "10.00 kΩ", 40e3),
    ],
)
def test_range_digits_and_function_give_value_and_count(
    frame: bytes, function: Function, value: float, resolution: float, shown: str, range_max: float
) -> None:
    reading = only(frame)
    assert (reading.function, reading.value, reading.displayed) == (function, value, shown)
    assert reading.resolution == resolution
    assert reading.range_max == pytest.approx(range_max)
    assert reading.raw == frame


def test_overload_and_underload_are_states() -> None:
    over = only(digitcode(6, "22000", 0x33, 1, 0, 0, AUTO, 0))
    assert (over.state, over.displayed) == (State.OVERLOAD, "OL MΩ")
    under = only(digitcode(0, "00000", 0x32, 0, 0, 8, 0, 0))
    assert (under.state, under.value, under.displayed) == (State.UNDERLOAD, None, "UL Hz")


def test_every_option_bit_is_its_flag() -> None:
    for flags, flag in [
        ((2, 0, 0, AC, 0), Flag.LOW_BATTERY),
        ((0, 8, 0, AC, 0), Flag.MAXIMUM),
        ((0, 4, 0, AC, 0), Flag.MINIMUM),
        ((0, 2, 0, AC, 0), Flag.RELATIVE),
        ((0, 0, 4, AC, 0), Flag.PEAK),
        ((0, 0, 2, AC, 0), Flag.PEAK),
        ((0, 0, 0, AC | AUTO, 0), Flag.AUTO),
        ((0, 0, 0, AC, 2), Flag.HOLD),
        ((0, 0, 0, AC, 1), Flag.LOW_PASS),
    ]:
        assert only(digitcode(1, "02775", 0x3B, *flags)).flags == {flag}
    assert (
        only(digitcode(1, "02775", 0x3B, 0, 0, 0, AC, 4)).flags == frozenset()
    )  # the bar graph is not a flag


@pytest.mark.parametrize(
    ("frame", "word"),
    [
        (b"\x31\x30\x32\x3a\x37\x35\x3b\x30\x30\x30\x34\x30\r\n", "digit"),
        (digitcode(5, "02775", 0x3B, 0, 0, 0, AC, 0), "range"),
        (digitcode(2, "00100", 0x32, 0, 0, 0, 0, 0), "range"),
        (digitcode(1, "22001", 0x3B, 0, 0, 0, AC, 0), "counts"),
        (digitcode(1, "02775", 0x38, 0, 0, 0, AC, 0), "function"),
        (digitcode(1, "02775", 0x3B, 8, 0, 0, AC, 0), "function"),  # judge outside frequency
        (digitcode(1, "02775", 0x3B, 0, 0, 0, 0, 0), "coupling"),
        (digitcode(1, "02775", 0x3B, 0, 0, 0, AC | DC, 0), "coupling"),
        (digitcode(1, "02775", 0x33, 0, 0, 0, DC, 0), "coupling"),
        (digitcode(1, "02775", 0x3B, 4, 0, 0, AC, 0), "sign"),
        (digitcode(1, "02775", 0x3B, 0, 12, 0, AC, 0), "flags"),
        (digitcode(1, "02775", 0x3B, 0, 0, 6, AC, 0), "flags"),
        (digitcode(1, "02775", 0x3B, 1, 0, 8, AC, 0), "flags"),
        (digitcode(1, "02775", 0x3B, 0, 0, 0, AC | 1, 0), "flags"),
        (digitcode(1, "02775", 0x3B, 0, 1, 0, AC, 0), "unknown symbol"),
        (digitcode(1, "02775", 0x3B, 0, 0, 1, AC, 0), "unknown symbol"),
        (digitcode(1, "02775", 0x3B, 0, 0, 0, AC, 8), "unknown symbol"),
        (b"\xb1\x30\x32\x37\x37\x35\x3b\x30\x30\x30\x34\x30\r\n", "format"),
    ],
)
def test_what_no_meter_sends_is_rejected_by_name(frame: bytes, word: str) -> None:
    assert reason(frame) == word


def test_a_line_of_another_length_is_rejected_whole() -> None:
    """The last twelve bytes of a longer line look like a frame; taken as one, its digits would be shifted."""
    good = digitcode(2, "02775", 0x3B, 0, 0, 0, AC, 0)
    assert reason(good[:3] + b"0" + good[3:], "digitcode14") == "length"
    assert reason(good[:3] + good[4:], "digitcode14") == "length"
    assert reason(digitcode(1, "2775", 0x3B, 0, 0, AC), "digitcode14") == "length"


def test_a_corrupted_frame_does_not_slip_through_as_one_that_lost_its_parity() -> None:
    """Three flips can clear every top bit of a frame; in a stream with parity that is not a frame."""
    decoder = decoder_of("digitcode11")
    frame = digitcode(1, "2775", 0x3B, 0, 0, 0b0110)
    assert len(decoder.feed(with_parity(frame) + frame + with_parity(frame))) == 2
    assert decoder.rejects == {"parity": 1}
    assert (
        len(decoder.feed(frame * 6)) == 3
    )  # from the fourth in a row on: the cable was changed for one that strips it
    assert decoder.feed(with_parity(frame)[:-1] + b"\n") == []


def test_the_short_form_may_have_6000_counts() -> None:
    frame = digitcode(1, "5999", 0x3B, 0, 0, AC)
    assert reason(frame) == "counts"
    assert only(frame, counts=6000).range_max == pytest.approx(60.0)


def test_the_bench_file_may_override_a_function_code() -> None:
    codes = {"38": {"unit": "degF", "ranges": ["400.0"]}}
    assert only(digitcode(0, "0770", 0x38, 0, 0, 0), codes=codes).value == 25.0


@pytest.mark.parametrize(
    "codes",
    [
        {"zz": {"unit": "volt", "ranges": ["1.0"]}},
        {"38": {"unit": "furlong", "ranges": ["1.0"]}},
        {"38": {"unit": "volt"}},
        {"38": {"unit": "volt", "ranges": ["1.0 q"]}},
        {"38": {"unit": "volt", "ranges": [3]}},
    ],
)
def test_a_function_code_that_can_not_be_read_is_refused_with_an_example(codes: dict[str, object]) -> None:
    with pytest.raises(ConfigError) as error:
        decoder_of("digitcode14", codes=codes)
    assert "codes.3B" in error.value.hint
