"""Quantities on text."""

from __future__ import annotations

import pytest
import quantiphy
from hypothesis import given
from hypothesis import strategies as st

from benchlog.errors import UsageError
from benchlog.nameplate import parse_nameplate
from benchlog.number_format import format_quantity, format_uncertain
from benchlog.units import parse_number, parse_quantity


@pytest.mark.parametrize(
    ("text", "value", "unit", "coupling"),
    [
        ("2.4 m", 2.4, "m", ""),
        ("37.5 mm2", 3.75e-5, "m2", ""),
        ("37.5 mm²", 3.75e-5, "m2", ""),
        ("27.75 V ac", 27.75, "V", "ac"),
        ("27.75V~", 27.75, "V", "ac"),
        ("5 V=", 5.0, "V", "dc"),
        ("61 uH", 6.1e-5, "H", ""),
        ("61 µH", 6.1e-5, "H", ""),
        ("0.5 %", 0.005, "1", ""),
        ("10 kΩ", 1e4, "ohm", ""),
        ("10 kohm", 1e4, "ohm", ""),
        ("0.1 mV", 1e-4, "V", ""),
        ("22 degC", 22.0, "degC", ""),
        ("-0.3 mV dc", -3e-4, "V", "dc"),
        ("−0.3 mV", -3e-4, "V", ""),
        ("300 mm", 0.3, "m", ""),
        ("2 min", 120.0, "s", ""),
        ("1 cm2", 1e-4, "m2", ""),
        ("14.13 VAC", 14.13, "V", "ac"),
        ("9.12VDC", 9.12, "V", "dc"),
        ("9.12 Vdc", 9.12, "V", "dc"),
        ("120 mVac", 0.12, "V", "ac"),
        ("27.75 V AC", 27.75, "V", "ac"),
        ("27.75 Vrms", 27.75, "V", "ac"),
        ("12 volts dc", 12.0, "V", "dc"),
        ("0,47 V", 0.47, "V", ""),
        ("1R5", 1.5, "ohm", ""),
        ("R47", 0.47, "ohm", ""),
        ("4k7 ohm", 4700.0, "ohm", ""),
        ("4K7 Ω", 4700.0, "ohm", ""),
        ("3V3 dc", 3.3, "V", "dc"),
        ("4n7 F", 4.7e-9, "F", ""),
    ],
)
def test_what_people_type(text, value, unit, coupling):
    """Number, unit with prefix, ac or dc."""
    quantity = parse_quantity(text)
    assert quantity.value == pytest.approx(value, rel=1e-12)
    assert (quantity.unit, quantity.coupling) == (unit, coupling)


@pytest.mark.parametrize(
    ("text", "unit", "value", "step"),
    [
        ("4k7", "ohm", 4700.0, 100.0),
        ("10k", "ohm", 1e4, 1e3),
        ("2M2", "ohm", 2.2e6, 1e5),
        ("1R5", "ohm", 1.5, 0.1),
    ],
)
def test_resistors_are_typed_as_printed(text, unit, value, step):
    """The letter is in the place of the decimal mark (IEC 60062, from memory)."""
    quantity = parse_quantity(text, unit)
    assert (quantity.value, quantity.resolution) == (pytest.approx(value), pytest.approx(step))


@pytest.mark.parametrize("text", ["4x7", "k7", "1R5 V", "4k7 VAC ohm", "27.75 VACC", "1R5R5"])
def test_what_only_looks_alike_is_refused(text):
    """One clear error, never a wrong number."""
    with pytest.raises(UsageError):
        parse_quantity(text, "ohm")


def test_decimal_comma_is_never_a_thousands_mark():
    """27,75 V is 27.75; 1,234 V could be two numbers and is refused; 2775 never comes out."""
    assert parse_quantity("27,75 V").value == 27.75
    with pytest.raises(UsageError, match="could be"):
        parse_quantity("1,234 V")


def test_a_lone_m_is_a_metre_unless_another_unit_is_wanted():
    """2.4 m is a length; -0.3m on a volt display is millivolt."""
    assert parse_quantity("2.4 m", "m").value == 2.4
    assert parse_quantity("-0.3m", "V").value == pytest.approx(-3e-4)


@pytest.mark.parametrize(
    ("text", "step"), [("27.75 V", 0.01), ("0.2 ohm", 0.1), ("100.6 mV", 1e-4), ("5 V", 1.0)]
)
def test_resolution_comes_from_the_digits(text, step):
    """One count of the last digit typed, in the SI unit."""
    assert parse_quantity(text).resolution == pytest.approx(step)


