"""Frames of the simulated meters against the decoders, which were written apart from them."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.reading import Flag, Function, State
from benchlog_drivers.decoders import FrameOptions, make_decoder
from benchlog_drivers.simbench.frames import ENCODERS
from benchlog_drivers.simbench.meter_spec import Display

# Ranges that each family can show: function, digits after the point, prefix, highest count.
SHOWN = {
    "segment14": [
        (Function.AC_VOLTS, 2, "", 3999),
        (Function.DC_VOLTS, 1, "m", 3999),
        (Function.AC_VOLTS, 0, "", 750),
        (Function.OHMS, 3, "k", 3999),
        (Function.OHMS, 2, "M", 3999),
        (Function.CONTINUITY, 1, "", 3999),
        (Function.DC_CURRENT, 3, "", 3999),
        (Function.FREQUENCY, 2, "", 3999),
    ],
    "digitcode14": [
        (Function.AC_VOLTS, 3, "", 21999),
        (Function.DC_VOLTS, 2, "m", 21999),
        (Function.OHMS, 4, "k", 21999),
        (Function.OHMS, 2, "M", 21999),
        (Function.CONTINUITY, 2, "", 21999),
        (Function.AC_CURRENT, 3, "", 21999),
        (Function.DC_CURRENT, 2, "m", 21999),
    ],
    "digitcode11": [
        (Function.AC_VOLTS, 2, "", 3999),
        (Function.DC_VOLTS, 1, "m", 3999),
        (Function.OHMS, 3, "M", 3999),
        (Function.DC_CURRENT, 2, "", 3999),
        (Function.AC_CURRENT, 1, "m", 3999),
    ],
    "statusbits14": [
        (Function.AC_VOLTS, 2, "", 3999),
        (Function.DC_VOLTS, 1, "m", 3999),
        (Function.OHMS, 3, "k", 3999),
        (Function.DC_CURRENT, 3, "", 3999),
        (Function.FREQUENCY, 2, "", 3999),
    ],
    "polled14": [
        (Function.AC_VOLTS, 2, "", 3999),
        (Function.DC_VOLTS, 1, "m", 3999),
        (Function.OHMS, 3, "k", 3999),
        (Function.AC_CURRENT, 3, "", 3999),
        (Function.FREQUENCY, 2, "", 3999),
    ],
}
FLAGS = {
    "segment14": [Flag.AUTO, Flag.HOLD, Flag.RELATIVE, Flag.LOW_BATTERY],
    "digitcode14": [
        Flag.AUTO,
        Flag.HOLD,
        Flag.RELATIVE,
        Flag.LOW_BATTERY,
        Flag.MAXIMUM,
        Flag.LOW_PASS,
        Flag.PEAK,
    ],
    "digitcode11": [Flag.AUTO, Flag.RELATIVE, Flag.LOW_BATTERY, Flag.MAXIMUM],
    "statusbits14": [Flag.AUTO, Flag.HOLD, Flag.RELATIVE, Flag.LOW_BATTERY, Flag.MAXIMUM],
    "polled14": [],
}
SIGNED = (Function.DC_VOLTS, Function.DC_CURRENT)


def test_every_family_has_an_encoder_and_a_decoder() -> None:
    for family in ENCODERS:
        assert make_decoder(FrameOptions(frames=family)).family == family
    assert set(SHOWN) == set(ENCODERS)


@pytest.mark.parametrize("family", ENCODERS)
@settings(max_examples=40)
@given(data=st.data())
def test_what_is_displayed_is_what_is_decoded(family: str, data: st.DataObject) -> None:
    function, decimals, prefix, top = data.draw(st.sampled_from(SHOWN[family]))
    counts = data.draw(st.integers(-top if function in SIGNED else 0, top))
    flags = frozenset(data.draw(st.sets(st.sampled_from(FLAGS[family]))) if FLAGS[family] else ())
    display = Display(function, counts, decimals, prefix, flags, 0.0)
    (reading,) = make_decoder(FrameOptions(frames=family)).feed(ENCODERS[family](display))
    assert reading.function is function
    assert reading.value == pytest.approx(counts * display.resolution, rel=1e-12)
    assert reading.resolution == pytest.approx(display.resolution, rel=1e-12)
    assert reading.flags == flags


@pytest.mark.parametrize("family", ENCODERS)
def test_overload_is_a_state_in_every_family(family: str) -> None:
    for function, decimals, prefix, _ in SHOWN[family]:
        display = Display(function, None, decimals, prefix, frozenset(), 0.0)
        (reading,) = make_decoder(FrameOptions(frames=family)).feed(ENCODERS[family](display))
        assert reading.state is State.OVERLOAD
        assert reading.function is function


def test_a_display_as_read_by_a_person() -> None:
    def text(counts: int | None, decimals: int, prefix: str = "") -> str:
        return Display(Function.DC_VOLTS, counts, decimals, prefix, frozenset(), 0.0).text

    assert text(278, 1) == "27.8 V"
    assert text(-3, 2) == "-0.03 V"
    assert text(5, 1, "m") == "0.5 mV"
    assert text(None, 1) == "OL"
