"""GTC, imported without NumPy and SciPy.

GTC imports both for its arrays, its statistics and coverage factors; benchlog works these out itself or does without.
They take longer to import than all that a typed check does, so they are put off until one of their names is used.
"""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import Any

#: What GTC imports for arrays and distributions; `linear_algebra` derives a class from NumPy's array.
_PUT_OFF = ("numpy", "scipy", "scipy.special", "scipy.optimize", "GTC.linear_algebra")


class _Deferred(ModuleType):
    """Stands in for a module until one of its names is asked for."""

    def __getattr__(self, name: str) -> Any:
        if (inner := f"{self.__name__}.{name}") in _PUT_OFF:
            return _Deferred(inner)
        if name.startswith("__"):  # asked by the import system, of a module that it takes for this one
            raise AttributeError(name)
        return getattr(importlib.import_module(self.__name__), name)


def _import_gtc() -> ModuleType:
    deferred = [name for name in _PUT_OFF if name not in sys.modules]
    sys.modules.update({name: _Deferred(name) for name in deferred})
    try:
        return importlib.import_module("GTC")
    finally:
        for name in deferred:
            del sys.modules[name]


GTC: Any = _import_gtc()
reporting: Any = importlib.import_module("GTC.reporting")
