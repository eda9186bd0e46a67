"""Ctrl-C while the program starts: it ends, without a traceback."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest

BARE = "import sys; sys.argv = ['benchlog', 'status']; from benchlog.start import main; sys.exit(main())"


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
