"""The sweep of a turns ratio as a picture in the certificate."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import msgspec
import pytest
from helpers.ratio_bench import CoreBench

from benchlog.checks.ratio_model import RatioSetup
from benchlog.clock import ManualClock
from benchlog.guide.ratio_run import RatioRun, run_ratio
from benchlog.logbook import Logbook
from benchlog.magnetics.transformer import Transformer
from benchlog.project.evidence import record_result
from benchlog.report.certificate import render_certificate
from benchlog.report.pictures import bode, model_words
from benchlog.result import Result

SETUP = RatioSetup(primary="L", secondary="W")
RUN = RatioRun("C07", "SC", "SG", SETUP, 60, 61e-6, area_m2=37.5e-6, saturation_t=1.0, sweep_points=7)


@pytest.fixture(scope="module")
def swept() -> Result:
    bench = CoreBench(Transformer(60, 59.3e-6, 0.201, 42.7e-6))
    return run_ratio(RUN, bench).result  # type: ignore[arg-type]


def test_the_picture_has_points_model_and_units_on_both_axes(swept: Result) -> None:
    svg = bode(swept, "C07 CT1 <1>")
    assert svg is not None
    ET.fromstring(svg)  # well-formed, the title escaped
    for text in ("frequency / Hz", "turns ratio", "phase / °"):
        assert text in svg
    assert "<script" not in svg
    letters = [float(size) for size in re.findall(r"font(?:-size)?: ([\d.]+)px", svg)]
    root = ET.fromstring(svg)
    assert float(root.attrib["width"].removesuffix("pt")) == float(root.attrib["viewBox"].split()[2])
    assert min(letters) >= 8  # points on paper, exponents included


def test_without_a_sweep_there_is_no_picture(swept: Result) -> None:
    assert bode(msgspec.structs.replace(swept, details={}), "x") is None


def test_words_give_what_is_resolved_with_its_uncertainty_and_the_rest_as_bounds(swept: Result) -> None:
    words = model_words(swept)
    assert "L 21" in words
    assert "mH" in words
    assert "C below" in words
    sweep = dict(swept.details["sweep"]) | {"fits": False}
    misfit = msgspec.structs.replace(swept, details={"sweep": sweep})
    assert model_words(misfit) == "the model does not fit"


def test_the_certificate_shows_the_sweep_in_place_of_the_waveform(swept: Result, tmp_path: Path) -> None:
    clock = ManualClock()
    with Logbook.open(tmp_path / "kc1.logbook", clock=clock) as book:
        record_result(book, clock, msgspec.structs.replace(swept, part="CT1", check_id="C07"))
        page = render_certificate(book, now_utc_ns=clock.utc_ns())
    assert re.search(r"C07 CT1, entry \d+: sweep", page)
    assert "phase / °" in page
    assert "first cycles of the record" not in page
