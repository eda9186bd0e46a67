"""The serial adapter on a port, as tests open it."""

from __future__ import annotations

from helpers.frames import EXAMPLES

from benchlog.registry import make_adapter
from benchlog_drivers.serial_meter import SerialMeter

#: A frame of the family that `adapter_on` expects, and what the display showed.
FRAME, SHOWN = EXAMPLES["segment14"]


def adapter_on(path: str, frames: str = "segment14", **options: object) -> SerialMeter:
    """An adapter for MA-01 on that port, not opened."""
    adapter = make_adapter(f"serial:{path}", "MA-01", options={"frames": frames, **options})
    assert isinstance(adapter, SerialMeter)
    return adapter
