"""How often a corrupted frame gives a wrong reading, family by family.

Run it as ``python tests/performance/frame_fuzz.py --frames 10000000`` (a few minutes for each family); less for a
glance. Printed for each family and kind of corruption: frames corrupted, readings that were wrong (another
function, value, state or flag than was sent), and their rate. It ends in an error when any frame gives a reading
although its corruption shows in what the protocol keeps for that (index, segment codes, parity, fixed characters),
when noise gives a reading, or when a decoder raises.

``BER 1e-3`` counts per frame sent, corrupted or not. ``two agree`` is the rule a check uses: two frames sent
one after the other at that error rate, both wrong by more than two counts, or in function, state or flags, and
agreeing all the same.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.frames import SEGMENTS, digitcode, segment14, statusbits14, with_parity

from benchlog.reading import Reading, agree
from benchlog_drivers.decoders import FrameOptions, make_decoder
from benchlog_drivers.decoders.base import Decoder

Frames = npt.NDArray[np.uint8]  # shape (n_frames, length)
Rng = np.random.Generator

SLICE = 100_000
NOISE_BYTES = 20_000_000
BIT_ERROR_RATE = 1e-3


@dataclass(frozen=True)
class Subject:
    """A family under test.

    Attributes
    ----------
    frames : list of bytes
        Good frames of every kind of display.
    bits : int
        Bits of a byte that travel, and so can flip.
    shows : callable
        Tells of an array of frames which show that they are corrupted, written apart from the decoder.
    """

    name: str
    family: str
    frames: list[bytes]
    bits: int
    shows: Callable[[Frames], npt.NDArray[np.bool_]]


def _number(rng: Rng, width: int) -> str:
    return f"{rng.integers(0, 10**width):0{width}d}"


def _lcd_frames(rng: Rng, count: int) -> list[bytes]:
    modes = [
        ("ac", "volt"), ("dc", "volt"), ("dc", "volt", "milli"), ("ac", "ampere"), ("dc", "ampere", "micro"),
        ("ohm",), ("ohm", "kilo"), ("ohm", "mega"), ("farad", "nano"), ("hertz",), ("percent",),
        ("volt", "diode"), ("ohm", "continuity"),
    ]  # fmt: skip
    extras = [(), ("auto",), ("auto",), ("auto", "hold"), ("relative",), ("low battery", "auto")]
    frames = []
    for _ in range(count):
        digits, point = _number(rng, 4), int(rng.integers(0, 4))
        shown = f"{digits[:point]}.{digits[point:]}" if point else digits
        if rng.random() < 0.05:
            shown = " 0L "
        symbols = (*modes[rng.integers(len(modes))], *extras[rng.integers(len(extras))])
        sign = "-" if "dc" in symbols and rng.random() < 0.3 else ""
        frames.append(segment14(sign + shown, *symbols))
    return frames


def _digitcode_frames(rng: Rng, count: int, *, long: bool) -> list[bytes]:
    volt, ohm, farad = (0x3B, 5), (0x33, 7), (0x36, 7)
    ampere = (0x30, 1) if long else (0x3F, 1)
    frames = []
    for _ in range(count):
        (code, ranges), coupled = [(volt, True), (ohm, False), (ampere, True), (farad, False)][
            rng.integers(4)
        ]
        coupling = (4 if rng.random() < 0.5 else 8) if coupled else 0
        status = 4 if coupling == 8 and rng.random() < 0.3 else 0
        status |= int(rng.random() < 0.05) | 2 * int(rng.random() < 0.1)
        option1 = int(rng.choice([0, 0, 2, 4, 8]))
        auto = 2 * int(rng.random() < 0.7)
        counts = int(rng.integers(0, 22001 if long else 4001))
        flags = (status, option1, 0, coupling | auto, 0) if long else (status, option1, coupling | auto)
        frames.append(digitcode(int(rng.integers(ranges)), f"{counts:0{5 if long else 4}d}", code, *flags))
    return frames


def _status_frames(rng: Rng, count: int) -> list[bytes]:
    modes = [
        (0x08, 0, 0, 0x80), (0x10, 0, 0, 0x80), (0x10, 0, 0x40, 0x80), (0x10, 0, 0, 0x40), (0, 0, 0, 0x20),
        (0, 0, 0x20, 0x20), (0, 0, 0x10, 0x20), (0, 2, 0, 0x04), (0, 0, 0, 0x08), (0, 0, 0x04, 0x80),
    ]  # fmt: skip
    frames = []
    for _ in range(count):
        sb1, sb2, sb3, sb4 = modes[rng.integers(len(modes))]
        sign = "-" if sb1 & 0x10 and rng.random() < 0.3 else "+"
        digits = "?0:?" if rng.random() < 0.05 else _number(rng, 4)
        sb1 |= int(rng.choice([0, 0x20, 0x20, 0x22, 0x04]))
        frames.append(statusbits14(sign + digits, "0124"[rng.integers(4)], sb1, sb2, sb3, sb4))
    return frames


def _polled_frames(rng: Rng, count: int) -> list[bytes]:
    kinds = [
        ("DC", "V"),
        ("DC", "mV"),
        ("AC", "V"),
        ("AC", "mA"),
        ("OH", "Ohm"),
        ("OH", "kOhm"),
        ("CA", "nF"),
        ("FR", "kHz"),
    ]
    frames = []
    for _ in range(count):
        letters, unit = kinds[rng.integers(len(kinds))]
        digits, point = _number(rng, 4), int(rng.integers(1, 4))
        sign = "-" if letters == "DC" and rng.random() < 0.3 else " "
        number = "OL" if rng.random() < 0.05 else f"{digits[:point]}.{digits[point:]}"
        frames.append(f"{letters}{sign}{number:>6}{unit:>4}\r".encode())
    return frames


def _lcd_shows(frames: Frames) -> npt.NDArray[np.bool_]:
    wrong = (frames >> 4 != np.arange(1, 15)).any(axis=1)
    known = np.zeros(128, dtype=bool)
    known[list(SEGMENTS.values())] = True
    for k in (1, 3, 5, 7):
        wrong |= ~known[(frames[:, k] & 7) << 4 | frames[:, k + 1] & 15]
    return wrong


def _parity_shows(frames: Frames) -> npt.NDArray[np.bool_]:
    odd = np.array([byte.bit_count() % 2 == 1 for byte in range(256)])
    return ~odd[frames].all(axis=1) | _digitcode_shows(frames & 0x7F)


def _digitcode_shows(frames: Frames) -> npt.NDArray[np.bool_]:
    digits = 5 if frames.shape[1] == 14 else 4
    wrong = (frames[:, :-2] >> 4 != 3).any(axis=1)
    wrong |= (frames[:, 1 : 1 + digits] > 0x39).any(axis=1)
    return wrong | (frames[:, -2] != 0x0D) | (frames[:, -1] != 0x0A)


def _status_shows(frames: Frames) -> npt.NDArray[np.bool_]:
    wrong = (frames[:, 0] != ord("+")) & (frames[:, 0] != ord("-"))
    wrong |= (frames[:, 5] != ord(" ")) | (frames[:, 12] != 0x0D) | (frames[:, 13] != 0x0A)
    wrong |= ~np.isin(frames[:, 6], list(b"0124"))
    digits = ((frames[:, 1:5] >= 0x30) & (frames[:, 1:5] <= 0x39)).all(axis=1)
    return wrong | ~(digits | (frames[:, 1:5] == list(b"?0:?")).all(axis=1))


def _polled_shows(frames: Frames) -> npt.NDArray[np.bool_]:
    letters = np.zeros(65536, dtype=bool)
    letters[[a << 8 | b for a, b in (b"DC", b"AC", b"OH", b"CA", b"FR", b"DI", b"TE")]] = True
    wrong = ~letters[frames[:, 0].astype(np.int64) << 8 | frames[:, 1]]
    wrong |= ~np.isin(frames[:, 2], list(b" +-"))
    wrong |= ~np.isin(frames[:, 3:9], list(b" .0123456789OL")).all(axis=1)
    return wrong | (frames[:, 13] != 0x0D)


def subjects(rng: Rng, count: int = 1000) -> list[Subject]:
    """Every family, the digit codes with their parity bits and without."""
    long, short = _digitcode_frames(rng, count, long=True), _digitcode_frames(rng, count, long=False)
    return [
        Subject("segment14", "segment14", _lcd_frames(rng, count), 8, _lcd_shows),
        Subject("digitcode14", "digitcode14", [with_parity(f) for f in long], 8, _parity_shows),
        Subject("digitcode14, parity lost", "digitcode14", long, 7, _digitcode_shows),
        Subject("digitcode11", "digitcode11", [with_parity(f) for f in short], 8, _parity_shows),
        Subject("digitcode11, parity lost", "digitcode11", short, 7, _digitcode_shows),
        Subject("statusbits14", "statusbits14", _status_frames(rng, count), 8, _status_shows),
        Subject("polled14", "polled14", _polled_frames(rng, count), 7, _polled_shows),
    ]


def flip(rng: Rng, frames: Frames, flips: npt.NDArray[np.int64], bits: int) -> Frames:
    """Flip that many different bits of each frame."""
    count, length = frames.shape
    positions = length * bits
    flipped = frames.copy()
    rows = np.arange(count)
    seen = np.full((count, int(flips.max())), -1)
    for k in range(int(flips.max())):
        place = rng.integers(0, positions, count)
        while (again := (seen[:, :k] == place[:, None]).any(axis=1)).any():
            place[again] = rng.integers(0, positions, int(again.sum()))
        seen[:, k] = place
        active = flips > k
        at = rows[active], place[active] // bits
        flipped[at] ^= (1 << (place[active] % bits)).astype(np.uint8)
    return flipped


def replace_byte(rng: Rng, frames: Frames, bits: int) -> Frames:
    """Put another value into one byte of each frame."""
    changed = frames.copy()
    rows = np.arange(len(frames))
    columns = rng.integers(0, frames.shape[1], len(frames))
    changed[rows, columns] ^= rng.integers(1, 1 << bits, len(frames)).astype(np.uint8)
    return changed


def _flips_at_error_rate(rng: Rng, count: int, positions: int) -> tuple[npt.NDArray[np.int64], float]:
    """Numbers of flipped bits given that there is one, and the probability that there is."""
    hit = 1 - (1 - BIT_ERROR_RATE) ** positions
    drawn = np.zeros(0, dtype=np.int64)
    while len(drawn) < count:
        some = rng.binomial(positions, BIT_ERROR_RATE, 2 * count)
        drawn = np.concatenate([drawn, some[some > 0]])
    return drawn[:count], hit


def _same(a: Reading, b: Reading) -> bool:
    return (a.function, a.value, a.state, a.flags) == (b.function, b.value, b.state, b.flags)


class Bench:
    """One family's decoder, its good frames and what they read."""

    def __init__(self, subject: Subject) -> None:
        self.subject = subject
        self.decoder: Decoder = make_decoder(FrameOptions(frames=subject.family))
        self.frames = np.frombuffer(b"".join(subject.frames), np.uint8).reshape(len(subject.frames), -1)
        self.truths = [self._decode(frame) for frame in subject.frames]
        assert all(self.truths), "a good frame was rejected"
        self.shown_but_accepted = 0

    def _decode(self, frame: bytes) -> Reading | None:
        """Give one frame to a decoder that has nothing pending."""
        readings = self.decoder.feed(frame)
        self.decoder._buffer = b""
        return readings[0] if readings else None

    def decode_all(self, frames: Frames) -> list[Reading | None]:
        """Decode frames, and count those read although they show their corruption."""
        data, length = frames.tobytes(), frames.shape[1]
        found = [self._decode(data[at : at + length]) for at in range(0, len(data), length)]
        shown = self.subject.shows(frames)
        self.shown_but_accepted += sum(found[k] is not None for k in np.flatnonzero(shown))
        return found

    def wrong(self, chosen: npt.NDArray[np.int64], frames: Frames) -> int:
        """Count the readings that are not what was sent."""
        truths = self.truths
        return sum(
            reading is not None and not _same(reading, truths[k])  # type: ignore[arg-type]
            for k, reading in zip(chosen.tolist(), self.decode_all(frames), strict=True)
        )

    def agreeing_wrong(self, chosen: npt.NDArray[np.int64], first: Frames, second: Frames) -> int:
        """Count pairs of corrupted frames that agree on something that was not sent."""
        pairs = zip(chosen.tolist(), self.decode_all(first), self.decode_all(second), strict=True)
        return sum(
            a is not None and b is not None and agree((a, b)) and not agree((b, self.truths[k]))  # type: ignore[arg-type]
            for k, a, b in pairs
        )

    def noise(self, rng: Rng, size: int) -> int:
        """Count readings made out of noise."""
        readings = 0
        for _ in range(0, size, 65536):
            readings += len(self.decoder.feed(rng.bytes(65536)))
        self.decoder._buffer = b""
        return readings


