"""ASCII frames: with status bits, polled, and described by a pattern."""

from __future__ import annotations

import re
import textwrap
import time
import tomllib
from importlib.resources import files

import pytest
from helpers.frames import statusbits14

from benchlog.address import build_options
from benchlog.errors import ConfigError
from benchlog.reading import Flag, Function, Reading, State
from benchlog_drivers.decoders import FrameOptions, make_decoder, recognise
from benchlog_drivers.decoders.base import Decoder
from benchlog_drivers.decoders.pattern import PatternLine
from benchlog_drivers.serial_meter import SerialOptions


def decoder_of(family: str, **options: object) -> Decoder:
    return make_decoder(FrameOptions(frames=family, **options))  # type: ignore[arg-type]


def only(family: str, frame: bytes, **options: object) -> Reading:
    (reading,) = decoder_of(family, **options).feed(frame)
    return reading


def reason(family: str, frame: bytes, **options: object) -> str:
    decoder = decoder_of(family, **options)
    assert decoder.feed(frame) == []
    ((word, _),) = decoder.rejects.items()
    return word


# Status bits. Layout: common practice, from memory, no source.


@pytest.mark.parametrize(
    ("frame", "function", "value", "resolution", "shown"),
    [
        (statusbits14("+2775", "2", 0x28, 0, 0, 0x80), Function.AC_VOLTS, 27.75, 0.01, "27.75 V"),
        (statusbits14("-0300", "1", 0x10, 0, 0x40, 0x80), Function.DC_VOLTS, -0.0003, 1e-6, "-0.300 mV"),
        (statusbits14("+1260", "2", 0x10, 0, 0, 0x40), Function.DC_CURRENT, 12.6, 0.01, "12.60 A"),
        (statusbits14("+1000", "2", 0x20, 0, 0x20, 0x20), Function.OHMS, 10e3, 10.0, "10.00 kΩ"),
        (statusbits14("+0004", "4", 0, 0, 0x08, 0x20), Function.CONTINUITY, 0.4, 0.1, "0.4 Ω"),
        (statusbits14("+0612", "1", 0, 0, 0x04, 0x80), Function.DIODE, 0.612, 1e-3, "0.612 V"),
        (statusbits14("+4700", "2", 0, 2, 0, 0x04), Function.CAPACITANCE, 47e-9, 1e-11, "47.00 nF"),
        (statusbits14("+5002", "2", 0, 0, 0, 0x08), Function.FREQUENCY, 50.02, 0.01, "50.02 Hz"),
        (statusbits14("+0500", "4", 0, 0, 0x02, 0), Function.DUTY, 0.5, 1e-3, "50.0 %"),
        (statusbits14("-0235", "4", 0, 0, 0, 0x02), Function.TEMPERATURE, -23.5, 0.1, "-23.5 °C"),
        (statusbits14("+0770", "4", 0, 0, 0, 0x01), Function.TEMPERATURE, 25.0, 0.1 / 1.8, "77.0 °F"),
        (statusbits14("+9999", "0", 0x10, 0, 0, 0x80), Function.DC_VOLTS, 9999.0, 1.0, "9999 V"),
    ],
)
def test_sign_digits_point_and_status_give_value_and_count(
    frame: bytes, function: Function, value: float, resolution: float, shown: str
) -> None:
    reading = only("statusbits14", frame)
    assert (reading.function, reading.value, reading.displayed) == (function, value, shown)
    assert reading.resolution == pytest.approx(resolution, rel=1e-15)


def test_status_bit_flags_and_overload() -> None:
    reading = only("statusbits14", statusbits14("+?0:?", "0", 0x20, 0, 0x10, 0x20))
    assert (reading.state, reading.displayed) == (State.OVERLOAD, "OL MΩ")
    for sb1, sb2, flag in [
        (0x28, 0, Flag.AUTO),
        (0x0C, 0, Flag.RELATIVE),
        (0x0A, 0, Flag.HOLD),
        (0x08, 0x20, Flag.MAXIMUM),
        (0x08, 0x10, Flag.MINIMUM),
        (0x08, 0x04, Flag.LOW_BATTERY),
    ]:
        assert only("statusbits14", statusbits14("+2775", "2", sb1, sb2, 0, 0x80)).flags == {flag}


