"""Raw codes are read blockwise, whatever their type and layout."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.errors import AnalysisError
from benchlog.signal.samples import (
    block_means,
    float_chunks,
    refuse_non_finite,
    stretch_starts,
)

KINDS = ("int8", "uint8", "int16", "uint16", "int32", "float32", "float64")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("n", "block"), [(1000, 7), (700_000, 40), (1_100_000, 600)])
def test_block_means_are_means_of_blocks(kind: str, n: int, block: int) -> None:
    """Long and short blocks take different paths to the same numbers; the tail is left out."""
    rng = np.random.default_rng(2)
    span = (0, 250) if kind.startswith("u") else (-120, 120)
    codes = rng.integers(*span, size=n).astype(kind)
    whole = n // block
    expected = codes[: whole * block].astype(np.float64).reshape(whole, block).mean(axis=1)
    tolerance = 1e-5 if kind == "float32" else 1e-9
    np.testing.assert_allclose(block_means([codes], block)[0], expected, atol=tolerance)


def test_full_scale_16_bit_codes_do_not_overflow_their_sums() -> None:
    """A constant record at the lowest code of 16 bits averages to that code."""
    codes = np.full(1_000_000, -32768, np.int16)
    assert set(block_means([codes], 50_000)[0]) == {-32768.0}


def test_a_column_of_a_table_is_read_like_a_channel() -> None:
    """Channels of one array lie a row apart in memory; that is not a reason to copy the record."""
    table = np.arange(60_000, dtype=np.int16).reshape(-1, 2)
    np.testing.assert_allclose(block_means([table[:, 1]], 10)[0], table[:, 1].reshape(-1, 10).mean(axis=1))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("n", [5, 64, 100, 600_001])
def test_chunks_put_together_are_the_record_and_zeros(kind: str, n: int) -> None:
    """Every chunk is a multiple of what was asked for; only the end is padded."""
    codes = np.arange(n).astype(kind)
    together = []
    for first, part in float_chunks(codes, 64):
        assert first == sum(len(p) for p in together)
        assert len(part) % 64 == 0
        together.append(part.copy())
    joined = np.concatenate(together)
    np.testing.assert_array_equal(joined[:n], codes.astype(joined.dtype))
    assert not joined[n:].any()
    assert len(joined) - n < 64


def test_stretches_do_not_overlap_and_stay_inside() -> None:
    """Residuals counted twice would make noise look better known than it is."""
    starts = stretch_starts(262_144, 1024, 16)
    assert len(starts) == 16
    assert min(np.diff(starts)) >= 1024
    assert starts[-1] + 1024 <= 262_144
    assert stretch_starts(100, 100, 3) == [0]


def test_the_first_sample_that_is_not_a_number_is_named() -> None:
    """The message counts channels and samples from one, as people do."""
    second = np.zeros(300_000)
    second[270_000] = np.inf
    with pytest.raises(AnalysisError, match="channel 2, sample 270001 is inf"):
        refuse_non_finite([np.zeros(300_000), second])
