"""The winding plan, its command and its card."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from benchlog.checks.winding_plan import SecondStage, Service, ToroidDesign, plan_toroid
from benchlog.cli import main
from benchlog.cli.winding_card import tally
from benchlog.errors import UsageError
from benchlog.magnetics.core import parse_core
from benchlog.magnetics.wire import parse_wire
from benchlog.result import Verdict

CORE = parse_core("25x15x10", coating_m=0.5e-3)
CT1 = ToroidDesign(CORE, parse_wire("AWG 24"), 60, lead_m=0.15)
COMMAND = ["winding", "--core", "25x15x10", "--turns", "60", "--wire", "AWG 24", "--coating", "0.5 mm"]
SERVICE = [
    "--al",
    "62 uH",
    "--burden",
    "61.05 mohm",
    "--current",
    "12.6 A",
    "--frequency",
    "50 Hz",
    "--area",
    "37.5 mm2",
]


def test_sixty_turns_of_awg_24() -> None:
    """34.74 mm a turn, 73 in the first layer, 201 mohm with 150 mm at each end."""
    q = plan_toroid(CT1).quantities
    assert q["turn_length"].value * 1e3 == pytest.approx(34.74, abs=0.01)
    assert q["first_layer_turns"].value == 73
    assert q["winding_resistance"].value * 1e3 == pytest.approx(201, abs=0.5)
    assert q["cut_length"].value == pytest.approx(2.45)


def test_resistance_at_22_degrees() -> None:
    """202 ± 6 mohm is what a four-wire measurement at 22 °C is judged by."""
    warm = plan_toroid(ToroidDesign(CORE, parse_wire("AWG 24"), 60, lead_m=0.15, temperature_degc=22.0))
    assert warm.quantities["winding_resistance"].value * 1e3 == pytest.approx(202.4, abs=0.1)


def test_first_stage_of_a_cascade() -> None:
    """60 turns, 62 uH, 50 Hz, 12.6 A into 0.06 ohm of lead and 1.05 mohm of second stage: 0.187 Hz, 0.110 T."""
    service = Service(62e-6, burden_ohm=0.06105, current_a=12.6, frequency_hz=50.0, area_m2=37.5e-6)
    q = plan_toroid(CT1, service).quantities
    assert q["inductance"].value == pytest.approx(0.2232)
    assert q["corner_frequency"].value == pytest.approx(0.1869, abs=3e-4)
    assert q["flux_density"].value == pytest.approx(0.1101, abs=3e-4)


def test_second_stage_carries_the_burden() -> None:
    """60 x 100 turns, 10 ohm, 50 Hz, 12.6 A: 20.97 mV, 3.30 degrees, an apparent ratio of 6008.8."""
    second = SecondStage(100, 62e-6, 0.499, lead_ohm=0.06)
    service = Service(
        62e-6, burden_ohm=10.0, current_a=12.6, frequency_hz=50.0, area_m2=37.5e-6, second=second
    )
    result = plan_toroid(CT1, service)
    cascade = result.details["cascade"]
    assert cascade["burden_v"] * 1e3 == pytest.approx(20.969, abs=1e-3)
    assert cascade["lead_deg"] == pytest.approx(3.300, abs=2e-3)
    assert cascade["apparent_ratio"] == pytest.approx(6008.76, abs=0.05)
    assert cascade["second_flux_density_t"] == pytest.approx(0.02643, abs=5e-6)
    assert result.quantities["corner_frequency"].value == pytest.approx(0.1869, abs=3e-4)
    assert any("two stages, 6000:1" in finding for finding in result.findings)
    with pytest.raises(UsageError):
        SecondStage(0, 62e-6, 0.499)


def test_droop_of_a_flat_pulse() -> None:
    """6.25 mH and 50.5 ohm lose 7.76 % in 10 us; the wire's own resistance is part of the 50.5 ohm."""
    design = ToroidDesign(CORE, parse_wire("AWG 24"), 50, lead_m=0.15)
    own = plan_toroid(design).quantities["winding_resistance"].value
    service = Service(2.5e-6, burden_ohm=50.5 - own, pulse_s=10e-6)
    assert plan_toroid(design, service).quantities["droop"].value == pytest.approx(0.07762, abs=5e-6)


def test_open_secondary_is_worked_out_and_warned_of() -> None:
    """12.6 A, 60 turns, 62 uH, 50 Hz: about 21 V peak."""
    service = Service(62e-6, burden_ohm=0.1, current_a=12.6, frequency_hz=50.0, area_m2=37.5e-6)
    result = plan_toroid(CT1, service)
    assert result.details["open_secondary_peak_v"] == pytest.approx(21, rel=0.01)
    assert "Never open" in result.cautions[0]
    assert plan_toroid(CT1).cautions == ()