def test_status_bytes_that_read_cr_lf_do_not_end_the_frame() -> None:
    """AC, relative and bar are 0D; auto power off and nano are 0A: an end of line inside the frame."""
    frame = statusbits14("+0047", "2", 0x0D, 0x08, 0x40, 0x80)
    assert b"\r" in frame[:-2]
    assert only("statusbits14", frame).flags == {Flag.RELATIVE}
    capacitance = statusbits14("+0047", "2", 0x04, 0x0A, 0, 0x04)
    assert only("statusbits14", capacitance).displayed == "0.47 nF"


@pytest.mark.parametrize(
    ("frame", "word"),
    [
        (statusbits14("+2775", "3", 0x28, 0, 0, 0x80), "points"),
        (statusbits14("+27?5", "2", 0x28, 0, 0, 0x80), "digit"),
        (statusbits14("+2775", "2", 0x68, 0, 0, 0x80), "unknown symbol"),
        (statusbits14("+2775", "2", 0x28, 1, 0, 0x80), "unknown symbol"),
        (statusbits14("+2775", "2", 0x28, 0, 0, 0xC0), "unit"),
        (statusbits14("+0120", "0", 0, 0, 0, 0x10), "unit"),  # transistor gain
        (statusbits14("+2775", "2", 0x38, 0, 0, 0x80), "coupling"),
        (statusbits14("-2775", "2", 0x28, 0, 0, 0x80), "sign"),
        (statusbits14("+2775", "2", 0x28, 0x30, 0, 0x80), "flags"),
        (statusbits14("+2775", "2", 0x28, 0, 0x60, 0x80), "prefix"),
    ],
)
def test_what_no_status_bit_meter_sends_is_rejected_by_name(frame: bytes, word: str) -> None:
    assert reason("statusbits14", frame) == word


def test_a_broken_frame_end_costs_that_frame_only() -> None:
    good = statusbits14("+2775", "2", 0x28, 0, 0, 0x80)
    decoder = decoder_of("statusbits14")
    assert len(decoder.feed(good[:-1] + b"x" + good)) == 1
    assert decoder.rejects == {"format": 1}


# Polled lines. Layout: common practice, from memory, no source.


@pytest.mark.parametrize(
    ("line", "function", "value", "resolution", "shown"),
    [
        (b"DC  1.6020V   \r", Function.DC_VOLTS, 1.602, 1e-4, "1.6020 V"),
        (b"AC  27.75 V   \r", Function.AC_VOLTS, 27.75, 0.01, "27.75 V"),
        (b"DC -0.300   mV\r", Function.DC_VOLTS, -0.0003, 1e-6, "-0.300 mV"),
        (b"DC  12.60  mA \r", Function.DC_CURRENT, 0.0126, 1e-5, "12.60 mA"),
        (b"OH  10.00 kOhm\r", Function.OHMS, 10e3, 10.0, "10.00 kΩ"),
        (b"OH   .400 Ohm \r", Function.OHMS, 0.4, 1e-3, ".400 Ω"),
        (b"CA  47.00  nF \r", Function.CAPACITANCE, 47e-9, 1e-11, "47.00 nF"),
        (b"FR  1.000  kHz\r", Function.FREQUENCY, 1000.0, 1.0, "1.000 kHz"),
        (b"DI  0.612   V \r", Function.DIODE, 0.612, 1e-3, "0.612 V"),
        (b"DI   612   mV \r", Function.DIODE, 0.612, 1e-3, "612 mV"),
        (b"TE -  12    C \r", Function.TEMPERATURE, -12.0, 1.0, "-12 °C"),
        (b"DC  1999.  V  \r", Function.DC_VOLTS, 1999.0, 1.0, "1999 V"),
    ],
)
def test_a_polled_line_gives_value_and_count(
    line: bytes, function: Function, value: float, resolution: float, shown: str
) -> None:
    line = _fitted(line)
    reading = only("polled14", line)
    assert (reading.function, reading.value, reading.resolution, reading.displayed) == (
        function,
        value,
        resolution,
        shown,
    )
    assert only("polled14", b"\n" + line).displayed == shown  # some send CR LF


