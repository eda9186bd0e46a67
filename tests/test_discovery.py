"""Looking for instruments: what answers is recognised, what does not is listed with what to try."""

from __future__ import annotations

import socket
import sys
import time
from pathlib import Path

import pytest
from helpers.frames import EXAMPLES
from helpers.pty_meter import PtyMeter
from helpers.scpi_scopes import FieldScope, PreambleScope, generator, meter
from helpers.scpi_server import ScpiServer, Scripted

from benchlog import usb_devices
from benchlog.bench import read_bench
from benchlog.discovery import (
    Found,
    Report,
    Request,
    append_entries,
    bench_entry,
    search,
    tags_for,
)
from benchlog.errors import ConfigError
from benchlog.serial_ports import Port, list_ports
from benchlog_drivers import _find_serial, _find_visa


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Short listening, and a folder without dialect files."""
    monkeypatch.setattr(_find_serial, "_LISTEN_S", 0.15)
    monkeypatch.setattr(_find_serial, "_ANSWER_S", 0.1)
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def usb_clean(monkeypatch: pytest.MonkeyPatch) -> None:
    """No USB instruments, whatever is plugged into this machine."""
    monkeypatch.setattr(_find_visa, "usb_instruments", lambda: ([], []))


@pytest.mark.parametrize("family", EXAMPLES)
def test_a_meter_of_every_family_is_recognised_with_its_reading(family: str, usb_clean: None) -> None:
    """Frames at an unknown setting are recognised, and the live reading is what the display shows."""
    frame, shown = EXAMPLES[family]
    polled = family == "polled14"
    line = PtyMeter(answers={b"D": frame}) if polled else PtyMeter(frame)
    with line:
        report = search(Request(places=(line.path,)))
    (found,) = report.found
    assert (found.kind, found.family, found.place) == ("meter", family, line.path)
    assert found.address == f"serial:{line.path}?frames={family}"
    assert found.reading is not None
    assert found.reading.displayed == shown


def test_a_usb_meter_is_addressed_by_its_serial_number() -> None:
    """Port names change from day to day; a serial number that is unique does not."""
    frame, _ = EXAMPLES["segment14"]
    with PtyMeter(frame) as line:
        port = Port(line.path, "USB-Serial", "A10K3XYZ")
        report = _find_serial.find(Request(ports=(port,)))
    assert report.found[0].address == "serial:usb?serial=A10K3XYZ&frames=segment14"


def test_how_to_describe_a_text_meter_is_said() -> None:
    """Lines of text that are not a known frame: the line is shown, and the pattern family named."""
    with PtyMeter(b"DCV 27.75 ok\r\n") as line:
        report = _find_serial.find(Request(ports=(Port(line.path),)))
    (other,) = report.unrecognised
    assert "'DCV 27.75 ok'" in other.seen
    assert "benchlog manual pattern" in other.hint


def test_bytes_of_no_known_form_are_shown() -> None:
    """Nothing is guessed: the bytes are shown in hex, with what to try."""
    with PtyMeter(bytes(range(0x80, 0x9F))) as line:
        report = _find_serial.find(Request(ports=(Port(line.path),)))
    (other,) = report.unrecognised
    assert "80 81 82" in other.seen
    assert "baud" in other.hint


def test_a_silent_port_is_asked_and_the_hint_is_to_switch_on() -> None:
    """*IDN? was sent, nothing else that could change a setting but the polled families' request."""
    with PtyMeter(answers={b"nothing": b""}) as line:
        report = _find_serial.find(Request(ports=(Port(line.path),)))
        asked = b"".join(line.asked)
    assert "nothing received" in report.unrecognised[0].seen
    assert "switch on the meter" in report.unrecognised[0].hint
    assert set(asked.replace(b"*IDN?\n", b"").decode()) <= {"D"}
    assert b"*IDN?\n" in asked


def test_a_port_that_is_not_there_does_not_stop_the_others() -> None:
    """Each port answers for itself."""
    frame, _ = EXAMPLES["segment14"]
    with PtyMeter(frame) as line:
        report = _find_serial.find(Request(ports=(Port("/dev/benchlog-none"), Port(line.path))))
    assert len(report.found) == 1
    assert report.unrecognised[0].place == "/dev/benchlog-none"
    assert report.unrecognised[0].hint


