"""Blocks of readings, many at a time: do they hold what their entries say, and nothing that no reading has?"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from typing import Any, Self

import msgspec
import numpy as np

from benchlog.clock import parse_rfc3339
from benchlog.errors import LogbookDamagedError
from benchlog.logbook.chain_walk import Faults
from benchlog.logbook.kinds import ReadingsBody
from benchlog.logbook.reading_block import RECORD
from benchlog.logbook.reading_table import BlockRow, join_blocks
from benchlog.logbook.rollup import Key, Row, rolled_up

_BATCH_READINGS = 200_000
_Block = tuple[BlockRow, int, int]  # its row, first and last time by its entry


class BlockEntry(msgspec.Struct):
    """What a block is compared with: its entry, proved before."""

    seq: int
    session: int
    body: ReadingsBody

    @classmethod
    def read(cls, text: str | None) -> Self | None:
        """Read an entry's text; None where it is not one of readings."""
        try:
            return msgspec.json.decode(text or "", type=cls)
        except (msgspec.DecodeError, UnicodeEncodeError):
            return None


class BlockCheck:
    """Takes blocks in order and adds what is wrong to `faults`.

    Parameters
    ----------
    channels : iterable of tuple
        (number, entry that defines it, instrument, channel, function, unit).
    faults : Faults

    Attributes
    ----------
    rollup : dict
        Recomputed summaries.
    whole : bool
        Whether all blocks so far could be used for them.
    """

    def __init__(self, channels: Iterable[tuple[Any, ...]], faults: Faults) -> None:
        rows = list(channels)
        self._names = {row[0]: (row[2], row[3], row[4]) for row in rows}
        self._defined = {row[0]: row[1] for row in rows}
        self._faults = faults
        self._waiting: list[_Block] = []
        self._count = self._next = 0
        self.rollup: dict[Key, Row] = {}
        self.whole = True

    def add(self, entry: BlockEntry, columns: tuple[Any, ...], data: bytes) -> None:
        """Take one block: its entry, its row in the file, its bytes."""
        body = entry.body
        if hashlib.sha256(data).hexdigest() != body.sha256:
            self._faults.add(entry.seq, f"entry {entry.seq}: its readings were altered")
            self.whole = False
            return
        first_ns, last_ns = parse_rfc3339(body.first_time), parse_rfc3339(body.last_time)
        if columns != (entry.session, body.first_reading, body.count, first_ns, last_ns):
            self._faults.add(
                entry.seq, f"entry {entry.seq}: the columns beside its block of readings were altered"
            )
        if self.whole and body.first_reading != self._next:
            self._faults.add(
                entry.seq,
                f"entry {entry.seq}: its readings count from {body.first_reading}, not {self._next}",
            )
        self._next = body.first_reading + body.count
        self._waiting.append(
            ((entry.seq, entry.session, body.first_reading, body.count, data), first_ns, last_ns)
        )
        self._count += body.count
        if self._count > _BATCH_READINGS:
            self.finish()

    def finish(self) -> None:
        """Look into the blocks that wait."""
        waiting, self._waiting, self._count = self._waiting, [], 0
        if waiting:
            self._look(waiting)

    def _look(self, blocks: list[_Block]) -> None:
        rows = [row for row, _, _ in blocks]
        try:
            self._check(rows, [first for _, first, _ in blocks], [last for _, _, last in blocks])
        except (LogbookDamagedError, UnicodeDecodeError) as error:
            if len(blocks) > 1:
                for block in blocks:  # one after the other, to name the entry
                    self._look([block])
                return
            self._faults.add(rows[0][0], f"entry {rows[0][0]}: its block does not hold readings: {error}")
            self.whole = False
            return
        joined = b"".join(data[: count * RECORD.itemsize] for *_, count, data in rows)
        self.rollup.update(rolled_up(joined, sum(row[3] for row in rows), self.rollup.get))

    def _check(self, rows: list[BlockRow], first_ns: list[int], last_ns: list[int]) -> None:
        arrays = join_blocks(rows, self._names, texts=True)
        if arrays.displayed is not None:
            arrays.displayed.data.decode()
        defined = np.zeros(max(self._defined) + 1, np.int64)
        defined[list(self._defined)] = list(self._defined.values())
        if (defined[arrays.table["channel"]] >= arrays.entry).any():
            raise LogbookDamagedError("a channel is used before it is defined")
        starts = np.cumsum([0, *(row[3] for row in rows[:-1])])
        found = np.minimum.reduceat(arrays.utc_ns, starts), np.maximum.reduceat(arrays.utc_ns, starts)
        if not (np.array_equal(found[0], first_ns) and np.array_equal(found[1], last_ns)):
            raise LogbookDamagedError("their times are not those its entry says")
