"""How the program starts: quickly, importing what it needs; Ctrl-C meanwhile ends it without a traceback."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

BARE = "import sys; sys.argv = ['benchlog', 'status']; from benchlog.start import main; sys.exit(main())"
STATUS = ["status", "plan.toml", "--logbook", "kc1.logbook"]
SUPPLY = ["supply", "--nameplate", "24 V ac 40 VA", "--mains", "236 V", "--mains-nominal", "230 V"]
SUPPLY += ["--reading", "27.75 V ac", "--accuracy", "1 % + 5", "--no-record"]


@pytest.mark.skipif(os.name == "nt", reason="Windows sends Ctrl-C to a whole console, not to one program")
@pytest.mark.parametrize("delay_ms", range(40, 280, 20))
def test_no_traceback_whenever_it_is_pressed(tmp_path, delay_ms: int) -> None:
    """From the first line of ours to the end."""
    with subprocess.Popen(
        [sys.executable, "-c", f"print(flush=True); {BARE}"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    ) as program:
        assert program.stdout is not None
        assert program.stderr is not None
        program.stdout.readline()  # Python itself is up
        time.sleep(delay_ms / 1000)
        program.send_signal(signal.SIGINT)
        said = program.stderr.read()
    assert "Traceback" not in said
    assert "Fatal" not in said


@pytest.mark.parametrize(
    ("words", "needed"),
    [
        (STATUS, []),
        (["record", "show", *STATUS[2:]], []),
        (["record", "list", *STATUS[2:]], []),
        (SUPPLY, ["GTC", "rich"]),
    ],
)
def test_quick_commands_import_nothing_heavy_but_what_they_need(
    demo: tuple[Path, dict[str, Any], float], words: list[str], needed: list[str]
):
    """They are to answer at once, and most of a command's time is what it imports."""
    program = (
        "import sys; from benchlog.cli import main\n"
        "main(sys.argv[1:])\n"
        "heavy = {'rich', 'numpy', 'pandas', 'scipy', 'GTC', 'jinja2', 'matplotlib', 'quantiphy', 'pyvisa', 'serial'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *words],
        cwd=demo[0],
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    assert done.stdout.strip()
    assert done.stderr == f"{needed}\n"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "most"),
    [
        (["--help"], 3),
        (STATUS, 10),
        (SUPPLY, 20),
    ],
    ids=["help", "status", "supply"],
)
def test_commands_start_fast(
    demo: tuple[Path, dict[str, Any], float], tmp_path: Path, words: list[str], most: float
):
    """Within so many times a bare Python: the best of interleaved runs, processor time, compiled modules."""
    resource = pytest.importorskip("resource", reason="Windows counts processor time elsewhere")
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = str(tmp_path)
    begin = "import sys; from benchlog.start import main; sys.exit(main())"
    times: dict[str, list[float]] = {"bare": [], "command": []}
    for _ in range(15):
        for name, call in (("bare", ["-c", "pass"]), ("command", ["-c", begin, *words])):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run(
                [sys.executable, *call], check=True, capture_output=True, env=environment, cwd=demo[0]
            )
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            times[name].append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    bare, taken = min(times["bare"]), min(times["command"])
    assert taken <= most * bare, f"takes {taken / bare:.2f} times a bare start"
