"""With both hands on the probes: one capture, once it is steady; none of a drop-out; a typed entry is the same record."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from helpers.desk import TYPED_BENCH, Desk

RISE = [0.0, 0.0, 0.0, 12.1, 21.4, 25.9, 27.31, 27.68, 27.74, 27.75, 27.75, 27.75, 27.75]
LOST = [0.0, 0.0, 0.0, 12.1, 21.4, 25.9, 27.31, 0.01, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]
_LAYOUT = {
    "instrument": "MA-01",
    "adapter": "SerialMeter",
    "family": "pattern",
    "frames": {
        "frames": "pattern",
        "pattern": r"(?P<function>[A-Z]{3}) +(?P<value>-?[0-9.]+) (?P<unit>\S+)(?: (?P<flags>[A-Z]+))?",
        "functions": {"ACV": "V~"},
        "flags": {"A": "auto"},
    },
}


def linked(desk: Desk, volts: Iterable[float]) -> None:
    """MA-01 gets a link, on which these displays come, one every 0.4 s."""
    lines = [
        "benchlog wiretap 1",
        f"about {json.dumps(_LAYOUT)}",
        "2026-03-02T09:00:00.000000000Z 0.000000000 ! open",
    ]
    for n, value in enumerate(volts):
        at, frame = 0.4 * n, f"ACV {value:.2f} V A\n".encode()
        lines.append(f"2026-03-02T09:00:{at:012.9f}Z {at:.9f} < {' '.join(f'{b:02X}' for b in frame)}")
    path = desk.write("meter.tap", "\n".join(lines) + "\n")
    bench = TYPED_BENCH.replace('address = "typed:"', f"address = 'replay:{path}'", 1)
    desk.bench.write_text(bench, encoding="utf-8")


def readings(desk: Desk, folder: str) -> list[dict[str, Any]]:
    """All readings on record."""
    out: Path = desk.folder / folder
    assert desk.run("record", "export", "--jsonl", out).code == 0
    return [json.loads(line) for line in (out / "readings.jsonl").read_text(encoding="utf-8").splitlines()]


def test_a_step_with_settling_makes_one_capture_once_steady(kiln) -> None:
    """0 to 27.75 V while the display settles: one reading on record, 27.75 V, after three within two counts."""
    linked(kiln, RISE)
    said = kiln.answer(kiln.plan, "C03", ["C03/mains: 236 V"])
    assert said.code == 0, said.words
    (taken,) = readings(kiln, "out")
    assert (taken["value"], taken["displayed"]) == (27.75, "27.75 V")
    assert said.words.count(": taken") == 1


def test_a_drop_out_makes_none(kiln) -> None:
    """The tip slips off before it is steady: nothing on record, and it says why."""
    linked(kiln, LOST)
    said = kiln.answer(kiln.plan, "C03", ["C03/mains: 236 V"])
    assert said.code == 4
    assert "dropped out: hold the tips on" in said.words
    assert readings(kiln, "out") == []
    assert kiln.status(kiln.plan)["check"]["C03"]["state"] == "due"


def test_a_typed_entry_gives_the_same_record(kiln, tmp_path) -> None:
    """Typed as displayed: the same value, digit, function, meter and verdict; only how it came differs."""
    other = kiln.copy(tmp_path / "typed")
    linked(kiln, RISE)
    results = []
    for desk, answers in ((kiln, []), (other, ["C03/no_load: 27.75"])):
        said = desk.answer(desk.folder / "plan.toml", "C03", ["C03/mains: 236 V", *answers], "--json")
        (result,) = said.lines
        results.append({k: v for k, v in result.items() if k not in ("time", "record", "evidence")})
    assert results[0] == results[1]
    by_link, typed = (readings(desk, "out")[0] for desk in (kiln, other))
    same = ("instrument", "function", "value", "unit", "resolution", "displayed", "state")
    assert {k: by_link[k] for k in same} == {k: typed[k] for k in same}
    assert (by_link["origin"], typed["origin"]) == ("file", "hand")
