"""Values of a plan that only metrology or magnetics can read: a meter's accuracy, a wire's size."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchlog.metrology.accuracy import Accuracy, parse_accuracy
from benchlog.quantity_text import ValueText

if TYPE_CHECKING:
    from benchlog.magnetics.wire import Wire


class AccuracyText(ValueText[Accuracy]):
    """Accuracy statement of a meter."""

    __slots__ = ()
    example, about = "0.5 % + 2", "accuracy: per cent of the reading + counts"

    @classmethod
    def read(cls, text: str) -> Accuracy:
        """See `ValueText.read`."""
        return parse_accuracy(text, "plan")


class WireText(ValueText["Wire"]):
    """Size of a round copper wire."""

    __slots__ = ()
    example, about = "AWG 24", "wire size: AWG, SWG or diameter"

    @classmethod
    def read(cls, text: str) -> Wire:
        """See `ValueText.read`."""
        from benchlog.magnetics.wire import parse_wire  # only plans that name a wire need it

        return parse_wire(text)
