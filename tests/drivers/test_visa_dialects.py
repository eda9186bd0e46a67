"""Which dialect a scope speaks, found by its identity or by harmless questions, or named; dialects of one's own."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from helpers.scpi_scopes import FieldScope, PreambleScope, generator
from helpers.scpi_server import ScpiServer, Scripted

from benchlog.errors import BadFrameError, ConfigError, OpenError, OpenReason
from benchlog.registry import make_adapter
from benchlog_drivers._scpi import parse_samples
from benchlog_drivers._session import LinkOptions
from benchlog_drivers.visa_scope import VisaScope


def test_an_unknown_identity_is_tried_with_harmless_questions() -> None:
    """A scope of unknown make that answers a family's question is taken as of that family."""
    for family in (PreambleScope, FieldScope):
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
def test_samples_in_text_that_are_not_a_record_are_refused(text: str, said: str) -> None:
    """A word, too few of them, not a number."""
    with pytest.raises(BadFrameError, match=said):
        parse_samples(text, 3)


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
