"""How fast the logbook is, beside plain SQLite: ``python tests/performance/logbook_scale.py [--readings 10000000]``.

One run measures everything side by side, so that ratios hold on a slow or busy machine: ingest against sqlite3's
``executemany`` of the same columns without summary and digests, opening and reading a small and a large logbook, the
export to Parquet, and the share of one core that recording 80 readings a second takes. Exit code 1 if a limit is
missed.
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import resource
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np

import benchlog
from benchlog.capture import Capture, ChannelRecord
from benchlog.clock import ManualClock, SystemClock
from benchlog.logbook import Logbook
from benchlog.reading import Flag, Function, Reading
from benchlog.result import Limits, Result, Uncertain, Verdict

START = 1_770_000_000_000_000_000
_FLAGS = frozenset({Flag.AUTO})
faults: list[str] = []


def say(what: str, value: str, good: bool | None = None) -> None:
    """Print one line; remember a missed limit."""
    print(f"{what:<66} {value:>28} {'' if good is None else 'ok' if good else 'MISSED'}", flush=True)
    if good is False:
        faults.append(what)


def meter_readings(first: int, count: int) -> list[Reading]:
    """Four meters at 20 readings a second each."""
    found = []
    for n in range(first, first + count):
        volts = 27.75 + 0.01 * (n * 7919 % 5)
        found.append(
            Reading(
                Function.AC_VOLTS,
                volts,
                0.01,
                f"{volts:.2f} V",
                flags=_FLAGS,
                raw=b"\x12\x34\x56\x78\x9a\xbc\xde\xf0\x12\x34\x56\x78\x9a\xbc",
                instrument=f"M{n % 4}",
                utc_ns=START + n * 12_500_000,
                mono_ns=n * 12_500_000,
            )
        )
    return found


def plain_rows(readings: list[Reading]) -> list[tuple[object, ...]]:
    """The same columns as rows for SQLite."""
    return [
        (
            r.utc_ns,
            r.mono_ns,
            r.value,
            r.resolution,
            r.range_max,
            int(r.instrument[1]),
            1,
            0,
            0,
            r.displayed,
            r.raw,
        )
        for r in readings
    ]


def ingest(folder: Path) -> None:
    """Rows a second, in blocks of 10 000 with a commit each, three times each way in turn."""
    blocks = [meter_readings(n * 10_000, 10_000) for n in range(20)]
    rows = [plain_rows(block) for block in blocks]
    total = sum(map(len, blocks))
    ours, bare, bare_from_readings = [], [], []
    for turn in range(3):
        gc.collect()
        with Logbook.open(folder / f"ingest{turn}.logbook", clock=ManualClock(START)) as book:
            began = time.perf_counter()
            for block in blocks:
                book.append_readings(block)
            ours.append(total / (time.perf_counter() - began))
        for made, results in ((rows, bare), (None, bare_from_readings)):
            path = folder / f"bare{turn}{made is None}.db"
            db = sqlite3.connect(path, isolation_level=None)
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=FULL")
            db.execute(
                "CREATE TABLE r (utc_ns INTEGER, mono_ns INTEGER, value REAL, resolution REAL, range_max REAL,"
                " channel INTEGER, flags INTEGER, state INTEGER, origin INTEGER, displayed TEXT, raw BLOB)"
            )
            began = time.perf_counter()
            for number, block in enumerate(blocks):
                db.execute("BEGIN IMMEDIATE")
                db.executemany(
                    "INSERT INTO r VALUES (?,?,?,?,?,?,?,?,?,?,?)",
                    made[number] if made is not None else plain_rows(block),
                )
                db.execute("COMMIT")
            results.append(total / (time.perf_counter() - began))
            db.close()
    ratio = median(ours) / median(bare)
    say("ingest, digests and summary included", f"{median(ours):,.0f} rows/s", median(ours) >= 50_000)
    say("sqlite3 executemany of ready-made rows", f"{median(bare):,.0f} rows/s")
    say("sqlite3 executemany, rows made from the same readings", f"{median(bare_from_readings):,.0f} rows/s")
    say("ingest / executemany of ready-made rows (limit 0.5)", f"{ratio:.2f}", ratio >= 0.5)


def some_capture() -> Capture:
    """10^6 8-bit samples on each of two channels."""
    rng = np.random.default_rng(1)
    angle = 2 * np.pi * np.arange(1_000_000) / 2000.3
    codes = [np.round(90 * np.sin(angle + p) + rng.normal(0, 1, 1_000_000)).astype("i1") for p in (0.0, 0.4)]
    return Capture(tuple(ChannelRecord(f"CH{n + 1}", c, 0.04) for n, c in enumerate(codes)), 1e-5, "SC-03")


def grow(path: Path, readings: int, captures: int) -> None:
    """Make a large logbook as a recorder would, 20 readings a block, with results and captures between."""
    clock = ManualClock(START)
    capture = some_capture()
    every = readings // captures // 20_000 * 20_000 or 20_000
    began, kept = time.perf_counter(), 0
    with Logbook.open(path, clock=clock, project="KC-1") as book:
        book.begin_session()
        for start in range(0, readings, 20_000):
            with book.transaction():  # many blocks a commit, only to be done sooner
                for first in range(start, min(start + 20_000, readings), 20):
                    clock.set_utc_ns(START + first * 12_500_000)
                    book.append_readings(meter_readings(first, 20))
                if start % every == 0 and kept < captures:
                    book.append_capture(capture)
                    kept += 1
                if start % 200_000 == 0:
                    book.append_result(
                        Result(
                            check="reading",
                            check_id=f"C{start // 200_000 % 17:02d}",
                            verdict=Verdict.PASS,
                            reason="within limits",
                            part=f"T{start // 200_000 % 17 % 5}",
                            quantities={"reading": Uncertain(27.75, 0.19, 0.38, "V")},
                            limits={"reading": Limits(25.6, 29.0, "V")},
                        )
                    )
        book.end_session("grown")
    seconds = time.perf_counter() - began
    say(
        f"made a logbook of {readings:,} readings and {kept} captures",
        f"{seconds:.0f} s, {path.stat().st_size / 1e6:,.0f} MB",
    )


def plan_file(path: Path) -> Path:
    """Write a plan of 17 checks on five parts, as the large logbook has results of."""
    parts = "".join(f'[[part]]\ntag = "T{n}"\n' for n in range(5))
    checks = "".join(
        f'[[check]]\nid = "C{n:02d}"\npart = "T{n % 5}"\nkind = "reading"\nfunction = "V~"\n'
        'limits.voltage = { low = "25.6 V", high = "29.0 V" }\n'
        for n in range(17)
    )
    hold = '[[hold]]\nid = "H1"\nstep = "open the case"\nneeds = ["C00", "C01"]\n'
    path.write_text(f'[project]\nname = "large"\nmains = "230 V"\n{parts}{checks}{hold}')
    return path


def captures(folder: Path) -> None:
    """Time to append a capture, its size, time to read it back."""
    capture = some_capture()
    path = folder / "captures.logbook"
    with Logbook.open(path, clock=ManualClock(START)) as book:
        began = time.perf_counter()
        refs = [book.append_capture(capture) for _ in range(10)]
        appended = (time.perf_counter() - began) / 10
        began = time.perf_counter()
        for ref in refs:
            back = book.capture(ref.seq)
        read = (time.perf_counter() - began) / 10
    assert np.array_equal(back.channels[1].codes, capture.channels[1].codes)
    say("append a capture of 2 x 10^6 8-bit samples", f"{appended * 1e3:.0f} ms")
    say("read it back, digest proved", f"{read * 1e3:.0f} ms")
    say("size of such a capture", f"{path.stat().st_size / 10 / 1e6:.2f} MB of 2 MB")


def timed(action: Callable[[], object], turns: int = 7) -> tuple[float, float]:
    """Median wall and processor time of an action, second; its first turn, which may import, is left out."""
    action()
    walls, cpus = [], []
    for _ in range(turns):
        wall, cpu = time.perf_counter(), time.process_time()
        action()
        walls.append(time.perf_counter() - wall)
        cpus.append(time.process_time() - cpu)
    return median(walls), median(cpus)


LAUNCHER = """
import json, os, sys, time
began = time.perf_counter()
child = os.posix_spawn(sys.executable, [sys.executable, "-m", "benchlog", *sys.argv[1:]], os.environ,
                       file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)])
