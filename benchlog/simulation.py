"""The simulated bench of the adapters' package, loaded by name: the core never imports adapters."""

from __future__ import annotations

import importlib
from contextlib import AbstractContextManager
from typing import Any

from benchlog.clock import Clock
from benchlog.errors import AdapterUnavailableError

__all__ = ["served_as_sim", "simulated_bench"]

_PACKAGE = "benchlog_drivers"


def simulated_bench(seed: int = 1, clock: Clock | None = None) -> Any:
    """Make a simulated bench, not yet serving its links.

    Raises
    ------
    AdapterUnavailableError
        If the adapters' package is missing.
    """
    return _module("simbench.bench").SimulatedBench(seed, clock)


def served_as_sim(bench: Any) -> AbstractContextManager[Any]:
    """Make a started bench the one that ``sim:`` addresses mean, until the block ends."""
    lent: AbstractContextManager[Any] = _module("simulated").using(bench)
    return lent


def _module(name: str) -> Any:
    try:
        return importlib.import_module(f"{_PACKAGE}.{name}")
    except ModuleNotFoundError as error:
        if error.name is not None and not error.name.startswith(_PACKAGE):
            raise
        raise AdapterUnavailableError(
            f"the simulated bench is missing ({error})",
            hint="install benchlog again: pip install --force-reinstall benchlog",
        ) from None
