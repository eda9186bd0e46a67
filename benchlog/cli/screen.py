"""The console of every command: shows any text without obeying control codes in it."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from benchlog.wording import strip_controls


class Screen(Console):
    """A console that passes on its own control codes, but none from the texts it shows.

    Plans, entries and files of others are shown on it; a terminal obeys some characters.
    """

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        for segment in super().render(renderable, options):
            if segment.control or segment.text.isprintable():
                yield segment
            else:
                text = "\n".join(map(strip_controls, segment.text.split("\n")))
                yield Segment(text, segment.style)

    def on_broken_pipe(self) -> None:
        """Leave it to the program what happens when the reader went away; rich would exit with 1, a fail here."""
        raise BrokenPipeError
