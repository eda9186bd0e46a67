"""A reading that looks wrong, with what was expected and what has been tried since."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchlog.diagnosis.catalogue import load_catalogue
from benchlog.diagnosis.outcome import Outcome, parse_outcome, parse_shown
from benchlog.errors import UsageError, did_you_mean
from benchlog.units import Quantity, parse_quantity

MAINS_NOMINAL_V = 230.0
_RESISTANCE = re.compile(r"\d*[RkKM]\d+")
_KEYS = ("expect", "reading", "mains_nominal", "evidence", "context", "instrument", "frequency", "source")


@dataclass(frozen=True, slots=True)
class Evidence:
    """One check done and what it showed."""

    action: str
    outcome: Outcome
    text: str


@dataclass(frozen=True, slots=True)
class Case:
    """What is asked of the engine."""

    expect: Quantity  #: Expected value; volts with ``ac`` or ``dc``, ohms or amperes.
    reading: Outcome  #: First reading as displayed.
    evidence: tuple[Evidence, ...] = ()  #: Checks done since, in order.
    mains_nominal_v: float = MAINS_NOMINAL_V  #: Nominal mains voltage.
    #: What else is known: names of the ``[context]`` tables of ``catalogue.toml``.
    context: tuple[str, ...] = ()
    scope: bool = False  #: The reading was taken with a scope.
    frequency_hz: float = 0.0  #: Of the signal, when it is not the mains frequency; 0 otherwise.
    #: What feeds the points: ``"mains"``, ``"bench"`` (a bench supply, generator or reference), ``"battery"``
    #: or ``"none"``; empty if not stated: then mains for volts and amperes, none for ohms.
    fed_by: str = ""

    def __post_init__(self) -> None:
        if self.expect.unit not in ("V", "ohm", "A") or self.expect.value == 0:
            raise UsageError(
                f"expected value {self.expect.text!r} is not a voltage, resistance or current above zero",
                hint="write it like '27 V ac', '15 ohm' or '1.6 A ac'",
            )
        if self.expect.unit in ("V", "A") and not self.expect.coupling:
            raise UsageError(
                f"expected value {self.expect.text!r} does not say whether it is ac or dc",
                hint=f"write '{self.expect.text} ac' or '{self.expect.text} dc'",
            )
        unknown = sorted(set(self.context) - set(load_catalogue().contexts))
        if unknown:
            raise UsageError(
                f"unknown context {unknown[0]!r}", hint=f"one of: {', '.join(load_catalogue().contexts)}"
            )
        if self.fed_by and self.fed_by not in load_catalogue().sources:
            raise UsageError(
                f"unknown source {self.fed_by!r}", hint=f"one of: {', '.join(load_catalogue().sources)}"
            )

    @property
    def source(self) -> str:
        """What feeds the points, a key of the catalogue's `sources`."""
        return self.fed_by or ("none" if self.expect.unit == "ohm" else "mains")

    @property
    def kind(self) -> str:
        """Kind of reading, one of `catalogue.KINDS`."""
        if self.scope:
            return "scope"
        if self.expect.unit == "V":
            return "dc_volts" if self.expect.coupling == "dc" else "ac_volts"
        return "ohms" if self.expect.unit == "ohm" else "current"

    @property
    def function(self) -> str:
        """Function of the meter, as readings name it."""
        if self.expect.unit == "ohm":
            return "ohm"
        return f"{self.expect.unit}{'=' if self.expect.coupling == 'dc' else '~'}"

    @classmethod
    def from_text(
        cls,
        expect: str,
        reading: str,
        *,
        evidence: Sequence[Sequence[str]] = (),
        mains_nominal: str = "230 V ac",
        context: Sequence[str] = (),
        instrument: str = "meter",
        frequency: str = "",
        source: str = "",
    ) -> Case:
        """Build a case from what people type; `UsageError` if anything can't be read."""
        # A letter for the decimal mark is how resistances are marked (IEC 60062).
        marked = _RESISTANCE.fullmatch(expect.strip())
        expected = parse_quantity(expect, "ohm" if marked else None, what="expected value")
        if instrument not in ("meter", "scope"):
            raise UsageError(f"instrument {instrument!r} is neither meter nor scope")
        mains = parse_quantity(mains_nominal, "V", what="nominal mains")
        if mains.value <= 0:
            raise UsageError(
                f"nominal mains {mains_nominal!r} must be positive", hint="write it like '230 V'"
            )
        return cls(
            expected,
            parse_shown(reading, what="reading"),
            tuple(parse_evidence(pair) for pair in evidence),
            mains.value,
            tuple(context),
            instrument == "scope",
            parse_quantity(frequency, "Hz", what="frequency").value if frequency else 0.0,
            source,
        )

    @classmethod
    def from_json(cls, plain: Mapping[str, Any]) -> Case:
        """Build a case from one line of a cases file.

        Raises
        ------
        UsageError
            If a key is missing, unknown or of the wrong type.
        """
        example = 'like {"expect":"27 V ac","reading":"0.003 V ac","evidence":[["look","in order"]]}'
        if unknown := sorted(set(plain) - set(_KEYS)):
            raise UsageError(f"case has an unknown key {unknown[0]!r}", hint=f"keys are {', '.join(_KEYS)}")
        for key in ("expect", "reading"):
            if not isinstance(plain.get(key), str):
                raise UsageError(f"case has no text for {key!r}", hint=example)
        for key in ("mains_nominal", "instrument", "frequency", "source"):
            if not isinstance(plain.get(key, ""), str):
                raise UsageError(f"case: {key!r} must be text, not {plain[key]!r}", hint=example)
        evidence = plain.get("evidence", [])
        context = plain.get("context", [])
        if not isinstance(context, list) or not all(isinstance(word, str) for word in context):
            raise UsageError(f"case: context must be a list of words, not {context!r}", hint=example)
        if not isinstance(evidence, list) or not all(
            isinstance(pair, list) and len(pair) == 2 and all(isinstance(word, str) for word in pair)
            for pair in evidence
        ):
            raise UsageError("case: evidence must be a list of [action, outcome] pairs of text", hint=example)
        return cls.from_text(
            plain["expect"],
            plain["reading"],
            evidence=evidence,
            mains_nominal=plain.get("mains_nominal", "230 V ac"),
            context=context,
            instrument=plain.get("instrument", "meter"),
            frequency=plain.get("frequency", ""),
            source=plain.get("source", ""),
        )


def parse_evidence(pair: Sequence[str]) -> Evidence:
    """Read an action and its outcome; `UsageError` for an unknown action or an outcome it can't have."""
    name, text = pair
    actions = load_catalogue().actions
    if name not in actions:
        raise UsageError(
            f"unknown action {name!r}", hint=did_you_mean(name, actions, f"one of: {', '.join(actions)}")
        )
    return Evidence(name, parse_outcome(actions[name], text), text)


def plausible(expect: Quantity, reading: Quantity, u: float = 0.0) -> bool:
    """Tell whether a reading is near enough to what was expected, so that no question is needed.

    Parameters
    ----------
    expect, reading : Quantity
        In the same unit.
    u : float
        Standard uncertainty of the reading, in that unit.

    Returns
    -------
    bool
        False when they differ by more than 6 % of the expected and by more than 2 u, or in unit or coupling.
    """
    if expect.unit != reading.unit:
        return False
    if expect.coupling and reading.coupling and expect.coupling != reading.coupling:
        return False
    return abs(reading.value - expect.value) <= max(0.06 * abs(expect.value), 2.0 * u)
