"""Cut the power at random places of a session at the bench: nothing acknowledged may be lost, no file may be half.

    python tests/performance/power_cuts.py --cuts 5000

The session makes a logbook, records, closes, goes on, writes certificate and exports twice. With --control the same is
done with `synchronous=NORMAL`, which SQLite itself says may lose what was committed: then losses must be found, or the
program would be blind. Exit code 1 where it is not as it should be. Needs Linux and a C compiler.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from helpers.power_loss import ACKNOWLEDGED, Operation, recorded, states_after_cuts

from benchlog.errors import BenchlogError
from benchlog.logbook import Logbook
from benchlog.logbook.verify import verify

SESSION = """
import os, sys
from pathlib import Path
sys.path.insert(0, sys.argv[3])
from helpers.small_logbook import START, a_capture, a_result, some_readings
from benchlog.clock import ManualClock
from benchlog.logbook import Logbook
from benchlog.logbook.export import export_csv, export_jsonl
from benchlog.report.certificate import write_certificate

disk, pragma, rounds = Path(sys.argv[1]), sys.argv[2], int(sys.argv[4])
clock = ManualClock(START)
out = os.open(disk / "acknowledged", os.O_WRONLY | os.O_CREAT | os.O_APPEND)

def acknowledge(what):
    os.write(out, f"{what}\\n".encode())

for sitting in range(rounds):
    with Logbook.open(disk / "b.logbook", clock=clock, project="KC-1") as book:
        if pragma:
            with book.querying() as db:
                db.execute(pragma)
        book.begin_session()
        for number in range(12):
            acknowledge(book.append("note", {"text": "x" * 300 * number}).digest)
            acknowledge(book.append_readings(some_readings(clock), stream=f"s{sitting}", position=20 * number).digest)
        acknowledge(book.append_capture(a_capture(3000)).digest)
        acknowledge(book.append_result(a_result()).digest)
        acknowledge(book.attach(os.urandom(20_000), f"{sitting}.jpg").digest)
        acknowledge(book.end_session("done").digest)
        written = [*write_certificate(book, disk / "certificate.html", now_utc_ns=clock.utc_ns()).paths]
        written += [p for p in (*export_csv(book, disk / "out"), *export_jsonl(book, disk / "out")) if p.is_file()]
    for path in written:
        acknowledge(f"file {path.relative_to(disk)} {__import__('hashlib').sha256(path.read_bytes()).hexdigest()}")
"""


def acknowledgements(operations: list[Operation]) -> list[tuple[int, str]]:
    """What was acknowledged, with the number of operations before it."""
    found = []
    for place, operation in enumerate(operations):
        if operation.kind == "W" and operation.path.endswith(ACKNOWLEDGED):
            found.append((place, operation.other.decode().strip()))
    return found


def trouble(folder: Path, reports: list[str], whole: dict[str, set[str]]) -> str:
    """What was lost or is half in a state of the disk; empty if nothing."""
    path = folder / "b.logbook"
    digests = [words for words in reports if not words.startswith("file ")]
    if path.exists():
        found = verify(path)
        if not found.ok:
            return f"does not verify: {found.first.what if found.first else ''}"[:60]
        with Logbook.open(path) as book:
            there = {entry.digest for entry in book.entries()}
            book.append("note", {"text": "goes on"})
        if not verify(path).ok:
            return "does not go on"
        if not there.issuperset(digests):
            return "acknowledged entries lost"
    elif digests:
        return "logbook gone"
    latest = {words.split()[1]: words.split()[2] for words in reports if words.startswith("file ")}
    for name, digests_of in whole.items():
        file = folder / name
        if file.exists() and hashlib.sha256(file.read_bytes()).hexdigest() not in digests_of:
            return f"{name} is half"
        if name in latest and not file.exists():
            return f"acknowledged {name} is gone"
    return ""


def tried(folder: Path, cuts: int, pragma: str, rounds: int = 2) -> Counter[str]:
    """Record a session, cut the power in it so many times; returns what went wrong, and how often."""
    operations = recorded(SESSION, folder, pragma, str(Path(__file__).parents[1]), str(rounds))
    reports = acknowledgements(operations)
    whole: dict[str, set[str]] = {}
    for _, words in reports:
        if words.startswith("file "):
            _, name, digest = words.split()
            whole.setdefault(name, set()).add(digest)
    found: Counter[str] = Counter()
    for cut, state in states_after_cuts(operations, folder / "disk", folder / "state", cuts):
        try:
            what = trouble(state, [words for place, words in reports if place < cut], whole)
        except BenchlogError as error:
            what = f"can't be opened: {error.message}"[:80]
        found[what or "whole"] += 1
    print(
        f"{len(operations)} operations, {len(reports)} acknowledgements, {pragma or 'as it is'}: {dict(found)}",
        flush=True,
    )
    return found


def main() -> int:
    """Cut the power."""
    parser = argparse.ArgumentParser(description="Cut the power at random places of a session.")
    parser.add_argument("--cuts", type=int, default=5000)
    parser.add_argument(
        "--control", action="store_true", help="also with synchronous=NORMAL, which must lose something"
    )
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = tried(Path(folder), args.cuts, "")
        right = set(found) == {"whole"}
        if args.control:
            control = tried(Path(folder), max(200, args.cuts // 10), "PRAGMA synchronous=NORMAL")
            right = right and set(control) != {"whole"}
    return 0 if right else 1


if __name__ == "__main__":
    sys.exit(main())
