"""Addresses are taken apart, checked and written back."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchlog.address import Address, build_options, parse_address
from benchlog.errors import ConfigError, UsageError


def test_scheme_rest_and_options_come_apart() -> None:
    address = parse_address("serial:/dev/ttyUSB0?frames=segment14&baud=4800")
    assert (address.scheme, address.rest) == ("serial", "/dev/ttyUSB0")
    assert dict(address.options) == {"frames": "segment14", "baud": "4800"}


@pytest.mark.parametrize(
    ("text", "rest"),
    [
        ("serial:socket://127.0.0.1:5021?frames=segment14", "socket://127.0.0.1:5021"),
        ("visa:TCPIP::127.0.0.1::5025::SOCKET", "TCPIP::127.0.0.1::5025::SOCKET"),
        ("serial:COM3?frames=segment14", "COM3"),
        ("typed:", ""),
        ("sim:MA-01", "MA-01"),
        ("replay:C:\\bench\\night.tap", "C:\\bench\\night.tap"),
    ],
)
def test_the_rest_may_hold_colons(text: str, rest: str) -> None:
    assert parse_address(text).rest == rest


def test_a_tap_wraps_an_address_with_its_options() -> None:
    address = parse_address("tap:night.tap:serial:/dev/ttyUSB0?frames=segment14")
    assert (address.scheme, address.rest) == ("tap", "night.tap")
    assert address.inner == parse_address("serial:/dev/ttyUSB0?frames=segment14")
    assert not address.options


def test_a_drive_letter_is_not_a_scheme() -> None:
    address = parse_address("tap:C:\\night.tap:sim:MA-01")
    assert (address.rest, str(address.inner)) == ("C:\\night.tap", "sim:MA-01")


@pytest.mark.parametrize(
    "text",
    ["", "nothing", "C:\\x", "tap:night.tap", "serial:x?frames", "serial:x?a=1&a=2", ":x", "serial:x?=1"],
)
def test_what_is_not_an_address_is_refused_with_a_hint(text: str) -> None:
    with pytest.raises(UsageError) as error:
        parse_address(text)
    assert error.value.hint


@given(
    st.sampled_from(["serial", "visa", "replay"]),
    st.text(st.characters(exclude_characters="?", exclude_categories=["Cs"]), max_size=20).map(str.strip),
    st.dictionaries(
        st.text("abcxyz_", min_size=1, max_size=8),
        st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
        max_size=3,
    ),
)
@example("serial", "", {"a": " x  "})
def test_what_is_written_reads_back_the_same(scheme: str, rest: str, options: dict[str, str]) -> None:
    address = Address(scheme, rest, options)
    again = parse_address(str(address))
    assert (again.scheme, again.rest, dict(again.options)) == (scheme, rest, options)
    assert hash(again) == hash(address)


@dataclass(frozen=True)
class _Options:
    baud: int = 9600
    dtr: bool = True
    frames: str = ""


def test_texts_become_the_types_of_the_options() -> None:
    assert build_options(_Options, {"baud": "2400", "dtr": "false"}, place="x") == _Options(2400, False)


def test_an_unknown_option_lists_the_known_ones() -> None:
    with pytest.raises(ConfigError, match="unknown option 'speed'") as error:
        build_options(_Options, {"speed": "2400"}, place="serial:x")
    assert error.value.hint == "known options: baud, dtr, frames"


def test_a_value_of_the_wrong_kind_names_option_and_place() -> None:
    with pytest.raises(ConfigError, match=r"serial:x: .*baud"):
        build_options(_Options, {"baud": "fast"}, place="serial:x")
