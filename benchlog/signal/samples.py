"""Raw codes of any width, read in blocks: means, chunks and short stretches, never a copy of the whole record."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.errors import AnalysisError

RawArray = npt.NDArray[Any]
FloatArray = npt.NDArray[np.floating[Any]]

CHUNK = 262_144  # samples: a buffer of at most 2 MiB fits the second-level cache
_WORTH_SHARING = 1_000_000  # from this many samples a second thread is worth starting
_MOST_CORES = 4
_LONG_ROW = 512  # from here the integer row sum is faster than a floating-point matrix product


def _working_type(codes: RawArray) -> type[np.floating[Any]]:
    """Single precision holds 8- and 16-bit codes exactly, and is twice as fast."""
    narrow = codes.dtype == np.float32 or (codes.dtype.kind in "iu" and codes.dtype.itemsize <= 2)
    return np.float32 if narrow else np.float64


@lru_cache(maxsize=1)
def _workers() -> tuple[int, ThreadPoolExecutor | None]:
    """Number of cores to use, and a pool of one thread less, since the caller works too."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    cores = min(cores, _MOST_CORES)
    return cores, ThreadPoolExecutor(cores - 1, thread_name_prefix="samples") if cores > 1 else None


def block_means(channels: Sequence[RawArray], block: int) -> list[FloatArray]:
    """Mean of each whole block of samples of every channel; the tail shorter than a block is left out.

    Parameters
    ----------
    channels : sequence of arrays of shape (n_samples,)
        Any integer or floating type.
    block : int
        Samples per block.

    Returns
    -------
    list of arrays of shape (n_samples // block,)
    """
    if block == 1:
        return [np.array(codes, dtype=np.float64) for codes in channels]
    n = len(channels[0]) // block
    rows = [codes[: n * block].reshape(n, block) for codes in channels]
    sums: list[FloatArray] = [np.empty(n) for _ in channels]

    def part(first: int, last: int) -> None:
        for of, into in zip(rows, sums, strict=True):
            _sum_rows(of[first:last], into[first:last])

    _in_ranges(part, n, n * block * len(channels))
    for means in sums:
        means /= block
    return sums


def _in_ranges(work: Callable[[int, int], None], n: int, samples: int) -> None:
    """Run `work` on the range 0..n, split into one piece per core if there are enough samples.

    For NumPy calls, which release the GIL. The caller's thread does the last piece.
    """
    cores, pool = _workers() if samples >= _WORTH_SHARING else (1, None)
    edges = [n * k // cores for k in range(cores + 1)]
    others = [pool.submit(work, *ends) for ends in pairwise(edges[:-1])] if pool else []
    work(*edges[-2:])
    for piece in others:
        piece.result()


def _sum_rows(rows: RawArray, out: FloatArray) -> None:
    """Put the sum of each row into `out`."""
    n, width = rows.shape
    work = _working_type(rows)
    if rows.dtype.kind in "iu" and work is np.float32 and width >= _LONG_ROW:
        out[:] = np.add.reduce(rows, axis=1, dtype=np.int32 if width < 1 << 15 else np.int64)
        return
    ones = np.ones(width, work)
    if rows.dtype == work and rows.flags.c_contiguous:
        out[:] = rows @ ones
        return
    some = max(1, CHUNK // width)
    buffer = np.empty((min(some, n), width), work)
    for first in range(0, n, some):
        part = rows[first : first + some]
        buffer[: len(part)] = part
        out[first : first + some] = buffer[: len(part)] @ ones


def float_chunks(codes: RawArray, multiple: int) -> Iterator[tuple[int, FloatArray]]:
    """Yield ``(first sample, samples)`` in floating point, single precision where it holds the codes exactly.

    Each chunk is a multiple of `multiple` long, zero-padded at the end, and only valid until the next one.
    """
    n = len(codes)
    work = _working_type(codes)
    size = max(1, CHUNK // multiple) * multiple
    done = 0
    if codes.dtype == work and codes.flags.c_contiguous:
        done = n // multiple * multiple  # no conversion needed: read whole multiples directly from the record
        for first in range(0, done, size):
            yield first, codes[first : min(first + size, done)]
    buffer = np.empty(min(size, -(-(n - done) // multiple) * multiple), work)
    for first in range(done, n, size):
        last = min(first + size, n)
        part = buffer[: -(-(last - first) // multiple) * multiple]
        part[: last - first] = codes[first:last]
        part[last - first :] = 0.0
        yield first, part


def stretch_starts(n_samples: int, length: int, count: int) -> list[int]:
    """Start indices of `count` stretches spread over the record at irregular distances.

    They don't overlap if the record is long enough.
    """
    cell = n_samples / count
    room = max(0.0, cell - length)
    starts = np.arange(count) * cell + room * irregular(count)
    return sorted({min(int(s), n_samples - length) for s in starts})


@lru_cache(maxsize=16)
def irregular(count: int) -> FloatArray:
    """Irregular fractions between 0 and 1, always the same."""
    return np.random.default_rng(20_260_101).random(count)


def scattered(codes: RawArray, count: int) -> FloatArray:
    """Single samples from all over the record, at irregular distances."""
    return np.asarray(codes[(irregular(count) * len(codes)).astype(np.intp)], np.float64)


def refuse_non_finite(channels: Sequence[RawArray]) -> None:
    """Name the first sample that is not a finite number.

    Raises
    ------
    AnalysisError
    """
    for i, codes in enumerate(channels):
        for first in range(0, len(codes), CHUNK):
            bad = np.flatnonzero(~np.isfinite(codes[first : first + CHUNK]))
            if len(bad):
                at = first + int(bad[0])
                raise AnalysisError(
                    f"channel {i + 1}, sample {at + 1} is {codes[at]}, not a finite number",
                    hint="cut the record before or after it, or save it again",
                )
