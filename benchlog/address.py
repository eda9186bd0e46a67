"""Where a reading comes from, as text: ``scheme:rest?key=value&key=value``.

>>> a = parse_address("serial:/dev/ttyUSB0?frames=segment14")
>>> a.scheme, a.rest, dict(a.options)
('serial', '/dev/ttyUSB0', {'frames': 'segment14'})
>>> str(parse_address("tap:night.tap:sim:MA-01").inner)
'sim:MA-01'
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, TypeVar
from urllib.parse import quote, unquote

import msgspec

from benchlog.errors import ConfigError, UsageError, did_you_mean

# At least two letters, so that a drive letter is not taken for a scheme.
_SCHEME = re.compile(r"([a-z][a-z0-9_-]+):(.*)", re.DOTALL)
_NESTED = re.compile(r"(.+?):([a-z][a-z0-9_-]+:.*)", re.DOTALL)
_HINT = "write it like 'serial:/dev/ttyUSB0?frames=segment14', 'visa:TCPIP::192.168.1.7::5025::SOCKET' or 'typed:'"

T = TypeVar("T")


class Address(msgspec.Struct, frozen=True):
    """An address, taken apart."""

    #: Name of the adapter: ``serial``, ``visa``, ``sim``, ``replay``, ``typed``, ``tap`` or an outside one.
    scheme: str
    rest: str = ""  #: The part for the adapter: a port, a resource name, a file.
    #: In the order written; read-only.
    options: Mapping[str, str] = msgspec.field(default_factory=lambda: MappingProxyType({}))
    inner: Address | None = None  #: The wrapped address of ``tap:FILE:ADDRESS``.

    def __str__(self) -> str:
        """Write it as text that `parse_address` reads back."""
        if self.inner is not None:
            return f"{self.scheme}:{self.rest}:{self.inner}"
        tail = "&".join(f"{key}={quote(value, safe=' /:,;.@*()[]')}" for key, value in self.options.items())
        if tail.endswith(" "):  # an address is read without the spaces around it
            tail = tail.rstrip(" ") + "%20" * (len(tail) - len(tail.rstrip(" ")))
        return f"{self.scheme}:{self.rest}" + (f"?{tail}" if tail else "")

    def __hash__(self) -> int:
        return hash(str(self))


def parse_address(text: str) -> Address:
    """Take an address apart.

    Parameters
    ----------
    text : str
        ``scheme:rest?key=value&...``; ``%`` escapes are understood in values.

    Raises
    ------
    UsageError
        If it has no scheme, an option without ``=``, or an option twice.
    """
    match = _SCHEME.fullmatch(text.strip())
    if not match:
        raise UsageError(f"address {text!r} has no scheme", hint=_HINT)
    scheme, rest = match.groups()
    if scheme == "tap":
        nested = _NESTED.fullmatch(rest)
        if not nested:
            raise UsageError(
                f"address {text!r} does not say what to tap",
                hint="write it like 'tap:night.tap:serial:/dev/ttyUSB0?frames=segment14'",
            )
        return Address(scheme, nested.group(1), inner=parse_address(nested.group(2)))
    rest, mark, tail = rest.partition("?")
    options: dict[str, str] = {}
    for item in tail.split("&") if mark else ():
        key, equals, value = item.partition("=")
        if not (key and equals):
            raise UsageError(f"address {text!r}: option {item!r} is not of the form key=value", hint=_HINT)
        if key in options:
            raise UsageError(f"address {text!r}: option {key!r} is given twice", hint="keep one of them")
        options[key] = unquote(value)
    return Address(scheme, rest, MappingProxyType(options))


def build_options(kind: type[T], given: Mapping[str, Any], *, place: str) -> T:
    """Make an adapter's frozen options object out of texts and bench-file values.

    Parameters
    ----------
    kind : type
        A frozen dataclass or `msgspec.Struct` class; texts are converted to its field types.
    given : mapping
        Values by field name.
    place : str
        Address or instrument, for messages.

    Raises
    ------
    ConfigError
        For an unknown option (the hint lists the known ones) or a value of the wrong kind.
    """
    from benchlog.validation import keys_of, refusal  # takes longer than reading a bench file

    known = keys_of(kind)
    for key in given:
        if key not in known:
            listed = f"known options: {', '.join(known) or 'none'}"
            raise ConfigError(
                f"{place}: unknown option {key!r}", hint=f"{did_you_mean(key, known)} {listed}".strip()
            )
    try:
        return msgspec.convert(dict(given), kind, strict=False)
    except msgspec.ValidationError as error:
        found = refusal(error, kind, dict(given))
        at = f"{place}: option {found.where}" if found.where else place
        raise ConfigError(f"{at}: {found.said}", hint=found.hint) from None