_, status, usage = os.wait4(child, 0)
print(json.dumps([time.perf_counter() - began, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024,
                  os.waitstatus_to_exitcode(status)]))
"""


def command(*words: str) -> tuple[float, float, float]:
    """Wall and processor time (second, medians of 7) and peak memory (megabyte) of a whole benchlog command.

    A small launcher starts it: a child's peak counts what its parent held as it was forked.
    """
    walls, cpus, peak = [], [], 0.0
    # As an installed program has it: modules compiled once, by the first run at the latest.
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    for _ in range(7):
        output = subprocess.run(
            [sys.executable, "-S", "-c", LAUNCHER, *words],
            capture_output=True,
            encoding="utf-8",
            check=True,
            env=environment,
        ).stdout
        wall, cpu, memory, code = json.loads(output)
        assert code == 0 or words[0] == "status", words
        walls.append(wall)
        cpus.append(cpu)
        peak = max(peak, memory)
    return median(walls), median(cpus), peak


def reading_back(small: Path, large: Path) -> None:
    """Open, summarise and read the large logbook; whole commands against the small one.

    Limits are on processor time, which other programs on the machine disturb least; wall time is printed beside it, and
    that of a bare Python start shows how fast the machine is.
    """
    bare = median(
        timed(lambda: subprocess.run([sys.executable, "-c", "pass"], check=True))[0] for _ in range(3)
    )
    say("bare start of Python", f"{bare * 1e3:.0f} ms")
    plan = plan_file(large.parent / "large_plan.toml")
    for words in (("status", str(plan)), ("record", "show"), ("record", "list")):
        slow, fast = command(*words, "--logbook", str(large)), command(*words, "--logbook", str(small))
        name = " ".join(words) if words[0] == "record" else words[0]
        output = f"{slow[1]:.3f} s ({slow[0]:.3f}), {slow[2]:.0f} MB"
        say(f"{name}, large logbook (limits 0.2 s, 80 MB)", output, slow[1] < 0.2 and slow[2] < 80)
        say(f"{name}, large / small (limit 3)", f"{slow[1] / fast[1]:.2f}", slow[1] < 3 * fast[1])
    with benchlog.open(large) as view:
        rows = len(view.readings(last="10 min"))
        wall, cpu = timed(lambda: view.readings(last="10 min"))
        say(
            f'readings(last="10 min"), {rows:,} rows (limit 50 ms)',
            f"{cpu * 1e3:.1f} ms ({wall * 1e3:.1f})",
            cpu < 0.05,
        )
        for name, action in (("summary from the rollup", view.summary),):
            wall, cpu = timed(action)
            say(name, f"{cpu * 1e3:.1f} ms ({wall * 1e3:.1f})")
        wall, cpu = time.perf_counter(), time.process_time()
        count = len(view.reading_arrays(texts=False))
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        say(f"all {count:,} readings as arrays", f"{cpu:.2f} s ({wall:.2f})")


def export(folder: Path, large: Path, readings: int) -> None:
    """Export everything to Parquet."""
    from benchlog.logbook.parquet import export_parquet

    with Logbook.open(large, mode="ro") as book:
        began = time.perf_counter()
        export_parquet(book, folder / "dataset")
        seconds = time.perf_counter() - began
    size = sum(f.stat().st_size for f in (folder / "dataset").rglob("*.parquet"))
    say("export to Parquet", f"{readings / seconds:,.0f} rows/s, {size / 1e6:.0f} MB")


def verification(large: Path) -> None:
    """Verify everything."""
    from benchlog.logbook.verify import verify

    wall, cpu = time.perf_counter(), time.process_time()
    assert verify(large).ok
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    say("verify the large logbook, samples unpacked", f"{cpu:.0f} s ({wall:.0f})")


def idle_cost(folder: Path, seconds: float = 10.0) -> None:
    """Share of one core that recording four meters at 20 readings a second takes."""
    from benchlog.adapter import Reader
    from benchlog.recorder import Recorder

    class Ticking(Reader):
        def _open(self) -> None:
            self.wait = threading.Event()
            self.number = 0

        def _close(self) -> None:
            pass

        def _read(self, timeout_s: float) -> Reading | None:
            self.wait.wait(0.05)
            self.number += 1
            return meter_readings(self.number, 1)[0]

    clock = SystemClock()
    meters = [Ticking(f"M{n}", clock=clock).open() for n in range(4)]

    def used() -> float:
        usage = resource.getrusage(resource.RUSAGE_SELF)
        return usage.ru_utime + usage.ru_stime

    stop = threading.Event()

    def only_read(meter: Reader) -> None:
        while not stop.is_set():
            meter.read(0.5)

    threads = [threading.Thread(target=only_read, args=(meter,)) for meter in meters]
    before = used()
    for thread in threads:
        thread.start()
    time.sleep(seconds)
    own = (used() - before) / seconds
    stop.set()
    for thread in threads:
        thread.join()
    with Logbook.open(folder / "idle.logbook", clock=clock) as book:
        recorder = Recorder(book, meters, clock=clock).start()
        time.sleep(1.0)  # imports of the first block
        before, began = used(), time.perf_counter()
        time.sleep(seconds)
        share = (used() - before) / (time.perf_counter() - began) - own
        rate = recorder.stop().recorded / (time.perf_counter() - began + 1)
    say("four meters at 20 readings/s that nobody records", f"{100 * own:.2f} % of a core")
    say(
        f"recording them, {rate:.0f} readings/s, beyond that (limit 1 %)",
        f"{100 * share:.2f} % of a core",
        share < 0.01,
    )


def main() -> int:
    """Measure."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--readings", type=int, default=10_000_000)
    parser.add_argument("--captures", type=int, default=200)
    parser.add_argument("--large", type=Path, help="keep the large logbook here, and use it if it is there")
    args = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="logbook_scale"))
    try:
        ingest(folder)
        captures(folder)
        idle_cost(folder)
        large, small = args.large or folder / "large.logbook", folder / "small.logbook"
        if not large.exists():
            grow(large, args.readings, args.captures)
        grow(small, 20, 1)
        reading_back(small, large)
        export(folder, large, args.readings)
        verification(large)
    finally:
        shutil.rmtree(folder)
    print(f"{len(faults)} limits missed" if faults else "all limits met")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
