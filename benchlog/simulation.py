"""The simulated bench of the adapters' package, loaded by name: the core never imports adapters."""

from __future__ import annotations

import importlib
from collections.abc import Iterable
from contextlib import AbstractContextManager
from typing import Any

from benchlog.adapter import Reader
from benchlog.bench import Instrument
from benchlog.clock import Clock
from benchlog.errors import AdapterUnavailableError
from benchlog.reading import Function
from benchlog.registry import make_adapter

_PACKAGE = "benchlog_drivers"


def simulated_bench(seed: int = 1, clock: Clock | None = None) -> Any:
    """Make a simulated bench, not yet serving its links.

    Raises
    ------
    AdapterUnavailableError
        If the adapters' package is missing.
    """
    return _module("simbench.bench").SimulatedBench(seed, clock)


def shared_bench(instruments: Iterable[Instrument], clock: Clock) -> AbstractContextManager[Any]:
    """Set up the bench that ``sim:`` addresses mean, with the faults planted in these; until the block ends.

    Raises
    ------
    BenchlogError
        For an instrument or a fault that the simulated bench does not know.
    """
    adapters = [
        make_adapter(i.address, i.tag, clock=clock, options=dict(i.options), kind=i.kind) for i in instruments
    ]
    shared: AbstractContextManager[Any] = _module("simulated").shared(adapters, clock)
    return shared


def set_up_for(reader: Reader, function: Function | None, point: str = "") -> None:
    """Turn a simulated meter's dial, and put its tips on a point if it has that name; others are left alone."""
    set_up = getattr(reader, "set_up_for", None)
    if set_up is not None:
        set_up(function, point)


def simulated_person(bench: Any, meter: str = "MA-01", **about: Any) -> Any:
    """Return somebody at a simulated bench who can carry out the checks of a diagnosis with a meter."""
    return _module("simbench.person").Person(bench, meter, **about)


def served_as_sim(bench: Any) -> AbstractContextManager[Any]:
    """Let ``sim:`` addresses refer to a started bench, until the block ends."""
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
