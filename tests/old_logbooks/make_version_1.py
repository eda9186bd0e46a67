"""Make version_1.logbook: a small logbook with one of everything, schema version 1.

Run once, with a benchlog whose schema version is 1; the file is kept and read by tests.
"""

import sys
from pathlib import Path

import numpy as np

from benchlog.capture import Capture, ChannelRecord
from benchlog.clock import ManualClock, parse_rfc3339
from benchlog.logbook import Logbook
from benchlog.logbook.database import SCHEMA_VERSION
from benchlog.reading import Flag, Function, Origin, Reading, State
from benchlog.result import Limits, Result, Uncertain, Verdict


def main() -> None:
    """Write the file beside this script."""
    if SCHEMA_VERSION != 1:
        sys.exit(f"this benchlog writes schema version {SCHEMA_VERSION}, not 1")
    clock = ManualClock(parse_rfc3339("2026-03-01T09:00:00Z"))
    path = Path(__file__).with_name("version_1.logbook")
    path.unlink(missing_ok=True)
    with Logbook.open(path, clock=clock, project="KC-1") as book:
        book.begin_session({"conditions": "21 degC"})
        for block in range(3):
            readings = []
            for number in range(40):
                clock.advance(0.05)
                readings.append(
                    Reading(
                        Function.AC_VOLTS,
                        27.75 + 0.01 * (number % 3),
                        0.01,
                        f"{27.75 + 0.01 * (number % 3):.2f} V",
                        flags=frozenset({Flag.AUTO}),
                        raw=bytes([block, number]),
                        instrument="MA-01",
                        utc_ns=clock.utc_ns(),
                        mono_ns=clock.monotonic_ns(),
                    )
                )
            readings.append(
                Reading(
                    Function.OHMS,
                    None,
                    0.1,
                    "OL Ω",
                    state=State.OVERLOAD,
                    instrument="MB-02",
                    utc_ns=clock.utc_ns(),
                    origin=Origin.HAND,
                )
            )
            book.append_readings(readings)
        sine = np.round(100 * np.sin(np.arange(500) / 7)).astype("i1")
        book.append_capture(
            Capture(
                (ChannelRecord("CH1", sine, 0.02), ChannelRecord("CH2", (sine // 2).astype("i2"), 0.01, 0.5)),
                1e-4,
                "SC-03",
                utc_ns=clock.utc_ns(),
            )
        )
        wrong = book.append_result(
            Result(check="supply", check_id="C01", verdict=Verdict.FAIL, reason="wrong range", part="T1")
        )
        right = book.append_result(
            Result(
                check="supply",
                check_id="C01",
                verdict=Verdict.PASS,
                reason="27.75 V within 25.6 V to 29.0 V",
                part="T1",
                quantities={"no_load_voltage": Uncertain(27.75, 0.19, 0.38, "V")},
                limits={"no_load_voltage": Limits(25.6, 29.0, "V", "nameplate")},
                instruments=("MA-01",),
            )
        )
        book.supersede(wrong.seq, "the meter was on the 2 V range", replacement=right.seq)
        book.attach(b"not really a photo", "T1 nameplate.jpg", "T1")
        book.append("note", {"text": "cover stays on"})
        book.end_session({"done": "C01", "open": "C02", "unsafe": "", "next": "load point"})


if __name__ == "__main__":
    main()
