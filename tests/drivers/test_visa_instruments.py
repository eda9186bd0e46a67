"""SCPI scopes, generators and meters over loopback sockets, as their dialects describe them."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from helpers.scpi_scopes import FieldScope, PreambleScope, generator
from helpers.scpi_server import CLOSE, Answer, ScpiServer, Scripted

from benchlog.clock import ManualClock
from benchlog.errors import (
    BadFrameError,
    ConfigError,
    InstrumentError,
    InstrumentRefusedError,
    LinkLostError,
    OpenError,
    OpenReason,
    ReadTimeoutError,
    UsageError,
)
from benchlog.reading import Function, State
from benchlog.registry import make_adapter
from benchlog_drivers import _visa, visa_meter
from benchlog_drivers._scpi import parse_samples
from benchlog_drivers._session import LinkOptions
from benchlog_drivers.visa_generator import VisaGenerator
from benchlog_drivers.visa_meter import MeterOptions, VisaMeter
from benchlog_drivers.visa_scope import VisaScope, step_125

FAMILIES = [PreambleScope, FieldScope]


@pytest.fixture(params=FAMILIES, ids=lambda f: f.__name__)
def scope(request: pytest.FixtureRequest) -> Iterator[tuple[VisaScope, PreambleScope | FieldScope]]:
    model = request.param()
    with ScpiServer(model.instrument()) as server:
        adapter = make_adapter(server.address, "SC-03", kind="scope", clock=ManualClock(10**18))
        assert isinstance(adapter, VisaScope)
        with adapter:
            yield adapter, model


def test_the_identity_picks_the_dialect(scope: tuple[VisaScope, PreambleScope | FieldScope]) -> None:
    """Each family is recognised by its answer to *IDN?."""
    adapter, model = scope
    wanted = "preamble_ten" if isinstance(model, PreambleScope) else "field_queries"
    assert wanted in adapter.identity()
    assert adapter.channels == ("CH1", "CH2", "CH3", "CH4")


def test_a_capture_has_the_codes_and_the_volts(scope: tuple[VisaScope, PreambleScope | FieldScope]) -> None:
    """Raw codes as sent, volts at the probe tip within half a code, probe, coupling, range and interval kept."""
    adapter, model = scope
    assert adapter.set_vertical("CH1", 3.5, probe=10.0) == 4.0
    assert adapter.set_vertical("CH2", 0.4, coupling="ac") == 0.4
    adapter.set_timebase(span_s=10e-3, n_samples=5000)
    adapter.set_trigger("CH1", 0.5)
    assert model.trigger == ("CH1", 0.5)
    capture = adapter.capture(["CH1", "CH2"])
    assert model.taken
    assert capture.interval_s == pytest.approx(2e-6)
    assert capture.n_samples == 5000
    assert capture.instrument == "SC-03"
    assert 10**18 - 2 * 10**7 < capture.utc_ns < 10**18 + 10**9
    for name, probe, coupling, full_scale in (("CH1", 10.0, "dc", 0.4), ("CH2", 1.0, "ac", 0.4)):
        record = capture.channel(name)
        assert np.array_equal(record.codes, model.codes(name))
        assert record.codes.dtype == model.codes(name).dtype
        assert (record.probe, record.coupling) == (probe, coupling)
        assert record.range_max == pytest.approx(full_scale)
        assert record.code_limits is not None
        assert (
            np.max(np.abs(record.values() - model._signal(name))) <= 0.5 * abs(record.scale) * probe * 1.001
        )


def test_a_record_longer_than_one_chunk_comes_back_in_order(
    scope: tuple[VisaScope, PreambleScope | FieldScope],
) -> None:
    """A long record is fetched in windows where the dialect says so, and joined without a seam."""
    adapter, model = scope
    adapter.set_timebase(span_s=0.5, n_samples=600_000)
    record = adapter.capture(["CH1"]).channel("CH1")
    assert np.array_equal(record.codes, model.codes("CH1"))


def test_the_smallest_range_that_holds_is_chosen(scope: tuple[VisaScope, PreambleScope | FieldScope]) -> None:
    """Ranges step in 1, 2, 5 per division; too much is refused with what to do; too little takes the finest."""
    adapter, model = scope
    for wanted, taken in ((4.0, 4.0), (4.1, 8.0), (0.3, 0.4), (7.9, 8.0), (20.0, 20.0)):
        assert adapter.set_vertical("CH1", wanted) == pytest.approx(taken)
        assert model.scale["CH1"] == pytest.approx(taken / 4)
    assert adapter.set_vertical("CH1", 1e-9) <= 8e-3
    with pytest.raises(UsageError, match="more than CH1 holds"):
        adapter.set_vertical("CH1", 1000.0)
    assert adapter.set_vertical("CH1", 150.0, probe=10.0) == pytest.approx(200.0)


def test_the_probe_factor_set_on_the_scope_stays_unless_told(
    scope: tuple[VisaScope, PreambleScope | FieldScope],
) -> None:
    """Choosing a range must not make a x10 probe a x1 probe."""
    adapter, model = scope
    model.probe["CH1"] = 10.0
    assert adapter.set_vertical("CH1", 20.0) == pytest.approx(20.0)
    assert model.probe["CH1"] == 10.0
    assert adapter.capture(["CH1"]).channel("CH1").probe == 10.0
    adapter.set_vertical("CH1", 20.0, probe=1.0)
    assert model.probe["CH1"] == 1.0


def test_nonsense_is_refused_before_anything_is_sent(
    scope: tuple[VisaScope, PreambleScope | FieldScope],
) -> None:
    """Unknown channels and couplings, negative and unfinite numbers are usage errors."""
    adapter, _ = scope
    with pytest.raises(UsageError, match="CH9"):
        adapter.set_vertical("CH9", 1.0)
    with pytest.raises(UsageError):
        adapter.set_vertical("CH1", float("nan"))
    with pytest.raises(UsageError):
        adapter.set_vertical("CH1", 1.0, probe=0.0)
    with pytest.raises(UsageError):
        adapter.set_vertical("CH1", 1.0, coupling="gnd")  # type: ignore[arg-type]
    with pytest.raises(UsageError):
        adapter.set_timebase(n_samples=1000)
    with pytest.raises(UsageError):
        adapter.set_timebase(n_samples=1000, span_s=0.0)
    with pytest.raises(UsageError):
        adapter.capture([])


def test_no_trigger_is_a_time_out_that_says_so(scope: tuple[VisaScope, PreambleScope | FieldScope]) -> None:
    """The wait runs on the adapter's clock; a simulated second costs no real one."""
    adapter, model = scope
    model.busy_polls = 10**6
    with pytest.raises(ReadTimeoutError, match="no record within 1 s") as caught:
        adapter.capture(["CH1"], 1.0)
    assert "trigger" in caught.value.hint
    assert caught.value.instrument == "SC-03"


