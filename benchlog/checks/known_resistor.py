"""A resistor of known value: load, burden, sense or series resistor, or the reference of a comparison."""

from __future__ import annotations

from typing import Any

from benchlog.influence import Influence, Role
from benchlog.metrology.budget import uniform


def known_resistor(ohm: float, tolerance: float, role: Role) -> Any:
    """Uncertain resistance from the relative half-width of its error; the budget names it by value and role."""
    name = f"{ohm:g} ohm {role}"
    return uniform(ohm, ohm * tolerance, label=name, influence=Influence(role, name), scale=ohm)
