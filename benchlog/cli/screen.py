"""The console of every command: neutralises control codes in the texts it shows."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from benchlog.wording import strip_controls


class Screen(Console):
    """A console that sends its own control codes, but none from the texts it shows.

    Those texts come from plans, entries and files of others, and a terminal would obey their codes.
    """

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        for segment in super().render(renderable, options):
            if segment.control or segment.text.isprintable():
                yield segment
            else:
                text = "\n".join(map(strip_controls, segment.text.split("\n")))
                yield Segment(text, segment.style)

    def on_broken_pipe(self) -> None:
        """Raise if the reader has gone; rich would exit with code 1, which means a fail here."""
        raise BrokenPipeError