def _fitted(line: bytes) -> bytes:
    """Bring a readable line to the layout: function 2, sign 1, number 6, unit 4, CR."""
    text = line.decode().rstrip("\r")
    letters, sign, rest = text[:2], "-" if "-" in text else " ", text[2:].replace("-", " ").split()
    number, unit = rest if len(rest) == 2 else (rest[0][:-1], rest[0][-1])
    return f"{letters}{sign}{number:>6}{unit:>4}\r".encode()


def test_polled_overload_forms() -> None:
    for field in ("    OL", "   OL.", "   O.L", "   .OL", "   0.L"):
        reading = only("polled14", f"OH {field}MOhm\r".encode())
        assert (reading.state, reading.displayed) == (State.OVERLOAD, "OL MΩ")


@pytest.mark.parametrize(
    ("line", "word"),
    [
        (b"DC  1.602   V\r", None),
        (b"DC  1.602  V\r", "length"),
        (b"XX  1.602   V\r", "format"),
        (b"DC *1.602   V\r", "format"),
        (b"DC  1.602   Q\r", "unit"),
        (b"DC  1.602 Ohm\r", "unit"),
        (b"AC- 1.602   V\r", "sign"),
        (b"DC  1.6.2   V\r", "digit"),
        (b"DC  1 602   V\r", "digit"),
        (b"DC      .   V\r", "digit"),
        (b"DC  1O602   V\r", "digit"),
    ],
)
def test_what_no_polled_meter_sends_is_rejected_by_name(line: bytes, word: str | None) -> None:
    if word is None:
        assert only("polled14", line).displayed == "1.602 V"
    else:
        assert reason("polled14", line) == word


# Lines that the bench file describes.

PATTERN = {
    "pattern": r"(?P<function>\w+)\s+(?P<value>[-+0-9.eE]+|OVER)\s*(?P<unit>\S*?)(?:\s+\[(?P<flags>[^\]]*)\])?",
    "overload": "OVER",
    "end": "\\r\\n",
    "functions": {"DCV": "V=", "ACV": "V~", "RES": "ohm", "CAP": "F", "TMP": "degC", "BUZ": "continuity"},
    "units": {"kR": "kohm"},
    "flags": {"H": "hold", "A": "auto", "BATT": "low_battery", "x": "ignore"},
}


@pytest.mark.parametrize(
    ("line", "function", "value", "resolution", "shown", "flags"),
    [
        (b"DCV 1.6020 V\r\n", Function.DC_VOLTS, 1.602, 1e-4, "1.6020 V", set()),
        (b"ACV 27.75 V [HA]\r\n", Function.AC_VOLTS, 27.75, 0.01, "27.75 V", {Flag.HOLD, Flag.AUTO}),
        (b"ACV 27.75V [BATT, x]\r\n", Function.AC_VOLTS, 27.75, 0.01, "27.75 V", {Flag.LOW_BATTERY}),
        (b"RES 10.00 kR\r\n", Function.OHMS, 10e3, 10.0, "10.00 kΩ", set()),
        (b"RES -0.0003\r\n", Function.OHMS, -0.0003, 1e-4, "-0.0003 Ω", set()),
        (b"DCV +1.5E3\r\n", Function.DC_VOLTS, 1500.0, 100.0, "1.5e3 V", set()),
        (b"CAP 4.70E-08\r\n", Function.CAPACITANCE, 47e-9, 1e-10, "4.70e-8 F", set()),
        (b"TMP 77.0 degF\r\n", Function.TEMPERATURE, 25.0, 0.1 / 1.8, "77.0 °F", set()),
        (b"BUZ 0.4 ohm\r\n", Function.CONTINUITY, 0.4, 0.1, "0.4 Ω", set()),
    ],
)
def test_a_described_line_needs_no_python(
    line: bytes, function: Function, value: float, resolution: float, shown: str, flags: set[Flag]
) -> None:
    reading = only("pattern", line, **PATTERN)
    assert (reading.function, reading.value, reading.displayed) == (function, value, shown)
    assert reading.resolution == pytest.approx(resolution, rel=1e-15)
    assert reading.flags == flags


