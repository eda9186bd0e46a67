"""Plan files as a test needs them: the text of a plan from the few fields that matter to it.

``plan_text(part("T1"), reading_check("C01", "V=", high="6 V"), hold("H1", "solder T1 in", "C01"))``
"""

from __future__ import annotations

import json
from typing import Any

import msgspec

from benchlog.plan import Check
from benchlog.plan.kinds import AnyCheck

#: The name of a reading's limits in a plan, by what the meter's dial says.
QUANTITIES = {"V": "voltage", "A": "current"}


def toml(value: Any) -> str:
    """A TOML value of plain data."""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f").replace("\x9b", "\\u009b")
    if isinstance(value, list):
        return f"[{', '.join(toml(v) for v in value)}]"
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{toml(k)} = {toml(v)}' for k, v in value.items())} }}"
    return json.dumps(value)


def table(name: str, /, **fields: Any) -> str:
    """One entry of an array of tables."""
    return "\n".join([f"[[{name}]]", *(f"{key} = {toml(value)}" for key, value in fields.items())])


def plan_text(*tables: str, name: str = "Test rig", mains: str = "") -> str:
    """A whole plan: the project's head, then its parts, checks and holds."""
    head = f"[project]\nname = {toml(name)}" + (f"\nmains = {toml(mains)}" if mains else "")
    return "\n\n".join([head, *tables]) + "\n"


def part(tag: str, **fields: Any) -> str:
    """One part."""
    return table("part", tag=tag, **fields)


def check(check_id: str, kind: str, *, part: str = "T1", **fields: Any) -> str:
    """One check of any kind."""
    return table("check", id=check_id, kind=kind, part=part, **fields)


def reading_check(
    check_id: str,
    function: str,
    *,
    low: str | None = None,
    high: str | None = None,
    meter: str = "MB-02",
    **fields: Any,
) -> str:
    """One reading of volts or amperes; without `low` and `high` it has no limits."""
    limits = {side: value for side, value in (("low", low), ("high", high)) if value is not None}
    if limits:
        fields["limits"] = {QUANTITIES[function[0]]: limits}
    return check(check_id, "reading", function=function, meter=meter, **fields)


def hold(hold_id: str, step: str, *needs: str, **fields: Any) -> str:
    """One hold point: a step and the checks that must have passed."""
    return table("hold", id=hold_id, step=step, needs=list(needs), **fields)


def made(check_id: str, kind: str, *, part: str = "T1", **fields: Any) -> Check:
    """One check of any kind as it comes out of a plan file."""
    plain = {"id": check_id, "kind": kind, "part": part, **fields}
    return msgspec.convert(plain, AnyCheck, dec_hook=lambda kind, given: kind.from_toml(given))
