"""Captures: raw codes kept exactly, packed well, refused when spoilt."""

from __future__ import annotations

import zlib

import numpy as np
import pytest
from helpers.small_logbook import a_capture
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from benchlog.capture import Capture, ChannelRecord
from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.logbook import Logbook
from benchlog.logbook.capture_store import decode_samples, encode_samples

TYPES = st.sampled_from(["i1", "u1", "<i2", ">i2", "<u2", "<i4", "<f4", "<f8", ">f8"])


@settings(max_examples=50)
@given(hnp.arrays(TYPES, st.integers(0, 50)))
def test_samples_come_back_bit_for_bit(codes: np.ndarray) -> None:
    """NaN patterns, negative zeros and byte order included."""
    back = decode_samples(*encode_samples(codes))
    little = codes.astype(codes.dtype.newbyteorder("<"))
    assert back.dtype == little.dtype
    assert back.tobytes() == little.tobytes()


def test_a_capture_comes_back_whole(book: Logbook) -> None:
    """Samples, scales, probe, coupling, limits, settings and times."""
    capture = a_capture()
    back = book.capture(book.append_capture(capture).seq)
    for ours, theirs in zip(capture.channels, back.channels, strict=True):
        assert np.array_equal(ours.codes, theirs.codes)
        assert ours.codes.dtype == theirs.codes.dtype
        for name in ("name", "scale", "offset", "unit", "probe", "coupling", "code_limits", "range_max"):
            assert getattr(ours, name) == getattr(theirs, name)
    assert capture.time_s is not None
    assert np.array_equal(capture.time_s, back.time_s)  # type: ignore[arg-type]
    assert (back.interval_s, back.utc_ns, back.instrument, back.source) == (
        capture.interval_s,
        capture.utc_ns,
        "SC-03",
        "scope",
    )
    assert back.settings == capture.settings


def test_a_noisy_sine_takes_less_room_than_its_codes() -> None:
    """Eight-bit codes of a sine with a code of noise pack to less than half."""
    rng = np.random.default_rng(1)
    codes = np.round(90 * np.sin(np.arange(50_000) / 300) + rng.normal(0, 1, 50_000)).astype("i1")
    assert len(encode_samples(codes)[0]) < 0.5 * codes.nbytes


def test_samples_of_other_types_are_refused(book: Logbook) -> None:
    """Complex or two-dimensional data is not what a scope gives."""
    with pytest.raises(UsageError):
        encode_samples(np.zeros(3, complex))
    with pytest.raises(UsageError):
        encode_samples(np.zeros((3, 3)))
    with pytest.raises(UsageError):
        book.append_capture(Capture((ChannelRecord("CH1", np.array(["a"])),), 1.0))
    assert book.head().seq == 1


def test_a_bomb_is_not_unpacked() -> None:
    """A few bytes that announce four samples and hold millions are damage, found after four samples."""
    data = zlib.compress(bytes(20_000_000), 1)
    _, about = encode_samples(np.zeros(4, "i1"))
    with pytest.raises(LogbookDamagedError):
        decode_samples(data, about)


@settings(max_examples=50)
@given(st.data())
def test_a_spoilt_byte_is_damage(data: st.DataObject) -> None:
    """Any single changed byte of packed samples is noticed on reading."""
    packed, about = encode_samples(np.arange(40, dtype="<i2"))
    place = data.draw(st.integers(0, len(packed) - 1))
    spoilt = bytearray(packed)
    spoilt[place] ^= data.draw(st.integers(1, 255))
    try:
        back = decode_samples(bytes(spoilt), about)
    except LogbookDamagedError:
        return
    assert back.tolist() == list(range(40))  # the byte held nothing, such as the packer's level