def test_a_record_of_another_length_than_announced_is_refused() -> None:
    """A scope that sends fewer samples than its preamble says gives an error, not a short capture."""
    model = PreambleScope()
    script = model.instrument()
    script.table[r":WAVeform:DATA\?"] = b"#3500" + bytes(500) + b"\n"
    with (
        ScpiServer(script) as server,
        VisaScope("S", server.resource, clock=ManualClock()) as adapter,
        pytest.raises(BadFrameError, match="1000 bytes was expected, 500 came"),
    ):
        adapter.capture(["CH1"])


def test_a_refused_command_is_named() -> None:
    """The scope's own words and the command reach the person."""
    model = PreambleScope()
    script = model.instrument()
    take = script.table[r":CHANnel([12]):SCALe (\S+)"]

    def refuse_ch1(match: re.Match[str]) -> None:
        if match[1] == "1":
            script.errors.append('-222,"Data out of range"')
        else:
            take(match)  # type: ignore[operator]

    script.table[r":CHANnel([12]):SCALe (\S+)"] = refuse_ch1
    with ScpiServer(script) as server, VisaScope("S", server.resource) as adapter:
        with pytest.raises(InstrumentRefusedError, match=r"CHANnel1:SCALe 1'.*-222 Data out of range"):
            adapter.set_vertical("CH1", 4.0)
        assert adapter.set_vertical("CH2", 4.0) == 4.0


def test_a_question_the_scope_does_not_know_is_a_refusal_not_a_time_out() -> None:
    """Silence with an error in the queue tells the wrong dialect."""
    model = PreambleScope()
    script = model.instrument()
    del script.table[r":WAVeform:PREamble\?"]
    options = LinkOptions(timeout_s=0.2)
    with (
        ScpiServer(script) as server,
        VisaScope("S", server.resource, options, clock=ManualClock()) as adapter,
        pytest.raises(InstrumentRefusedError, match="PREamble") as caught,
    ):
        adapter.capture(["CH1"])
    assert "dialect" in caught.value.hint


def test_an_unknown_identity_is_tried_with_harmless_questions() -> None:
    """A scope of unknown make that answers a family's question is taken as of that family."""
    for family in FAMILIES:
        script = family().instrument()
        script.table[r"\*IDN\?"] = "Unheard Of,Model 1,0,0"
        with ScpiServer(script) as server, VisaScope("S", server.resource) as adapter:
            assert ("preamble_ten" if family is PreambleScope else "field_queries") in adapter.identity()


