"""SCPI reply text and block headers to numbers."""

from __future__ import annotations

import contextlib
import csv
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.errors import BadFrameError, InstrumentRefusedError
from benchlog.reading import State
from benchlog_drivers._scpi import (
    Sentinels,
    parse_block_header,
    parse_error,
    parse_fields,
    parse_measurement,
    parse_number,
    parse_string,
    refusal,
    split_fields,
    volts_line,
)

GOLDEN = Path(__file__).parents[1] / "golden" / "scpi_errors.csv"


@pytest.mark.parametrize(
    ("text", "value", "step"),
    [
        # READ: response examples of power-meter manuals, IEEE 488.2 NR1, NR2, NR3.
        ("+146", 146.0, 1.0),
        ("-12345", -12345.0, 1.0),
        ("12.3", 12.3, 0.1),
        ("-0.123", -0.123, 1e-3),
        ("-8.9456E8", -8.9456e8, 1e4),
        (" +2.77500000E+01\r", 27.75, 1e-7),
        ("1.", 1.0, 1.0),
        (".5", 0.5, 0.1),
    ],
)
def test_numbers_of_all_three_forms_and_their_last_digit(text: str, value: float, step: float) -> None:
    """NR1, NR2 and NR3 are read, with one step of the last digit."""
    assert parse_number(text) == (value, pytest.approx(step))


@pytest.mark.parametrize(
    "text", ["", "CH1:SCALE 2.0", "1,5", "1e", "0x10", "nan", "12 V", "1e9999", "1e999", "--1"]
)
def test_what_is_not_a_number_is_refused(text: str) -> None:
    """Headers, words, commas and wild exponents never become a number."""
    with pytest.raises(BadFrameError):
        parse_number(text)


@given(st.floats(min_value=-1e30, max_value=1e30))
def test_every_float_comes_back_as_written(value: float) -> None:
    """Writing in scientific form and reading gives the same number."""
    assert parse_number(f"{value:+.17E}")[0] == value


@pytest.mark.parametrize("text", ["+9.90000000E+37", "9.9E37", "-9.9E37", "9.9e+37", "INF", "-INF", "NINF"])
def test_infinity_is_overload(text: str) -> None:
    """READ (several public drivers): +-9.9E37 is overload, however rounded."""
    assert parse_measurement(text, Sentinels()) == (None, 0.0, State.OVERLOAD)


@pytest.mark.parametrize("text", ["9.91E37", "+9.91e37", "9.91000E+37", "NAN"])
def test_not_a_number_is_invalid_not_overload(text: str) -> None:
    """READ (counter manual): 9.91E37 says that there is no valid reading; it is the only larger value."""
    assert parse_measurement(text, Sentinels()) == (None, 0.0, State.INVALID)


def test_sentinels_are_data_of_the_instrument() -> None:
    """READ (battery tester manual): 1.0E+8 is over-range and 1.0E+9 a fault there, and both are values elsewhere."""
    tester = Sentinels(overload=(1e8,), not_a_number=(1e9,))
    assert parse_measurement("1.0000E+8", tester)[2] is State.OVERLOAD
    assert parse_measurement("-1.0000E+8", tester)[2] is State.OVERLOAD
    assert parse_measurement("1.0000E+9", tester)[2] is State.INVALID
    assert parse_measurement("1.0001E+8", tester)[0] == 1.0001e8
    assert parse_measurement("1.0000E+8", Sentinels())[0] == 1e8


def test_every_published_error_line_is_read_with_its_class() -> None:
    """All 121 published numbers come back with their name, and the class follows from the number."""
    with GOLDEN.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) > 100
    for row in rows:
        error = parse_error(f'{row["number"]},"{row["name"]};some detail"')
        assert (str(error.number), error.text, error.detail) == (row["number"], row["name"], "some detail")
        assert error.family == row["class"], row


@pytest.mark.parametrize("line", ["", "no error", '"No error"', "E42"])
def test_an_error_line_without_number_is_refused(line: str) -> None:
    """Something that is not an error reply is not taken for 'no error'."""
    with pytest.raises(BadFrameError):
        parse_error(line)


def test_error_lines_in_looser_forms() -> None:
    """A bare number, single quotes, a sign and doubled quotes are all understood."""
    assert parse_error("0").number == 0
    assert parse_error("+0,'No error'").text == "No error"
    assert parse_error('-222,"Data ""out"" of range"').text == 'Data "out" of range'


