"""GTC, imported without NumPy and SciPy.

GTC uses both for arrays, statistics and coverage factors, which benchlog computes itself or does not need. Importing
them takes longer than a whole typed check, so they are imported only when one of their names is used.
"""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import Any

#: What GTC imports for arrays and distributions; `linear_algebra` derives a class from NumPy's array.
_PUT_OFF = ("numpy", "scipy", "scipy.special", "scipy.optimize", "GTC.linear_algebra")


class _Deferred(ModuleType):
    """Placeholder for a module until one of its names is used."""

    def __getattr__(self, name: str) -> Any:
        if (inner := f"{self.__name__}.{name}") in _PUT_OFF:
            return _Deferred(inner)
        if name.startswith("__"):  # the import system inspects the module
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
