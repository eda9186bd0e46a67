"""Patterns that people write, run with a time limit, so that a very slow one does not stop the program.

They come from dialect files and bench files, and are matched against whatever an instrument sends. The package `regex` has
the syntax of Python's own module plus a time limit, and lets other threads run meanwhile.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from benchlog.errors import BadFrameError, ConfigError

if TYPE_CHECKING:
    from collections.abc import Mapping

_LIMIT_S = 0.1


class Pattern:
    """A compiled pattern.

    Parameters
    ----------
    text : str
        Regular expression.
    what : str
        Which one it is, for messages.

    Raises
    ------
    ConfigError
        If it is not a regular expression.
    """

    def __init__(self, text: str, what: str = "pattern") -> None:
        import regex  # slow to import, so only when patterns are used

        self.text, self._what = text, what
        try:
            self._compiled = regex.compile(text)
        except regex.error as error:
            raise ConfigError(
                f"{what} {text!r} is not a regular expression: {error}", hint="correct it"
            ) from None

    @property
    def parts(self) -> frozenset[str]:
        """Names of its named parts."""
        return frozenset(self._compiled.groupindex)

    def search(self, text: str) -> Mapping[str, str | None] | None:
        """Named parts of the first place that fits, None if none does; `BadFrameError` when it takes too long."""
        return self._run(self._compiled.search, text)

    def fullmatch(self, text: str) -> Mapping[str, str | None] | None:
        """Named parts if the whole text fits; see `search`."""
        return self._run(self._compiled.fullmatch, text)

    def fitting(self, text: str) -> int | None:
        """How many characters at the beginning fit, None if it can't even begin there; see `search`."""
        try:
            match = self._compiled.match(text, timeout=_LIMIT_S, concurrent=True)
        except TimeoutError:
            return None
        return match.end() if match else None

    def _run(self, function: Any, text: str) -> Mapping[str, str | None] | None:
        try:
            match = function(text, timeout=_LIMIT_S, concurrent=True)
        except TimeoutError:
            raise BadFrameError(
                f"{self._what} {self.text!r} takes too long on {text[:60]!r}",
                hint="don't repeat a group that is itself repeated, as in (a+)+",
                raw=text.encode("utf-8", "replace"),
            ) from None
        return match.groupdict() if match else None


@cache
def _compiled(text: str) -> Pattern:
    return Pattern(text)


def search(pattern: str, text: str) -> Mapping[str, str | None] | None:
    """See `Pattern.search`; the pattern is compiled once."""
    return _compiled(pattern).search(text)
