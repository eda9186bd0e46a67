"""What a meter's display shows, before it becomes text or a frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

from benchlog.reading import Flag, Function

_POWERS = {"n": -9, "u": -6, "m": -3, "": 0, "k": 3, "M": 6}


@dataclass(frozen=True, slots=True)
class Display:
    """Digits, point, prefix and symbols.

    Attributes
    ----------
    counts : int or None
        Signed number without its point; None is overload.
    decimals : int
        Digits after the point.
    prefix : str
        ``"m"``, ``""``, ``"k"``...
    top : float
        Full scale of the range in use, SI.
    """

    function: Function
    counts: int | None
    decimals: int
    prefix: str
    flags: frozenset[Flag]
    top: float

    def with_flag(self, flag: Flag) -> Display:
        """Same display with one more symbol."""
        return replace(self, flags=self.flags | {flag})

    @property
    def digits(self) -> str:
        """Number as shown, ``"-0.03"``; ``"OL"`` for overload."""
        if self.counts is None:
            return "OL"
        text = f"{abs(self.counts):0{self.decimals + 1}d}"
        if self.decimals:
            text = f"{text[: -self.decimals]}.{text[-self.decimals :]}"
        return f"-{text}" if self.counts < 0 else text

    @property
    def resolution(self) -> float:
        """One count in the SI unit."""
        return float(f"1e{_POWERS[self.prefix] - self.decimals}")

    @property
    def text(self) -> str:
        """Digits with prefix and unit, as a person reads them off: ``"27.8 V"``; ``"OL"``."""
        return "OL" if self.counts is None else f"{self.digits} {self.prefix}{self.function.unit}"
