"""Fixtures of the tests of several commands."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from benchlog_drivers.simbench.bench import SimulatedBench
from benchlog_drivers.simbench.meter import HandheldMeter
from benchlog_drivers.simbench.meter_spec import MA_01

TAGS = ("MA-01", "MC-05", "MD-06")


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SimulatedBench]:
    """Three linked meters on T1's output, served on the loopback interface, and one to be typed."""
    monkeypatch.chdir(tmp_path)
    made = SimulatedBench(3)
    for tag, leads in zip(TAGS, ("LA", "LC", "LD"), strict=True):
        made.meters[tag] = HandheldMeter(tag, MA_01, 3)
        made.scene.ports[tag] = made.meters[tag]
        made.connect(tag, at="T1.output", leads=leads)
    with made:
        text = "".join(
            f'[[instrument]]\ntag = "{tag}"\naddress = "{made.address(tag)}"\n'
            'accuracy = [{ function = "V~", statement = "1 % + 5" }]\n'
            for tag in TAGS
        )
        text += '[[instrument]]\ntag = "MB-02"\naccuracy = [{ function = "V~", statement = "1.2 % + 5" }]\n'
        text += '[[group]]\nname = "T1 output"\nmeters = ["MA-01", "MC-05", "MD-06", "MB-02"]\n'
        Path("bench.toml").write_text(text, encoding="utf-8")
        yield made
