"""A toroid's turns are counted with their probability, or it is said what would decide; the physics agrees to 4 digits.

Vectors: recomputed from the lumped model (L = AL N², corner R/2πL, reflected burdens), no outside source.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from benchlog.magnetics.cascade import Cascade
from benchlog.magnetics.transformer import Transformer
from benchlog.magnetics.turns_posterior import turns_posterior

CAPTURES = Path(__file__).parents[2] / "sample_captures"


def test_low_corner_and_droop_of_fifty_turns() -> None:
    """50 turns on 2.5 µH, 50 ohm and 0.5 ohm: 6.250 mH, and what follows from it."""
    inductance = 2.5e-6 * 50**2
    assert inductance == pytest.approx(6.250e-3, rel=1e-4)
    assert 50.5 / (2 * math.pi * inductance) == pytest.approx(1285.97, rel=1e-4)
    transformer = Transformer(50, 2.5e-6, 0.5)
    assert transformer.inductance_h == pytest.approx(6.250e-3, rel=1e-4)


def test_the_cascade_of_sixty_and_a_hundred_turns() -> None:
    """12.6 A once through 60 turns, its secondary once through 100, burden 10 ohm: 20.969 mV, 3.300° lead."""
    chain = Cascade(
        first=Transformer(60, 62e-6, 0.201),
        second=Transformer(100, 62e-6, 0.499),
        burden_ohm=10.0,
        lead_ohm=0.06,
    )
    seen = chain.respond(50.0, 12.6)
    assert seen.burden_v == pytest.approx(20.969e-3, rel=1e-4)
    assert seen.lead_deg == pytest.approx(3.300, rel=1e-3)


def test_one_in_a_hundred_turns_needs_a_small_uncertainty() -> None:
    """101.0 ± 0.5 % (1 u) for a plan of 100 can't be distinguished from 100; with 0.09 % it is 101."""
    vague = turns_posterior(101.0, 0.005 * 101, planned=100)
    sharp = turns_posterior(101.0, 0.0009 * 101, planned=100)
    assert max(vague.probabilities.values()) < 0.95
    assert sharp.probabilities[101] > 0.95


@pytest.mark.parametrize(
    ("files", "more", "said", "code"),
    [
        (("ct2_101_turns.csv", "ct2_101_turns_swapped.csv"), (), "100 or 101 turns", 3),
        (
            ("ct2_101_turns_divider.npz", "ct2_101_turns_divider_swapped.npz"),
            ("--divider", "100:1", "--divider-tolerance", "0.2 %"),
            "101 turns, not 100",
            1,
        ),
    ],
)
def test_a_miscounted_winding_shows_only_with_the_better_method(desk, files, more, said, code) -> None:
    """The same winding of 101 turns: a plain swap can't tell, with the divider it is 101, not 100."""
    first, second = (CAPTURES / name for name in files)
    answer = desk.run(
        "ratio", "--capture", first, "--swapped", second, "--primary", "CH1", "--secondary", "CH2", "--expect", "100", *more
    )  # fmt: skip
    assert said in answer.words
    assert answer.code == code
