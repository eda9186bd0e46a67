"""The VISA link over real loopback sockets and ptys: answers, blocks, and every way in which a link breaks."""

from __future__ import annotations

import socket
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from helpers.scpi_server import CLOSE, RESET, Answer, ScpiServer, Scripted, pty_server

from benchlog.errors import (
    AdapterUnavailableError,
    BadFrameError,
    LinkLostError,
    OpenError,
    OpenReason,
    ReadTimeoutError,
)
from benchlog_drivers._visa import VisaLink

PAYLOAD = bytes(range(256)) * 8  # has every byte, newlines and returns among them
BLOCKS: dict[str, str | Answer] = {
    r"NUM\?": "42",
    r"DEF\?": b"#42048" + PAYLOAD + b"\n",
    r"BARE\?": b"#42048" + PAYLOAD,
    r"INDEF\?": b"#0" + PAYLOAD + b"\n",
    r"HEADED\?": b":CURV #42048" + PAYLOAD + b"\n",
    r"SLOW\?": [b"#42048", *(x for i in range(8) for x in (0.05, PAYLOAD[i * 256 : (i + 1) * 256])), b"\n"],
    r"SHORT\?": [b"#42048" + PAYLOAD[:600]],
    r"SHUT\?": [b"#42048" + PAYLOAD[:600], CLOSE],
    r"TEAR\?": [b"#42048" + PAYLOAD[:600], 0.05, RESET],
    r"MESSAGE\?": '-230,"Data corrupt or stale"',
    r"SILENT\?": None,
    r"HALF\?": [b"12.3"],
    r"HANGUP\?": [0.1, CLOSE],
    r"HALFHANGUP\?": [b"12.3", CLOSE],
    r"RESET\?": [0.05, RESET],
    r"LATE\?": [0.3, b"late\n"],
    r"FLOOD\?": b"x" * 70000,
    r"CRLF\?": b"17\r\n",
    r"ECHO\? (\S+)": lambda m: m[1],  # type: ignore[dict-item]
}


@pytest.fixture
def server() -> Iterator[ScpiServer]:
    with ScpiServer(Scripted(BLOCKS)) as running:
        yield running


@pytest.fixture
def link(server: ScpiServer) -> Iterator[VisaLink]:
    opened = VisaLink(server.resource, timeout_s=0.3)
    opened.open()
    yield opened
    opened.close()


def test_text_questions_are_answered(link: VisaLink) -> None:
    """Answers come back stripped, with either line end, many times over."""
    assert link.query("NUM?") == "42"
    assert link.query("CRLF?") == "17"
    assert [link.query(f"ECHO? {i}") for i in range(200)] == [str(i) for i in range(200)]


@pytest.mark.parametrize("question", ["DEF?", "BARE?", "INDEF?", "HEADED?", "SLOW?"])
def test_blocks_come_back_whole(link: VisaLink, question: str) -> None:
    """Definite with and without line end, indefinite, behind a header, and in slow pieces; the next answer fits."""
    assert link.query_block(question).tobytes() == PAYLOAD
    assert link.query("NUM?") == "42"
    assert link.query_block(question, expected=2048).tobytes() == PAYLOAD
    assert link.query("NUM?") == "42"


def test_a_block_without_line_end_costs_no_waiting(link: VisaLink) -> None:
    """No time-out is paid for a terminator that never comes."""
    start = time.monotonic()
    link.query_block("BARE?")
    assert time.monotonic() - start < 0.15


def test_a_short_block_is_an_error_that_counts(link: VisaLink) -> None:
    """Silence, hang-up and reset in the middle of a block are different errors and say how much came."""
    with pytest.raises(ReadTimeoutError, match="600 of 2048 bytes"):
        link.query_block("SHORT?")
    assert link.query("NUM?") == "42"
    with pytest.raises(LinkLostError, match="600 of 2048 bytes"):
        link.query_block("SHUT?")
    link.close()
    link.open()
    with pytest.raises(LinkLostError, match=r"\d+ of 2048 bytes"):
        link.query_block("TEAR?")


def test_a_block_of_another_size_than_expected_is_refused(link: VisaLink) -> None:
    """Announced or not, a size that does not fit the preamble is an error with both counts."""
    with pytest.raises(BadFrameError, match="4096 bytes was expected, 2048 came"):
        link.query_block("DEF?", expected=4096)
    with pytest.raises(BadFrameError, match="1000 bytes was expected, 2049 came"):
        link.query_block("INDEF?", expected=1000)
    assert link.query("NUM?") == "42"


@pytest.mark.parametrize("question", ["MESSAGE?", "NUM?"])
def test_text_where_a_block_should_be_is_shown(link: VisaLink, question: str) -> None:
    """The message that came instead is in the error, and the link is usable after it."""
    with pytest.raises(BadFrameError) as caught:
        link.query_block(question)
    assert caught.value.raw in (b'-230,"Data corrupt or stale"\n', b"42\n")
    assert link.query("NUM?") == "42"


