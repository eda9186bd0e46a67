"""Write the meter streams of this folder: what a meter of each family sends while it is used on the simulated bench.

Run it as ``python sample_captures/make_meter_streams.py``. Same seed, same bytes. For each family it writes
``meter_FAMILY.tap``, the bytes as they came over the link, and ``meter_FAMILY.truth.jsonl``, a line for each frame
sent with what stood on the display then.
"""

from __future__ import annotations

import contextlib
import json
import sys
from dataclasses import replace
from pathlib import Path

from benchlog.adapter import Reader
from benchlog.clock import ManualClock, parse_rfc3339
from benchlog.errors import BadFrameError
from benchlog.reading import Function
from benchlog.registry import make_adapter
from benchlog_drivers.simbench.bench import SimulatedBench
from benchlog_drivers.simbench.frames import ENCODERS
from benchlog_drivers.simbench.meter_spec import Display

SEED = 11
START = "2026-11-25T06:00:00Z"
_WORDS = {Function.AC_VOLTS: "ACV", Function.DC_VOLTS: "DCV", Function.OHMS: "RES"}
_PATTERN = {
    "pattern": r"(?P<function>[A-Z]{3}) +(?P<value>-?[0-9.]+|OL) (?P<unit>\S+)(?: (?P<flags>[A-Z]+))?",
    "functions": {word: function.value for function, word in _WORDS.items()},
    "flags": {"A": "auto", "H": "hold", "B": "low_battery"},
}


def text_line(display: Display) -> bytes:
    """The line of a meter that the bench file describes by a pattern."""
    letters = "".join(sorted(flag.name[0] if flag.name != "LOW_BATTERY" else "B" for flag in display.flags))
    unit = f"{display.prefix}{display.function.unit}"
    return f"{_WORDS[display.function]} {display.digits:>8} {unit} {letters}".rstrip().encode() + b"\n"


def record(family: str, folder: Path) -> None:
    """Use a meter of that family for a while, and keep what it sent and what it showed."""
    tap = folder / f"meter_{family}.tap"
    tap.unlink(missing_ok=True)
    clock = ManualClock(parse_rfc3339(START))
    bench = SimulatedBench(SEED, clock)
    meter = bench.meter("MA-01")
    meter.spec = replace(meter.spec, family=family)
    sent: list[dict[str, object]] = []

    with bench:
        link = bench.meter_links["MA-01"]
        encode = ENCODERS[family]

        def noted(display: Display) -> bytes:
            frame = encode(display)
            sent.append(
                {
                    "function": display.function.value,
                    "digits": display.digits,
                    "prefix": display.prefix,
                    "flags": sorted(display.flags),
                    "damaged": bool(link.bit_flip or link.byte_loss),
                }
            )
            return frame

        link._encode = noted
        options = _PATTERN if family == "pattern" else {}
        address = f"tap:{tap}:{bench.address('MA-01')}"
        adapter = make_adapter(address, "MA-01", clock=clock, options=options)
        assert isinstance(adapter, Reader)
        with adapter:
            _use(bench, adapter, clock)
    lines = "".join(json.dumps(line, ensure_ascii=False) + "\n" for line in sent)
    (folder / f"meter_{family}.truth.jsonl").write_text(lines, encoding="utf-8")


def _use(bench: SimulatedBench, adapter: Reader, clock: ManualClock) -> None:
    """Transformer output, reference cell, resistor, open tips, a held display, a bad link, a good one again."""
    link = bench.meter_links["MA-01"]

    def read(count: int) -> None:
        for _ in range(count):
            with contextlib.suppress(BadFrameError):  # what a damaged link does is what is to be kept
                adapter.read(0.5)
            clock.advance(1 / 3)

    read(6)
    bench.connect("MA-01", at="CS-1")
    bench.set_function("MA-01", "V=")
    read(6)
    bench.connect("MA-01", at="CS-2")
    bench.set_function("MA-01", "ohm")
    read(6)
    bench.disconnect("MA-01")
    read(6)
    bench.connect("MA-01", at="T1.output")
    bench.set_function("MA-01", "V~")
    bench.fault("hold_engaged")
    read(6)
    bench.set_function("MA-01", "V~")
    read(6)
    link.bit_flip = 0.02
    read(10)
    link.bit_flip, link.byte_loss = 0.0, 0.05
    read(10)
    link.byte_loss = 0.0
    read(6)


def main() -> None:
    """Write all of them."""
    ENCODERS["pattern"] = text_line
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    for family in ENCODERS:
        record(family, folder)


if __name__ == "__main__":
    main()
