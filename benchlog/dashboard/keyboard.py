"""Keys of the dashboard: one to stop, and a line for the reading of a meter that is typed."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from benchlog.keyboard import END, ENTER, ESCAPE, Entry, Keys


class Keyboard:
    """Makes entries of single keys.

    ``t`` or Enter begins an entry; then Enter gives it, Escape drops it. Outside an entry ``q`` asks to stop, ``?``
    shows or hides the keys, ``c`` clears the plots.

    Parameters
    ----------
    typing : bool
        Whether t begins an entry.

    Attributes
    ----------
    stop : bool
        The person asked for the end.
    explained : bool
        The keys are to be shown.
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
        """What was typed so far; None outside an entry."""
        return None if self._entry is None else self._entry.text

    def entries(self, timeout_s: float) -> Iterator[str]:
        """Take the keys that come, waiting that long for the first; yields the entries finished by them."""
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
        return ""