def test_a_described_line_with_overload() -> None:
    assert only("pattern", b"RES OVER kR\r\n", **PATTERN).state is State.OVERLOAD
    assert only("pattern", b"OL\n", pattern="(?P<value>.*)", function="ohm").state is State.OVERLOAD


def test_a_bare_number_with_a_fixed_function() -> None:
    reading = only("pattern", b"27.75\n", pattern=r"(?P<value>\S+)", function="V~")
    assert (reading.function, reading.displayed) == (Function.AC_VOLTS, "27.75 V")


@pytest.mark.parametrize(
    ("line", "word"),
    [
        (b"hello\r\n", "format"),
        (b"IDC 1.0 A\r\n", "function"),
        (b"DCV 1.0 A\r\n", "unit"),
        (b"DCV 1.0 furlong\r\n", "unit"),
        (b"DCV 1.0 V [Z]\r\n", "flags"),
        (b"DCV 1.0.0 V\r\n", "digit"),
        (b"DCV 1.0e999 V\r\n", "digit"),
    ],
)
def test_a_line_that_does_not_fit_is_rejected_by_name(line: bytes, word: str) -> None:
    assert reason("pattern", line, **PATTERN) == word


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"pattern": "(?P<value>"},
        {"pattern": "(?P<number>.*)", "function": "V="},
        {"pattern": "(?P<value>.*)"},
        {"pattern": "(?P<value>.*)(?P<function>.*)", "function": "V="},
        {"pattern": "(?P<value>.*)", "function": "furlongs"},
        {"pattern": "(?P<value>.*)", "function": "ohm4w"},
        {"pattern": "(?P<value>.*)", "function": "V=", "units": {"x": "furlong"}},
        {"pattern": "(?P<value>.*)", "function": "V=", "flags": {"x": "sunny"}},
        {"pattern": "(?P<value>.*)", "function": "V=", "end": ""},
        {"pattern": "(?P<value>.*)", "function": "V=", "overload": "("},
    ],
)
def test_a_description_that_can_not_work_is_refused_with_a_hint(options: dict[str, object]) -> None:
    with pytest.raises(ConfigError) as error:
        decoder_of("pattern", **options)
    assert error.value.hint


def test_minimum_distance_of_ascii_digits_is_one_bit() -> None:
    """Fifteen pairs: without parity a text frame shows even less of a flipped bit than display segments do."""
    pairs = [(a, b) for a in range(10) for b in range(a) if (a ^ b).bit_count() == 1]
    assert len(pairs) == 15


def test_frames_must_be_named_and_known() -> None:
    for name in ("", "morse"):
        with pytest.raises(ConfigError) as error:
            decoder_of(name)
        assert "segment14" in error.value.hint


def test_an_endless_line_does_not_grow_the_memory() -> None:
    decoder = decoder_of("digitcode14")
    for _ in range(100):
        decoder.feed(b"0" * 1000)
    assert len(decoder._buffer) <= 256
    assert decoder.feed(b"\r\n") == []
    assert decoder.rejects == {"length": 1}


def test_nothing_is_recognised_in_nothing() -> None:
    assert recognise(b"") == {}


# What text lines may hold beyond plain numbers.


@pytest.mark.parametrize(
    ("line", "value", "resolution"),
    [
        ("U = 27,75 V\n", 27.75, 0.01),
        ("U = +2.775E+001 V\n", 27.75, 0.01),
        ("U = 4,70E-003 V\n", 0.0047, 1e-5),
        ("U = 12.5 mV\n", 0.0125, 1e-4),
        ("U = 12.5 \u00b5V\n", 12.5e-6, 1e-7),
        ("U = 12.5 \u03bcV\n", 12.5e-6, 1e-7),
    ],
)
def test_decimal_commas_long_exponents_and_utf_8_prefixes(line: str, value: float, resolution: float) -> None:
    """As programs on small boards and meters of other countries print them."""
    options = {"pattern": r"U = (?P<value>\S+) (?P<unit>\S+)", "function": "V="}
    reading = only("pattern", line.encode(), **options)
    assert reading.value == pytest.approx(value, rel=1e-12)
    assert reading.resolution == pytest.approx(resolution, rel=1e-9)


