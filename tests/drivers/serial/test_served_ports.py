"""Serial meters behind a port server: RFC 2217, and `find` at one."""

from __future__ import annotations

from typing import Any

import pytest
from helpers.frames import EXAMPLES
from helpers.rfc2217_server import Rfc2217Server

from benchlog.discovery import Found, Request
from benchlog.errors import LinkLostError
from benchlog.registry import make_adapter
from benchlog.testing import check_adapter
from benchlog_drivers import _find_serial

FRAME, SHOWN = EXAMPLES["segment14"]


def talk(baud: int) -> bytes:
    """Frames at the meter's own rate; at any other, what a wrong rate makes of them."""
    return FRAME if baud == 2400 else FRAME.translate(bytes((b * 73 + 41) & 255 for b in range(256)))[:9]


def drain(meter: Any) -> None:
    """Read until the link ends, for ten seconds at most."""
    for _ in range(50):
        meter.read(0.2)


def test_a_meter_behind_rfc_2217_is_read_and_its_line_is_set() -> None:
    """Baud rate, data bits and parity arrive at the server (RFC 2217 commands 1 to 3); readings come."""
    with (
        Rfc2217Server(talk) as server,
        make_adapter(f"serial:{server.url}?frames=segment14", "M1") as meter,
    ):
        reading = meter.read(3.0)  # type: ignore[attr-defined]
        assert reading is not None
        assert reading.displayed == SHOWN
        assert (server.baud, server.settings[2], server.settings[3]) == (2400, b"\x08", b"\x01")
        server.hang_up()
        with pytest.raises(LinkLostError):
            drain(meter)


def test_the_contract_is_kept_behind_rfc_2217() -> None:
    """Open, use, close, repeat."""
    with Rfc2217Server(talk) as server:
        check_adapter(lambda: make_adapter(f"serial:{server.url}?frames=segment14", "M1"))


def test_find_listens_at_a_served_port(monkeypatch: pytest.MonkeyPatch) -> None:
    """`find --at rfc2217://...` tries the line settings there too."""
    monkeypatch.setattr(_find_serial, "_LISTEN_S", 0.4)
    with Rfc2217Server(talk) as server:
        report = _find_serial.find(Request(places=(server.url,)))
    assert isinstance(report.found[0], Found)
    assert report.found[0].family == "segment14"
    assert report.found[0].address == f"serial:{server.url}?frames=segment14"
