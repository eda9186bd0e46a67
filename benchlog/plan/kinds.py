"""The table of check kinds: one row each, from the modules that declare them."""

from __future__ import annotations

import operator
from functools import reduce
from typing import TYPE_CHECKING, TypeAlias

from benchlog.plan.check import Check, Kind
from benchlog.plan.list_kind import LIST_KINDS
from benchlog.plan.meter_kinds import METER_KINDS
from benchlog.plan.scope_kinds import SCOPE_KINDS

KINDS: tuple[Kind, ...] = (*METER_KINDS, *SCOPE_KINDS, *LIST_KINDS)

if TYPE_CHECKING:
    AnyCheck: TypeAlias = Check
else:
    #: What a plan file may hold under ``[[check]]``.
    AnyCheck = reduce(operator.or_, (kind.spec for kind in KINDS))

_BY_SPEC = {kind.spec: kind for kind in KINDS}
_BY_RESULT = {kind.result or kind.tag: kind for kind in KINDS}


def kind_of(check: Check) -> Kind:
    """Row of a check's kind."""
    return _BY_SPEC[type(check)]


def kind_of_result(name: str) -> Kind | None:
    """Row of the kind with this name of results; None for results that no check of a plan gives."""
    return _BY_RESULT.get(name)
