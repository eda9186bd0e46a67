"""The lock file names a version, fit for use, of everything the package asks for."""

from __future__ import annotations

import re
from importlib.metadata import requires
from pathlib import Path

from packaging.requirements import Requirement

LOCK = Path(__file__).parents[1] / "requirements.lock"


def plain(name: str) -> str:
    """A distribution's name in the form names are compared in (packaging's name normalisation)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def test_every_dependency_is_locked_to_a_version_it_allows() -> None:
    """Core, extras and tools alike; no path, no index and no URL is in the file."""
    lines = [line for line in LOCK.read_text().splitlines() if not line.startswith("#")]
    assert all(re.fullmatch(r"[\w.-]+==[\w.]+", line) for line in lines)
    locked = {plain(name): version for name, version in (line.split("==") for line in lines)}
    for text in requires("benchlog") or []:
        wanted = Requirement(text)
        if plain(wanted.name) != "benchlog":
            assert wanted.specifier.contains(locked[plain(wanted.name)]), text