def test_what_fits_no_dialect_is_the_wrong_device() -> None:
    """A generator at a scope's address: the identity is shown, and what to do."""
    with ScpiServer(generator({})) as server:
        with pytest.raises(OpenError, match="SG-04") as caught:
            VisaScope("S", server.resource).open()
        assert caught.value.reason is OpenReason.WRONG_DEVICE
        assert "dialect=" in caught.value.hint


def test_who_does_not_answer_is_the_wrong_device() -> None:
    """Something listens there, but it is not a SCPI instrument."""
    with ScpiServer(lambda command: None) as server, pytest.raises(OpenError) as caught:
        VisaScope("S", server.resource, LinkOptions(timeout_s=0.1)).open()
    assert caught.value.reason is OpenReason.WRONG_DEVICE


def test_a_named_dialect_is_used_and_an_unknown_one_listed(tmp_path: Path) -> None:
    """The address may name a dialect, the project's own included."""
    (tmp_path / "mine.toml").write_text('name = "mine"\nextends = "preamble_ten"\n', encoding="utf-8")
    with ScpiServer(PreambleScope().instrument()) as server:
        with make_adapter(f"{server.address}?dialect=mine&dialects={tmp_path}", "S", kind="scope") as adapter:
            assert "(mine)" in adapter.identity()
        with pytest.raises(ConfigError) as caught:
            make_adapter(f"{server.address}?dialect=none", "S", kind="scope").open()
    assert "preamble_ten" in caught.value.hint


def test_ladder_of_ranges() -> None:
    """1, 2, 5 steps, over many decades, never below what was asked."""
    for value in np.geomspace(1e-12, 1e6, 500):
        step = step_125(float(value))
        assert value * (1 - 1e-8) <= step <= 2.5 * value * (1 + 1e-8)
    for exact in (1e-3, 2e-3, 5e-3, 0.1, 1.0, 200.0):
        assert step_125(exact) == exact


def test_a_generator_is_set_and_switched() -> None:
    """Frequency, open-circuit amplitude and load as the dialect says; the switch; the identity."""
    told: dict[str, str] = {}
    with ScpiServer(generator(told)) as server:
        source = make_adapter(server.address, "SG-04", kind="generator")
        assert isinstance(source, VisaGenerator)
        with source:
            source.set_sine(5000.0, 10.0)
            assert told == {
                "load": "INFinity",
                "function": "SINusoid",
                "unit": "VPP",
                "offset": "0",
                "frequency": "5000",
                "amplitude": "10",
            }
            source.set_output(True)
            assert told["output"] == "ON"
            source.set_output(False)
            assert told["output"] == "OFF"
            with pytest.raises(InstrumentRefusedError, match="-222 Data out of range") as caught:
                source.set_sine(1e9, 1.0)
            assert caught.value.instrument == "SG-04"
            for frequency, amplitude in ((0.0, 1.0), (1e3, -1.0), (float("inf"), 1.0)):
                with pytest.raises(UsageError):
                    source.set_sine(frequency, amplitude)


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
    """No guess is made about the unit."""
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


def test_a_dialect_may_have_constants_and_no_coupling_question(tmp_path: Path) -> None:
    """A scope whose zero code is fixed and that can't be asked for its coupling needs only a table."""
    (tmp_path / "mine.toml").write_text(
        'name = "mine"\nextends = "preamble_ten"\n[vertical]\ncoupling_query = ""\n'
        '[waveform]\nsubtract_codes = ["yorigin", "zero"]\n[waveform.constants]\nzero = 128\n',
        encoding="utf-8",
    )
    model = PreambleScope()
    with ScpiServer(model.instrument()) as server:
        scope = VisaScope("S", server.resource, LinkOptions(dialect="mine", dialects=str(tmp_path)))
        with scope:
            scope.set_timebase(n_samples=1000, span_s=0.01)
            record = scope.capture(["CH1"]).channels[0]
        assert not any(":COUPling?" in command for command in server.received)
    assert record.coupling == ""
    assert record.offset == pytest.approx(-128 * record.scale)


GUIDE = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
EXAMPLE = re.findall(r"```toml\n(name = .*?)```", GUIDE, re.DOTALL)[0]


