"""Examples in docstrings are what the code gives."""

from __future__ import annotations

import doctest
import importlib
import importlib.util
from pathlib import Path

import pytest

ROOTS = [
    Path(spec.origin).parent
    for name in ("benchlog", "benchlog_drivers", "benchlog_soundcard")
    if (spec := importlib.util.find_spec(name)) is not None and spec.origin
]
MODULES = sorted(
    ".".join([root.name, *path.relative_to(root).with_suffix("").parts]).removesuffix(".__init__")
    for root in ROOTS
    for path in root.rglob("*.py")
    if ">>> " in path.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("name", MODULES)
def test_examples(name: str) -> None:
    """Each module's own."""
    found = doctest.testmod(importlib.import_module(name))
    assert found.attempted
    assert not found.failed
