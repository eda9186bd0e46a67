"""Speed of a 10 MB binary block through the VISA link, beside a raw socket in the same run.

Run by hand: ``python tests/performance/block_transfer.py``. Prints MB/s of both and their ratio, and exits with 1
when the link reaches less than 0.3 of the raw socket.
"""

from __future__ import annotations

import argparse
import socket
import statistics
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.scpi_server import ScpiServer, Scripted

from benchlog_drivers._visa import VisaLink

LIMIT = 0.3


def measure(size: int = 10_000_000, rounds: int = 15) -> tuple[float, float]:
    """MB/s of the raw socket and of the link, medians of interleaved rounds."""
    payload = np.random.default_rng(1).integers(0, 256, size, dtype=np.uint8).tobytes()
    head = b"#9%09d" % size
    raw_s, link_s = [], []
    with ScpiServer(Scripted({r"DATA\?": head + payload + b"\n"})) as server:
        link = VisaLink(server.resource)
        link.open()
        with socket.create_connection(("127.0.0.1", server.port)) as raw:
            buffer = memoryview(bytearray(len(head) + size + 1))
            for _ in range(rounds):
                start = time.perf_counter()
                raw.sendall(b"DATA?\n")
                got = 0
                while got < len(buffer):
                    got += raw.recv_into(buffer[got:])
                raw_s.append(time.perf_counter() - start)
                start = time.perf_counter()
                block = link.query_block("DATA?", expected=size)
                link_s.append(time.perf_counter() - start)
                if block.tobytes() != payload:
                    raise RuntimeError("the block arrived changed")
        link.close()
    return size / 1e6 / statistics.median(raw_s), size / 1e6 / statistics.median(link_s)


def main() -> int:
    """Print and judge."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=10_000_000, help="bytes")
    parser.add_argument("--rounds", type=int, default=15)
    args = parser.parse_args()
    raw, link = measure(args.size, args.rounds)
    print(f"block of {args.size / 1e6:g} MB, median of {args.rounds} interleaved rounds")
    print(f"raw socket  {raw:8.0f} MB/s")
    print(f"VISA link   {link:8.0f} MB/s")
    print(f"ratio       {link / raw:8.2f}       (at least {LIMIT})")
    return 0 if link / raw >= LIMIT else 1


if __name__ == "__main__":
    sys.exit(main())
