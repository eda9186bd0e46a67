"""Whatever the bytes, decoders don't raise, find frames again, and make no reading out of noise."""

from __future__ import annotations

import pytest
from helpers.frames import EXAMPLES
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.reading import Reading
from benchlog_drivers.decoders import FAMILIES, FrameOptions, make_decoder, recognise
from benchlog_drivers.decoders.base import Decoder

FAMILY = pytest.mark.parametrize("family", sorted(EXAMPLES))
DESCRIBED = {"pattern": r"(?P<function>[A-Z]{3}) (?P<value>\S+) ?(?P<unit>\S*)", "functions": {"DCV": "V="}}
ALL = pytest.mark.parametrize("family", sorted(FAMILIES))


def decoder_of(family: str) -> Decoder:
    return make_decoder(FrameOptions(frames=family, **(DESCRIBED if family == "pattern" else {})))  # type: ignore[arg-type]


# Bytes that look like frames more often than plain noise does.
def near_frames(family: str) -> st.SearchStrategy[bytes]:
    pieces = st.one_of(
        st.binary(max_size=20),
        st.just(EXAMPLES.get(family, (b"DCV 1.000 V\n", ""))[0]),
        st.sampled_from([b"\r", b"\n", b"\r\n", b"0" * 12, b"\x10\x20\x30"]),
    )
    return st.lists(pieces, max_size=8).map(b"".join)


@ALL
@given(data=st.data())
@settings(max_examples=30)
def test_no_bytes_raise_and_no_bytes_are_kept_for_ever(family: str, data: st.DataObject) -> None:
    decoder = decoder_of(family)
    for chunk in data.draw(st.lists(near_frames(family), max_size=5)):
        for reading in decoder.feed(chunk):
            assert isinstance(reading, Reading)
    assert len(decoder._buffer) <= 256


@ALL
@given(data=st.data())
@settings(max_examples=30)
def test_how_the_bytes_are_cut_into_chunks_does_not_matter(family: str, data: st.DataObject) -> None:
    stream = data.draw(near_frames(family))
    whole = decoder_of(family)
    expected = whole.feed(stream)
    cut = decoder_of(family)
    readings: list[Reading] = []
    start = 0
    while start < len(stream):
        size = data.draw(st.integers(1, 9))
        readings += cut.feed(stream[start : start + size])
        start += size
    assert readings == expected
    assert (cut.rejects, cut.skipped, cut.accepted) == (whole.rejects, whole.skipped, whole.accepted)


@FAMILY
@given(noise=st.binary(max_size=60))
@settings(max_examples=30)
def test_at_most_one_good_frame_is_lost_behind_garbage(family: str, noise: bytes) -> None:
    frame, shown = EXAMPLES[family]
    decoder = decoder_of(family)
    readings = decoder.feed(noise + frame * 3)
    assert [r.displayed for r in readings[-2:]] == [shown, shown]


@FAMILY
@given(data=st.data())
@settings(max_examples=30)
def test_a_lost_or_added_byte_never_gives_another_reading(family: str, data: st.DataObject) -> None:
    """Index, length or fixed characters show it; what survives is the frames around."""
    frame, shown = EXAMPLES[family]
    at = data.draw(st.integers(0, len(frame) - 1))
    cut = data.draw(
        st.one_of(st.just(b""), st.binary(min_size=1, max_size=2).map(lambda b: frame[at : at + 1] + b))
    )
    broken = frame[:at] + cut + frame[at + 1 :]
    decoder = decoder_of(family)
    readings = decoder.feed(frame + broken + frame * 2)
    assert len(readings) >= 2
    if family != "polled14":  # there a line end may be put in by chance, and a whole line before it is read
        assert {r.displayed for r in readings} == {shown}


@FAMILY
def test_noise_gives_no_reading(family: str) -> None:
    """200 kB of noise; the longer run is tests/performance/frame_fuzz.py."""
    import random

    noise = random.Random(27).randbytes(200_000)
    decoder = decoder_of(family)
    assert decoder.feed(noise) == []


@FAMILY
def test_a_family_recognises_its_own_frames_and_no_other(family: str) -> None:
    assert recognise(EXAMPLES[family][0] * 4) == {family: 4}


@FAMILY
def test_a_frame_broken_off_is_not_completed_by_another_moment(family: str) -> None:
    frame, _ = EXAMPLES[family]
    decoder = decoder_of(family)
    decoder.feed(frame[:7])
    assert decoder.pending
    decoder.abandon()
    assert not decoder.pending
    assert decoder.feed(frame[7:]) == []
    assert decoder.rejects["broken off"] == 1
    assert len(decoder.feed(frame * 2)) >= 1


def test_two_moments_would_make_a_third_without_the_pause() -> None:
    """Why a pause inside a frame abandons it: the halves of 27.75 and 13.11 make 27.11, a right frame of neither."""
    from helpers.frames import segment14

    first, second = segment14("27.75", "ac", "volt"), segment14("13.11", "ac", "volt")
    (mixed,) = decoder_of("segment14").feed(first[:5] + second[5:])
    assert mixed.displayed == "27.11 V"
