"""Findings beside a result: a text for people and a kind for code."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import Self


class FindingKind(StrEnum):
    """What a finding is about."""

    # the record
    CLIPPING = "clipping"
    TOO_FEW_CYCLES = "too few cycles"
    TIME_BASE = "time base"
    GAP = "gap"
    AMPLITUDE_MOVES = "amplitude moves"
    FREQUENCY_MOVES = "frequency moves"
    SPECTRUM = "spectrum"
    SEVERAL_TONES = "several tones"
    NO_SIGNAL = "no signal"
    QUANTISATION = "quantisation"
    HARMONICS = "harmonics"
    # the meter
    DISPLAY = "display state"
    FROZEN = "frozen display"
    METER_IN_DOUBT = "meter in doubt"
    ACCURACY = "accuracy not known"
    STATED_ACCURACY = "accuracy as stated"
    CORRECTED = "corrected by what is known of the meter"
    RESPONSE = "response to the waveform"
    CHART = "chart"
    NEAR_LIMIT = "near its limit"
    TREND = "trend"
    ADJUSTED = "as found, as left"
    # the set-up
    ENTRY = "typed entry"
    HOOKUP = "hook-up"
    POLARITY = "polarity"
    PHASE = "phase"
    LEADS = "leads"
    GAINS = "gains"
    CONDITIONS = "conditions"
    ASSUMPTION = "assumption"
    # meters compared with each other
    SECOND_METER = "second meter"
    ODD_ONE_OUT = "odd one out"
    DRIFT = "drift"
    SCATTER = "scatter"
    CLOCKS = "clocks"
    BIAS = "bias"
    # the part
    SHORTED_TURN = "shorted turn"
    CORE = "core"
    WINDING = "winding"
    DESIGN = "design"
    SIMULATED = "simulated bench"
    # what to do
    ADVICE = "advice"
    NOTE = "note"  # of results recorded before findings had a kind


class Finding(str):
    """Words of a finding that know their kind.

    >>> Finding(FindingKind.POLARITY, "the secondary is inverted").kind
    <FindingKind.POLARITY: 'polarity'>
    """

    __slots__ = ("kind",)
    kind: FindingKind

    def __new__(cls, kind: FindingKind, words: str) -> Self:
        """Make a finding of a kind."""
        made = super().__new__(cls, words)
        made.kind = kind
        return made

    def about(self, what: str) -> Finding:
        """Return the finding with what it is about before it: ``core A: ...``."""
        return Finding(self.kind, f"{what}: {self}")

    def __getnewargs__(self) -> tuple[FindingKind, str]:  # type: ignore[override]  # str gives back its text alone
        """Let it be copied and pickled."""
        return self.kind, str(self)


def unique(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return them in order, each once."""
    return tuple(dict.fromkeys(findings))
