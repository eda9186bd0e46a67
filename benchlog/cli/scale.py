"""A value between its limits as one line of a terminal."""

from __future__ import annotations

from benchlog.result import Limits, Uncertain

_SIGNS = {"limit": "│", "inside": "·", "bar": "━", "value": "●"}
_PLAIN_SIGNS = {"limit": "|", "inside": ".", "bar": "=", "value": "o"}


def scale_line(quantity: Uncertain, limits: Limits, width: int, *, plain: bool = False) -> str:
    """Draw a value with its uncertainty on a scale with its limits.

    Parameters
    ----------
    limits : Limits
        At least one of them.
    width : int
        Columns of the scale.
    plain : bool
        Use ASCII signs only.

    Returns
    -------
    str
        Empty if there is no room or nothing to draw.

    Examples
    --------
    >>> scale_line(Uncertain(27.75, 0.19, 0.38, "V"), Limits(26.16, 29.5, "V"), 41, plain=True)
    '    |...........===o====............|    '
    """
    ends = [end for end in (limits.low, limits.high) if end is not None]
    if not ends or width < 20:
        return ""
    low, high = quantity.value - quantity.expanded_uncertainty, quantity.value + quantity.expanded_uncertainty
    # A one-sided scale begins at zero if that shows how far away the limit is.
    least, most = min(low, *ends), max(high, *ends)
    if len(ends) == 1 and 0 < least < most:
        least = min(least, 0.0) if most < 20 * least else least
    if len(ends) == 2:
        span = ends[1] - ends[0]
        least, most = max(least, ends[0] - 3 * span), min(most, ends[1] + 3 * span)
    pad = 0.12 * (most - least) or abs(most) * 0.1 or 1.0
    least, most = least - pad, most + pad

    def place(value: float) -> int:
        return min(width - 1, max(0, round((value - least) / (most - least) * (width - 1))))

    signs = _PLAIN_SIGNS if plain else _SIGNS
    cells = [" "] * width
    first = 0 if limits.low is None else place(limits.low)
    last = width - 1 if limits.high is None else place(limits.high)
    cells[first : last + 1] = signs["inside"] * (last + 1 - first)
    cells[place(low) : place(high) + 1] = signs["bar"] * (place(high) + 1 - place(low))
    for end in ends:
        cells[place(end)] = signs["limit"]
    cells[place(quantity.value)] = signs["value"]
    return "".join(cells)
