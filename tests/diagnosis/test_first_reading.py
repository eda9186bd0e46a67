"""What a cause leaves free is solved for from the first reading: that must weigh as plain drawing would, only steadier."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.diagnosis import Case, Session, parse_evidence
from benchlog.diagnosis.catalogue import KINDS, Distribution, load_catalogue
from benchlog.diagnosis.first_reading import moved_onto_reading
from benchlog.diagnosis.forward import FIRST_READING, BenchModel
from benchlog.diagnosis.hidden import Noise, draw_particles
from benchlog.diagnosis.likelihood import likelihood


def distributions() -> list[tuple[str, Distribution]]:
    """Return every distribution of the catalogue that spreads, by name."""
    catalogue = load_catalogue()
    found = {f"{kind}.{name}": d for kind in KINDS for name, d in catalogue.hidden[kind].items()}
    found |= {f"{cause.id}.{name}": d for cause in catalogue.causes for name, d in cause.hidden.items()}
    return [(name, d) for name, d in found.items() if d.spreads]


def test_a_density_and_the_points_hold_all_of_the_probability() -> None:
    """The integral over a wide grid, by the trapezoidal rule, fine around zero."""
    away = np.geomspace(1e-7, 1e7, 400_001)
    grid = np.concatenate([-away[::-1], away])
    for name, distribution in distributions():
        density = distribution.density(grid)
        total = np.sum(np.diff(grid) * 0.5 * (density[1:] + density[:-1])) + distribution.at_points
        assert total == pytest.approx(1.0, abs=0.002), name


@pytest.mark.parametrize(
    ("expect", "reading", "hypotheses"),
    [
        (
            "24 V ac",
            "26.5 V ac",
            [
                ("all_good",),
                ("meter_battery_low",),
                ("mains_off_nominal",),
                ("meter_offset",),
                ("part_high",),
            ],
        ),
        ("47 ohm", "61.1 ohm", [("part_high",), ("contact_resistance",), ("meter_gain_drift", "part_high")]),
        ("2 A ac", "1.5 A ac", [("part_low",), ("contact_resistance",), ("expectation_wrong",)]),
    ],
)
def test_solving_for_the_free_quantity_weighs_as_drawing_does(
    expect: str, reading: str, hypotheses: list[tuple[str, ...]]
) -> None:
    """The density of the reading from 600 solved particles, and from how many of 30 000 drawn ones lie near it."""
    case = Case.from_text(expect, reading)
    catalogue = load_catalogue()
    model = BenchModel(case, catalogue)

    def rng(purpose: str) -> np.random.Generator:
        return np.random.default_rng([7, *purpose.encode()])

    many, few = (draw_particles(catalogue, case.kind, tuple(hypotheses), n, 1) for n in (30_000, 600))
    drawn, solved = (
        likelihood(
            case.reading,
            (),
            model.predict(FIRST_READING, particles.hidden, Noise.like(particles.weight, rng("noise"))),
            unit=model.unit(FIRST_READING),
            repeatability=catalogue.engine["repeatability"],
            lapse=0.0,
        ).right
        for particles in (many, few)
    )
    moved, density = moved_onto_reading(case, model, few, rng)
    for row, hypothesis in enumerate(hypotheses):
        found = np.where(moved[row], density[row], solved[row]).mean()
        assert found == pytest.approx(drawn[row].mean(), rel=0.2), hypothesis


def test_a_lead_that_was_open_three_times_may_still_come_and_go() -> None:
    """A break that is moved little stays as it is; only moving the lead on purpose tells it from one that is open."""
    found = [("short_tips", "0.20 V ac"), ("other_leads", "27.0 V ac"), ("reread", "0.21 V ac")]

    def shares(steps: list[tuple[str, str]]) -> dict[str, float]:
        session = Session(Case.from_text("27 V ac", "0.21 V ac"))
        for step in steps:
            session.update(parse_evidence(step))
        return {c.id: c.probability for c in session.state().causes}

    before = shares(found)
    steady, jumps = (shares([*found, ("wiggle_leads", answer)]) for answer in ("steady", "jumps"))
    assert before["lead_open"] < 0.9
    assert before["lead_intermittent"] > 0.1
    assert steady["lead_open"] > 0.9
    assert jumps["lead_intermittent"] > jumps["lead_open"]