def test_saturation_is_a_design_check() -> None:
    def saturation(limit_t: float | None, burden_ohm: float) -> list[Verdict]:
        service = Service(
            62e-6,
            burden_ohm=burden_ohm,
            current_a=12.6,
            frequency_hz=50.0,
            area_m2=37.5e-6,
            saturation_t=limit_t,
        )
        return [c.verdict for c in plan_toroid(CT1, service).design_checks if c.name == "saturation"]

    assert saturation(1.2, 0.06) == [Verdict.PASS]
    assert saturation(0.1, 0.06) == [Verdict.FAIL]
    assert saturation(None, 0.06) == []
    assert saturation(None, 10.0) == [Verdict.FAIL]  # 4 T: far above the saturation of any core


def test_half_wave_current_blinds_a_high_permeability_core() -> None:
    service = Service(
        61e-6, burden_ohm=0.1, current_a=12.6, frequency_hz=50.0, area_m2=37.5e-6, saturation_t=1.2
    )
    result = plan_toroid(CT1, service)
    assert result.details["saturating_direct_current_a"] == pytest.approx(0.74, abs=0.005)
    assert any("half-wave" in finding for finding in result.findings)


def test_an_overfull_window_fails() -> None:
    thick = ToroidDesign(parse_core("25x10x10"), parse_wire("1 mm"), 58)
    result = plan_toroid(thick)
    assert result.overall is Verdict.FAIL
    assert "window fill" in result.reason


def test_uncertainties_come_from_core_wire_and_al() -> None:
    q = plan_toroid(CT1, Service(62e-6)).quantities
    assert q["al"].standard_uncertainty == pytest.approx(62e-6 * 0.25 / 3**0.5)
    assert {line.label for line in q["winding_resistance"].budget} >= {
        "core dimensions ±3 %",
        "temperature ±2 K",
    }


@pytest.mark.parametrize("bad", [{"al_h": 0.0}, {"burden_ohm": -1.0}, {"saturation_t": float("inf")}])
def test_service_that_makes_no_sense_is_refused(bad: dict[str, float]) -> None:
    with pytest.raises(UsageError, match="above zero"):
        Service(**bad)  # type: ignore[arg-type]


def test_tally_has_a_box_for_each_ten_and_says_where_a_layer_is_full() -> None:
    boxes = tally(100, [91, 9])
    assert [box.upto for box in boxes] == list(range(10, 101, 10))
    assert sum(box.strokes for box in tally(234, [91, 85, 58])) == 234
    assert [box.upto for box in boxes if box.layer_ends] == [100]


# --- the command ---


def test_json(capsys: pytest.CaptureFixture[str]) -> None:
    words = [*COMMAND, "--leads", "300 mm", "--one-turn", "34.6 mm", *SERVICE, "--json"]
    assert main(words) == 0
    found = json.loads(capsys.readouterr().out)
    q = {name: quantity["value"] for name, quantity in found["quantities"].items()}
    assert q["turn_length"] == pytest.approx(34.6e-3)
    assert q["cut_length"] == pytest.approx(2.68)
    assert set(q) >= {
        "first_layer_turns", "winding_resistance", "inductance", "al", "corner_frequency", "droop", "flux_density",
    }  # fmt: skip
    assert found["schema"] == "benchlog.result/1"


def test_screen_has_a_unit_on_every_number(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*COMMAND, *SERVICE]) == 0
    shown = capsys.readouterr().out
    for text in ("2450 mm", "73 turns", "mΩ", "µH", "mHz", "! Never open"):
        assert text in shown


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def test_card_is_one_self_contained_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    card = tmp_path / "ct1.html"
    assert main([*COMMAND, *SERVICE, "--part", "<b>CT1</b>", "--card", str(card)]) == 0
    html = card.read_text(encoding="utf-8")
    page = _Page()
    page.feed(html)
    assert not any(name in attributes for _, attributes in page.tags for name in ("src", "href"))
    assert "<script" not in html
    assert "url(" not in html
    assert "&lt;b&gt;CT1&lt;/b&gt;" in html
    assert sum(attributes.get("class") == "box" for _, attributes in page.tags) == 6
    assert len(re.findall(r"<i></i>", html)) == 60
    assert sum(tag == "circle" for tag, _ in page.tags) == 62  # core, hole and a wire a turn
    assert str(card) in capsys.readouterr().out.replace("\n", "")


@pytest.mark.parametrize(
    "words",
    [
        ["--turns", "0"],
        ["--turns", "9999"],
        ["--wire", "24"],
        ["--core", "25x15"],
        ["--coating", "9 mm"],
        ["--one-turn", "346 mm"],
        ["--burden", "10 ohm"],
        ["--al", "61 V"],
        ["--al", "61 uH", "--al-tolerance", "200 %"],
        ["--leads=-1 mm"],
    ],
)
def test_bad_input_is_one_clear_error(capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
    assert main([*COMMAND, "--json", *words]) == 2
    assert json.loads(capsys.readouterr().out)["error"]
