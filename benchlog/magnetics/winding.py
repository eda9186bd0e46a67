"""How a winding lies on a toroid: turn length, turns per layer, window fill, wire to cut, resistance.

>>> from benchlog.magnetics.core import parse_core
>>> from benchlog.magnetics.wire import Wire
>>> core = parse_core("25x15x10", coating_m=0.5e-3)
>>> wire = Wire("0.51 mm", 0.51e-3, 0.57e-3)
>>> round(turn_length_m(core, wire) * 1e3, 2), layer_capacity(core, wire, 1)
(34.74, 73)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog.errors import UsageError
from benchlog.magnetics.core import Toroid
from benchlog.magnetics.wire import Wire

HAND_SLACK = 0.03  # common practice, no source
CUT_STEP_M = 0.010


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer: how many turns it holds, how many lie on it, how long each is (metre)."""

    capacity: int
    turns: int
    turn_length_m: float


@dataclass(frozen=True, slots=True)
class WindingPlan:
    """A winding laid out on a core."""

    turns: int
    turn_length_m: float  #: Of the first layer, measured or from the geometry.
    layers: tuple[Layer, ...]  #: From the core outwards.
    window_fill: float  #: Wire over enamel as part of the hole's area.
    slack: float  #: Part added to the wire for winding by hand.
    wound_m: float  #: Wire on the core, without slack and leads.
    #: Part of `wound_m` that the longer turns of outer layers take beyond first-layer turns.
    outer_layers_m: float
    lead_m: float  #: Each of the two leads.
    cut_m: float  #: Length to cut, rounded up to 10 mm.
    left_window_m: float  #: Diameter of the hole that remains.

    @property
    def wire_m(self) -> float:
        """Copper between the ends of the leads, without slack: what the resistance is of."""
        return self.wound_m + 2 * self.lead_m


def turn_length_m(core: Toroid, wire: Wire, layer: int = 1) -> float:
    """Length of one taut turn, its corners rounded by coating and wire.

    2 h + (OD - ID) + 2 pi (coating + d/2); each further layer lies one enamelled diameter further out.
    """
    stand_off = core.coating_m + wire.diameter_m / 2 + (layer - 1) * wire.over_enamel_m()
    return 2 * core.height_m + (core.outer_m - core.inner_m) + 2 * math.pi * stand_off


def corner_allowance_m(core: Toroid, wire: Wire) -> float:
    """Extra length of a turn with square corners instead of rounded ones: (8 - 2 pi) per stand-off."""
    return (8 - 2 * math.pi) * (core.coating_m + wire.diameter_m / 2)


def layer_capacity(core: Toroid, wire: Wire, layer: int) -> int:
    """Turns side by side on a layer's inner circle: floor(pi / asin(d / (window - d))), 0 when none fits."""
    thickness = wire.over_enamel_m()
    centres = core.window_m - (2 * layer - 1) * thickness  # diameter of the circle of wire centres
    if centres < thickness:
        return 1 if centres >= 0 and layer == 1 else 0
    # Wires that just touch (6 round a hole of three diameters) must not be lost to rounding.
    return math.floor(math.pi / math.asin(thickness / centres) + 1e-9)


def plan_winding(
    core: Toroid,
    wire: Wire,
    turns: int,
    *,
    lead_m: float = 0.15,
    one_turn_m: float | None = None,
    slack: float | None = None,
) -> WindingPlan:
    """Lay `turns` out in layers and say what to cut.

    Cut = turns x turn length x (1 + slack) + one lead at each end, rounded up to 10 mm. The slack is 3 % by
    hand and 0 when one turn was measured. Outer layers' longer turns may use half of the slack; what they take
    beyond that is added.

    Parameters
    ----------
    core, wire : Toroid, Wire
    turns : int
        At least 1.
    lead_m : float
        Length of each lead.
    one_turn_m : float, optional
        Measured length of a first-layer turn.
    slack : float, optional
        Part added to the wire.

    Raises
    ------
    UsageError
        If a number makes no sense or the turns do not fit through the hole.
    """
    if turns < 1:
        raise UsageError(f"a winding can't have {turns} turns", hint="turns is a whole number from 1")
    if lead_m < 0 or (slack is not None and slack < 0):
        raise UsageError("leads and slack can't be negative", hint="write --leads '300 mm'")
    computed = turn_length_m(core, wire)
    if one_turn_m is not None and not 0.7 * computed < one_turn_m < 1.5 * computed:
        raise UsageError(
            f"one turn of {one_turn_m * 1e3:g} mm does not fit this core: {computed * 1e3:.1f} mm expected",
            hint="check core dimensions and the measured turn (wind five, divide by five)",
        )
    first = computed if one_turn_m is None else one_turn_m
    layers = _lay(core, wire, turns, first - computed)
    slack = slack if slack is not None else (HAND_SLACK if one_turn_m is None else 0.0)
    wound = sum(layer.turns * layer.turn_length_m for layer in layers)
    outer = wound - turns * first
    allowance = turns * first * slack
    needed = turns * first + max(allowance, outer + allowance / 2) + 2 * lead_m
    fill = turns * (wire.over_enamel_m() / core.window_m) ** 2
    return WindingPlan(
        turns=turns,
        turn_length_m=first,
        layers=layers,
        window_fill=fill,
        slack=slack,
        wound_m=wound,
        outer_layers_m=outer,
        lead_m=lead_m,
        cut_m=_round_up(needed, CUT_STEP_M),
        left_window_m=core.window_m - 2 * len(layers) * wire.over_enamel_m(),
    )


def _lay(core: Toroid, wire: Wire, turns: int, correction_m: float) -> tuple[Layer, ...]:
    layers: list[Layer] = []
    left = turns
    while left > 0:
        number = len(layers) + 1
        capacity = layer_capacity(core, wire, number)
        if capacity == 0:
            raise UsageError(
                f"only {turns - left} of {turns} turns of {wire.name} fit through a hole of "
                f"{core.window_m * 1e3:g} mm",
                hint="use thinner wire, a larger core or fewer turns",
            )
        laid = min(left, capacity)
        layers.append(Layer(capacity, laid, turn_length_m(core, wire, number) + correction_m))
        left -= laid
    return tuple(layers)


def _round_up(length_m: float, step_m: float) -> float:
    # 2.68 m must not become 2.69 m because 0.01 has no exact binary form.
    return round(math.ceil(length_m / step_m - 1e-9) * step_m, 6)
