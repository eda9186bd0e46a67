"""A SCPI generator over a loopback socket, as its dialect describes it."""

from __future__ import annotations

import pytest
from helpers.scpi_scopes import generator
from helpers.scpi_server import ScpiServer

from benchlog.errors import InstrumentRefusedError, UsageError
from benchlog.registry import make_adapter
from benchlog_drivers.visa_generator import VisaGenerator


def test_a_generator_is_set_and_switched() -> None:
    """Frequency, open-circuit amplitude and load as the dialect says; the switch; the identity."""
    settings: dict[str, str] = {}
    with ScpiServer(generator(settings)) as server:
        source = make_adapter(server.address, "SG-04", kind="generator")
        assert isinstance(source, VisaGenerator)
        with source:
            source.set_sine(5000.0, 10.0)
            assert settings == {
                "load": "INFinity",
                "function": "SINusoid",
                "unit": "VPP",
                "offset": "0",
                "frequency": "5000",
                "amplitude": "10",
            }
            source.set_output(True)
            assert settings["output"] == "ON"
            source.set_output(False)
            assert settings["output"] == "OFF"
            with pytest.raises(InstrumentRefusedError, match="-222 Data out of range") as caught:
                source.set_sine(1e9, 1.0)
            assert caught.value.instrument == "SG-04"
            for frequency, amplitude in ((0.0, 1.0), (1e3, -1.0), (float("inf"), 1.0)):
                with pytest.raises(UsageError):
                    source.set_sine(frequency, amplitude)
