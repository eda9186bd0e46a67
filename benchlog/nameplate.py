"""What is printed on a supply: rated voltage, ac or dc, power or current, and whether it regulates."""

from __future__ import annotations

import re
from enum import StrEnum

import msgspec

from benchlog.errors import UsageError
from benchlog.units import parse_quantity


class Regulation(StrEnum):
    """Whether a DC supply holds its output voltage, whatever load and mains do."""

    REGULATED = "regulated"
    UNREGULATED = "unregulated"
    UNKNOWN = "unknown"


class Nameplate(msgspec.Struct, frozen=True):
    """What is printed on a supply."""

    voltage_v: float  #: Rated output, volt.
    coupling: str  #: One of "ac", "dc".
    power_va: float | None  #: Rated power, volt-ampere.
    text: str = ""  #: As typed.
    regulation: Regulation = Regulation.UNKNOWN  #: Of a DC output.
    coupling_assumed: bool = False  #: Whether the text says neither ``ac`` nor ``dc``; then AC is assumed.

    @property
    def current_a(self) -> float | None:
        """Rated current, ampere; None without a rating."""
        return None if self.power_va is None else self.power_va / self.voltage_v


def parse_nameplate(text: str) -> Nameplate:
    """Read a supply's nameplate: voltage, ``ac`` or ``dc``, and rated power or current.

    >>> parse_nameplate("24 V ac 40 VA").power_va
    40.0
    >>> round(parse_nameplate("24 V ac 1.5 A").power_va, 6)
    36.0
    >>> parse_nameplate("OUTPUT: AC 24V 1.5A").coupling
    'ac'
    >>> str(parse_nameplate("9 V dc 1 A switching").regulation)
    'regulated'
    """
    hint = "write the nameplate like '24 V ac 40 VA', '12 V dc 1.5 A regulated' or '9 V dc 1 A unregulated'"
    words = text.strip()
    if words[:1].isalpha():  # as labels have it: OUTPUT: AC 24 V
        words = re.sub(_LABEL, "", words)
        words = re.sub(r"(?i)^(ac|dc)\s*([\d.,]+\s*V)", r"\2 \1", words)
    words, regulation = _regulation(words)
    match = re.fullmatch(
        r"(.*?V(?:\s*(?:ac|dc|AC|DC|~|=))?)(?:\s*[,/ ]\s*(\S+\s*(?:[mk]?VA|[mk]?W|[um]?A)))?\s*", words
    )
    if not match:
        raise UsageError(f"nameplate {text!r} can't be read", hint=hint)
    voltage = parse_quantity(match.group(1), "V", what="nameplate voltage")
    if voltage.value <= 0:
        raise UsageError(f"nameplate {text!r}: the voltage must be positive", hint=hint)
    power: float | None = None
    if match.group(2):
        rating = parse_quantity(match.group(2), what="nameplate rating")
        if rating.value <= 0:
            raise UsageError(f"nameplate {text!r}: the rating must be positive", hint=hint)
        power = rating.value * voltage.value if rating.unit == "A" else rating.value
        if power < _LEAST_VA:
            raise UsageError(
                f"nameplate {text!r}: no supply gives less than {_LEAST_VA:g} VA",
                hint="check its prefix on the label: VA or mVA, A or mA",
            )
    coupling = voltage.coupling or "ac"
    assumed = not voltage.coupling
    if regulation is not Regulation.UNKNOWN and coupling != "dc":
        raise UsageError(f"nameplate {text!r}: only a DC output is {regulation}", hint=hint)
    return Nameplate(voltage.value, coupling, power, text.strip(), regulation, coupling_assumed=assumed)


#: Less is a slip of the prefix: the smallest transformers give some tenths of a volt-ampere; common practice, no source.
_LEAST_VA = 0.1

#: What labels write before the output's voltage.
_LABEL = r"(?i)^(output|out|o/p|sec(ondary)?)\b[.:]*\s*"

#: Words of nameplates; a switching supply regulates its output.
_REGULATION_WORDS = {
    "regulated": Regulation.REGULATED,
    "stabilised": Regulation.REGULATED,
    "stabilized": Regulation.REGULATED,
    "switching": Regulation.REGULATED,
    "switch-mode": Regulation.REGULATED,
    "smps": Regulation.REGULATED,
    "unregulated": Regulation.UNREGULATED,
    "unstabilised": Regulation.UNREGULATED,
    "unstabilized": Regulation.UNREGULATED,
}


def _regulation(text: str) -> tuple[str, Regulation]:
    """Split off the last word of a nameplate if it names the regulation."""
    rest, _, last = text.rpartition(" ")
    found = _REGULATION_WORDS.get(last.strip(",").lower())
    return (text, Regulation.UNKNOWN) if found is None else (rest.rstrip(" ,"), found)