@pytest.mark.parametrize(
    "text", ["", "V", "5 V 3", "5 parsec", "1e999 V", "nan V", "inf V", "5 V ac dc", "--5 V", "1_000 V"]
)
def test_nonsense_is_one_clear_error(text):
    """Bad text never becomes a number, and the hint shows how to write it."""
    with pytest.raises(UsageError) as caught:
        parse_quantity(text, "V")
    assert caught.value.hint


def test_wrong_unit_is_refused():
    """Ohms where volts are wanted are a slip."""
    with pytest.raises(UsageError, match="ohm, not in V"):
        parse_quantity("15 ohm", "V")


@pytest.mark.parametrize(
    ("text", "volts", "coupling", "va"),
    [
        ("24 V ac 40 VA", 24.0, "ac", 40.0),
        ("24V~ 40VA", 24.0, "ac", 40.0),
        ("12 V dc 1.5 A", 12.0, "dc", 18.0),
        ("9 V ac", 9.0, "ac", None),
        ("24 V ac, 500 mA", 24.0, "ac", 12.0),
        ("OUTPUT: 24V~ 1.67A", 24.0, "ac", 40.08),  # as labels have it
        ("AC 24V 1.67A", 24.0, "ac", 40.08),
        ("OUT: DC12,5V 1A", 12.5, "dc", 12.5),
    ],
)
def test_nameplates(text, volts, coupling, va):
    """Voltage, kind, rating in VA, W or A."""
    plate = parse_nameplate(text)
    assert (plate.voltage_v, plate.coupling) == (volts, coupling)
    assert plate.power_va == (None if va is None else pytest.approx(va))


@pytest.mark.parametrize(
    "text", ["24", "24 V ac 40 XX", "0 V ac", "24 V ac 0 VA", "hello", "-24 V ac", "24 V ac 40 mVA"]
)
def test_bad_nameplates(text):
    """What is not a nameplate is refused with an example."""
    with pytest.raises(UsageError):
        parse_nameplate(text)


@given(
    st.floats(1e-15, 1e15, exclude_max=True),
    st.booleans(),
    st.sampled_from(["V", "A", "Hz", "m", "VA"]),
    st.integers(2, 7),
)
def test_prefixes_are_those_of_quantiphy(size, negative, unit, digits):
    """The reference library writes the same text: one prefix a thousand, rounding up into the next one included."""
    value = -size if negative else size
    expected = quantiphy.Quantity(value, unit).render(prec=digits - 1, strip_zeros=False)
    if float(f"{size:.{digits - 1}e}") < 1e15:
        assert format_quantity(value, unit, digits) == expected.replace("u", "µ", 1)


def test_beyond_the_prefixes_a_power_of_ten_is_written():
    """No prefix is invented for what no bench meets."""
    assert format_quantity(5.7e-16, "V") == "5.700e-16 V"
    assert format_quantity(2e15, "ohm", 3) == "2.00e15 Ω"


def test_a_lone_t_is_the_tesla():
    """0.3 T is a flux density and no tera-ohm; 10 Tohm is."""
    assert parse_quantity("0.3 T").unit == "T"
    assert parse_quantity("10 Tohm").value == pytest.approx(1e13)
    with pytest.raises(UsageError, match="in T, not in ohm"):
        parse_quantity("5 T", "ohm")


@given(st.floats(1e-9, 1e9), st.sampled_from(["V", "A", "ohm", "Hz", "F", "H"]))
def test_written_then_read_is_equal(value, unit):
    """What format_quantity writes, parse_quantity reads back to the digits written."""
    again = parse_quantity(format_quantity(value, unit, 6))
    assert again.unit == unit
    assert again.value == pytest.approx(value, rel=1e-5)


@given(st.decimals(-1000, 1000, places=3))
def test_decimal_text_is_exact(number):
    """Digits typed are the digits kept."""
    value, step = parse_number(str(number))
    assert value == float(number)
    assert step == 0.001


def test_value_and_uncertainty_share_their_decimals():
    """U to two digits, the value to the same place (GUM 7.2.6)."""
    assert format_uncertain(60.034, 0.1234, "1") == "60.03 ± 0.12"
    assert format_uncertain(0.00123456, 0.0000123, "V") == "1.235 ± 0.012 mV"
    assert format_uncertain(-120.913, 0.02, "deg") == "-120.913 ± 0.020°"


def test_a_ratio_with_a_colon_is_named() -> None:
    """1:100 is a usual way to write a ratio; the hint says how to write it here."""
    with pytest.raises(UsageError, match="unknown unit") as caught:
        parse_quantity("1:100", "1")
    assert "'100'" in caught.value.hint
