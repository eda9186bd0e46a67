"""Entries as canonical text, each with the digest of the one before.

An entry is one JSON object in the form of RFC 8785 (JSON Canonicalization Scheme)::

    {"body":{...},"kind":"note","previous":"<64 hex digits>","seq":7,"session":1,"time":"2026-03-01T09:00:00.000000000Z"}

Its digest is the SHA-256 of that text in UTF-8, so that any SHA-256 tool can follow the chain. The first entry's
`previous` is 64 zeros.
"""

from __future__ import annotations

import enum
import hashlib
import json
import math
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from typing import Any

import msgspec

from benchlog.clock import parse_rfc3339
from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.logbook.kinds import shape_fault

ZERO_DIGEST = "0" * 64
MAX_DEPTH = 60
MAX_TEXT_BYTES = 16 * 1024 * 1024
_FIELDS = {"body", "kind", "previous", "seq", "session", "time"}


class EntryRef(msgspec.Struct, frozen=True):
    """Reference to an entry: where something was written down.

    Attributes
    ----------
    seq : int
        Number of the entry, from 1.
    digest : str
        SHA-256 of the entry's text, 64 hex digits.
    """

    seq: int
    digest: str


class Entry(msgspec.Struct, frozen=True):
    """One entry read back.

    Attributes
    ----------
    seq, session : int
        Number of the entry; number of the session, 0 outside any.
    kind : str
        ``"result"``, ``"note"``, ``"readings"``...
    time : str
        RFC 3339 with nanoseconds, UTC.
    body : dict
        What was recorded, plain JSON values.
    digest, previous : str
        Of this entry and of the one before.
    """

    seq: int
    session: int
    kind: str
    time: str
    body: dict[str, Any]
    digest: str
    previous: str

    @property
    def ref(self) -> EntryRef:
        """Position in the chain."""
        return EntryRef(self.seq, self.digest)

    @property
    def utc_ns(self) -> int:
        """`time` in nanoseconds since 1970."""
        return parse_rfc3339(self.time)


def plain(value: Any, where: str = "body", depth: int = 0) -> Any:
    """Return the value as plain JSON: infinite and unknown numbers become None, lone surrogates a mark.

    Raises
    ------
    UsageError
        For values that JSON can't hold: bytes, integers above 2^53 - 1, keys that are not text, nesting deeper than 60.
    """
    if depth > MAX_DEPTH:
        raise UsageError(f"an entry is nested deeper than {MAX_DEPTH} levels", hint="attach it as a file")
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, enum.Enum):
        return plain(value.value, where, depth)
    if isinstance(value, str):
        return _plain_text(value)
    if isinstance(value, int | float):
        return _plain_number(value, where)
    if isinstance(value, Mapping):
        return {_plain_key(k, where): plain(v, f"{where}.{k}", depth + 1) for k, v in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, bytes | bytearray | memoryview):
        return [plain(v, f"{where}[{i}]", depth + 1) for i, v in enumerate(value)]
    if hasattr(value, "item") and getattr(value, "ndim", None) == 0:  # numpy scalar
        item = value.item()  # a long double's is a long double again
        return plain(float(item) if type(item) is type(value) else item, where, depth)
    raise UsageError(f"{where} holds a {type(value).__name__}, which an entry can't store")


def _plain_text(value: str) -> str:
    return str(value) if value.isascii() else value.encode("utf-8", "replace").decode()


def _plain_key(key: object, where: str) -> str:
    if not isinstance(key, str):
        raise UsageError(f"{where} has the key {key!r}, which is not text")
    return _plain_text(key)


def _plain_number(value: float, where: str) -> float | None:
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if abs(value) >= 2**53:
        raise UsageError(
            f"{where} holds an integer of {value.bit_length()} bits; canonical JSON allows 53",
            hint="write it as text",
        )
    return int(value)


def compose(
    seq: int, kind: str, session: int, time: str, previous: str, body: Mapping[str, Any]
) -> tuple[str, str]:
    """Write an entry's canonical text.

    Returns
    -------
    text, digest : str

    Raises
    ------
    UsageError
        If the body can't be stored (see `plain`) or lacks a field that its kind needs.
    """
    if not isinstance(body, Mapping):
        raise UsageError(
            f"an entry holds names and values, not {type(body).__name__}", hint='{"text": "..."}'
        )
    import rfc8785  # readers need none of it

    body = plain(body)
    if fault := shape_fault(kind, body):
        raise UsageError(fault)
    entry: dict[str, Any] = {
        "body": body,
        "kind": kind,
        "previous": previous,
        "seq": seq,
        "session": session,
        "time": time,
    }
    data = rfc8785.dumps(entry)
    if len(data) > MAX_TEXT_BYTES:
        raise UsageError(
            f"an entry of {len(data)} bytes is over the limit of {MAX_TEXT_BYTES}", hint="attach it as a file"
        )
    return data.decode(), hashlib.sha256(data).hexdigest()


