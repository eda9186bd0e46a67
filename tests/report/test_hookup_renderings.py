"""One hook-up, three renderings: the card, the certificate's picture and the spoken words name the same things."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from importlib.resources import files
from pathlib import Path

import pytest
from helpers.plan_text import made

from benchlog.bench import Bench
from benchlog.circuits import in_series, on_part, two_points, winding_and_resistor
from benchlog.guide.cards import card_of
from benchlog.guide.speech import spoken_hookup
from benchlog.hookup import Circuit, Danger, Hookup
from benchlog.plan import KINDS, read_plan
from benchlog.reading import Function
from benchlog.report.hookups import hookup_drawing
from benchlog.report.sanitise import sanitise_svg
from benchlog.result import Result, Verdict


def shipped() -> list[Hookup]:
    """Hook-ups of every check and item of the shipped plan."""
    checks = read_plan(Path(str(files("benchlog.demo") / "kc1.toml"))).checks.values()
    items = [place.wiring(check.part) for check in checks if check.wiring() is None for place in check.places]
    return [wiring for wiring in [*(check.wiring() for check in checks), *items] if wiring is not None]


HOOKUPS = [
    *shipped(),
    in_series("T1", "MA-01", Function.DC_CURRENT),
    on_part("T1", "thermometer", Function.TEMPERATURE),
    two_points("SC-03", "CH1", "CH2"),
    winding_and_resistor(
        "CT1", "1 kohm", generator="SG-04", drive="", scope="SC-03", across="CH1", resistor_channel="CH2", node=True
    ),
]  # fmt: skip


def names(hookup: Hookup) -> set[str]:
    """What a rendering must name: meters or channels, and what they are on."""
    drawn = {element.name for element in hookup.path if element.name}
    channels = {tap.channel or tap.instrument for tap in hookup.taps}
    return drawn | channels | ({hookup.loop.channel} if hookup.loop else set())


@pytest.mark.parametrize("hookup", HOOKUPS, ids=lambda h: h.circuit)
def test_each_rendering_names_all_there_is(hookup: Hookup) -> None:
    """Nothing of a hook-up is left out on the screen, on paper or by voice."""
    card = card_of(hookup, Bench())
    texts = {"card": "\n".join(card.lines()), "voice": spoken_hookup(hookup)}
    svg = hookup_drawing(hookup)
    if svg is not None:
        assert sanitise_svg(svg) == svg
        texts["picture"] = "".join(ET.fromstring(svg).itertext())
    for name in names(hookup):
        for which, text in texts.items():
            assert name in text, (which, name)


@pytest.mark.parametrize("hookup", HOOKUPS, ids=lambda h: h.circuit)
def test_a_picture_is_inside_its_frame(hookup: Hookup) -> None:
    """No stroke or word begins outside the view box."""
    svg = hookup_drawing(hookup)
    if svg is None:
        return
    root = ET.fromstring(svg)
    width, height = (float(n) for n in root.attrib["viewBox"].split()[2:])
    scale = float(root.attrib["width"].removesuffix("pt")) / width
    assert float(root.attrib["font-size"]) * scale >= 8  # points on paper
    assert width * scale < 530  # or an A4 page would shrink it
    for text in root.iter("{http://www.w3.org/2000/svg}text"):
        assert 0 <= float(text.attrib["x"]) <= width
        assert 8 <= float(text.attrib["y"]) <= height
    for line in root.iter("{http://www.w3.org/2000/svg}polyline"):
        for x, y in re.findall(r"([\d.]+),([\d.]+)", line.attrib["points"]):
            assert 0 <= float(x) <= width
            assert 0 <= float(y) <= height


def test_hostile_names_stay_words_in_a_picture() -> None:
    """A part's tag is text, whatever it holds."""
    svg = hookup_drawing(in_series('<script>"&', "MA-01", Function.DC_CURRENT))
    assert svg is not None
    assert sanitise_svg(svg) == svg
    assert '<script>"&' in "".join(ET.fromstring(svg).itertext())


def test_a_hookup_comes_back_from_the_record() -> None:
    """Written with a result and read back the same; an older record has none, a newer one may have more."""
    check = made("C1", "compare", part="RB", reference="10.00 ohm", limits={"ratio": {"low": "0.99"}})
    result = Result(check="compare", verdict=Verdict.PASS, reason="", wiring=check.wiring())
    plain = result.to_json()
    assert Result.from_json(plain).wiring == check.wiring()
    assert Result.from_json({**plain, "wiring": {"circuit": "of a later version"}}).wiring is None
    del plain["wiring"]
    assert Result.from_json(plain).wiring is None


def test_every_kind_is_wired_or_has_wired_items() -> None:
    """A kind without a hook-up of its own is made of items that have one."""
    for kind in KINDS:
        assert kind.spec.wiring is not KINDS[0].spec.__base__.wiring or "places" in vars(kind.spec), kind.tag


def test_an_open_secondary_is_said_where_phases_are_taken() -> None:
    """Current transformers run while two points of their circuit are compared."""
    hookup = two_points("SC-03", "CH1", "CH2")
    assert hookup.circuit is Circuit.TWO_POINTS
    assert Danger.OPEN_SECONDARY in hookup.dangers
