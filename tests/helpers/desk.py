"""A person at a desk with a folder, a clock and the command line: what is typed in, what comes out."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchlog.cli import build_parser
from benchlog.cli.context import run_command
from benchlog.clock import ManualClock, parse_rfc3339

DAY_S = 86400.0

#: Two meters read by eye, with the accuracies of the demo's, and its 5 V reference.
TYPED_BENCH = """
[[instrument]]
tag = "MA-01"
kind = "meter"
address = "typed:"
counts = 4000
accuracy = [
    { function = "V~", statement = "1 % + 5" },
    { function = "V=", statement = "0.5 % + 2" },
    { function = "ohm", statement = "0.8 % + 2" },
    { function = "A=", statement = "1 % + 3" },
]

[[instrument]]
tag = "MB-02"
kind = "meter"
address = "typed:"
counts = 2000
accuracy = [
    { function = "V~", statement = "1.2 % + 5" },
    { function = "V=", statement = "0.8 % + 2" },
    { function = "ohm", statement = "1 % + 4" },
]

[[standard]]
tag = "CS-3"
value = "5.000 V dc"
uncertainty = "0.05 %"
function = "V="
"""


@dataclass(frozen=True)
class Said:
    """What a command answered: exit code, standard output, standard error."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """The one object of --json."""
        return json.loads(self.out)

    @property
    def lines(self) -> list[Any]:
        """One object per line of --json."""
        return [json.loads(line) for line in self.out.splitlines()]

    @property
    def words(self) -> str:
        """Output in one line, without the screen's line breaks."""
        return " ".join((self.out + self.err).split())


class Desk:
    """Runs benchlog commands in a folder of its own, at a time of its own."""

    def __init__(self, folder: Path, bench: str = TYPED_BENCH, start: str = "2026-03-02T09:00:00Z") -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.clock = ManualClock(parse_rfc3339(start))
        self.bench = self.write("bench.toml", bench)
        self.logbook = folder / "bench.logbook"

    def write(self, name: str, text: str) -> Path:
        """A file in the folder."""
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return path

    def days(self, number: float) -> None:
        """Let days pass."""
        self.clock.advance(number * DAY_S)

    def copy(self, folder: Path) -> Desk:
        """The same folder and time once more: another way the story may go."""
        shutil.copytree(self.folder, folder)
        desk = Desk(folder, (self.bench).read_text(encoding="utf-8"))
        desk.clock.set_utc_ns(self.clock.utc_ns())
        return desk

    def run(self, *words: str | Path, stdin: str = "") -> Said:
        """One command line."""
        typed = [str(word) for word in words]
        out, err, kept = io.StringIO(), io.StringIO(), sys.stdin
        sys.stdin = io.StringIO(stdin)
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                args = build_parser(typed[0]).parse_args(
                    [*typed, "--logbook", str(self.logbook), "--bench", str(self.bench)]
                )
                code = run_command(args, clock=self.clock)
        finally:
            sys.stdin = kept
        return Said(code, out.getvalue(), err.getvalue())

    def answer(self, plan: Path, check: str, answers: Iterable[str], *more: str) -> Said:
        """A guided run of one check, answered from a file."""
        path = self.write("answers.txt", "\n".join(answers) + "\n")
        return self.run("run", plan, "--check", check, "--answers", path, "--no-cards", *more)

    def status(self, plan: Path) -> Any:
        """What `status --json` says, checks and holds by id."""
        said = self.run("status", plan, "--json").json
        said["check"] = {c["id"]: c for c in said["checks"]}
        said["hold"] = {h["id"]: h for h in said["holds"]}
        return said