def _number(digits: str) -> int | float:
    """Read digits without a point; canonical JSON writes large floats like that, in their shortest form."""
    return int(digits) if len(digits) < 16 else _finite(digits)


def _finite(digits: str) -> float:
    number = float(digits)
    if not math.isfinite(number):
        raise ValueError(f"{digits[:20]} is not a number of canonical JSON")
    return number


# `json.loads` would make one for every entry.
_DECODER = json.JSONDecoder(parse_int=_number, parse_float=_finite, parse_constant=_finite)
_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), check_circular=False)
_STRING = r'"[^"]*"'
_OTHER_NUMBER = r"\d[.eE]|\d{16}"
_LONG_DIGITS = re.compile(r"(?<![\d.])[-\d]\d{15}")  # not those of a fraction
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{9}Z")
_SURROGATE = re.compile(r"\\u[dD][89a-fA-F]")


def canonical_fault(entry: Entry, text: str) -> str:
    """Say whether an entry's text is its own canonical form (RFC 8785); ``""`` if it is.

    Two programs may read any other form (a key twice, blanks, escapes, another order) differently.
    """
    fields: Any = {name: getattr(entry, name) for name in _FIELDS}
    if _written_alike(text) and _ENCODER.encode(fields) == text:
        return ""
    import rfc8785

    try:
        same = rfc8785.dumps(fields) == text.encode()
    except (rfc8785.CanonicalizationError, ValueError, RecursionError) as error:
        return f"its text has no canonical form: {error}"
    return "" if same else "its text is not canonical JSON: programs could read it differently"


def _written_alike(text: str) -> bool:
    """Whether the standard library, ten times faster, writes this text exactly as RFC 8785 asks.

    It differs in the order of keys that are not ASCII, and in some numbers other than short integers.
    """
    return text.isascii() and "\\" not in text and not re.search(_OTHER_NUMBER, re.sub(_STRING, "", text))


def _too_deep(value: Any, depth: int = 0) -> bool:
    """Whether a value is nested too deeply for `plain`; the JSON parser's own limit differs between Pythons."""
    if depth > MAX_DEPTH:
        return True
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return any(_too_deep(v, depth + 1) for v in inner if isinstance(v, dict | list) or depth == MAX_DEPTH)


def parse_entry(text: str, digest: str, where: str = "an entry") -> Entry:
    """Read an entry's text and check its digest.

    Parameters
    ----------
    text, digest : str
        As stored.
    where : str
        What to call it in an error.

    Raises
    ------
    LogbookDamagedError
        If the digest is not that of the text, or the text is not an entry.
    """
    if hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest() != digest:
        raise LogbookDamagedError(
            f"{where} was altered: its text does not match its digest",
            hint="`benchlog record verify` shows what else is damaged; a copy made earlier may have it intact",
        )
    try:
        fields = _decode(text)
        if _SURROGATE.search(text):  # half a character: it can't be encoded as UTF-8
            json.dumps(fields, ensure_ascii=False).encode()
    except (ValueError, RecursionError, TypeError) as error:
        raise LogbookDamagedError(f"{where} is not JSON: {text[:60]!r}") from error
    if (
        not isinstance(fields, dict)
        or fields.keys() != _FIELDS
        or not isinstance(fields["body"], dict)
        or not all(isinstance(fields[k], str) for k in ("kind", "previous", "time"))
        or not all(type(fields[k]) is int for k in ("seq", "session"))
    ):
        raise LogbookDamagedError(f"{where} lacks a field that every entry has: {text[:60]!r}")
    if text.count("{") + text.count("[") > MAX_DEPTH and _too_deep(fields["body"]):
        raise LogbookDamagedError(f"{where} is nested deeper than {MAX_DEPTH} levels; entries never are")
    if not _is_time(fields["time"]):
        raise LogbookDamagedError(f"{where} has no time: {fields['time'][:40]!r}")
    if fault := shape_fault(fields["kind"], fields["body"]):
        raise LogbookDamagedError(f"{where} was not written by benchlog: {fault}")
    return Entry(digest=digest, **fields)


def _decode(text: str) -> Any:
    """Read JSON; `ValueError` for anything else, and for numbers that canonical JSON does not have.

    msgspec does it ten times faster, but has its own view of long digits, and gives other errors.
    """
    if not _LONG_DIGITS.search(text):
        with suppress(msgspec.MsgspecError, UnicodeEncodeError, RecursionError):
            return msgspec.json.decode(text)
    return _DECODER.decode(text)


def _is_time(text: str) -> bool:
    if not _TIME.fullmatch(text):
        return False
    try:
        datetime.fromisoformat(text[:19])
    except ValueError:
        return False
    return True
