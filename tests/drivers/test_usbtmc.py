"""USB instruments over the bus: transfers, device clear, halts, unplugging; USBTMC 1.0 and USB488 as emulated apart."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from helpers.usb_in_process import InProcessUsb
from instruments import Scope

from benchlog.errors import (
    BenchlogError,
    InstrumentRefusedError,
    LinkLostError,
    OpenError,
    OpenReason,
    ReadTimeoutError,
)
from benchlog_drivers import _usb_bus
from benchlog_drivers._session import LinkOptions
from benchlog_drivers._visa import VisaLink
from benchlog_drivers.visa_scope import VisaScope

NAME = "USB0::0x1209::0x0022::SC0001::0::INSTR"


@pytest.fixture
def device() -> Scope:
    return Scope()


@pytest.fixture
def bus(device: Scope, monkeypatch: pytest.MonkeyPatch) -> InProcessUsb:
    found = InProcessUsb(device)
    monkeypatch.setattr(_usb_bus, "usb_backend", lambda: found)
    return found


Ready = Callable[..., VisaScope]


@pytest.fixture
def ready(bus: InProcessUsb) -> Iterator[Ready]:
    """Opens a scope and sets up a record of so many samples."""
    opened: list[VisaScope] = []

    def make(samples: int = 10_000, timeout_s: float = 2.0) -> VisaScope:
        scope = VisaScope("SC", NAME, LinkOptions(timeout_s=timeout_s)).open()
        opened.append(scope)
        scope.set_vertical("CH1", 0.08)
        scope.set_timebase(n_samples=samples, span_s=0.002)
        return scope

    yield make
    for scope in opened:
        scope.close()


def record(scope: VisaScope, device: Scope) -> bool:
    """Whether a capture has exactly the codes the scope holds."""
    capture = scope.capture(["CH1"], timeout_s=5)
    return capture.channels[0].codes.tobytes() == device.codes[1]


def violations(device: Scope) -> list[dict[str, object]]:
    return [e for e in device.log if e["what"] in ("violation", "interrupted")]


@pytest.mark.parametrize(
    ("samples", "how"),
    [
        (10_000, {}),
        (250_000, {}),  # more than one request holds; a strict scope notes an answer not read to its end
        (600_000, {}),
        (10_000, {"max_transfer": 4096}),
        (5_000, {"max_transfer": 500}),  # with its header one packet of 512, then an empty one
        (5_000, {"max_transfer": 500, "zlp": False}),  # instruments are known that leave it out
        (489, {"zlp": False}),  # header and data end with a packet
        (487, {"pad": False}),
        (488, {"pad": False}),
        (489, {"pad": False}),
        (1_000, {"pad": False}),
        (100_000, {"indefinite": True}),
        (10_000, {"pause_after": 4096, "pause_s": 0.4}),
    ],
)
def test_records_come_whole_however_they_are_cut(
    device: Scope, ready: Ready, samples: int, how: dict[str, object]
) -> None:
    """Every byte as the scope has it, and a scope that is strict about IEEE 488.2 notes nothing."""
    scope = ready(samples)
    device.how |= how
    assert record(scope, device)
    assert record(scope, device)
    assert violations(device) == []


def test_a_full_speed_scope_is_read_too(bus: InProcessUsb, monkeypatch: pytest.MonkeyPatch) -> None:
    """Packets of 64 bytes."""
    slow = Scope("1-4", "SC0002", 2)
    monkeypatch.setattr(_usb_bus, "usb_backend", lambda: InProcessUsb(slow))
    with VisaScope("SC", NAME.replace("SC0001", "SC0002")) as scope:
        scope.set_vertical("CH1", 0.08)
        scope.set_timebase(n_samples=5000, span_s=0.002)
        assert record(scope, slow)


def test_a_slow_scope_that_never_pauses_is_waited_for(device: Scope, ready: Ready) -> None:
    """The time-out is the longest silence: 50 000 bytes at 40 kB/s take longer than it and come whole."""
    scope = ready(50_000, timeout_s=0.5)
    device.how["rate"] = 40e3
    start = time.monotonic()
    assert record(scope, device)
    assert time.monotonic() - start > 1.0


def test_a_pause_longer_than_the_time_out_counts_the_bytes_and_the_next_record_is_right(
    device: Scope, ready: Ready
) -> None:
    """The error says how much came before it stopped; the link is cleared before it is used again."""
    scope = ready(10_000, timeout_s=0.3)
    device.how |= {"pause_after": 4096, "pause_s": 1.5}
    with pytest.raises(ReadTimeoutError, match=r"\d+ of 10000 bytes"):
        scope.capture(["CH1"], timeout_s=5)
    device.how["pause_after"] = 0
    assert record(scope, device)
    assert any(e["what"] == "initiate_clear" for e in device.log)


def test_a_late_answer_is_not_taken_for_the_next(device: Scope, ready: Ready) -> None:
    """The first retry after a time-out has its own answer, by a device clear."""
    link = ready(timeout_s=0.3)._session.link
    device.how["delay_s"] = 0.8
    with pytest.raises(ReadTimeoutError):
        link.query(":CHANnel1:SCALe?")
    device.how["delay_s"] = 0.0
    assert "SC-03" in link.query("*IDN?")


def late_then_clear(device: Scope, ready: Ready, **how: object) -> VisaLink:
    """A link whose question got no answer in time, and whose next question had its own; `how` is the scope's manner."""
    link = ready(timeout_s=0.3)._session.link
    device.log.clear()
    device.how |= how | {"delay_s": 0.8}
    with pytest.raises(ReadTimeoutError):
        link.query(":CHANnel1:SCALe?")
    device.how["delay_s"] = 0.0
    assert "SC-03" in link.query("*IDN?")
    assert violations(device) == []
    return link


