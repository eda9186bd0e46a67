"""Every link of the simulated bench through the adapter that reads hardware, and the contract of `sim:`."""

from __future__ import annotations

import dataclasses
import math
import socket
import threading
import time

import numpy as np
import pytest

from benchlog.adapter import Reader
from benchlog.capture import Capture
from benchlog.clock import ManualClock, SystemClock
from benchlog.errors import InstrumentRefusedError
from benchlog.reading import Function
from benchlog.registry import make_adapter
from benchlog.testing import check_adapter
from benchlog_drivers.simbench.bench import SimulatedBench
from benchlog_drivers.simbench.loopback import Connection, Loop
from benchlog_drivers.simbench.serve_scpi import ScpiEndpoint, header_pattern
from benchlog_drivers.simulated import using
from benchlog_drivers.visa_generator import VisaGenerator
from benchlog_drivers.visa_scope import VisaScope

START_NS = 1_790_000_000_000_000_000


def phasor(capture: Capture, channel: str, frequency: float) -> complex:
    """Least-squares phasor of one known frequency."""
    record = next(r for r in capture.channels if r.name == channel)
    t = np.arange(record.codes.size) * capture.interval_s
    turns = 2 * np.pi * frequency * t
    design = np.column_stack([np.cos(turns), -np.sin(turns), np.ones_like(t)])
    (real, imaginary, _), *_ = np.linalg.lstsq(design, record.values(), rcond=None)
    return complex(real, imaginary)


def measured_ratio(bench: SimulatedBench, winding: str, turns: int) -> tuple[float, float]:
    """Turns ratio by known divider and swapped probes, and the phase of the first capture in degrees."""
    found = []
    with (
        make_adapter("sim:SC-03", "SC-03", clock=bench.clock) as scope,
        make_adapter("sim:SG-04", "SG-04", clock=bench.clock) as source,
    ):
        assert isinstance(scope, VisaScope)
        assert isinstance(source, VisaGenerator)
        source.set_sine(5e3, 10.0)
        for swapped in (False, True):
            bench.hookups.ratio(winding, divided=True, swapped=swapped)
            source.set_output(True)
            one, many = ("CH2", "CH1") if swapped else ("CH1", "CH2")
            for channel in (one, many):
                scope.set_vertical(channel, 5.2 / turns)
            scope.set_timebase(span_s=5e-3, n_samples=10_000)
            capture = scope.capture(["CH1", "CH2"])
            found.append(phasor(capture, many, 5e3) / phasor(capture, one, 5e3))
    ratio = math.sqrt(abs(found[0]) * abs(found[1])) * {"CT1": 60, "CT2": 100}[winding]  # the known divider
    return ratio, math.degrees(np.angle(found[0]))


def test_turns_ratio_by_scope_and_generator_tells_101_from_100() -> None:
    """Divider and swap: within the 0.1 % of the divider's resistors, so a turn too many shows."""
    bench = SimulatedBench(5, ManualClock(START_NS)).start()
    with bench, using(bench):
        ratio, phase = measured_ratio(bench, "CT1", 60)
        assert ratio == pytest.approx(60.0, abs=0.15)
        assert phase == pytest.approx(0.0, abs=0.5)
        assert measured_ratio(bench, "CT2", 100)[0] == pytest.approx(101.0, abs=0.25)
        bench.rewind("CT2", 100)
        assert measured_ratio(bench, "CT2", 100)[0] == pytest.approx(100.0, abs=0.25)


def test_inductance_and_core_constant_by_series_resistor() -> None:
    bench = SimulatedBench(5, ManualClock(START_NS)).start()
    with bench, using(bench):
        for hook_up, ohm, vpp, expected in (
            (lambda: bench.hookups.inductance("CT1"), 1e3, 5.0, 59.3e-6 * 3600),
            (lambda: bench.hookups.test_winding("K2"), 47.0, 0.4, 71.1e-6 * 100),
        ):
            hook_up()
            with (
                make_adapter("sim:SC-03", "SC-03", clock=bench.clock) as scope,
                make_adapter("sim:SG-04", "SG-04", clock=bench.clock) as source,
            ):
                assert isinstance(scope, VisaScope)
                assert isinstance(source, VisaGenerator)
                source.set_sine(1e3, vpp)
                source.set_output(True)
                for channel in ("CH1", "CH2"):
                    scope.set_vertical(channel, vpp / 2)
                scope.set_timebase(span_s=20e-3, n_samples=10_000)
                capture = scope.capture(["CH1", "CH2"])
            quotient = phasor(capture, "CH1", 1e3) / phasor(capture, "CH2", 1e3)
            assert abs(quotient) * ohm / (2 * np.pi * 1e3) == pytest.approx(expected, rel=0.06)
            # The resistor is seen upside down: its current lags the winding's voltage by 90 degrees.
            assert math.degrees(np.angle(-quotient)) == pytest.approx(90.0, abs=0.5)


def test_the_scope_clips_at_its_code_limits_and_shows_its_gain_error() -> None:
    bench = SimulatedBench(5, ManualClock(START_NS)).start()
    with bench, using(bench), make_adapter("sim:SC-03", "SC-03", clock=bench.clock) as scope:
        assert isinstance(scope, VisaScope)
        bench.hookups.supply()
        bench.probe("CH1", at="T1.output", attenuation=10.0)
        scope.set_timebase(span_s=0.1, n_samples=5000)
        scope.set_vertical("CH1", 60.0, probe=10.0)
        record = scope.capture(["CH1"]).channels[0]
        frequency = bench.scene.mains.frequency_hz
        true = bench.scene.spectrum("T1.s1", "T1.s2", bench.scene.now_s())[frequency]
        seen = np.std(record.values()) * math.sqrt(2)
        assert seen == pytest.approx(abs(true) * (1 + bench.scope.gain("CH1")), rel=3e-3)
        scope.set_vertical("CH1", 10.0, probe=10.0)
        clipped = scope.capture(["CH1"]).channels[0]
        assert clipped.codes.min() == 0
        assert clipped.codes.max() == 255


