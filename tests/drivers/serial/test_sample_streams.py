"""The meter streams of `sample_captures/` replay to what the display showed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchlog.clock import ManualClock
from benchlog.reading import Flag, Reading, State
from benchlog.registry import make_adapter
from benchlog_drivers.decoders import FAMILIES
from benchlog_drivers.replay import ReplayReader

FOLDER = Path(__file__).parents[3] / "sample_captures"
POWERS = {"": 0, "n": -9, "u": -6, "m": -3, "k": 3, "M": 6}
# What a family has no bit for.
UNSEEN = {"digitcode11": {Flag.HOLD}, "polled14": set(Flag)}


def replayed(family: str) -> tuple[list[Reading], ReplayReader]:
    replay = make_adapter(f"replay:{FOLDER}/meter_{family}.tap", "MA-01", clock=ManualClock(1))
    assert isinstance(replay, ReplayReader)
    with replay:
        return list(iter(lambda: replay.read(0), None)), replay  # type: ignore[arg-type]


def truth_of(family: str) -> list[dict[str, object]]:
    text = (FOLDER / f"meter_{family}.truth.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_every_frame_of_a_good_link_reads_what_the_display_showed(family: str) -> None:
    readings, _ = replayed(family)
    good = [line for line in truth_of(family) if not line["damaged"]][:36]  # before the link goes bad
    assert len(good) == 36
    for reading, line in zip(readings, good, strict=False):
        assert reading.function == line["function"]
        assert reading.flags == set(line["flags"]) - UNSEEN.get(family, set())  # type: ignore[call-overload]
        if line["digits"] == "OL":
            assert reading.state is State.OVERLOAD
        else:
            shown = float(line["digits"]) * 10.0 ** POWERS[line["prefix"]]  # type: ignore[arg-type, index]
            assert reading.value == pytest.approx(shown, rel=1e-12)


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_a_bad_link_is_seen_in_the_counts_and_a_good_one_after_it_reads_on(family: str) -> None:
    readings, replay = replayed(family)
    assert replay.decoder is not None
    assert sum(replay.decoder.rejects.values()) > 0
    after = [line for line in truth_of(family) if not line["damaged"]][36:]
    assert len(after) >= 3
    for reading, line in zip(reversed(readings), reversed(after[1:]), strict=False):
        assert reading.value == pytest.approx(float(line["digits"]))  # type: ignore[arg-type]
