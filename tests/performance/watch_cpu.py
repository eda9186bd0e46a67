"""CPU time of `watch` with four meters, redrawn ten times a second: ``python tests/performance/watch_cpu.py``.

Runs the command itself on a pseudo-terminal of 80 by 24 and of 200 by 50 characters, four meters sending 20 readings
a second each over loopback links from another process, and reads the command's CPU time off the operating system after
a warm-up. Prints the share of one core, and what the same command takes with --plain, which is the recorder's part.
Exit code 1 above 10 % at 10 pictures a second.
"""

from __future__ import annotations

import argparse
import dataclasses
import fcntl
import os
import pty
import select
import struct
import subprocess
import sys
import tempfile
import termios
import time
from pathlib import Path

from benchlog_drivers.simbench.bench import SimulatedBench
from benchlog_drivers.simbench.meter import HandheldMeter
from benchlog_drivers.simbench.meter_spec import MA_01

TAGS = ("MA-01", "MC-05", "MD-06", "ME-07")
WARM_UP_S = 4.0
LIMIT = 0.10


def serve(rate_hz: float) -> None:
    """Serve four meters on one node until killed; prints a bench file."""
    bench = SimulatedBench(3)
    spec = dataclasses.replace(MA_01, rate_hz=rate_hz)
    for tag, leads in zip(TAGS, ("LA", "LB", "LC", "LD"), strict=True):
        bench.meters[tag] = HandheldMeter(tag, spec, 3)
        bench.scene.ports[tag] = bench.meters[tag]
        bench.connect(tag, at="T1.output", leads=leads)
    with bench:
        for tag in TAGS:
            print(f'[[instrument]]\ntag = "{tag}"\naddress = "{bench.address(tag)}"')
            print('accuracy = [{ function = "V~", statement = "1 % + 5" }]')
        print(f'[[group]]\nname = "T1 output"\nmeters = {list(TAGS)}\n# end'.replace("'", '"'), flush=True)
        sys.stdin.read()


def cpu_s(pid: int) -> float:
    """User and system time of a process so far, second."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def measure(folder: Path, size: tuple[int, int], span_s: float, *options: str) -> tuple[float, float, float]:
    """Share of a core, pictures and bytes a second of one run."""
    columns, rows = size
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
    env = {**os.environ, "TERM": "xterm-256color", "OPENBLAS_NUM_THREADS": "1"}
    for name in ("COLUMNS", "LINES", "NO_COLOR"):
        env.pop(name, None)
    words = [sys.executable, "-m", "benchlog", "watch", "--for", f"{span_s + WARM_UP_S + 4:g} s", *options]
    child = subprocess.Popen(words, cwd=folder, env=env, stdin=slave, stdout=slave, stderr=slave)
    os.close(slave)
    began, started, pictures, sent, last = time.monotonic(), 0.0, 0, 0, 0.0
    first_cpu = cpu = 0.0
    while time.monotonic() - began < WARM_UP_S + span_s:
        ready = select.select([master], [], [], 0.05)[0]
        now = time.monotonic()
        if ready:
            data = os.read(master, 1 << 16)
            if started:
                # What comes together is one picture: only its changed lines are sent.
                pictures, sent, last = pictures + (now - last > 0.03), sent + len(data), now
        if not started and now - began >= WARM_UP_S:
            started, first_cpu = now, cpu_s(child.pid)
    cpu = cpu_s(child.pid) - first_cpu
    took = time.monotonic() - started
    child.terminate()
    while child.poll() is None:  # a terminal that nobody reads would hold it up
        if select.select([master], [], [], 0.05)[0]:
            try:
                os.read(master, 1 << 16)
            except OSError:
                break
    child.wait()
    os.close(master)
    return cpu / took, pictures / took, sent / took


def main() -> int:
    """Print everything; see the module's text."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=15.0)
    parser.add_argument("--rate", type=float, default=20.0, help="readings a second of each meter")
    parser.add_argument("--serve", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.serve:
        serve(args.rate)
        return 0
    words = [sys.executable, __file__, "--serve", "--rate", str(args.rate)]
    with (
        tempfile.TemporaryDirectory() as name,
        subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="utf-8") as server,
    ):
        folder = Path(name)
        assert server.stdout is not None
        text = ""
        for line in server.stdout:
            text += line
            if line.startswith("# end"):
                break
        (folder / "bench.toml").write_text(text, encoding="utf-8")
        bad = False
        for what, size, options in (
            ("picture, 80 x 24", (80, 24), ()),
            ("picture, 200 x 50", (200, 50), ()),
            ("changes as lines", (80, 24), ("--plain",)),
        ):
            share, pictures, sent = measure(folder, size, args.seconds, *options)
            bad = bad or share > LIMIT
            print(
                f"{what:<18} {100 * share:5.1f} % of one core, {pictures:4.1f} pictures/s, {sent / 1e3:5.1f} kB/s, "
                f"4 meters at {args.rate:g} readings/s",
                flush=True,
            )
        server.terminate()
    return int(bad)


if __name__ == "__main__":
    sys.exit(main())
