"""One certificate: a second person repeats C07 from the page alone; what is recalled is in its first line."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from helpers.desk import Desk

from benchlog.bench import read_bench
from benchlog.capture import Capture
from benchlog.capture_files.native_format import save_capture
from benchlog.clock import ManualClock
from benchlog.registry import make_adapter
from benchlog.simulation import served_as_sim, simulated_bench


class Words(HTMLParser):
    """The page's text, block by block, as a person reads it."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.blocks: list[str] = []
        self.feed(page)
        self.blocks = [" ".join(b.split()) for b in self.blocks if b.strip()]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("p", "h1", "h2", "tbody", "li", "div"):
            self.blocks.append("")

    def handle_data(self, data: str) -> None:
        if self.blocks:
            self.blocks[-1] += data + " "


def certificate(desk: Desk, *more: str | Path) -> list[str]:
    """Blocks of text of the page."""
    page = desk.folder / "page.html"
    desk.run("record", "certificate", "--out", page, *more)
    return words_of(page)


def words_of(page: Path) -> list[str]:
    """Blocks of text of a page."""
    return Words(page.read_text(encoding="utf-8").partition("<body>")[2]).blocks


def found(pattern: str, text: str) -> re.Match[str]:
    """What a reader picks out of the page; it must be there."""
    match = re.search(pattern, text)
    assert match is not None, f"the page does not tell {pattern!r}: {text}"
    return match


class SecondPerson:
    """Sets up another bench by what the page says, nothing else."""

    def __init__(self, block: str, seed: int) -> None:
        self.turns = found(r"turns ratio (\d+) ", block)[1]
        self.result, self.u = (float(g) for g in found(r"([\d.]+) ± ([\d.]+)", block).groups())
        self.generator, self.part = found(r"(\S+) on (\S+);", block).groups()
        self.secondary = found(r"(CH\d) across \S+ through the", block)[1]
        self.primary = found(r"(CH\d) on a separate one-turn loop", block)[1]
        self.frequency_hz = 1e3 * float(found(r"frequency ([\d.]+) kHz", block)[1])
        self.level_vpp = float(found(r"level ([\d.]+) V peak to peak, open circuit", block)[1])
        self.divider, tolerance = found(r"divider (\d+:1) ±([\d.]+ %)", block).groups()
        self.tolerance = tolerance
        self.range_v = 1e-3 * float(found(r"range ±([\d.]+) mV", block)[1])
        self.interval_s = 1e-6 * float(found(r"samples ([\d.]+) µs apart", block)[1])
        self.samples = int(found(r"(\d+) samples [\d.]+ µs apart", block)[1])
        found("then probes and channels swapped", block)
        self.seed = seed

    def capture(self, folder: Path) -> list[Path]:
        """Two captures, as connected and swapped."""
        clock = ManualClock(1_800_000_000_000_000_000)
        bench: Any = simulated_bench(self.seed, clock)
        folder.mkdir()
        with bench, served_as_sim(bench):
            (folder / "bench.toml").write_text(bench.bench_toml(), encoding="utf-8")
            known = read_bench(folder / "bench.toml")
            bench.hookups.ratio(self.part, divided=True)
            scope, source = (
                make_adapter(known.instrument(tag).address, tag, clock=clock, options={}, kind=kind).open()
                for tag, kind in (("SC-03", "scope"), (self.generator, "generator"))
            )
            source.set_sine(self.frequency_hz, self.level_vpp)
            source.set_output(True)
            for channel in (self.primary, self.secondary):
                scope.set_vertical(channel, self.range_v)
            scope.set_timebase(n_samples=self.samples, span_s=self.interval_s * self.samples)
            files = []
            for name in ("first", "swapped"):
                if name == "swapped":
                    with bench.scene.change():
                        one, other = bench.scope.channels.values()
                        one.clip, other.clip = other.clip, one.clip
                taken: Capture = scope.capture((self.primary, self.secondary), timeout_s=10.0)
                files.append(folder / f"{name}.npz")
                save_capture(taken, files[-1])
            scope.close()
            source.close()
        return files


def test_a_second_person_repeats_c07_from_the_page_alone(story_end: Desk) -> None:
    """Hook-up, channels, level, frequency, ranges, divider and swap are read off the page; the result agrees within U.

    The second bench is another seed: other scope, generator, leads and divider of the same kinds.
    """
    blocks = words_of(story_end.folder / "certificate.html")  # the one the demo made
    (block,) = [b for b in blocks if b.startswith("C07 ")]
    second = SecondPerson(block, seed=7)
    first, swapped = second.capture(story_end.folder / "second")
    again = story_end.run(
        "ratio", "--capture", first, "--swapped", swapped, "--primary", second.primary, "--secondary", second.secondary,
        "--expect", second.turns, "--divider", second.divider, "--divider-tolerance", second.tolerance,
        "--no-record", "--json",
    )  # fmt: skip
    assert again.code == 0, again.words
    value = again.json["quantities"]["turns_ratio"]["value"]
    assert abs(value - second.result) <= second.u


def test_a_recalled_result_is_in_the_first_line(story_end: Desk) -> None:
    """MA-01 is found bad on V= after day 160: the first line names what is to be measured again, in every form."""
    plan = story_end.folder / "plan.toml"
    clean = words_of(story_end.folder / "certificate.html")
    assert clean[0] == "17 of 17 checks passed; 2 failed before (entries 78, 102) and were done again."
    assert clean[1] == "Practice. All results are from the simulated bench: no real part was tested by them."
    story_end.run(
        "standard", "MA-01", "--bad", "read 30 % low", "--function", "V=", "--error", "-60 %", "--plan", plan
    )
    first = certificate(story_end, "--plan", plan)[0]
    assert first.startswith("Attention:")
    assert re.search(r"C05\b.* recalled \(relied on something found bad\)", first)
    assert "C05" in certificate(story_end)[0]  # without the plan too


def test_the_page_tells_tested_and_not_tested_limits_instruments_and_head(story_end: Desk) -> None:
    """Everything of a one-page certificate; a check of the plan that was not done is listed as not tested."""
    plan = story_end.folder / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(
        text + '\n[[check]]\nid = "C17"\nkind = "reading"\npart = "KC1"\nfunction = "V~"\n'
        'limits.voltage = { high = "1 V" }\n',
        encoding="utf-8",
    )
    blocks = certificate(story_end, "--plan", plan)
    page = "\n".join(blocks)
    assert any(b.startswith("C17 KC1: not done yet") for b in blocks)
    for words in (
        "Tested", "Not tested", "Hold points", "Substitutions", "Instruments", "Cautions", "Record",
        "guard band w = U", "not calibrated by a laboratory", "MB-02 was found bad on V=", "EC-1000-63", "tested by",
    ):  # fmt: skip
        assert words in page
    digest = story_end.run("record", "verify", "--json").json["head"].removeprefix("sha256:")
    assert digest in page
