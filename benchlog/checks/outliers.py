"""Find the odd one out: the meter without which the others agree."""

from __future__ import annotations

from collections.abc import Collection, Sequence

Edge = tuple[str, str]


def explains_all(tag: str, strong: Collection[Edge]) -> bool:
    """Whether all others agree: the meter is in every pair that disagrees."""
    return all(tag in edge for edge in strong)


def outliers(tags: Sequence[str], strong: Collection[Edge], weak: Collection[Edge] = ()) -> tuple[str, ...]:
    """Name the meters that may be the wrong one.

    Parameters
    ----------
    tags : sequence of str
        Meters compared with one another.
    strong : collection of pairs
        Pairs that disagree.
    weak : collection of pairs
        Pairs that nearly disagree; they break ties.

    Returns
    -------
    tuple of str
        Empty if nothing disagrees; one tag if the others agree without it; several if the comparison can't tell (always with
        two meters); all that disagree if no single meter explains it.

    Examples
    --------
    >>> outliers("ABC", [("A", "B"), ("A", "C")])
    ('A',)
    >>> outliers("AB", [("A", "B")])
    ('A', 'B')
    >>> outliers("ABC", [("A", "B")], [("A", "B"), ("B", "C")])
    ('B',)
    """
    if not strong:
        return ()
    concerned = tuple(tag for tag in tags if any(tag in edge for edge in strong))
    alone = tuple(tag for tag in concerned if explains_all(tag, strong))
    if not alone:
        return concerned
    leaning = {tag: sum(tag in edge for edge in {*weak, *strong}) for tag in alone}
    most = max(leaning.values())
    return tuple(tag for tag in alone if leaning[tag] == most)
