"""Ratios from a wrong hook-up or record: asked about or named, never judged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from helpers.two_channels import RATIO_HZ, Scope, ratio_captures

from benchlog.capture import Capture, ChannelRecord
from benchlog.checks.turns_ratio import RatioSetup, check_turns_ratio
from benchlog.errors import UsageError
from benchlog.finding import FindingKind
from benchlog.result import Verdict

PLAIN = RatioSetup(primary="B", secondary="A")


def test_a_mismatch_beyond_the_stated_gains_is_a_finding() -> None:
    normal, swapped = ratio_captures(60, scope=Scope(gain={"A": 1.0, "B": 0.5}))
    result = check_turns_ratio(normal, PLAIN, expected_turns=60, swapped=swapped)
    assert sum("more than their gain accuracy allows" in finding for finding in result.findings) == 1
    assert result.verdict is Verdict.INDETERMINATE
    assert "more than their gain accuracy allows" in result.reason


def test_probes_that_were_not_swapped_are_one_doubt() -> None:
    """The ratio of one that comes of it is not a second question."""
    first, again = (ratio_captures(60, scope=Scope(seed=seed))[0] for seed in (1, 2))
    result = check_turns_ratio(first, PLAIN, expected_turns=60, swapped=again)
    assert "they were not swapped" in result.reason
    assert not any(finding.kind is FindingKind.HOOKUP for finding in result.findings)


def test_the_same_samples_twice_are_not_a_swap() -> None:
    normal, _ = ratio_captures(60)
    with pytest.raises(UsageError, match="the same samples as the first"):
        check_turns_ratio(normal, PLAIN, expected_turns=60, swapped=normal)


@pytest.mark.parametrize(("loop", "words"), [(1, " = 31: are"), (5, "the other way round it is 31: are")])
def test_exchanged_channels_are_asked_about(loop: int, words: str) -> None:
    setup = RatioSetup(primary="A", secondary="B", loop_turns=loop)
    result = check_turns_ratio(ratio_captures(31, loop=loop, scope=Scope())[0], setup, expected_turns=31)
    assert result.verdict is Verdict.INDETERMINATE
    assert words in result.reason
    assert "are primary and secondary swapped?" in result.reason
    assert result.reason in result.findings


@pytest.mark.parametrize(
    ("true", "stated", "asked"),
    [
        (2500.0, 25.0, "the ratio is 25 times the expected value: is the 25:1 divider missing?"),
        (1.0, None, "is there a 100:1 divider before the winding's channel"),
        (10.0, None, "or a probe at x10"),
        (1000.0, None, "is the sense loop's probe at x10"),
        (1000.0, 10.0, "is the 10:1 divider missing"),
        (10.0, 10.0, "is the divider really 100:1"),
    ],
)
def test_a_forgotten_divider_is_asked_about(true: float, stated: float | None, asked: str) -> None:
    """100 turns were planned; the captures give `true` with the divider as stated."""
    normal, swapped = ratio_captures(true, divider=stated or 1.0)
    setup = replace(PLAIN, divider=stated)
    result = check_turns_ratio(normal, setup, expected_turns=100, swapped=swapped)
    assert result.verdict is Verdict.INDETERMINATE
    assert asked in result.reason


def test_loop_turns_that_are_not_there_are_asked_about() -> None:
    """One turn, stated as forty."""
    normal, swapped = ratio_captures(60)
    setup = replace(PLAIN, loop_turns=40)
    result = check_turns_ratio(normal, setup, expected_turns=60, swapped=swapped)
    assert result.verdict is Verdict.INDETERMINATE
    assert "40 times the expected value: does the loop have one turn, not 40?" in result.reason


def test_probes_that_were_not_swapped_are_named() -> None:
    """The second capture repeats the first but for its noise; with its columns exchanged it is refused."""
    first, _ = ratio_captures(60)
    again = replace(first, channels=tuple(replace(c, codes=np.roll(c.codes, 1)) for c in first.channels))
    result = check_turns_ratio(first, PLAIN, expected_turns=60, swapped=again)
    assert result.verdict is Verdict.INDETERMINATE
    assert "they were not swapped" in result.reason
    a, b = first.channels
    exchanged = replace(first, channels=(replace(a, name=b.name), replace(b, name=a.name)))
    with pytest.raises(UsageError, match="same samples as the first"):
        check_turns_ratio(first, PLAIN, expected_turns=60, swapped=exchanged)


def test_a_phase_that_no_transformer_has_does_not_pass() -> None:
    """A quarter of a turn between the channels: not two windings on one core, whatever the ratio."""
    capture = Scope().capture({"A": 3.0 + 0j, "B": 1j}, RATIO_HZ)
    setup = RatioSetup("B", "A", gain_accuracy=0.0, range_gain=0.0)
    result = check_turns_ratio(capture, setup, expected_turns=3)
    assert result.verdict is Verdict.INDETERMINATE
    assert "not two windings on one core" in result.reason


@pytest.mark.parametrize(("cut", "seen"), [(0.95, True), (0.90, True), (1.1, False)])
@pytest.mark.parametrize("limits", [True, False])
def test_a_cut_top_in_one_channel_shows_in_its_harmonics(cut: float, seen: bool, limits: bool) -> None:
    """A top cut before noise is added is not piled up at one code; the loop shows no such third harmonic."""
    rng = np.random.default_rng(3)
    t = np.arange(4000) * 1e-6
    wave = np.sin(2 * np.pi * RATIO_HZ * t + 0.4)
    volts = {"A": 4.0 * np.clip(wave, -cut, cut), "B": 4.0 / 60 * wave}
    channels = tuple(
        ChannelRecord(
            name,
            np.clip(np.round(v / step + 0.5 * rng.normal(size=t.size)), -128, 127).astype(np.int8),
            scale=step,
            code_limits=(-128, 127) if limits else None,
        )
        for name, v, step in zip(volts, volts.values(), (5 / 127, 0.1 / 127), strict=True)
    )
    setup = RatioSetup("B", "A", gain_accuracy=0.0, range_gain=0.0)
    result = check_turns_ratio(Capture(channels, 1e-6), setup, expected_turns=59)
    kinds = [f.kind for f in result.findings]
    assert (FindingKind.HARMONICS in kinds) is seen
    if seen:
        assert result.verdict is Verdict.INDETERMINATE
        assert "channel A is clipped or overloaded" in result.reason


def test_clipping_forbids_a_verdict() -> None:
    scope = Scope()
    good = scope.capture({"A": 0.98 * 5 + 0j, "B": 0.9 * 5 / 60 + 0j}, RATIO_HZ)
    a, b = good.channels
    clipped = np.clip(a.codes.astype(int) * 4, -128, 127).astype(np.int8)
    bad = replace(good, channels=(replace(a, codes=clipped), b))
    result = check_turns_ratio(bad, PLAIN, expected_turns=60)
    assert result.verdict is Verdict.INDETERMINATE
    assert "no verdict from this record" in result.reason