def test_scpi_instruments_are_recognised_by_kind(usb_clean: None) -> None:
    """Meter with its reading, scopes of both families, generator; a closed port says so."""
    scripts = [meter(), PreambleScope().instrument(), FieldScope().instrument(), generator({})]
    servers = [ScpiServer(script) for script in scripts]
    with socket.create_server(("127.0.0.1", 0)) as listener:
        closed = f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
    try:
        report = search(Request(places=(*(server.resource for server in servers), closed)))
    finally:
        for server in servers:
            server.close()
    assert [(f.kind, f.family) for f in report.found] == [
        ("meter", "scpi_meter"),
        ("scope", "preamble_ten"),
        ("scope", "field_queries"),
        ("generator", "scpi_generator"),
    ]
    assert report.found[0].reading is not None
    assert report.found[0].reading.displayed == "27.75 V"
    (other,) = report.unrecognised
    assert other.place == closed
    assert "refused" in other.seen


def test_an_unknown_make_is_recognised_by_what_it_answers(usb_clean: None) -> None:
    """Its address then names the dialect, and what fits none says which identity was given, in a few seconds."""
    start = time.monotonic()
    script = PreambleScope().instrument()
    script.table[r"\*IDN\?"] = "Unheard Of,One,0,0"
    with ScpiServer(script) as server, ScpiServer(Scripted({}, identity="Unheard Of,Two,0,0")) as other:
        report = search(Request(places=(server.resource, other.resource)))
    assert time.monotonic() - start < 8.0  # five questions that nobody answers, at 2 s each, were 10
    assert report.found[0].address == f"{server.address}?dialect=preamble_ten"
    assert "Unheard Of,Two" in report.unrecognised[0].seen
    assert "extends" in report.unrecognised[0].hint


def test_nothing_connected_says_what_was_looked_for(usb_clean: None) -> None:
    """Every family, the settings, USB; that the network was left alone; what to plug in."""
    report = search(Request())
    assert report.found == ()
    text = " ".join(report.looked_for)
    for word in ("segment14", "digitcode14", "polled14", "2400 baud 8N1", "19200 baud 7O1", "USB"):
        assert word in text
    assert any("--lan" in line for line in report.advice)
    assert any("plug in" in line for line in report.advice)


