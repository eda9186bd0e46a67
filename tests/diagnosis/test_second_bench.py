"""A short run on the bench of faults that was written apart from the engine; the large one is a performance program."""

from __future__ import annotations

import pytest
from helpers.second_bench_faults import KINDS, draw_case
from helpers.second_bench_play import Played, play


@pytest.fixture(scope="module")
def single() -> list[Played]:
    """Three cases of each kind of reading, played to the first stop."""
    return [play(*draw_case(kind, 7000 + i), rounds=0) for kind in KINDS for i in range(3)]


def test_most_single_faults_are_named(single: list[Played]) -> None:
    """Of fifteen at least eleven (0.9 and more of a large run), in a mean of at most 4 minutes (2.2 to 2.6 of a large run)."""
    assert sum(f.right for f in single) >= 11
    assert sum(f.minutes for f in single) / len(single) <= 4.0


def test_no_part_is_condemned_unproven_and_no_live_output_called_dead(single: list[Played]) -> None:
    """The rules of the engine, on benches."""
    assert not any(f.unproven_part for f in single)
    assert not any(f.live and f.p_live < 0.1 for f in single)


def test_two_faults_are_named_one_after_the_other() -> None:
    """An open lead on a part that gives too little, ten benches: the lead first; the reading taken again closes the
    matter only where both are named.
    """
    found = [play(*draw_case("dc_volts", seed, faults=("lead_open", "part_low"))) for seed in range(10)]
    assert sum(len(one.decided) > 1 for one in found) >= 3
    for one in found:
        assert one.decided[:1] in ((), ("lead_open",))
        assert set(one.decided[1:]) <= {
            "part_low",
            "expectation_wrong",
        }  # the volts alone can't tell these two
        assert one.confirmed is (len(one.decided) > 1)
