"""Bytes come but fit nothing: the setting that is wrong is named."""

from __future__ import annotations

import pytest
from helpers.frames import EXAMPLES, segment14, with_parity
from helpers.pty_meter import PtyMeter
from helpers.serial_adapter import FRAME, adapter_on
from helpers.uart import misread

from benchlog.errors import BadFrameError


def test_a_wrong_baud_rate_is_named() -> None:
    for sent, received in [(2400, 9600), (9600, 2400), (2400, 4800), (19200, 2400)]:
        garbage = misread(FRAME * 60, sent, received)
        with PtyMeter() as end, adapter_on(end.path, baud=received) as adapter:
            end.send(garbage)
            with pytest.raises(
                BadFrameError, match=f"baud rate is probably not {received} baud 8N1"
            ) as error:
                adapter.read(0.3)
            assert adapter.decoder.accepted == 0
        assert error.value.raw
        assert "frames=" in error.value.hint


def test_text_that_fits_no_pattern_is_shown(meter: PtyMeter) -> None:
    options = {"pattern": r"(?P<value>\d+) (?P<unit>\S+)", "function": "V="}
    with adapter_on(meter.path, "pattern", **options) as adapter:
        meter.send(b"VOLT 27.75\r\n" * 6)
        with pytest.raises(BadFrameError, match=r"the part value does not fit 'VOLT 27\.75'") as error:
            adapter.read(0.2)
    assert "pattern" in error.value.hint


def test_frames_of_another_family_are_named(meter: PtyMeter) -> None:
    with adapter_on(meter.path, "segment14") as adapter:
        meter.send(EXAMPLES["digitcode11"][0] * 8)
        with pytest.raises(BadFrameError, match="they are digitcode11 frames") as error:
            adapter.read(0.2)
    assert error.value.hint == "set frames=digitcode11"


def test_parity_is_checked_and_a_wrong_setting_is_named(meter: PtyMeter) -> None:
    frame, shown = EXAMPLES["digitcode14"]
    odd, even = with_parity(frame), with_parity(frame, odd=False)
    with adapter_on(meter.path, "digitcode14") as adapter:
        meter.send(odd)
        reading = adapter.read(0.2)
        assert reading is not None
        assert reading.displayed == shown
        meter.send(odd[:3] + bytes([odd[3] ^ 1]) + odd[4:])
        assert adapter.read(0.1) is None
        assert adapter.rejects == {"parity": 1}
        meter.send(even * 6)
        with pytest.raises(BadFrameError, match="parity setting is wrong") as error:
            adapter.read(0.2)
    assert "parity=E" in error.value.hint
    with adapter_on(meter.path, "digitcode14", parity="E") as adapter:
        meter.send(even)
        assert adapter.read(0.2) is not None
    with adapter_on(meter.path, "digitcode14", bits=8, parity="N") as adapter:
        meter.send(odd * 6)
        with pytest.raises(BadFrameError, match="with this parity setting"):
            adapter.read(0.2)


def test_a_symbol_the_table_does_not_know_is_named(meter: PtyMeter) -> None:
    with adapter_on(meter.path) as adapter:
        meter.send(segment14("27.75", "ac", "volt", last=1) * 5)
        with pytest.raises(BadFrameError, match=r"14\.0 is lit"):
            adapter.read(0.2)