def test_silence_is_a_time_out_at_the_deadline_without_spinning(link: VisaLink) -> None:
    """The wait lasts as long as asked and uses next to no processor time."""
    start, cpu = time.monotonic(), time.process_time()
    with pytest.raises(ReadTimeoutError, match=r"0\.5 s"):
        link.query("SILENT?", 0.5)
    assert 0.5 <= time.monotonic() - start < 0.7
    assert time.process_time() - cpu < 0.1


def test_half_a_line_is_a_time_out_that_says_so(link: VisaLink) -> None:
    """A number cut in two is never an answer."""
    with pytest.raises(ReadTimeoutError, match="4 bytes of an unfinished line"):
        link.query("HALF?")


@pytest.mark.parametrize("question", ["HANGUP?", "HALFHANGUP?", "RESET?"])
def test_the_end_of_a_connection_is_noticed_at_once(link: VisaLink, question: str) -> None:
    """FIN with nothing, FIN after half an answer, and RST: within 0.2 s of happening, whatever the time-out."""
    start = time.monotonic()
    with pytest.raises(LinkLostError):
        link.query(question, 30.0)
    assert time.monotonic() - start < 0.1 + 0.2


def test_writing_into_a_lost_link_is_a_lost_link(server: ScpiServer) -> None:
    """After the instrument has gone, writes end in LinkLostError, not in a bare BrokenPipeError."""
    link = VisaLink(server.resource, timeout_s=0.3)
    link.open()
    with pytest.raises(LinkLostError):
        link.query("HANGUP?")
    with pytest.raises(LinkLostError):
        link.write("NUM?")
    link.close()


def test_a_late_answer_is_not_taken_for_the_next_one(link: VisaLink) -> None:
    """What arrives after a time-out is thrown away before the next question."""
    with pytest.raises(ReadTimeoutError):
        link.query("LATE?", 0.1)
    time.sleep(0.3)
    assert link.query("NUM?") == "42"


def test_a_flood_without_line_end_ends_in_an_error(link: VisaLink) -> None:
    """Memory stays bounded: 64 KiB without a line end is not an answer."""
    with pytest.raises(BadFrameError, match="without a line end"):
        link.query("FLOOD?", 2.0)
    assert link.query("NUM?") == "42"


def test_zero_time_out_takes_only_what_is_there(link: VisaLink) -> None:
    """Zero means now, and a later read finds the answer."""
    link.write("ECHO? 5")
    time.sleep(0.1)
    assert link.read_line(0.0) == "5"
    with pytest.raises(ReadTimeoutError):
        link.read_line(0.0)