def test_the_network_is_asked_only_when_wanted(usb_clean: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """No broadcast without --lan."""
    asked: list[bool] = []

    def on_lan() -> list[str]:
        asked.append(True)
        return []

    monkeypatch.setattr(_find_visa, "_on_lan", on_lan)
    search(Request())
    assert asked == []
    search(Request(lan=True))
    assert asked == [True]


@pytest.fixture
def plugged_in(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The kernel's list of USB devices, laid out as Linux does: a scope, and a memory stick."""
    if sys.platform != "linux":
        pytest.skip("only Linux lists USB devices in files")
    device = {"busnum": "250", "devnum": "4", "idVendor": "1209", "idProduct": "0022", "serial": "SC0001"}
    for name, subclass in (("1-1", "fe03"), ("1-2", "0806")):
        for folder, values in (
            (name, device | {"product": "Two-channel scope"}),
            (
                f"{name}:1.0",
                {
                    "bInterfaceClass": subclass[:2],
                    "bInterfaceSubClass": subclass[2:],
                    "bInterfaceNumber": "00",
                },
            ),
        ):
            (tmp_path / folder).mkdir()
            for file, value in values.items():
                (tmp_path / folder / file).write_text(value + "\n", encoding="ascii")
    monkeypatch.setattr(usb_devices, "SYSFS", tmp_path)


@pytest.mark.usefixtures("plugged_in")
def test_a_usb_instrument_without_its_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel's list shows that one is plugged in; the packages to install are the hint."""
    monkeypatch.setitem(sys.modules, "usb.backend.libusb1", None)
    report = _find_visa.find(Request())
    assert "PyUSB is not installed" in report.unrecognised[0].seen
    assert "Two-channel scope" in report.unrecognised[0].seen
    assert report.unrecognised[0].hint == "pip install pyusb libusb-package"


@pytest.mark.usefixtures("plugged_in")
def test_missing_libusb_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """PyUSB alone does nothing: the library under it is named, and how to get it."""
    import usb.backend.libusb1

    monkeypatch.setattr(usb.backend.libusb1, "get_backend", lambda find_library=None: None)
    report = _find_visa.find(Request())
    assert "libusb" in report.unrecognised[0].seen
    assert "pip install libusb-package" in report.unrecognised[0].hint


@pytest.mark.usefixtures("plugged_in")
def test_a_usb_instrument_without_permission_gets_its_udev_rule() -> None:
    """It is listed with its name; the rule has its ids and comes with the place it belongs in (udev(7))."""
    report = _find_visa.find(Request())  # there is no bus 250 here, so no user may open it
    other = report.unrecognised[0]
    assert other.place == "USB0::0x1209::0x0022::SC0001::0::INSTR"
    assert "no permission" in other.seen
    assert 'ATTR{idVendor}=="1209", ATTR{idProduct}=="0022"' in other.hint
    assert "/etc/udev/rules.d/" in other.hint


def test_ports_are_listed_without_opening_them() -> None:
    """The list is there on every machine, empty or not."""
    for port in list_ports():
        assert port.access in ("ok", "no permission", "gone")


def test_a_finder_reports_are_joined() -> None:
    """Reports add up in order."""
    one = Report(("a",), advice=("x",))
    assert search(Request(), {"one": lambda r: one, "two": lambda r: Report(("b",))}).looked_for == ("a", "b")


FOUND = [
    Found("meter", "serial:/dev/ttyUSB0?frames=segment14", "/dev/ttyUSB0", "segment14"),
    Found("scope", "visa:TCPIP::10.0.0.2::5025::SOCKET", "x", "preamble_ten", 'Maker "X",M\\1,0,1'),
    Found("meter", "serial:/dev/ttyUSB1?frames=digitcode14", "/dev/ttyUSB1", "digitcode14"),
]


def test_entries_make_a_valid_bench_file(tmp_path: Path) -> None:
    """Proposed entries are read back as written, odd characters in identities included; tags are free ones."""
    path = tmp_path / "bench.toml"
    tags = tags_for(FOUND, taken=["M1"])
    assert tags == ["M2", "S1", "M3"]
    append_entries(path, [bench_entry(f, tag) for f, tag in zip(FOUND, tags, strict=True)])
    bench = read_bench(path)
    assert [(i.tag, i.kind, i.address) for i in bench.instruments.values()] == [
        (tag, f.kind, f.address) for f, tag in zip(FOUND, tags, strict=True)
    ]
    assert bench.instruments["S1"].note == 'Maker "X",M\\1,0,1'


def test_writing_keeps_what_is_there(tmp_path: Path) -> None:
    """Entries are appended, comments stay, and no draft is left behind."""
    path = tmp_path / "bench.toml"
    path.write_text('# mine\n[[instrument]]\ntag = "A"', encoding="utf-8")
    append_entries(path, [bench_entry(FOUND[0], "M1")])
    assert path.read_text(encoding="utf-8").startswith('# mine\n[[instrument]]\ntag = "A"\n\n[[instrument]]')
    assert list(read_bench(path).instruments) == ["A", "M1"]
    assert [p.name for p in tmp_path.iterdir()] == ["bench.toml"]


def test_a_wrong_bench_file_is_left_as_it_is(tmp_path: Path) -> None:
    """Nothing is written into a file that can't be read, nor an entry that would break it."""
    path = tmp_path / "bench.toml"
    path.write_text("[[instrument", encoding="utf-8")
    with pytest.raises(ConfigError):
        append_entries(path, [bench_entry(FOUND[0], "M1")])
    assert path.read_text(encoding="utf-8") == "[[instrument"
    path.write_text('[[instrument]]\ntag = "M1"\n', encoding="utf-8")
    with pytest.raises(ConfigError, match="twice"):
        append_entries(path, [bench_entry(FOUND[0], "M1")])
    assert read_bench(path).instruments.keys() == {"M1"}


def test_a_pattern_is_proposed_for_lines_that_can_be_guessed(
    usb_clean: None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Label, number and unit: the entry has the pattern, decodes what came, and is a valid bench file."""
    monkeypatch.setattr(_find_serial, "_LISTEN_S", 0.5)
    with PtyMeter(b"volts: 27,75 mV ok\r\n") as line:
        report = search(Request(places=(line.path,)))
    found = report.found[0]
    assert found.family == "pattern"
    assert found.reading is not None
    assert found.reading.value == pytest.approx(0.02775)
    append_entries(tmp_path / "bench.toml", [bench_entry(found, "M1")])
    options = read_bench(tmp_path / "bench.toml").instrument("M1").options
    assert options["function"] == "V="
