"""Certificate and winding card of a hostile plan and record in a real browser: no script runs, no request leaves.

    python tests/performance/hostile_pages.py

Every request of the browser goes to a proxy here that only writes it down. A page that does run a script and does
fetch pictures shows first that the trap works; an empty page shows what the browser asks for by itself. Exit 0 when
nothing ran and nothing left, 1 otherwise; without an installed Chromium it says so and is left out.
"""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import socketserver
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.hostile import NASTY, hostile_logbook

from benchlog.cli import main as benchlog
from benchlog.logbook import Logbook
from benchlog.report.certificate import render_certificate

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
HOME = "http://127.0.0.1:{port}/hostile"
NOW = 1_800_000_100_000_000_000


class Trap(socketserver.ThreadingTCPServer):
    """Writes down the first line of every request and answers none."""

    allow_reuse_address = True
    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Line)
        self.seen: list[str] = []

    @property
    def port(self) -> int:
        """Where it listens."""
        return int(self.server_address[1])


class _Line(socketserver.StreamRequestHandler):
    timeout = 5

    def handle(self) -> None:
        line = self.rfile.readline(2000).decode("latin-1").strip()
        if isinstance(self.server, Trap):
            self.server.seen.append(line)


@contextlib.contextmanager
def trap() -> Iterator[Trap]:
    """A trap, listening."""
    with Trap() as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server
        server.shutdown()


def visit(browser: str, page: Path, server: Trap) -> tuple[str, list[str]]:
    """Open a page for a while; the document as it then is, and what was asked of the network."""
    server.seen.clear()
    with tempfile.TemporaryDirectory() as profile:
        sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
        done = subprocess.run(
            [
                browser, "--headless", *sandbox, "--disable-gpu", "--no-first-run", "--disable-background-networking",
                "--disable-component-update", "--disable-sync", "--disable-default-apps",
                f"--user-data-dir={profile}", f"--proxy-server=127.0.0.1:{server.port}", "--proxy-bypass-list=<-loopback>",
                "--virtual-time-budget=3000", "--dump-dom", page.resolve().as_uri(),
            ],
            check=False, capture_output=True, encoding="utf-8", timeout=120,
        )  # fmt: skip
    return done.stdout, list(server.seen)


def ran(document: str) -> bool:
    """Whether a script of the page changed its title."""
    return "<title>RAN</title>" in document


def certificate(folder: Path, home: str, *, with_plan: bool) -> Path:
    """Certificate of the hostile logbook."""
    made = folder / ("with_plan" if with_plan else "without_plan")
    made.mkdir()
    path, plan = hostile_logbook(made, home)
    page = folder / f"certificate_{made.name}.html"
    with Logbook.open(path, mode="ro") as book:
        text = render_certificate(book, now_utc_ns=NOW, plan=plan if with_plan else None)
    page.write_text(text, encoding="utf-8")
    return page


def winding_cards(folder: Path, home: str) -> list[Path]:
    """Winding cards for parts with hostile tags; those the command refuses make no page."""
    pages = []
    for number, text in enumerate(NASTY):
        page = folder / f"card_{number}.html"
        tag = text.format(home=home)[:5000].replace("\x00", "")
        words = [
            "winding",
            "--core",
            "25x15x10",
            "--turns",
            "60",
            "--wire",
            "AWG 24",
            "--part",
            tag,
            "--card",
            str(page),
            "--no-record",
        ]
        quiet = io.StringIO()
        with (
            contextlib.redirect_stdout(quiet),
            contextlib.redirect_stderr(quiet),
            contextlib.suppress(SystemExit),
        ):
            benchlog(words)
        if page.exists():
            pages.append(page)
    return pages


def main() -> int:
    """Run it."""
    browser = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        print("left out: no Chromium is installed")
        return 0
    with tempfile.TemporaryDirectory() as name, trap() as server:
        folder, home = Path(name), HOME.format(port=server.port)
        control, empty = folder / "control.html", folder / "empty.html"
        control.write_text(
            f"<title>x</title><img src='{home}'><script>document.title='RAN';fetch('{home}2')</script>",
            encoding="utf-8",
        )
        empty.write_text("<title>x</title>", encoding="utf-8")
        document, asked = visit(browser, control, server)
        caught = [line for line in asked if "/hostile" in line]
        print(
            f"a page that does it: script {'ran' if ran(document) else 'did not run'}, {len(caught)} requests caught"
        )
        if not ran(document) or not caught:
            print("the trap does not work here: nothing is shown by this run")
            return 1
        _, own = visit(browser, empty, server)
        hosts = {
            line.split()[1].split("/")[2] if "://" in line else line.split()[1]
            for line in own
            if len(line.split()) > 1
        }
        print(f"an empty page: {len(own)} requests of the browser's own {sorted(hosts) if hosts else ''}")
        bad = 0
        pages = [
            certificate(folder, home, with_plan=True),
            certificate(folder, home, with_plan=False),
            *winding_cards(folder, home),
        ]
        for page in pages:
            document, asked = visit(browser, page, server)
            left = [line for line in asked if not any(host in line for host in hosts)]
            fault = ran(document) or bool(left) or len(document) < 1000
            bad += fault
            print(
                f"{page.name}: {len(document)} characters, script {'RAN' if ran(document) else 'did not run'}, requests {left or 0}"
            )
        print(f"{len(pages)} pages, {bad} of them harmful")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
