"""Blocks of readings, many at a time: do they hold what their entries say, and nothing that no reading has?"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from typing import Any

import numpy as np

from benchlog.clock import parse_rfc3339
from benchlog.errors import LogbookDamagedError
from benchlog.logbook.chain import Entry
from benchlog.logbook.chain_walk import Faults
from benchlog.logbook.reading_block import RECORD
from benchlog.logbook.reading_table import join_blocks
from benchlog.logbook.rollup import Key, Row, rolled_up

__all__ = ["BlockCheck"]

_BATCH_READINGS = 200_000


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
        self._waiting: list[tuple[Entry, bytes]] = []
        self._count = self._next = 0
        self.rollup: dict[Key, Row] = {}
        self.whole = True

    def add(self, entry: Entry, columns: tuple[Any, ...], data: bytes) -> None:
        """Take one block: its entry, its row in the file, its bytes."""
        body = entry.body
        if hashlib.sha256(data).hexdigest() != body["sha256"]:
            self._faults.add(entry.seq, f"entry {entry.seq}: its readings were altered")
            self.whole = False
            return
        times = (parse_rfc3339(body["first_time"]), parse_rfc3339(body["last_time"]))
        if columns != (entry.session, body["first_reading"], body["count"], *times):
            self._faults.add(
                entry.seq, f"entry {entry.seq}: the columns beside its block of readings were altered"
            )
        if self.whole and body["first_reading"] != self._next:
            self._faults.add(
                entry.seq,
                f"entry {entry.seq}: its readings count from {body['first_reading']}, not {self._next}",
            )
        self._next = body["first_reading"] + body["count"]
        self._waiting.append((entry, data))
        self._count += body["count"]
        if self._count > _BATCH_READINGS:
            self.finish()

    def finish(self) -> None:
        """Look into the blocks that wait."""
        waiting, self._waiting, self._count = self._waiting, [], 0
        if waiting:
            self._look(waiting)

    def _look(self, blocks: list[tuple[Entry, bytes]]) -> None:
        try:
            self._check(blocks)
        except (LogbookDamagedError, UnicodeDecodeError) as error:
            if len(blocks) > 1:
                for block in blocks:  # one after the other, to name the entry
                    self._look([block])
                return
            seq = blocks[0][0].seq
            self._faults.add(seq, f"entry {seq}: its block does not hold readings: {error}")
            self.whole = False
            return
        joined = b"".join(data[: entry.body["count"] * RECORD.itemsize] for entry, data in blocks)
        count = sum(entry.body["count"] for entry, _ in blocks)
        self.rollup.update(rolled_up(joined, count, self.rollup.get))

    def _check(self, blocks: list[tuple[Entry, bytes]]) -> None:
        rows = [
            (entry.seq, entry.session, entry.body["first_reading"], entry.body["count"], data)
            for entry, data in blocks
        ]
        arrays = join_blocks(rows, self._names, texts=True)
        if arrays.displayed is not None:
            arrays.displayed.data.decode()
        defined = np.zeros(max(self._defined) + 1, np.int64)
        defined[list(self._defined)] = list(self._defined.values())
        if (defined[arrays.table["channel"]] >= arrays.entry).any():
            raise LogbookDamagedError("a channel is used before it is defined")
        starts = np.cumsum([0, *(row[3] for row in rows[:-1])])
        ends = [
            np.minimum.reduceat(arrays.utc_ns, starts).tolist(),
            np.maximum.reduceat(arrays.utc_ns, starts).tolist(),
        ]
        for (entry, _), first, last in zip(blocks, *ends, strict=True):
            said = (entry.body["first_time"], entry.body["last_time"])
            if (first, last) != tuple(map(parse_rfc3339, said)):
                raise LogbookDamagedError("their times are not those its entry says")