def test_a_refusal_says_what_was_sent_and_what_came_back() -> None:
    """The message holds command, number, text and detail; the hint fits the class."""
    error = refusal([parse_error('-222,"Data out of range;frequency"')], "FREQ 1e12")
    assert isinstance(error, InstrumentRefusedError)
    assert error.message == "refused 'FREQ 1e12': -222 Data out of range (frequency)"
    assert "setting" in error.hint


@pytest.mark.parametrize(
    ("data", "size", "payload"),
    [(b"#12AB", 3, 2), (b"#535240", 7, 35240), (b"#0...", 2, None), (b"#9000010000xx", 11, 10000)],
)
def test_block_headers(data: bytes, size: int, payload: int | None) -> None:
    """READ: "#12AB" is 2 bytes and "#535240" announces 35 240 (public SCPI sources); "#0" announces none."""
    header = parse_block_header(data)
    assert header is not None
    assert (header.size, header.payload) == (size, payload)


@pytest.mark.parametrize("data", [b"", b"#", b"#5", b"#53524"])
def test_an_unfinished_block_header_asks_for_more(data: bytes) -> None:
    """Nothing is concluded from half a header."""
    assert parse_block_header(data) is None


@pytest.mark.parametrize("data", [b"12", b"#x1", b"#3a12", b"#H12", b'-113,"x"'])
def test_no_block_header(data: bytes) -> None:
    """Text, and heads with letters in the length, are refused with the bytes kept."""
    with pytest.raises(BadFrameError) as caught:
        parse_block_header(data)
    assert caught.value.raw == data


@given(st.binary(max_size=20))
def test_any_bytes_are_a_header_or_a_clear_refusal(data: bytes) -> None:
    """No byte string raises anything else."""
    try:
        header = parse_block_header(data)
    except BadFrameError:
        return
    assert header is None or header.size <= len(data)


def test_strings_and_fields() -> None:
    """Quotes come off, doubled quotes become one, commas inside quotes do not split."""
    assert parse_string('"VOLT:AC +1.0E+01,+1.0E-05"') == "VOLT:AC +1.0E+01,+1.0E-05"
    assert split_fields('1, "a,b" ,2') == ["1", '"a,b"', "2"]


def test_a_preamble_has_the_fields_it_should_have() -> None:
    """Ten fields by name; words are left out; another count is refused."""
    names = ("format", "points", "yincrement")
    assert parse_fields("BYTE,1000,4.0e-2", names) == {"points": 1000.0, "yincrement": 0.04}
    with pytest.raises(BadFrameError, match="3 fields was expected"):
        parse_fields("0,1000", names)


@pytest.mark.parametrize(
    ("subtract", "add", "volts_at_153"),
    [
        (("yorigin", "yreference"), (), (153 - 5 - 128) * 0.04),  # origin counted in codes
        (("yreference",), ("yorigin",), (153 - 128) * 0.04 + 5),  # origin counted in volts
        ((), (), 153 * 0.04),
    ],
)
def test_codes_become_volts_as_the_dialect_says(
    subtract: tuple[str, ...], add: tuple[str, ...], volts_at_153: float
) -> None:
    """Both common readings of a preamble's origin can be written down."""
    fields = {"yincrement": 0.04, "yorigin": 5.0, "yreference": 128.0}
    scale, offset = volts_line(fields, "yincrement", subtract, add)
    assert 153 * scale + offset == pytest.approx(volts_at_153)


def test_a_preamble_without_scale_is_refused() -> None:
    """A missing or zero scale is an error, not a flat line of zero volts."""
    with pytest.raises(BadFrameError, match="ymult"):
        volts_line({"yoff": 0.0}, "ymult", ("yoff",), ())
    with pytest.raises(BadFrameError, match="ymult = 0"):
        volts_line({"ymult": 0.0}, "ymult", (), ())


@pytest.mark.parametrize(
    ("parse", "text"),
    [
        (parse_number, "1" * 60_000 + "x"),
        (parse_number, "1" * 60_000),
        (parse_error, "-" + "1" * 60_000),
        (parse_error, "-113," + " " * 60_000 + "x" + " " * 60_000),
        (parse_error, "0 " * 30_000),
    ],
)
def test_a_hostile_reply_costs_no_more_than_its_length(parse: Callable[[str], object], text: str) -> None:
    """Sixty thousand characters are answered at once, rejected or not."""
    start = time.process_time()
    with contextlib.suppress(BadFrameError):
        parse(text)
    assert time.process_time() - start < 0.5


def test_a_late_reading_is_not_an_error_line() -> None:
    """A number with a fraction or an exponent is never an error number (SCPI-99, 21.8: an integer)."""
    for line in ("2.77500000E+01", "0.00E+00", "+27.75"):
        with pytest.raises(BadFrameError):
            parse_error(line)
