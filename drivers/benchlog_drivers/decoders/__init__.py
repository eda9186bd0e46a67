"""Frame decoders by family name: pure, bytes in and readings out."""

from __future__ import annotations

from benchlog.errors import ConfigError
from benchlog_drivers.decoders.base import SEVEN_BITS, Decoder, FrameOptions, LineSettings
from benchlog_drivers.decoders.digitcode import DigitCode11, DigitCode14
from benchlog_drivers.decoders.pattern import PatternLine
from benchlog_drivers.decoders.polled14 import Polled14
from benchlog_drivers.decoders.segment14 import Segment14
from benchlog_drivers.decoders.statusbits14 import StatusBits14

__all__ = ["FAMILIES", "SEVEN_BITS", "Decoder", "FrameOptions", "LineSettings", "make_decoder", "recognise"]

FAMILIES: dict[str, type[Decoder]] = {
    kind.family: kind for kind in (Segment14, DigitCode14, DigitCode11, StatusBits14, Polled14, PatternLine)
}


def make_decoder(options: FrameOptions) -> Decoder:
    """Return a fresh decoder of the family that the options name.

    Raises
    ------
    ConfigError
        For an unknown family, or options that do not fit it.
    """
    known = f"one of: {', '.join(FAMILIES)}"
    if not options.frames:
        raise ConfigError(
            "the address does not say which frames the meter sends", hint=f"add frames=, {known}"
        )
    kind = FAMILIES.get(options.frames)
    if kind is None:
        raise ConfigError(f"unknown frames {options.frames!r}", hint=known)
    return kind(options)


def recognise(data: bytes) -> dict[str, int]:
    """Return the number of readings that each family finds in received bytes; families without any are left out."""
    found = {}
    for name, kind in FAMILIES.items():
        if name != "pattern" and (readings := kind(FrameOptions()).feed(data)):
            found[name] = len(readings)
    return found
