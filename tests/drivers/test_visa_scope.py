"""SCPI scopes over loopback sockets, as their dialects describe them."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator

import numpy as np
import pytest
from helpers.scpi_scopes import FieldScope, PreambleScope
from helpers.scpi_server import ScpiServer

from benchlog.clock import ManualClock
from benchlog.errors import (
    BadFrameError,
    InstrumentError,
    InstrumentRefusedError,
    ReadTimeoutError,
    UsageError,
)
from benchlog.registry import make_adapter
from benchlog_drivers import _visa
from benchlog_drivers._session import LinkOptions
from benchlog_drivers.visa_scope import VisaScope, step_125

Bench = tuple[VisaScope, PreambleScope | FieldScope]


@pytest.fixture(params=[PreambleScope, FieldScope], ids=lambda f: f.__name__)
def scope(request: pytest.FixtureRequest) -> Iterator[Bench]:
    model = request.param()
    with ScpiServer(model.instrument()) as server:
        adapter = make_adapter(server.address, "SC-03", kind="scope", clock=ManualClock(10**18))
        assert isinstance(adapter, VisaScope)
        with adapter:
            yield adapter, model


def test_the_identity_picks_the_dialect(scope: Bench) -> None:
    """Each family is recognised by its answer to *IDN?."""
    adapter, model = scope
    wanted = "preamble_ten" if isinstance(model, PreambleScope) else "field_queries"
    assert wanted in adapter.identity()
    assert adapter.channels == ("CH1", "CH2", "CH3", "CH4")


def test_a_capture_has_the_codes_and_the_volts(scope: Bench) -> None:
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


def test_a_record_longer_than_one_chunk_comes_back_in_order(scope: Bench) -> None:
    """A long record is fetched in windows where the dialect says so, and joined without a seam."""
    adapter, model = scope
    adapter.set_timebase(span_s=0.5, n_samples=600_000)
    record = adapter.capture(["CH1"]).channel("CH1")
    assert np.array_equal(record.codes, model.codes("CH1"))


def test_the_smallest_range_that_holds_is_chosen(scope: Bench) -> None:
    """Ranges step in 1, 2, 5 per division; too much is refused with what to do; too little takes the finest."""
    adapter, model = scope
    for wanted, taken in ((4.0, 4.0), (4.1, 8.0), (0.3, 0.4), (7.9, 8.0), (20.0, 20.0)):
        assert adapter.set_vertical("CH1", wanted) == pytest.approx(taken)
        assert model.scale["CH1"] == pytest.approx(taken / 4)
    assert adapter.set_vertical("CH1", 1e-9) <= 8e-3
    with pytest.raises(UsageError, match="more than CH1 holds"):
        adapter.set_vertical("CH1", 1000.0)
    assert adapter.set_vertical("CH1", 150.0, probe=10.0) == pytest.approx(200.0)


def test_the_probe_factor_set_on_the_scope_stays_unless_another_is_given(scope: Bench) -> None:
    """Choosing a range must not make a x10 probe a x1 probe."""
    adapter, model = scope
    model.probe["CH1"] = 10.0
    assert adapter.set_vertical("CH1", 20.0) == pytest.approx(20.0)
    assert model.probe["CH1"] == 10.0
    assert adapter.capture(["CH1"]).channel("CH1").probe == 10.0
    adapter.set_vertical("CH1", 20.0, probe=1.0)
    assert model.probe["CH1"] == 1.0


def test_nonsense_is_refused_before_anything_is_sent(scope: Bench) -> None:
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


def test_no_trigger_is_a_time_out_that_says_so(scope: Bench) -> None:
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
    """Silence with an error in the queue shows that the dialect is wrong."""
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


def test_ladder_of_ranges() -> None:
    """1, 2, 5 steps, over many decades, never below what was asked."""
    for value in np.geomspace(1e-12, 1e6, 500):
        step = step_125(float(value))
        assert value * (1 - 1e-8) <= step <= 2.5 * value * (1 + 1e-8)
    for exact in (1e-3, 2e-3, 5e-3, 0.1, 1.0, 200.0):
        assert step_125(exact) == exact


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


def test_another_instrument_at_the_same_address_is_not_taken_for_the_first(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
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
