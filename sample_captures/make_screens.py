"""Draw the pictures of README.md: what commands really print, as SVG, without any reference to the outside.

    python sample_captures/make_screens.py

Writes sample_captures/screens/*.svg. The demo is told once for the screens that need a history.
"""

from __future__ import annotations

import contextlib
import io
import tempfile
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

from benchlog.cli import build_parser
from benchlog.cli.context import run_command
from benchlog.clock import Clock, ManualClock
from benchlog.dashboard.view import view
from benchlog.demo.story import Story

OPEN_LEAD = (
    *("--expect", "27 V ac", "--reading", "0.17 V ac"),
    *("--evidence", "look=in order", "--evidence", "short_tips_ohms=OL"),
)
SCREENS = Path(__file__).parent / "screens"
PAPER = TerminalTheme(
    (252, 251, 247),
    (40, 40, 38),
    [
        (40, 40, 38),
        (170, 40, 30),
        (30, 110, 50),
        (140, 95, 0),
        (30, 75, 140),
        (120, 50, 120),
        (10, 110, 120),
        (90, 90, 86),
    ],
)
FRAME = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}">
<style>{styles}
.{unique_id}-matrix {{ font-family: "DejaVu Sans Mono", "Liberation Mono", monospace; font-size: {char_height}px;
line-height: {line_height}px; font-variant-east-asian: full-width; }}</style>
<defs><clipPath id="{unique_id}-clip-terminal"><rect x="0" y="0" width="{terminal_width}" height="{terminal_height}"/></clipPath>{lines}</defs>
<rect width="{width}" height="{height}" fill="#fcfbf7" stroke="#8a8a84"/>
<g transform="translate(8, 8)" clip-path="url(#{unique_id}-clip-terminal)">{backgrounds}<g class="{unique_id}-matrix">{matrix}</g></g>
</svg>
"""


def draw(name: str, console: Console) -> None:
    """Save what a console recorded."""
    svg = console.export_svg(title=name, theme=PAPER, code_format=FRAME, unique_id=name)
    (SCREENS / f"{name}.svg").write_text(svg, encoding="utf-8")
    print(f"{name}.svg {len(svg)} bytes")


def recorder(width: int = 96) -> Console:
    """A console that draws nowhere but remembers."""
    return Console(
        record=True,
        width=width,
        file=io.StringIO(),
        force_terminal=True,
        color_system="standard",
        highlight=False,
    )


def run(console: Console, words: Sequence[str], *extra: str, clock: Clock | None = None) -> None:
    """Run one command on a recording console, the command line above it."""
    shown = " ".join(f'"{w}"' if " " in w else w for w in words)
    console.print(Text(f"$ benchlog {shown}", style="bold"))
    with contextlib.redirect_stdout(io.StringIO()):
        run_command(build_parser(words[0]).parse_args([*words, *extra]), clock=clock, console=console)


def main() -> None:
    """Draw all screens."""
    SCREENS.mkdir(exist_ok=True)
    diagnose = recorder()
    run(
        diagnose,
        ["diagnose", *OPEN_LEAD],
        "--no-record",
    )
    draw("diagnose", diagnose)

    with tempfile.TemporaryDirectory() as folder:
        watched = Console(file=io.StringIO())

        def command(words: Sequence[str], clock: ManualClock) -> int:
            with contextlib.redirect_stdout(io.StringIO()):
                return run_command(
                    build_parser(words[0]).parse_args(list(words)), clock=clock, console=watched
                )

        with Story(Path(folder), 1, say=lambda *_: None, show=lambda _: None, command=command) as story:
            story.whole()
            status = recorder()
            with contextlib.chdir(folder):
                run(status, ["status", "plan.toml"], "--logbook", "kc1.logbook", clock=story.clock)
            draw("status", status)
            watch = recorder()
            if story.watched is not None:
                watch.print(view(story.watched, 96, 18, keys="", plain=False))
            draw("watch", watch)


if __name__ == "__main__":
    main()
