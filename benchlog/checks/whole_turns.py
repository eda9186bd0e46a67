"""Is a measured ratio the planned whole number of turns? First: is it a whole number; then: which one."""

from __future__ import annotations

import math
from collections.abc import Mapping

from benchlog.errors import UsageError
from benchlog.magnetics.turns_posterior import DECIDED, TurnsPosterior, turns_posterior
from benchlog.metrology.conformity import Judgement, judge, percent
from benchlog.metrology.next_best import Way
from benchlog.number_format import format_uncertain
from benchlog.result import Limits, Uncertain, Verdict

WHOLE_TURNS_RULE = (
    f"whole turns: the ratio is a whole number within 3 u, with a posterior probability of at least {DECIDED:g} "
    "(within limits: pass, outside: fail)"
)
#: A prior alone decides nothing: from the data alone the verdict must be the likelier one, too.
_BY_DATA = 0.5
#: If the ratio is not a whole number, or nothing else at hand would settle it (common practice, no source).
CHECK_AGAIN = Way("check hook-up, ranges and both channels for clipping, then capture again", 0.7, 5.0)


def posterior_of(
    turns: Uncertain, expected: float, prior: Mapping[int, float] | None = None
) -> TurnsPosterior | None:
    """The expected turns if a whole number; else None."""
    if expected < 1 or not math.isclose(expected, round(expected), abs_tol=1e-9):
        return None
    return turns_posterior(
        turns.value,
        turns.standard_uncertainty,
        planned=round(expected),
        degrees_of_freedom=turns.degrees_of_freedom or math.inf,
        prior=prior,
    )


def half_turn_limits(expected: float) -> Limits:
    """Half a turn either side of a whole number."""
    return Limits(
        expected - 0.5, expected + 0.5, "1", f"computed: half a turn either side of the expected {expected:g}"
    )


def turns_limits(expected: float, tolerance: float | None) -> Limits | None:
    """Limits either side of the expected ratio; half a turn only for a whole number of turns.

    Raises
    ------
    UsageError
        If the tolerance gives no limits.
    """
    if tolerance is None:
        whole = expected >= 1 and math.isclose(expected, round(expected), abs_tol=1e-9)
        return half_turn_limits(expected) if whole else None
    if not 0 < tolerance < 1:
        raise UsageError(f"a tolerance of {tolerance * 100:g} % gives no limits", hint="--tolerance '0.5 %'")
    return Limits(
        expected * (1 - tolerance),
        expected * (1 + tolerance),
        "1",
        f"computed: ±{tolerance * 100:g} % of the expected {expected:g}",
    )


def judge_turns(turns: Uncertain, limits: Limits | None, posterior: TurnsPosterior | None) -> Judgement:
    """Judge a ratio: a whole number of turns by its posterior, anything else by the guard band.

    Parameters
    ----------
    limits : Limits or None
        None if the expectation gives no limits.
    posterior : TurnsPosterior or None
        Of whole turns, if the expectation is a whole number.
    """
    shown = f"turns ratio {format_uncertain(turns.value, turns.expanded_uncertainty, turns.unit)}"
    if limits is None:
        return Judgement(
            Verdict.INDETERMINATE,
            0.0,
            f"{shown}: the expected ratio is not a whole number of turns, so limits are needed; give --tolerance",
            Way("give the tolerance of the ratio (--tolerance), and judge the same capture", 0.9, 0.5),
        )
    if posterior is None:
        return judge(turns, limits, "turns ratio")
    if not posterior.fits:
        return Judgement(
            Verdict.INDETERMINATE,
            0.0,
            f"{shown} is {posterior.misfit:.1f} standard uncertainties from the nearest whole number; check hook-up, range, "
            "core and clipping first",
            CHECK_AGAIN,
        )
    p = posterior.within(limits.low, limits.high)
    verdict = Verdict.PASS if p >= DECIDED else Verdict.FAIL if p <= 1 - DECIDED else Verdict.INDETERMINATE
    alone = posterior.within_by_data(limits.low, limits.high)
    if (verdict is Verdict.PASS and alone < _BY_DATA) or (verdict is Verdict.FAIL and alone > 1 - _BY_DATA):
        words = f"{percent(p)} sure that it is within the limits, but only {percent(alone)} by the measurement alone"
        return Judgement(Verdict.INDETERMINATE, p, f"{words}: the prior decides here, not the measurement")
    if verdict is Verdict.FAIL and not posterior.decided:
        return Judgement(verdict, p, f"{percent(1 - p)} sure that it is outside the limits")
    best = posterior.most_likely
    sure, by_data = percent(posterior.probability), percent(posterior.by_data[best])
    if not posterior.decided:
        said = f"{by_data} for {best} by the measurement alone, {sure} with the expected number counted in; {DECIDED * 100:g} % is needed"
        return Judgement(verdict, p, said)
    alone_words = f", {by_data} by the measurement alone" if by_data != sure else ""
    return Judgement(verdict, p, f"{sure} sure{alone_words}")
