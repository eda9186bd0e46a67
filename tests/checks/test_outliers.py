"""Who is the odd one out."""

from __future__ import annotations

import pytest

from benchlog.checks.outliers import outliers


@pytest.mark.parametrize(
    ("tags", "strong", "weak", "odd"),
    [
        ("ABC", [], [("A", "B")], ()),
        ("AB", [("A", "B")], [], ("A", "B")),
        ("ABC", [("A", "B"), ("A", "C")], [], ("A",)),
        ("ABC", [("A", "B")], [], ("A", "B")),
        ("ABC", [("A", "B")], [("B", "C")], ("B",)),
        ("ABC", [("A", "B")], [("B", "C"), ("A", "C")], ("A", "B")),
        ("ABC", [("A", "B"), ("A", "C"), ("B", "C")], [], ("A", "B", "C")),
        ("ABCD", [("A", "D"), ("B", "D"), ("C", "D")], [], ("D",)),
        ("ABCD", [("A", "B"), ("C", "D")], [], ("A", "B", "C", "D")),
    ],
)
def test_the_odd_one_is_the_meter_without_which_the_others_agree(
    tags: str, strong: list[tuple[str, str]], weak: list[tuple[str, str]], odd: tuple[str, ...]
) -> None:
    assert outliers(tags, strong, weak) == odd
