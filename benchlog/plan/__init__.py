"""The plan: parts, checks with limits fixed beforehand, hold points, substitutions."""

from benchlog.plan.check import Check, Kind, LimitText
from benchlog.plan.file import Hold, Part, Plan, Project, Substitution, plan_schema, read_plan
from benchlog.plan.kinds import KINDS, kind_of, kind_of_result

__all__ = [
    "KINDS",
    "Check",
    "Hold",
    "Kind",
    "LimitText",
    "Part",
    "Plan",
    "Project",
    "Substitution",
    "kind_of",
    "kind_of_result",
    "plan_schema",
    "read_plan",
]
