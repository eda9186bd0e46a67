"""What the first reading settles before any check: the function it was displayed in, and where the particles lie."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.case import Case
from benchlog.diagnosis.catalogue import Distribution, load_catalogue
from benchlog.diagnosis.forward import FIRST_READING, BenchModel
from benchlog.diagnosis.hidden import Hidden, Noise, Particles, of_rows

Floats = npt.NDArray[np.float64]
Booleans = npt.NDArray[np.bool_]
Draws = Callable[[str], np.random.Generator]
"""Returns the generator of a purpose."""

_PUSH = 1.01  # relative step of the secant that moves particles onto the first reading
_FLAT = 0.02  # slope below which the reading does not depend on what is moved
_NEAR_ZERO = 3.0  # floors below which a reading is too near zero for a logarithm
_TINY = 1e-12
_PRESENT_V = 1.0  # volts on points that should be dead; less may be pick-up: judgement
_WORD_SLIP = 0.1  # share of readings in the other coupling where only the word is wrong: judgement


def as_displayed(case: Case, model: BenchModel, particles: Particles) -> Floats:
    """Take the function that the first reading was displayed in as the one the dial is at.

    Where it is not the expected one, the dial is wrong, or an output that is DC was reason to turn it; any other
    cause needs a slip beside it. Volts on points that should be dead show that they are live.

    Returns
    -------
    array
        Added to the logarithm of each hypothesis' weight.
    """
    hidden, shape = particles.hidden, particles.weight.shape
    said, meant = case.reading, case.expect
    nothing = np.zeros(shape[0])
    if model.other_unit:
        if case.kind == "ohms" and said.unit == "V":
            live = np.ones(shape)
            if said.value is not None and abs(said.value) < _PRESENT_V:
                live[:, ::2] = 0.0
            hidden["left_live"] = live
        return nothing
    if not (said.coupling and meant.coupling and said.coupling != meant.coupling):
        return nothing
    dial = hidden["wrong_function"].copy()
    has_dial = ("wrong_function",) in particles.hypotheses
    for row, hypothesis in enumerate(particles.hypotheses):
        if "wrong_function" in hypothesis:
            # Or the wrong word was typed or read for the right function: nothing but the display tells.
            dial[row, : round(_WORD_SLIP * shape[1])] = 0.0
        if "part_dc" in hypothesis and has_dial:
            dial[row] = 1.0
    hidden["wrong_function"] = dial
    likely = [
        any(c in ("wrong_function", "part_dc", "scope_coupling") for c in hypothesis)
        for hypothesis in particles.hypotheses
    ]
    return np.where(likely, 0.0, np.log(load_catalogue().engine["lapse"]))


def moved_onto_reading(
    case: Case, model: BenchModel, particles: Particles, draws: Draws
) -> tuple[Booleans, Floats]:
    """Move particles onto the first reading, each by a `free` quantity of its causes, and return what that weighs.

    Where causes allow anything, few particles lie within the repeatability of the reading, fewer still where two causes
    do. So the other quantities stay as drawn, and the free one is solved for. Its own density there, over the slope of
    the reading, is what the particle weighs: its mean is the density of the reading.

    Returns
    -------
    moved : array of bool
        Particles whose free quantity could be solved for, whether what was found is possible or not.
    density : array
        Of the reading, on the scale of the likelihood; zero where it is not possible.
    """
    shape = particles.weight.shape
    moved, tried, density = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool), np.zeros(shape)
    shown, floor = case.reading.value, model.floor(FIRST_READING)
    if shown is None or model.other_unit or abs(shown) < _NEAR_ZERO * floor:
        return moved, density
    spread = load_catalogue().engine["repeatability"] * abs(shown) + 0.3 * case.reading.resolution
    target = shown + 0.5 * spread * draws("target").standard_normal(shape)
    names = [_free(case, particles, row) for row in range(shape[0])]
    for turn in range(max(map(len, names))):
        rows = np.array([row for row, own in enumerate(names) if len(own) > turn])
        there = {name: of_rows(values, rows) for name, values in particles.hidden.items()}
        own = [names[row][turn] for row in rows]
        solved = _solve(model, there, own, target[rows], lambda: Noise(draws("again"), shape[1]))
        missed = (solved.mass > 0) & ~(np.abs(solved.y - target[rows]) < 3.0 * spread + floor)
        new = np.isfinite(solved.mass) & ~missed & ~tried[rows]
        tried[rows] |= np.isfinite(solved.mass)
        for i, row in enumerate(rows):
            name, here = own[i][0], new[i] & (solved.mass[i] > 0)
            if here.any():
                values = particles.hidden[name]
                particles.hidden[name] = values = values if values.flags.writeable else values.copy()
                values[row, here] = solved.x[i, here]
        moved[rows] |= new
        density[rows] += np.where(new, solved.mass, 0.0) * (abs(shown) + floor) / abs(shown)
    return moved, density


def _free(case: Case, particles: Particles, row: int) -> list[tuple[str, Distribution]]:
    """Return the free quantities of a hypothesis that can be anything near what they are, the widest first."""
    catalogue = load_catalogue(case.context)
    causes = {c.id: c for c in catalogue.causes}
    found = []
    for cause in (causes[c] for c in particles.hypotheses[row]):
        for name in cause.free:
            distribution = cause.hidden.get(name) or catalogue.hidden[case.kind][name]
            found.append((name, distribution))
    # A pair's second cause says what both would change.
    unique = {name: distribution for name, distribution in found if distribution.spreads}
    width = {name: float(np.std(np.log(np.abs(particles.hidden[name][row]) + _TINY))) for name in unique}
    return sorted(unique.items(), key=lambda item: -width[item[0]])


class _Solved(NamedTuple):
    """Free quantities `x` for which the model shows `y`, and the density of that; NaN where it can't be solved."""

    x: Floats
    y: Floats
    mass: Floats


def _solve(
    model: BenchModel,
    h: Hidden,
    names: list[tuple[str, Distribution]],
    target: Floats,
    noise: Callable[[], Noise],
) -> _Solved:
    start = x = np.array([h[name][i] for i, (name, _) in enumerate(names)])
    slope = y = np.full(start.shape, np.nan)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for turn in range(3):  # factors and sums are solved at once, quotients of sums take more steps
            y, pushed = (_shown(model, h, names, each, noise()) for each in (x, x * _PUSH))
            slope = np.log(pushed / y) / np.log(_PUSH)
            as_sum = x + (target - y) * x * (_PUSH - 1.0) / (pushed - y)
            as_quotient = x * np.exp(np.log(target / y) / slope)
            x = np.where((turn == 0) & (slope * x * y < 0) & np.isfinite(as_quotient), as_quotient, as_sum)
            x = np.where(np.isfinite(x), x, start)
        own = [d.density(at) / (1.0 - d.at_points) for (_, d), at in zip(names, x, strict=True)]
        mass = np.nan_to_num(own) * np.abs(x / slope)
    fixed = np.array([np.isin(was, d.points) for (_, d), was in zip(names, start, strict=True)])
    mass[~(np.abs(slope) > _FLAT) | fixed] = np.nan
    return _Solved(x, _shown(model, h, names, x, noise()), mass)


def _shown(
    model: BenchModel, h: Hidden, names: list[tuple[str, Distribution]], x: Floats, noise: Noise
) -> Floats:
    own = dict(h)
    for row, (name, _) in enumerate(names):
        if own[name] is h[name]:
            own[name] = np.array(h[name])
        own[name][row] = x[row]
    found = model.predict(FIRST_READING, own, noise)
    return np.where(own["open_now"] > 0, found.other, found.value)