@pytest.mark.parametrize(
    ("line", "function", "value"),
    [
        ("R 4.70 k\u03a9\n", "ohm", 4700.0),
        ("R 4.70 k\u2126\n", "ohm", 4700.0),
        ("T 21,5 \u00b0C\n", "degC", 21.5),
    ],
)
def test_units_in_utf_8(line: str, function: str, value: float) -> None:
    """Omega by either code point, and degrees; the same in Latin-1 where the line is not UTF-8."""
    options = {"pattern": r"\w (?P<value>\S+) (?P<unit>\S+)", "function": function}
    assert only("pattern", line.encode(), **options).value == pytest.approx(value)
    if line.isascii() or "\u00b0" in line:
        assert only("pattern", line.encode("latin-1"), **options).value == pytest.approx(value)


@pytest.mark.parametrize(
    ("pattern", "line", "words"),
    [
        (r"U = (?P<value>[0-9.]+) (?P<unit>V)", "U = 27,75 V", "' ' does not fit ',75 V'"),
        (r"U = (?P<value>[0-9.]+) (?P<unit>V)", "U = 27.75 A", "the part unit does not fit 'A'"),
        (r"U = (?P<value>[0-9.]+)", "U = 27.75 V", "the pattern ends before ' V'"),
        (r"(?P<value>\d+)", "volts", "the part value does not fit 'volts'"),
    ],
)
def test_a_pattern_that_does_not_fit_says_where(pattern: str, line: str, words: str) -> None:
    """The line, how far it fits, and the part that fails."""
    decoder = decoder_of("pattern", pattern=pattern, function="V=")
    assert decoder.feed(line.encode() + b"\n") == []
    explained = decoder.explain_reject()
    assert explained is not None
    assert words in explained[1]
    assert repr(line) in explained[1]


def test_a_pattern_that_explodes_stops_nobody() -> None:
    """Nested repeats on a line that almost fits: rejected within a moment; the error names the pattern."""
    decoder = decoder_of("pattern", pattern=r"(?P<value>(\d|\d\d)+) V", function="V=")
    start = time.monotonic()
    assert decoder.feed((b"1" * 60 + b"! V\n") * 60) == []  # what came meanwhile, all at once
    assert time.monotonic() - start < 2.0
    assert decoder.last_reject is not None
    assert "takes too long" in decoder.last_reject[1]


PAGE = files("benchlog_drivers").joinpath("decoders", "pattern.txt").read_text(encoding="utf-8")
EXAMPLES_OF_THE_PAGE = re.findall(r"(?:^    [^\n]*\n)+(?=    # line)(?:^    [^\n]*\n)+", PAGE, re.MULTILINE)


@pytest.mark.parametrize("example", EXAMPLES_OF_THE_PAGE)
def test_each_example_of_the_manual_page_reads_as_it_says(example: str) -> None:
    """`benchlog manual pattern`: the options as a bench file has them, a line, and what it is read as."""
    text = textwrap.dedent(example)
    options = build_options(SerialOptions, tomllib.loads(text), place="page")
    line, reads = (re.search(rf"# {word} +(.+)", text)[1] for word in ("line", "reads"))  # type: ignore[index]
    decoder = PatternLine(options)
    (reading,) = decoder.feed(line.encode() + decoder.end)
    flags = f" ({', '.join(f.value for f in reading.flags)})" if reading.flags else ""
    assert reading.displayed + flags == reads


def test_the_manual_page_has_every_option_of_a_text_meter() -> None:
    """Each is used in an example; the others belong to meters with frames of bytes."""
    used = {key for example in EXAMPLES_OF_THE_PAGE for key in tomllib.loads(textwrap.dedent(example))}
    others = {"annunciators", "codes", "ac_and_dc", "description"}  # the last one means serial
    assert used == set(SerialOptions.__struct_fields__) - others
