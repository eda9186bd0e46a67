"""SCPI meters over loopback sockets, as their dialects describe them."""

from __future__ import annotations

import re

import pytest
from helpers.scpi_server import CLOSE, Answer, ScpiServer, Scripted

from benchlog.errors import BadFrameError, ConfigError, LinkLostError, OpenError
from benchlog.reading import Function, State
from benchlog.registry import make_adapter
from benchlog_drivers import visa_meter
from benchlog_drivers.visa_meter import MeterOptions, VisaMeter


def _meter(reply: str | Answer = "+2.77512345E+01", setting: str = '"VOLT:AC +1.0E+02,+1.0E-02"') -> Scripted:
    return Scripted(
        {r"CONFigure:\S+": None, r"CONFigure\?": setting, r"READ\?": reply}, identity="simulated,MA-01,0,1.0"
    )


@pytest.mark.parametrize(
    ("reply", "value", "state"),
    [
        ("+2.77512345E+01", 27.7512345, State.OK),
        ("-9.90000000E+37", None, State.OVERLOAD),
        ("+9.91E+37", None, State.INVALID),
    ],
)
def test_a_meter_is_read(reply: str, value: float | None, state: State) -> None:
    """Function, range and count come from the meter; sentinels are states, not numbers."""
    with ScpiServer(_meter(reply)) as server:
        meter = make_adapter(server.address, "MA-01", kind="meter")
        assert isinstance(meter, VisaMeter)
        with meter:
            reading = meter.read()
    assert reading is not None
    assert (reading.function, reading.value, reading.state) == (Function.AC_VOLTS, value, state)
    assert reading.range_max == 100.0
    assert reading.raw == reply.encode()
    if value is not None:
        assert reading.resolution == 0.01
        assert reading.displayed == "27.75 V"


def test_a_meter_is_set_to_the_wanted_function() -> None:
    """`function=` in the address is sent at opening; a meter that says otherwise afterwards is refused."""
    with ScpiServer(_meter(setting='"RES +1.0E+03,+1.0E-01"')) as server:
        with make_adapter(f"{server.address}?function=ohm", "M", kind="meter") as meter:
            assert "CONFigure:RESistance" in server.received
            reading = meter.read()  # type: ignore[attr-defined]
            assert reading.function is Function.OHMS
        with pytest.raises(OpenError, match="RES"):
            make_adapter(f"{server.address}?function=V%7E", "M", kind="meter").open()


def test_a_meter_set_to_something_unknown_asks_for_the_function() -> None:
    """The unit is not guessed."""
    with ScpiServer(_meter(setting='"FOO +1,+1"')) as server, pytest.raises(OpenError) as caught:
        VisaMeter("M", server.resource).open()
    assert "function=" in caught.value.hint


def test_a_slow_meter_is_waited_for_not_asked_twice() -> None:
    """Deadlines that pass give None; the answer comes with a later read, and the question is sent once."""
    with ScpiServer(_meter([0.3, b"+1.0E+00\n"])) as server, VisaMeter("M", server.resource) as meter:
        assert meter.read(0.0) is None
        assert meter.read(0.05) is None
        reading = meter.read(1.0)
        assert reading is not None
        assert reading.value == 1.0
        assert server.received.count("READ?") == 1


def test_garbage_from_a_meter_is_a_bad_frame_with_its_bytes() -> None:
    """Nothing is invented from a line that is not a number."""
    with ScpiServer(_meter("27.75 V")) as server, VisaMeter("M", server.resource) as meter:
        with pytest.raises(BadFrameError) as caught:
            meter.read()
        assert caught.value.raw == b"27.75 V"


def test_a_meter_that_goes_away_is_a_lost_link_and_comes_back() -> None:
    """A power cycle ends in LinkLostError; closing and opening the same adapter reads on."""
    script = _meter([b"+1.0E+00\n", CLOSE])
    with ScpiServer(script) as server:
        meter = VisaMeter("M", server.resource).open()
        assert meter.read() is not None
        with pytest.raises(LinkLostError):
            meter.read(5.0)
        meter.close()
        with meter.open():
            assert meter.read() is not None


def test_an_option_from_the_command_line_or_bench_file_is_checked() -> None:
    """Unknown options and wrong values are refused with the known ones."""
    with pytest.raises(ConfigError) as caught:
        make_adapter("visa:ASRL/dev/x::INSTR?bauds=1", "M", kind="meter")
    assert "baud" in caught.value.hint
    with pytest.raises(ConfigError):
        make_adapter("visa:ASRL/dev/x::INSTR?parity=maybe", "M", kind="meter")
    assert MeterOptions(function=Function.OHMS).function is Function.OHMS


def test_a_late_reading_is_never_reported_as_a_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
    """A meter slower than the give-up time: no refusal, and its old answer is not the next reading."""
    monkeypatch.setattr(visa_meter, "_GIVE_UP_S", 0.2)
    monkeypatch.setattr(visa_meter, "_GIVE_UP_TIMEOUTS", 0)
    asked = [0]

    def slow(_match: re.Match[str]) -> Answer:
        asked[0] += 1
        return [0.6 if asked[0] == 1 else 0.0, f"+{asked[0]}.0E+00\n".encode()]

    script = _meter()
    script.table[r"READ\?"] = slow
    with ScpiServer(script) as server, VisaMeter("M", server.resource) as meter:
        assert meter.read(0.1) is None
        assert meter.read(0.3) is None
        reading = meter.read(2.0)
        assert reading is not None
        assert reading.value == 2.0
