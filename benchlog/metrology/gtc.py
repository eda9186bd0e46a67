"""GTC, imported without SciPy.

GTC's `reporting` imports SciPy's special functions and optimisers, half a second, for coverage factors that benchlog
works out itself. They are put off until one is used, so that a typed check answers at once.
"""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import Any

__all__ = ["GTC", "reporting"]


class _Deferred(ModuleType):
    """Stands in for a module until one of its names is asked for."""

    def __getattr__(self, name: str) -> Any:
        return getattr(importlib.import_module(self.__name__), name)


def _import_gtc() -> ModuleType:
    deferred = [name for name in ("scipy.special", "scipy.optimize") if name not in sys.modules]
    sys.modules.update({name: _Deferred(name) for name in deferred})
    try:
        return importlib.import_module("GTC")
    finally:
        for name in deferred:
            del sys.modules[name]


GTC: Any = _import_gtc()
reporting: Any = importlib.import_module("GTC.reporting")