@pytest.mark.parametrize("form", ["{}", "#9{size:09d}{}", "{},"])
def test_samples_in_text_are_volts(tmp_path: Path, form: str) -> None:
    """The dialect that DEVELOPERS.md has as its example; bare numbers, in a block, or with a comma at the end."""
    (tmp_path / "mine.toml").write_text(EXAMPLE, encoding="utf-8")
    model = PreambleScope()
    script = model.instrument()
    script.table[re.escape("*IDN?")] = "Some Maker,Model 12,0,1.0"

    def data(_match: object) -> str:
        text = ",".join(f"{v:.6e}" for v in model._signal("CH1")[model.first - 1 : model.last])
        return form.format(text, size=len(text))

    script.table[r":WAVeform:DATA\?"] = data
    with ScpiServer(script) as server:
        scope = VisaScope("S", server.resource, LinkOptions(dialects=str(tmp_path)))
        with scope:
            scope.set_timebase(n_samples=10_000, span_s=0.01)
            record = scope.capture(["CH1"]).channels[0]
            assert scope.capture(["CH1"]).channels[0].code_limits is None
    assert record.values() == pytest.approx(model._signal("CH1"), abs=1e-6)
    assert (record.scale, record.offset) == (1.0, 0.0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("1,2,x", "'x' among the samples"),
        ("1,2", "3 samples expected, 2 received"),
        ("1,2,NAN", "2 of them finite"),
    ],
)
def test_samples_in_text_that_are_no_record_are_refused(text: str, said: str) -> None:
    """A word, too few of them, not a number."""
    with pytest.raises(BadFrameError, match=said):
        parse_samples(text, 3)


def test_an_instrument_that_hangs_up_on_idle_links_is_opened_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Between two captures the person moved leads; the connection is gone, the scope is the same: go on."""
    monkeypatch.setattr(_visa, "_IDLE_S", 0.1)
    model = PreambleScope()
    with ScpiServer(model.instrument()) as server, VisaScope("S", server.resource) as scope:
        scope.set_timebase(n_samples=1000, span_s=0.01)
        assert len(scope.capture(["CH1"]).channels[0].codes) == 1000
        server.hang_up()
        time.sleep(0.3)
        model.busy_polls = 0
        assert len(scope.capture(["CH1"]).channels[0].codes) == 1000
        assert server.connections == 2


def test_another_instrument_at_the_same_address_is_no_continuation(monkeypatch: pytest.MonkeyPatch) -> None:
    """Opened again after idling, the link checks who answers."""
    monkeypatch.setattr(_visa, "_IDLE_S", 0.1)
    monkeypatch.setattr(_visa, "_PATIENCE_S", 0.5)
    model = PreambleScope()
    script = model.instrument()
    with ScpiServer(script) as server, VisaScope("S", server.resource, LinkOptions(timeout_s=0.2)) as scope:
        script.table[re.escape("*IDN?")] = "Other,Scope,2,1.0"
        server.hang_up()
        time.sleep(0.3)
        with pytest.raises(InstrumentError):
            scope.capture(["CH1"])


def test_probing_leaves_no_errors_behind() -> None:
    """An instrument that fits no dialect has an empty error queue afterwards."""
    script = Scripted({}, identity="Some,Thing,1,1")
    with ScpiServer(script) as server:
        with pytest.raises(OpenError, match="matches no"):
            VisaScope("S", server.resource, LinkOptions(timeout_s=0.2)).open()
        end_s = time.monotonic() + 5  # the last command was sent, but need not have been read yet
        while script.errors and time.monotonic() < end_s:
            time.sleep(0.01)
        assert script.errors == []


def test_a_scope_that_has_recorded_nothing_is_recognised() -> None:
    """Its preamble question is answered by -230 in the queue until the first record."""
    script = PreambleScope().instrument()
    script.table[re.escape("*IDN?")] = "Maker,Model,1,1.0"

    def empty(_match: re.Match[str]) -> None:
        script.errors.append('-230,"Data corrupt or stale"')

    script.table[r":WAVeform:PREamble\?"] = empty
    with ScpiServer(script) as server, VisaScope("S", server.resource, LinkOptions(timeout_s=0.3)) as scope:
        assert "preamble_ten" in scope.identity()


def test_probing_waits_as_long_as_the_address_says() -> None:
    """Answers later than half a second fit their dialect all the same; a line may dribble in byte by byte."""
    script = PreambleScope().instrument()
    script.table[re.escape("*IDN?")] = [b for c in "Maker,Model,1,1.0\n" for b in (0.05, c.encode())]  # type: ignore[assignment]
    preamble = script.table[r":WAVeform:PREamble\?"]
    script.table[r":WAVeform:PREamble\?"] = lambda m: [0.9, f"{preamble(m)}\n".encode()]  # type: ignore[operator]
    with ScpiServer(script) as server, VisaScope("S", server.resource, LinkOptions(timeout_s=1.5)) as scope:
        assert "preamble_ten" in scope.identity()


def test_a_late_reading_is_never_told_as_a_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
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
