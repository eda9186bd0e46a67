"""A resistor whose value is known: load, burden, sense or series resistor, the known one of a comparison."""

from __future__ import annotations

from typing import Any

from benchlog.influence import Influence, Role
from benchlog.metrology.budget import uniform


def known_resistor(ohm: float, tolerance: float, role: Role) -> Any:
    """Uncertain resistance from the half-width of its error, relative; the budget calls it by value and role."""
    name = f"{ohm:g} ohm {role}"
    return uniform(ohm, ohm * tolerance, label=name, influence=Influence(role, name), scale=ohm)
