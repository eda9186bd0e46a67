"""Values of plan files: each is read once, when the file is, and keeps the text it was written as.

A field's type says what belongs there: ``load: Ohms`` takes ``"15 ohm"``, gives ``check.load.value`` in ohm, and is
still the text ``"15 ohm"`` wherever it is shown or hashed. The same type describes the field to editors.

>>> Ohms("4.7 k").value, str(Ohms("4.7 k"))
(4700.0, '4.7 k')
"""

from __future__ import annotations

from typing import Any, ClassVar, Generic, Self, TypeVar

from benchlog.errors import UsageError
from benchlog.nameplate import Nameplate, parse_nameplate
from benchlog.units import Quantity, parse_quantity

T = TypeVar("T")


class ValueText(str, Generic[T]):
    """Text with the value read from it; subclasses say how it is read.

    Attributes
    ----------
    value : object
        What the text means; quantities in their SI unit.
    """

    value: T
    #: How it is written, for hints and editors.
    example: ClassVar[str] = ""
    #: What it is, for editors.
    about: ClassVar[str] = ""

    def __new__(cls, text: str) -> Self:
        """Read a text; `UsageError` if it can't be."""
        self = super().__new__(cls, text)
        self.value = cls.read(text)
        return self

    @classmethod
    def read(cls, text: str) -> T:
        """Return what a text means; `UsageError` if it can't be read."""
        raise NotImplementedError

    @classmethod
    def from_toml(cls, given: object) -> Self:
        """Read a value from a file: a text; a bare number only where no unit can be missing."""
        if isinstance(given, str):
            return cls(given)
        if isinstance(given, int | float) and not isinstance(given, bool):
            return cls.from_number(given)
        raise UsageError(f"{given!r} is not a text in quotes", hint=f'write it like "{cls.example}"')

    @classmethod
    def from_number(cls, number: float) -> Self:
        """Read a number written in a file without quotes."""
        raise UsageError(
            f"{number} is a bare number", hint=f'write it with its unit, in quotes, like "{cls.example}"'
        )

    @classmethod
    def schema(cls) -> dict[str, Any]:
        """JSON Schema of the field."""
        return {"type": "string", "description": cls.about, "examples": [cls.example]}


class _Measure(ValueText[float]):
    """A quantity above zero in one unit."""

    unit: ClassVar[str]

    @classmethod
    def read(cls, text: str) -> float:
        """See `ValueText.read`; a text without a unit is taken in the field's unit."""
        return parse_quantity(text, cls.unit, what=cls.about, above_zero=True).value


class Volts(_Measure):
    unit, example, about = "V", "24 V", "voltage"


class Ohms(_Measure):
    unit, example, about = "ohm", "15 ohm", "resistance"


class Amperes(_Measure):
    unit, example, about = "A", "0.500 A dc", "current"


class Hertz(_Measure):
    unit, example, about = "Hz", "5 kHz", "frequency"


class Henries(_Measure):
    unit, example, about = "H", "61 uH", "inductance"


class Teslas(_Measure):
    unit, example, about = "T", "1 T", "flux density"


class Metres(_Measure):
    unit, example, about = "m", "2.4 m", "length"


class SquareMetres(_Measure):
    unit, example, about = "m2", "37.5 mm2", "area"


class Celsius(ValueText[float]):
    """Temperature, degree Celsius."""

    example, about = "22 degC", "temperature"

    @classmethod
    def read(cls, text: str) -> float:
        return parse_quantity(text, "degC", what=cls.about).value


class Number(_Measure):
    """A plain number, such as one of turns; quotes may be left out."""

    unit, example, about = "1", "60", "number"

    @classmethod
    def from_number(cls, number: float) -> Self:
        return cls(str(number))

    @classmethod
    def schema(cls) -> dict[str, Any]:
        return super().schema() | {"type": ["string", "number"]}


class Share(Number):
    """A tolerance or other part of a whole, 0 to 100 %."""

    example, about = "0.5 %", "part of the whole, in per cent"

    @classmethod
    def read(cls, text: str) -> float:
        value = parse_quantity(text, "1", what="value").value
        if not 0 <= value <= 1:
            raise UsageError(
                f"{text!r} is {value * 100:g} %, not 0 to 100 %", hint=f'write it like "{cls.example}"'
            )
        return value


class Divider(ValueText[float]):
    """Ratio of a voltage divider; value is what the voltage is divided by."""

    example, about = "100:1", "ratio of a divider"

    @classmethod
    def read(cls, text: str) -> float:
        head, colon, tail = text.partition(":")
        try:
            top, bottom = (
                parse_quantity(part, "1", what="divider").value for part in (head, tail if colon else "1")
            )
        except UsageError as error:
            raise UsageError(error.message, hint="write it like 100:1") from None
        if not bottom > 0 or top < bottom:
            raise UsageError(f"a divider of {text} does not divide", hint="write it like 100:1")
        return top / bottom


class AnyQuantity(ValueText[Quantity]):
    """A quantity whose unit follows from what it is compared with."""

    example, about = "27.75 V", "quantity with its unit"

    @classmethod
    def read(cls, text: str) -> Quantity:
        return parse_quantity(text, what="value")

    def in_unit(self, unit: str, what: str = "value") -> float:
        """Value in an SI unit; `UsageError` where it is in another."""
        return parse_quantity(self, unit, what=what).value


class NameplateText(ValueText[Nameplate]):
    """What is printed on a supply."""

    example, about = "24 V ac 40 VA", "rated voltage with ac or dc, and rated power or current"

    @classmethod
    def read(cls, text: str) -> Nameplate:
        return parse_nameplate(text)


def value_of(text: ValueText[T] | None) -> T | None:
    """Value of an optional field; None where it is not given."""
    return None if text is None else text.value
