"""The lines of a budget, by role."""

from __future__ import annotations

from benchlog.influence import Role
from benchlog.result import Uncertain


def roles(quantity: Uncertain) -> list[Role]:
    """Roles of the budget's lines, largest contribution first."""
    return [line.influence.role for line in quantity.budget if line.influence is not None]