def events(device: Scope) -> list[object]:
    return [e["what"] for e in device.log]


def test_a_transfer_that_ran_out_of_time_is_aborted_before_the_clear(device: Scope, ready: Ready) -> None:
    """USBTMC 1.0, 4.2.1.4: the request for data is ended by its own bTag; then the message is cleared (4.2.1.6)."""
    link = late_then_clear(device, ready)
    assert events(device) == ["abort_in", "initiate_clear", "clear_halt", "status_byte"]
    assert device.log[0]["request"] == (device.log[0]["tag"], 1 << 16)
    assert link.openings == 1


def test_a_block_that_stopped_in_the_middle_is_aborted(device: Scope, ready: Ready) -> None:
    """What the instrument would still send of the transfer does not come; the next record is whole."""
    scope = ready(50_000, timeout_s=0.3)
    device.how |= {"pause_after": 4096, "pause_s": 1.0}
    with pytest.raises(ReadTimeoutError):
        scope.capture(["CH1"], timeout_s=5)
    device.log.clear()
    device.how["pause_after"] = 0
    assert record(scope, device)
    assert events(device)[:2] == ["abort_in", "initiate_clear"]
    assert violations(device) == []


def test_an_instrument_that_knows_no_abort_is_cleared_all_the_same(device: Scope, ready: Ready) -> None:
    """It answers the request by a STALL, as a request it does not know."""
    assert late_then_clear(device, ready, no_abort=True).openings == 1


def test_a_clear_that_leaves_an_answer_is_none(device: Scope, ready: Ready) -> None:
    """The status byte still shows an answer (message available): the link is opened again."""
    assert late_then_clear(device, ready, mav_stays=True).openings == 2


def test_a_service_request_is_not_taken_for_the_status_byte(device: Scope, ready: Ready) -> None:
    """Both come by the interrupt endpoint; only the one with the request's own tag is its answer (USB488, 3.4)."""
    assert late_then_clear(device, ready, srq=True).openings == 1


def test_a_wait_in_pieces_is_one_question(device: Scope, ready: Ready) -> None:
    """Reading on after a short wait finds the answer of the same question; it is not asked for twice."""
    link = ready()._session.link
    device.how["delay_s"] = 0.5
    link.write(":CHANnel1:PROBe?")
    with pytest.raises(ReadTimeoutError):
        link.read_line(0.1)
    assert float(link.read_line(1.0)) == 1.0
    assert violations(device) == []


def test_a_refused_question_is_reported_as_refused(device: Scope, ready: Ready) -> None:
    """The error queue says why nothing came."""
    scope = ready(timeout_s=0.3)
    device.how["refuse"] = ":WAVeform:PREamble?"
    with pytest.raises(InstrumentRefusedError, match="Undefined header"):
        scope.capture(["CH1"], timeout_s=5)


def test_a_scope_of_unknown_make_is_recognised(device: Scope, bus: InProcessUsb) -> None:
    """Questions of other dialects that go unanswered don't end the link."""
    device.how["idn"] = "Other,Make,1,1.0"
    with VisaScope("SC", NAME, LinkOptions(timeout_s=0.3)) as scope:
        assert "preamble_ten" in scope.identity()
        assert scope._session.link.query(":SYSTem:ERRor?") == '0,"No error"'


@pytest.mark.parametrize("fault", [{"stall_in_after": 4096}, {"stall_out": 1}])
def test_a_halted_endpoint_is_reported_and_cleared(
    device: Scope, ready: Ready, fault: dict[str, int]
) -> None:
    """STALL in a block or of a command: an error, no hang, and opening again works."""
    scope = ready()
    device.how |= fault
    with pytest.raises(BenchlogError, match="halted the transfer"):
        scope.capture(["CH1"], timeout_s=5)
    scope.close()
    with scope:
        assert record(scope, device)