def test_the_generator_refuses_what_it_can_not_and_says_so() -> None:
    bench = SimulatedBench(1, ManualClock(START_NS)).start()
    with bench, using(bench), make_adapter("sim:SG-04", "SG-04", clock=bench.clock) as source:
        assert isinstance(source, VisaGenerator)
        with pytest.raises(InstrumentRefusedError, match="-222"):
            source.set_sine(1e3, 100.0)
        with pytest.raises(InstrumentRefusedError, match="-222"):
            source.set_sine(1e9, 1.0)


def test_the_same_meter_answers_scpi() -> None:
    clock = ManualClock(START_NS)
    with SimulatedBench(1, clock) as bench:
        meter = make_adapter(
            bench.address("MA-01 scpi"), "MA-01", clock=clock, kind="meter", options={"function": "V~"}
        )
        assert isinstance(meter, Reader)
        with meter:
            reading = meter.read()
        assert reading is not None
        assert reading.function is Function.AC_VOLTS
        assert reading.value == pytest.approx(27.1, abs=0.4)


@pytest.mark.parametrize("family", ["digitcode11", "statusbits14", "polled14"])
def test_a_meter_of_any_family_is_read_by_the_same_adapter(family: str) -> None:
    clock = ManualClock(START_NS)
    bench = SimulatedBench(1, clock)
    meter = bench.meters["MA-01"]
    meter.spec = dataclasses.replace(meter.spec, family=family)
    with bench:
        adapter = make_adapter(bench.address("MA-01"), "MA-01", clock=clock)
        assert isinstance(adapter, Reader)
        with adapter:
            readings = [adapter.read() for _ in range(6)]
    last = readings[-1]
    assert last is not None
    assert last.function is Function.AC_VOLTS
    assert last.value == pytest.approx(27.1, abs=0.4)


def test_damaged_bytes_never_come_through_as_readings_of_another_function() -> None:
    clock = ManualClock(START_NS)
    with SimulatedBench(1, clock) as bench, using(bench):
        adapter = make_adapter("sim:MA-01", "MA-01", clock=clock)
        assert isinstance(adapter, Reader)
        with adapter:
            bench.meter_links["MA-01"].byte_loss = 0.02
            readings = [adapter.read(0.05) for _ in range(60)]
        came = [r for r in readings if r is not None]
        assert 15 < len(came) < 60
        assert {r.function for r in came} == {Function.AC_VOLTS}


@pytest.mark.parametrize(
    ("tag", "channels"), [("MA-01", ()), ("MB-02", ()), ("SC-03", ("CH1", "CH2")), ("SG-04", ())]
)
def test_simulated_instruments_keep_the_adapter_contract(tag: str, channels: tuple[str, ...]) -> None:
    clock = SystemClock()
    check_adapter(
        lambda: make_adapter(f"sim:{tag}", tag, clock=clock), readings=1, timeout_s=1.0, channels=channels
    )


def test_the_shared_bench_lives_as_long_as_somebody_uses_it() -> None:
    before = threading.active_count()
    clock = ManualClock(START_NS)
    first, second = (make_adapter(f"sim:{tag}", tag, clock=clock) for tag in ("MA-01", "SG-04"))
    first.open()
    second.open()
    assert threading.active_count() == before + 1
    first.close()
    assert threading.active_count() == before + 1
    second.close()
    deadline = time.monotonic() + 2.0
    while threading.active_count() > before and time.monotonic() < deadline:
        time.sleep(0.01)
    assert threading.active_count() == before


def test_headers_are_known_in_short_and_long_form() -> None:
    pattern = header_pattern("SOURce{n}:FREQuency")
    for text in ("SOUR1:FREQ 50", "source1:frequency 50", ":SOURce:FREQuency 50"):
        match = pattern.fullmatch(text)
        assert match is not None
        assert match.groups()[-1] == "50"
    assert pattern.fullmatch("SOURc1:FREQ 50") is None
    assert header_pattern("READ?").fullmatch("read?")


def test_errors_queue_up_and_overflow_as_scpi_says() -> None:
    """SCPI-99 volume 2, 21.8: -113 for an unknown header, -350 when the queue overflows."""
    endpoint = ScpiEndpoint("a,b,c,d", {})
    for _ in range(25):
        assert endpoint.answer("NONSense") is None
    answers = [endpoint.answer("SYST:ERR?") for _ in range(21)]
    assert answers[0] == b'-113,"Undefined header"'
    assert answers[19] == b'-350,"Queue overflow"'
    assert answers[20] == b'0,"No error"'


class _SilentEndpoint:
    """Answers nothing, ever."""

    def opened(self, connection: Connection) -> None:
        pass

    def received(self, connection: Connection, data: bytes) -> None:
        pass

    def closed(self, connection: Connection) -> None:
        pass

    def due(self) -> float:
        return 60.0


def test_a_bench_closed_before_its_thread_came_to_a_port_leaves_it_free() -> None:
    loop = Loop()
    reached, go_on = threading.Event(), threading.Event()

    def hold() -> None:
        reached.set()
        go_on.wait(5.0)

    loop.call(hold)
    assert reached.wait(5.0)
    port = loop.listen(_SilentEndpoint())  # the thread is held: it can't serve this one before it stops
    closing = threading.Thread(target=loop.close)
    closing.start()
    loop._running = False
    go_on.set()
    closing.join(5.0)
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=2.0)