def run(subject: Subject, total: int, rng: Rng, noise_bytes: int) -> bool:
    """Corrupt `total` frames of a family, print the rates, and return whether all was as it must be."""
    bench = Bench(subject)
    bits, positions = subject.bits, bench.frames.shape[1] * subject.bits
    started = time.monotonic()
    print(f"\n{subject.name}: {positions} bits a frame")
    each = max(1, total // 6)
    for kind in (
        "1 flipped bit",
        "2 flipped bits",
        "3 flipped bits",
        "1 random byte",
        "BER 1e-3",
        "two agree",
    ):
        done = wrong = 0
        share = 1.0
        while done < each:
            count = min(SLICE, each - done)
            chosen = rng.integers(0, len(bench.truths), count)
            sent = bench.frames[chosen]
            if kind.endswith(("bit", "bits")):
                wrong += bench.wrong(chosen, flip(rng, sent, np.full(count, int(kind[0])), bits))
            elif kind == "1 random byte":
                wrong += bench.wrong(chosen, replace_byte(rng, sent, bits))
            elif kind == "BER 1e-3":
                flips, share = _flips_at_error_rate(rng, count, positions)
                wrong += bench.wrong(chosen, flip(rng, sent, flips, bits))
            else:
                flips, hit = _flips_at_error_rate(rng, 2 * count, positions)
                share = hit**2
                first, second = (flip(rng, sent, f, bits) for f in (flips[:count], flips[count:]))
                wrong += bench.agreeing_wrong(chosen, first, second)
            done += count
        rate = share * wrong / done
        bound = "" if wrong else f"  (below {3 * share / done:.1e} at 95 %)"  # rule of three
        print(f"  {kind:<15} {done:>9} corrupted, {wrong:>8} wrong, rate {rate:.2e}{bound}", flush=True)
    readings = bench.noise(rng, noise_bytes)
    print(f"  noise           {noise_bytes:>9} bytes, {readings} readings")
    print(
        f"  read although the corruption shows: {bench.shown_but_accepted}; {time.monotonic() - started:.0f} s"
    )
    return readings == 0 and bench.shown_but_accepted == 0


def main(arguments: list[str] | None = None) -> int:
    """Run all families or one."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=600_000, help="corrupted frames of each family")
    parser.add_argument("--noise", type=int, default=NOISE_BYTES, help="bytes of noise for each family")
    parser.add_argument("--family", help="only this one")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(arguments)
    rng = np.random.default_rng(given.seed)
    chosen = [s for s in subjects(rng) if given.family in (None, s.family)]
    results = [run(subject, given.frames, rng, given.noise) for subject in chosen]
    return 0 if all(results) else 1


if __name__ == "__main__":
    sys.exit(main())
