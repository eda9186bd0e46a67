"""Keys of the dashboard: single keys, and a line for a typed reading."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from benchlog.keyboard import END, ENTER, ESCAPE, Entry, Keys


class Keyboard:
    """Collects single keys into entries.

    ``t`` or Enter begins an entry; Enter then completes it, Escape cancels it. Outside an entry ``q`` asks to stop, ``?``
    shows or hides the keys, ``c`` clears the plots.

    Parameters
    ----------
    typing : bool
        Whether t begins an entry.

    Attributes
    ----------
    stop : bool
        The user asked to stop.
    explained : bool
        The user asked for the list of keys.
    """

    def __init__(
        self, keys: Keys, *, typing: bool = True, on_clear: Callable[[], object] = lambda: None
    ) -> None:
        self._keys = keys
        self._typing = typing
        self._on_clear = on_clear
        self.explained = False
        self._entry: Entry | None = None
        self.stop = False

    @property
    def entry(self) -> str | None:
        """The entry so far; None outside an entry."""
        return None if self._entry is None else self._entry.text

    def entries(self, timeout_s: float) -> Iterator[str]:
        """Read keys, waiting that long for the first; yields the entries they complete."""
        key = self._keys.next(timeout_s)
        while key and not self.stop:
            if done := self._pressed(key):
                yield done
            key = self._keys.next(0.0)

    def _pressed(self, key: str) -> str:
        if key == END:
            self.stop = True
        elif self._entry is not None:
            if key in (ENTER, ESCAPE):
                done, self._entry = self._entry.text.strip(), None
                return done if key == ENTER else ""
            self._entry.feed(key)
        elif key in "qQ":
            self.stop = True
        elif key == "?":
            self.explained = not self.explained
        elif key in "cC":
            self._on_clear()
        elif self._typing and key in ("t", "T", ENTER):
            self._entry = Entry()
        elif self._typing and key.isprintable() and key.strip():  # a reading typed without t before it
            self._entry = Entry()
            self._entry.feed(key)
        return ""