def test_more_than_a_packet_holds_is_an_error_not_a_hang(device: Scope, ready: Ready) -> None:
    """Babble: an answer of another size than its header says."""
    scope = ready()
    honest = Scope._respond

    def babble(self: Scope) -> None:
        if self.request and self.answer:
            self.request = None
            self.pipes[0x82].packet = 700  # a packet longer than the endpoint's
            self.pipes[0x82].put(bytes(700))
            self.pump(0x82)
            self.pipes[0x82].packet = self.packet

    device._respond = babble.__get__(device)  # type: ignore[method-assign]
    with pytest.raises(BenchlogError, match="more than a packet holds"):
        scope._session.link.query("*IDN?")
    device._respond = honest.__get__(device)  # type: ignore[method-assign]
    scope.close()
    with scope:
        assert record(scope, device)


def test_pulling_the_cable_in_a_block_is_a_lost_link(device: Scope, bus: InProcessUsb, ready: Ready) -> None:
    """The error counts the bytes; opening says that it is missing; plugged in again, it works."""
    scope = ready()
    device.how["drop_after"] = 4096
    with pytest.raises(LinkLostError, match="of 10000 bytes"):
        scope.capture(["CH1"], timeout_s=5)
    scope.close()
    device.how["drop_after"] = 0
    with pytest.raises(OpenError) as caught:
        scope.open()
    assert caught.value.reason is OpenReason.MISSING
    bus.plug_in(device)
    with scope:
        assert record(scope, device)


def test_twenty_cycles_of_the_cable_leave_nothing_behind(
    device: Scope, bus: InProcessUsb, ready: Ready
) -> None:
    """Each gives an error, each record after it is right, no thread and no claim is left."""
    threads = threading.active_count()
    for _ in range(20):
        scope = ready()
        device.how["drop_after"] = 4096
        with pytest.raises(BenchlogError):
            scope.capture(["CH1"], timeout_s=5)
        device.how["drop_after"] = 0
        scope.close()
        bus.plug_in(device)
    assert record(ready(), device)
    time.sleep(0.3)
    assert threading.active_count() <= threads + 2


def test_a_missing_permission_is_reported_with_the_rule(device: Scope, bus: InProcessUsb) -> None:
    """Not as missing: on Linux the udev rule with its ids is the hint (udev(7))."""
    bus.denied.add(device)
    with pytest.raises(OpenError, match="permission") as caught:
        VisaScope("SC", NAME).open()
    assert caught.value.reason is OpenReason.PERMISSION
    rule = 'ATTR{idVendor}=="1209", ATTR{idProduct}=="0022"'
    assert (rule in caught.value.hint) is (sys.platform == "linux")


def test_an_instrument_in_use_is_busy_and_the_first_goes_on(device: Scope, ready: Ready) -> None:
    """A second opening is refused; nothing of it disturbs the first."""
    scope = ready()
    with pytest.raises(OpenError) as caught:
        VisaScope("SC2", NAME).open()
    assert caught.value.reason is OpenReason.BUSY
    assert record(scope, device)


def test_the_kernels_driver_is_taken_off_and_given_back(
    device: Scope, bus: InProcessUsb, ready: Ready
) -> None:
    """/dev/usbtmc0 is there again after closing."""
    bus.kernel_driver.add(device)
    scope = ready()
    assert device not in bus.kernel_driver
    scope.close()
    assert device in bus.kernel_driver


def test_a_long_command_goes_out_in_several_transfers(device: Scope, ready: Ready) -> None:
    """End of message at the last of them only."""
    link = ready()._session.link
    link.write("*CLS;" + ":CHANnel1:SCALe 1;" * 500)
    assert float(link.query(":CHANnel1:SCALe?")) == 1.0
    assert violations(device) == []


def test_closing_frees_a_waiting_thread(device: Scope, ready: Ready) -> None:
    """Within a fraction of a second, whatever the time-out."""
    scope = ready(timeout_s=30.0)
    device.how["mute"] = True
    caught: list[BaseException] = []

    def wait() -> None:
        try:
            scope._session.link.query("*IDN?")
        except LinkLostError as error:
            caught.append(error)

    thread = threading.Thread(target=wait)
    thread.start()
    time.sleep(0.2)
    start = time.monotonic()
    scope.close()
    thread.join(5)
    assert time.monotonic() - start < 1.0
    assert "was closed" in str(caught[0])


def test_what_a_program_before_left_behind_is_cleared_at_opening(device: Scope, bus: InProcessUsb) -> None:
    """An answer asked for and never fetched does not become the first answer."""
    device.answer += b"27.75\n"
    with VisaScope("SC", NAME) as scope:
        assert "SC-03" in scope.identity()
        assert np.isfinite(scope.set_vertical("CH1", 1.0))
