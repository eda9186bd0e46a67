"""What the first reading settles before any check: the function it was displayed in, and where the particles lie."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.case import Case
from benchlog.diagnosis.catalogue import load_catalogue
from benchlog.diagnosis.forward import FIRST_READING, BenchModel
from benchlog.diagnosis.hidden import Hidden, Noise, Particles

__all__ = ["as_displayed", "move_onto_reading"]

Floats = npt.NDArray[np.float64]
Draws = Callable[[str], np.random.Generator]
"""Returns the generator of a purpose."""

_PUSH = 1.01  # relative step of the secant that moves particles onto the first reading
_REACH = 0.4  # and how far they are moved at most
_PRESENT_V = 1.0  # volts on points that should be dead; less may be pick-up: judgement
_WORD_SLIP = 0.1  # share of readings in the other coupling where only the word is wrong: judgement


def as_displayed(case: Case, model: BenchModel, particles: Particles) -> Floats:
    """Take the function that the first reading was displayed in as the one the dial is at.

    Where it is not the expected one, the dial is wrong, or an output that is DC was reason to turn it; any other
    cause needs a slip beside it. Volts on points that should be dead show that they are live.

    Returns
    -------
    array
        What it adds to the logarithm of each hypothesis' weight.
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


def move_onto_reading(case: Case, model: BenchModel, particles: Particles, draws: Draws) -> None:
    """Move particles near the first reading onto it, each hypothesis by the `free` quantity of its causes.

    Where a cause allows anything, few particles lie within the repeatability of the reading; moved by a secant
    step they all do, and a second reading of the same thing is then expected to be the same.
    """
    shown = case.reading.value
    if shown is None:
        return
    free = {c.id: c.free for c in load_catalogue().causes}
    names = [[name for c in hypothesis for name in free[c]] for hypothesis in particles.hypotheses]
    spread = load_catalogue().engine["repeatability"] * abs(shown) + 0.3 * case.reading.resolution
    noise = draws("target").standard_normal(particles.weight.shape)
    target = shown + 0.5 * spread * noise
    for turn in range(max(map(len, names))):
        moving = {row: own[turn] for row, own in enumerate(names) if len(own) > turn}
        _move(model, particles, moving, target, draws)


def _move(
    model: BenchModel, particles: Particles, names: dict[int, str], target: Floats, draws: Draws
) -> None:
    h = particles.hidden
    pushed = dict(h)
    for row, name in names.items():
        if pushed[name] is h[name]:
            pushed[name] = h[name].copy()
        pushed[name][row] *= _PUSH
    before, after = (_again(model, particles, each, draws) for each in (h, pushed))
    moved = {name: h[name].copy() for name in set(names.values())}
    for row, name in names.items():
        with np.errstate(divide="ignore", invalid="ignore"):
            factor = 1.0 + (_PUSH - 1.0) * (target[row] - before[row]) / (after[row] - before[row])
        near = np.isfinite(factor) & (np.abs(factor - 1.0) < _REACH)
        moved[name][row] *= np.where(near, factor, 1.0)
    h.update(moved)


def _again(model: BenchModel, particles: Particles, h: Hidden, draws: Draws) -> Floats:
    noise = Noise.like(particles.weight, draws("again"))
    found = model.predict(FIRST_READING, h, noise)
    return np.where(h["open_now"] > 0, found.other, found.value)
