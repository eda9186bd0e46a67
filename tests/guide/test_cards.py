"""Hook-up cards: every kind of check, plain characters, 80 columns, jack and danger named."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest
from helpers.plan_text import made

from benchlog.bench import AccuracyLine, Bench, Instrument
from benchlog.guide.cards import WIDTH, Card, card_of, danger_lines
from benchlog.guide.drawings import across, path
from benchlog.plan import Check, read_plan
from benchlog.plan.list_kind import ListCheck
from benchlog.reading import Function

BENCH = Bench(
    [
        Instrument(tag="MA-01", leads="LA", category="CAT III 600 V", address="sim:MA-01"),
        Instrument(tag="MB-02", accuracy=(AccuracyLine(Function.AC_VOLTS, "1.2 % + 5"),)),
        Instrument(tag="SC-03", kind="scope"),
        Instrument(tag="SG-04", kind="generator"),
    ]
)
LONG = "a part whose name is far longer than any box"


def cards_of(check: Check) -> list[Card]:
    items = [place.wiring(check.part) for place in check.places] if isinstance(check, ListCheck) else []
    return [card_of(wiring, BENCH) for wiring in [check.wiring(), *items] if wiring is not None]


def fits(card: Card) -> None:
    for line in [*card.lines(), *(w for d in card.dangers for w in danger_lines(d))]:
        assert len(line) <= WIDTH, line
    for line in card.drawing:
        assert line.isascii(), line


@pytest.mark.parametrize("source", ["benchlog.demo/kc1.toml", "benchlog.templates/plan.toml"])
def test_every_check_of_the_shipped_plans_has_a_card(source: str, tmp_path: Path) -> None:
    """Each has settings that name an instrument, fits 78 columns, and draws in ASCII."""
    package, _, name = source.partition("/")
    target = tmp_path / name
    target.write_text((files(package) / name).read_text(encoding="utf-8"), encoding="utf-8")
    for check in read_plan(target).checks.values():
        for card in cards_of(check):
            assert card.settings
            fits(card)


def test_a_narrow_screen_gets_the_drawing_from_top_to_bottom() -> None:
    """40 columns: every point of the wide drawing is still there."""
    wiring = made(
        "C1",
        "ratio",
        part="CT1",
        expect="60",
        scope="SC-03",
        primary="CH1",
        secondary="CH2",
        generator="SG-04",
    ).wiring()
    assert wiring is not None
    wide, narrow = card_of(wiring, BENCH), card_of(wiring, BENCH, 40)
    assert max(map(len, narrow.drawing)) <= 40 < max(map(len, wide.drawing))
    assert max(map(len, narrow.lines(40))) <= 44
    for word in ("CT1", "CH1", "CH2", "SG-04"):
        assert word in " ".join(narrow.drawing)


@pytest.mark.parametrize(
    "check",
    [
        made("C1", "supply", part=LONG, nameplate="24 V dc", meter="MB-02"),
        made("C1", "rectified", part=LONG, meter="MA-01"),
        made("C1", "continuity", part=LONG, meter="MA-01"),
        made("C1", "continuity", part=LONG, meter="MA-01", four_wire=True, current="0.500 A dc"),
        made("C1", "crosscheck", part=LONG, meters=("MA-01", "MB-02", "a third meter with a name")),
        *(made("C1", "reading", part=LONG, function=f, meter="MA-01") for f in Function),
        made("C1", "isolation", part=LONG, supply="30 V", min="1 Gohm"),
        made("C1", "compare", part=LONG, reference="10.00 ohm", meter="MA-01"),
        made("C1", "ratio", part=LONG, expect="100", scope="SC-03", primary="CH1", secondary="CH2"),
        made(
            "C1",
            "ratio",
            part=LONG,
            expect="100",
            scope="SC-03",
            primary="A",
            secondary="B",
            opposed_turns=100,
        ),
        made(
            "C1",
            "inductance",
            part=LONG,
            scope="SC-03",
            across="CH1",
            resistor_channel="CH2",
            resistor="1 kohm",
        ),
    ],
    ids=lambda c: f"{c.__struct_config__.tag} {getattr(c, 'function', '')}".strip(),
)
def test_every_kind_fits_with_long_names(check: Check) -> None:
    (card,) = cards_of(check)
    assert card.settings
    fits(card)


def test_a_current_goes_into_the_current_jack_in_series() -> None:
    """The red lead's jack is named, the drawing has the meter in the path, the danger says never across."""
    (card,) = cards_of(made("C1", "reading", part="T1", function=Function.DC_CURRENT, meter="MA-01"))
    assert "current jack" in card.settings[0]
    assert "[ MA-01 ]" in card.drawing[0]
    assert any("never across" in danger for danger in card.dangers)


def test_volts_go_into_the_volts_jack_with_leads_and_category() -> None:
    (card,) = cards_of(made("C1", "reading", part="T1", function=Function.AC_VOLTS, meter="MA-01"))
    assert "dial V~" in card.settings[0]
    assert "red V/ohm jack" in card.settings[0]
    assert "leads LA" in card.settings[0]
    assert "CAT III 600 V" in card.settings[0]


def test_mains_inside_is_said() -> None:
    (card,) = cards_of(made("C1", "supply", part="T1", nameplate="24 V ac 40 VA", meter="MA-01"))
    assert any("leave it closed" in danger for danger in card.dangers)


def test_a_charged_capacitor_is_said() -> None:
    (card,) = cards_of(made("C1", "rectified", part="REC", meter="MA-01"))
    assert any("stays charged" in danger for danger in card.dangers)


def test_four_wire_keeps_the_meter_inside_the_current_clips() -> None:
    (card,) = cards_of(made("C1", "continuity", part="CT1", four_wire=True, meter="MA-01"))
    labels = [line.strip(" |") for line in card.drawing[2:]]
    assert labels == ["current clip", "MA-01 black, inside", "MA-01 red, inside", "current clip"]


def test_an_instrument_that_is_not_on_the_bench_keeps_its_own_instructions() -> None:
    """Jacks of a borrowed insulation tester are not guessed."""
    check = made("C1", "reading", part="T1", function=Function.OHMS, meter="insulation tester")
    (card,) = cards_of(check)
    assert "leads as in its manual" in card.settings[0]
    assert not any("COM" in line for line in card.drawing)


def test_no_card_says_that_anything_is_safe() -> None:
    for function in Function:
        (card,) = cards_of(made("C1", "reading", part="T1", function=function, meter="MA-01"))
        assert "safe" not in " ".join([*card.settings, *card.dangers]).lower()


def test_several_meters_share_two_points() -> None:
    lines = across("T1", ["MA-01", "MB-02"])
    assert sum("red" in line for line in lines) == 2
    assert len({line.index("o") for line in lines if "red" in line or "black" in line}) == 1


def test_taps_are_under_their_points() -> None:
    lines = path("a", ["R", "C"], "b", ["first", "middle", "last"])
    columns = [i for i, c in enumerate(lines[0]) if c == "o"]
    for label, column in zip(("first", "middle", "last"), columns, strict=True):
        assert any(line[column:].startswith(label) for line in lines)