def test_two_threads_get_their_own_answers(link: VisaLink) -> None:
    """One lock per instrument: of 2000 interleaved questions none gets the other's answer."""
    wrong: list[str] = []

    def ask(name: str) -> None:
        for i in range(500):
            if link.query(f"ECHO? {name}{i}") != f"{name}{i}":
                wrong.append(f"{name}{i}")

    threads = [threading.Thread(target=ask, args=(name,)) for name in "abcd"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


def test_close_from_another_thread_frees_a_waiting_one(link: VisaLink) -> None:
    """The waiting thread gets LinkLostError at once; closing again does nothing; opening again works."""
    caught: list[LinkLostError] = []

    def wait() -> None:
        try:
            link.query("SILENT?", 30.0)
        except LinkLostError as error:
            caught.append(error)

    thread = threading.Thread(target=wait)
    thread.start()
    time.sleep(0.1)
    start = time.monotonic()
    link.close()
    thread.join(5)
    assert time.monotonic() - start < 0.5
    assert isinstance(caught[0], LinkLostError)
    assert "was closed" in str(caught[0])
    link.close()
    with pytest.raises(LinkLostError, match="was closed"):
        link.query("NUM?")
    link.open()
    assert link.query("NUM?") == "42"


def test_a_closed_port_is_refused_at_open() -> None:
    """Not at the first write, as the library has it."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(OpenError) as caught:
        VisaLink(f"TCPIP::127.0.0.1::{port}::SOCKET").open()
    assert caught.value.reason is OpenReason.REFUSED
    assert "LAN control" in caught.value.hint


@pytest.mark.parametrize(
    ("resource", "reason"),
    [
        ("TCPIP::no-such-host.invalid::5025::SOCKET", OpenReason.MISSING),
        ("ASRL/dev/benchlog-none::INSTR", OpenReason.MISSING),
        ("rubbish", OpenReason.OTHER),
    ],
)
def test_why_an_instrument_can_not_be_opened(resource: str, reason: OpenReason) -> None:
    """Missing hosts, missing ports and invalid names are different errors, each with a hint."""
    with pytest.raises(OpenError) as caught:
        VisaLink(resource).open()
    assert caught.value.reason is reason
    assert caught.value.hint


def test_a_kind_of_link_without_its_library_says_what_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    """USB without PyUSB is 'unavailable', not a ValueError."""
    monkeypatch.setitem(sys.modules, "usb.backend.libusb1", None)
    with pytest.raises(AdapterUnavailableError, match="PyUSB") as caught:
        VisaLink("USB0::0x1234::0x5678::0::INSTR").open()
    assert "pip install pyusb" in caught.value.hint


def test_serial_lines_and_blocks_over_a_pty() -> None:
    """The same link over a serial port: answers, blocks with every byte, time-out, clear."""
    with pty_server(Scripted(BLOCKS)) as resource:
        link = VisaLink(resource, timeout_s=0.3, serial_settings={"baud": 115200, "parity": "none"})
        link.open()
        try:
            assert link.query("NUM?") == "42"
            for question in ("DEF?", "BARE?", "INDEF?"):
                assert link.query_block(question).tobytes() == PAYLOAD
            assert link.query("NUM?") == "42"
            with pytest.raises(ReadTimeoutError):
                link.query("SILENT?")
            link.clear()
            assert link.query("NUM?") == "42"
        finally:
            link.close()


def test_a_serial_port_in_use_is_busy() -> None:
    """A second opening is refused, where the library would share the bytes between the two."""
    with pty_server(Scripted(BLOCKS)) as resource:
        first, second = VisaLink(resource), VisaLink(resource)
        first.open()
        try:
            with pytest.raises(OpenError) as caught:
                second.open()
            assert caught.value.reason is OpenReason.BUSY
        finally:
            first.close()


def test_a_serial_port_that_goes_away_is_a_lost_link() -> None:
    """Unplugging while waiting ends the wait at once."""
    with pty_server(Scripted(BLOCKS)) as resource:
        link = VisaLink(resource, timeout_s=10.0)
        link.open()
        try:
            start = time.monotonic()
            with pytest.raises(LinkLostError):
                link.query("HANGUP?")
            assert time.monotonic() - start < 0.5
        finally:
            link.close()


SIMULATED = """
spec: "1.0"
devices:
  d:
    eom:
      USB INSTR: { q: "\\n", r: "\\n" }
      GPIB INSTR: { q: "\\n", r: "\\n" }
      TCPIP INSTR: { q: "\\n", r: "\\n" }
      TCPIP SOCKET: { q: "\\n", r: "\\n" }
      ASRL INSTR: { q: "\\n", r: "\\n" }
    error: ERROR
    dialogues:
      - { q: "*IDN?", r: "simulated,SIM,0,1.0" }
      - { q: "NUM?", r: "42" }
      - { q: "BLK?", r: "#14ABCD" }
resources:
  USB0::0x1111::0x2222::7::INSTR: { device: d }
  GPIB0::8::INSTR: { device: d }
  TCPIP0::localhost::inst0::INSTR: { device: d }
  TCPIP0::localhost::5025::SOCKET: { device: d }
  ASRL1::INSTR: { device: d }
"""


@pytest.mark.parametrize(
    "resource",
    [
        "USB0::0x1111::0x2222::7::INSTR",
        "GPIB0::8::INSTR",
        "TCPIP0::localhost::inst0::INSTR",
        "TCPIP0::localhost::5025::SOCKET",
        "ASRL1::INSTR",
    ],
)
@pytest.mark.parametrize("by_environment", [False, True])
def test_a_foreign_visa_library_carries_every_kind_of_resource(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, resource: str, by_environment: bool
) -> None:
    """Named by option or by PYVISA_LIBRARY; text, a short block, a time-out, and the next answer after it."""
    table = tmp_path / "bench.yaml"
    table.write_text(SIMULATED, encoding="utf-8")
    library = f"{table}@sim"
    if by_environment:
        monkeypatch.setenv("PYVISA_LIBRARY", library)
    link = VisaLink(resource, timeout_s=0.3, library="" if by_environment else library)
    link.open()
    try:
        assert link.identify() == "simulated,SIM,0,1.0"
        assert link.query("NUM?") == "42"
        assert link.query_block("BLK?").tobytes() == b"ABCD"
        assert link.query("NUM?") == "42"
        with pytest.raises(ReadTimeoutError):
            link.read_line(0.05)
        assert link.query("NUM?") == "42"
    finally:
        link.close()


def test_a_big_block_arrives_unchanged() -> None:
    """A million samples, each byte as sent."""
    data = np.random.default_rng(7).integers(0, 256, 1_000_000, dtype=np.uint8)
    with ScpiServer(Scripted({r"BIG\?": b"#71000000" + data.tobytes() + b"\n"})) as big:
        link = VisaLink(big.resource)
        link.open()
        try:
            assert np.array_equal(link.query_block("BIG?", expected=1_000_000), data)
        finally:
            link.close()


def test_block_transfer_keeps_pace_with_a_raw_socket() -> None:
    """A 4 MB block through the link reaches at least 0.3 of a raw socket's speed in the same run."""
    import runpy

    program = runpy.run_path(str(Path(__file__).parents[1] / "performance" / "block_transfer.py"))
    raw, link = max((program["measure"](4_000_000, 5) for _ in range(3)), key=lambda pair: pair[1] / pair[0])
    assert link / raw >= program["LIMIT"]
