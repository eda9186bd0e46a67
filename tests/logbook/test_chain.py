"""Entries as canonical, chained text."""

from __future__ import annotations

import enum
import hashlib
import json
import math

import numpy as np
import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.logbook.chain import MAX_DEPTH, ZERO_DIGEST, canonical_fault, compose, parse_entry, plain

TIME = "2026-03-01T09:00:00.000000000Z"
BODIES = st.dictionaries(
    st.text(max_size=8),
    st.recursive(
        st.none()
        | st.booleans()
        | st.integers(-(2**53) + 1, 2**53 - 1)
        | st.floats(allow_nan=False)
        | st.text(max_size=8),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
        max_leaves=8,
    ),
    max_size=4,
)


@settings(max_examples=60)
@given(BODIES)
def test_an_entry_reads_back_and_writes_the_same_text_again(body: dict[str, object]) -> None:
    """Text, parsed and written again, is the same text: the form is canonical."""
    text, digest = compose(3, "note", 1, TIME, ZERO_DIGEST, body)
    entry = parse_entry(text, digest)
    assert compose(entry.seq, entry.kind, entry.session, entry.time, entry.previous, entry.body) == (
        text,
        digest,
    )
    assert digest == hashlib.sha256(text.encode()).hexdigest()


def test_the_form_is_that_of_rfc_8785() -> None:
    """Keys sorted by UTF-16 code units, no spaces, numbers as ECMAScript writes them (RFC 8785, 3.2.2 and 3.2.3)."""
    body = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
        "\u20ac": 1,
        "\r": 2,
    }
    text, _ = compose(1, "note", 0, TIME, ZERO_DIGEST, body)
    inner = text[len('{"body":') : text.index(',"kind"')]
    # READ: RFC 8785, section 3.2.4: the numbers of its example.
    assert inner == '{"\\r":2,"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"\u20ac":1}'


def test_unknown_and_infinite_numbers_become_null() -> None:
    """JSON has no NaN; a reader must not meet one."""
    assert plain({"a": [math.nan, math.inf, -math.inf, 1.5]}) == {"a": [None, None, None, 1.5]}


def test_numbers_of_numpy_and_words_of_enums_are_kept_as_plain_values() -> None:
    """What analysis hands over needs no conversion by the caller."""

    class Word(enum.StrEnum):
        FAST = "fast"

    found = plain({"a": np.float64(1.5), "b": np.int8(3), "c": Word.FAST, "d": (1, 2), "e": np.bool_(True)})
    assert found == {"a": 1.5, "b": 3, "c": "fast", "d": [1, 2], "e": True}
    assert json.loads(json.dumps(found)) == found


@pytest.mark.parametrize(
    "body",
    [{"n": 2**53}, {"n": -(10**400)}, {"b": b"bytes"}, {1: "x"}, {"o": object()}],
    ids=["integer", "huge integer", "bytes", "key", "object"],
)
def test_what_json_cannot_hold_is_refused(body: dict[object, object]) -> None:
    """One clear error, not a silent change of the value."""
    with pytest.raises(UsageError):
        plain(body)


def test_deep_nesting_and_huge_entries_are_refused() -> None:
    """A hostile body costs neither the stack nor the disk."""
    deep: object = 1
    for _ in range(MAX_DEPTH + 2):
        deep = [deep]
    with pytest.raises(UsageError, match="nested"):
        plain({"a": deep})
    with pytest.raises(UsageError, match="limit"):
        compose(1, "note", 0, TIME, ZERO_DIGEST, {"a": "x" * 17_000_000})


def test_a_lone_surrogate_is_replaced() -> None:
    """A file name that is not text, as some systems allow, can still be noted."""
    text, digest = compose(1, "note", 0, TIME, ZERO_DIGEST, {"name": "a\udc80b", "k\ud800": 1})
    assert parse_entry(text, digest).body == {"name": "a?b", "k?": 1}


@pytest.mark.parametrize(
    "text", ["", "nonsense", "[]", "{}", '{"body":1}', "[" * 100_000, '{"body":{},"kind":1}']
)
def test_text_that_is_not_an_entry_is_damage(text: str) -> None:
    """Whatever is in the file, the error is the logbook's own."""
    with pytest.raises(LogbookDamagedError):
        parse_entry(text, hashlib.sha256(text.encode()).hexdigest())


def test_an_altered_text_is_never_read_as_good() -> None:
    """Reading proves the digest."""
    text, digest = compose(1, "note", 0, TIME, ZERO_DIGEST, {"volts": 27.75})
    with pytest.raises(LogbookDamagedError, match="altered"):
        parse_entry(text.replace("27.75", "27.76"), digest)


@pytest.mark.parametrize(
    ("body", "canonical"),
    [
        ('{"a":1,"b":[true,null,"text 1.5e3 1.0"]}', True),
        ('{"a":1.5,"b":1e+300,"c":1e-7,"d":0.00001}', True),
        ('{"a":10000000000000000}', True),
        (
            '{"a":"\u00b5V","\U0001f600":1,"\uff5e":2}',
            True,
        ),  # keys in the order of UTF-16, not of code points
        ('{"\uff5e":2,"\U0001f600":1}', False),
        ('{"a":"x\\n\\u001f"}', True),
        ('{"a":"x\\u001F"}', False),
        ('{"a":"\\/"}', False),
        ('{"a":1.0}', False),
        ('{"a":1e+16}', False),
        ('{"a":1e-05}', False),
        ('{"a":-0}', False),
        ('{"a":1,"a":1}', False),
        ('{"b":1,"a":2}', False),
        ('{"a": 1}', False),
    ],
)
def test_one_form_only_is_canonical(body: str, canonical: bool) -> None:
    """Decided quickly or not, it is what RFC 8785 says."""
    before, after = '{"body":', f',"kind":"note","previous":"{ZERO_DIGEST}","seq":1,"session":0,"time":'
    text = f'{before}{body}{after}"2026-03-01T09:00:00.000000000Z"}}'
    assert (rfc8785.dumps(json.loads(text, parse_int=float)) == text.encode()) is canonical
    entry = parse_entry(text, hashlib.sha256(text.encode()).hexdigest())
    assert (canonical_fault(entry, text) == "") is canonical
