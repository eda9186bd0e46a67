"""Tables of annunciator bits and function codes: shipped as TOML beside this module, overridable per meter."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files
from typing import Any

from benchlog.errors import ConfigError
from benchlog_drivers.decoders.base import RejectedFrame
from benchlog_drivers.decoders.display import SYMBOLS


@cache
def read_table(name: str) -> Mapping[str, Any]:
    """Return the shipped table of a family."""
    return tomllib.loads(files(__package__).joinpath(f"{name}.toml").read_text("utf-8"))


class AnnunciatorBits:
    """Which bit of which byte lights which symbol.

    Parameters
    ----------
    shipped, overrides : mapping of str to str
        ``"14.2"`` or ``"status.1"`` (byte, bit 0 to 7) to a symbol word; overrides come from the bench file.
    place : str
        Family, for messages.

    Raises
    ------
    ConfigError
        For a bit that does not exist in the family, or a word that is not a symbol.
    """

    def __init__(self, shipped: Mapping[str, str], overrides: Mapping[str, str], place: str) -> None:
        self._by_byte: dict[str, dict[int, str]] = {}
        known_bytes = {key.partition(".")[0] for key in shipped}
        for key, symbol in {**shipped, **overrides}.items():
            byte, _, bit = key.partition(".")
            if byte not in known_bytes or bit not in tuple("01234567"):
                raise ConfigError(
                    f"{place}: no annunciator bit {key!r}",
                    hint=f"write byte.bit, with byte one of: {', '.join(sorted(known_bytes))}",
                )
            if symbol not in SYMBOLS and symbol != "unused":
                raise ConfigError(
                    f"{place}: annunciator {key} is {symbol!r}, which is not a symbol",
                    hint=f"one of: unused, {', '.join(sorted(SYMBOLS))}",
                )
            if symbol != "unused":
                self._by_byte.setdefault(byte, {})[int(bit)] = symbol
            else:
                self._by_byte.setdefault(byte, {}).pop(int(bit), None)

    def symbols(self, values: Iterable[tuple[str, int]]) -> set[str]:
        """Return the symbols lit in bytes given by name and value.

        Raises
        ------
        RejectedFrame
            If a bit without meaning is set.
        """
        lit: set[str] = set()
        for byte, value in values:
            bits = self._by_byte.get(byte, {})
            unknown = value & ~sum(1 << bit for bit in bits)
            if unknown:
                raise RejectedFrame(
                    "unknown symbol",
                    f"bit {byte}.{unknown.bit_length() - 1} is lit; if the display shows a symbol for it, name it "
                    f"under [instrument.options.annunciators] in the bench file",
                )
            lit.update(symbol for bit, symbol in bits.items() if value >> bit & 1)
        return lit
