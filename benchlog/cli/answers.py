"""Checks of the answers to the questions of the one-shot commands.

A function that takes a text raises `BenchlogError` if it is unusable, and returns a doubt about it or an empty text. One
without a text returns an answer known from earlier ones, empty if none is needed, or None if the question must be asked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.cli.from_captures import number
from benchlog.cli.manual_entry import typed_display
from benchlog.cli.supply import stated_nameplate
from benchlog.diagnosis.doubtful import possible_slips
from benchlog.displayed import digits_left_out
from benchlog.errors import UsageError
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.metrology.meter_reading import no_number_hint
from benchlog.nameplate import Regulation, parse_nameplate
from benchlog.quantity_text import Divider
from benchlog.reading import Function, Reading
from benchlog.units import parse_share

if TYPE_CHECKING:
    from benchlog.bench import Bench
    from benchlog.capture import Capture
    from benchlog.checks.supply_model import Expected

_DIVIDED = 2.0  #: No winding is so far from its turns without being behind a divider (judgement).


@dataclass(frozen=True, slots=True)
class Answers:
    """Answers so far, by the questions' names, and the bench of the command."""

    bench: Bench
    given: dict[str, str] = field(default_factory=dict)

    @property
    def meters(self) -> list[str]:
        """Tags of the bench's meters."""
        return [i.tag for i in self.bench.instruments.values() if i.kind == "meter"]


# Answers about meters


def meter(text: str, answers: Answers) -> str:
    answers.bench.instrument(text)
    return ""


def _number(text: str, function: Function | None = None, meter: str = "") -> Reading:
    """Read a display; raise if it shows no number."""
    reading = typed_display(text, meter=meter, function=function)
    if reading.value is None:
        raise UsageError(f"the display shows {text!r}: no number to work with", hint=no_number_hint(reading))
    return reading


def accuracy(text: str, answers: Answers) -> str:
    doubt = parse_accuracy(text).doubt
    return f"That accuracy {doubt}." if doubt else ""


def _doubt(reading: Reading, answers: Answers, expect: float | None = None, than: str = "") -> str:
    """Doubt about a display: a slip against what is expected, or other digits than the meter shows."""
    slips = [s for s in possible_slips(reading, expect, than=than) if s.kind.power_of_ten]
    if slips:
        return f"{reading.displayed} is {slips[0].question}"
    digits = answers.bench.other_digits(reading)
    return f"{digits}." if digits else ""


def no_meters(answers: Answers) -> str | None:
    return None if answers.meters else ""


def bench_meter(answers: Answers) -> str | None:
    return "" if answers.given.get("meter") else None


# Supply


def nameplate(text: str, answers: Answers) -> str:
    stated_nameplate(text)
    return ""


def output_example(answers: Answers) -> str:
    """A display for this kind of output."""
    return f"27.75 V {parse_nameplate(answers.given['nameplate']).coupling}"


def _expected(answers: Answers) -> Expected:
    from benchlog.checks.supply_model import expected_supply

    return expected_supply(parse_nameplate(answers.given["nameplate"]), None)


def supply_reading(text: str, answers: Answers) -> str:
    dc = parse_nameplate(answers.given["nameplate"]).coupling == "dc"
    _number(text)  # which says ac or dc
    reading = _number(text, Function.DC_VOLTS if dc else Function.AC_VOLTS, answers.given["meter"])
    return _doubt(reading, answers, _expected(answers).no_load_v, "what the label promises")


def regulation(text: str, answers: Answers) -> str:
    if text not in (Regulation.REGULATED, Regulation.UNREGULATED):
        raise UsageError(f"{text!r} is neither", hint="write regulated or unregulated")
    return ""


def regulation_known(answers: Answers) -> str | None:
    plate = parse_nameplate(answers.given["nameplate"])
    return None if plate.coupling == "dc" and plate.regulation is Regulation.UNKNOWN else ""


def mains(text: str, answers: Answers) -> str:
    from benchlog.checks.mains import Mains

    try:
        Mains.typed(text)
    except UsageError as error:
        raise UsageError(error.message, hint="check the digits, and that it is the mains") from None
    return ""


# Continuity


def ohms(text: str, answers: Answers) -> str:
    return _doubt(typed_display(text, meter=answers.given["meter"], function=Function.OHMS), answers)


def lead_null(text: str, answers: Answers) -> str:
    null = _number(text, Function.OHMS, answers.given["meter"])
    shown = typed_display(answers.given["reading"], function=Function.OHMS)
    if shown.value is not None and (null.value or 0.0) > shown.value:
        return f"{text} is more than the {shown.displayed} of leads and part together: press the tips together and read again"
    return _doubt(null, answers) or digits_left_out(null, shown)


def limit(text: str, answers: Answers) -> str:
    number(text, "ohm", "highest resistance", above_zero=True, example="1 ohm")
    return ""


# Ratio


def _capture(text: str) -> Capture:
    from benchlog.capture_files import load_captures

    if not Path(text).is_file():
        raise UsageError(
            f"there is no file {text!r}", hint="type its path; drag the file into the window to get it"
        )
    return load_captures([text])


def two_channels(text: str, answers: Answers) -> str:
    if len(_capture(text).channels) < 2:
        raise UsageError(
            f"{text} has one channel, and a ratio needs two",
            hint="give one file per channel: benchlog ratio --capture a.csv --capture b.csv ...",
        )
    return ""


def channels(answers: Answers) -> str:
    """The channels of the capture."""
    return " or ".join(_capture(answers.given["capture"]).names)


def _others(capture: Capture, loop: str) -> list[str]:
    """The channels that are not on the loop."""
    return [name for name in capture.names if name != capture.channel(loop).name]


def primary(text: str, answers: Answers) -> str:
    others = _others(_capture(answers.given["capture"]), text)
    return _mixed_up(text, others[0], answers) if len(others) == 1 else ""


def secondary(text: str, answers: Answers) -> str:
    capture, loop = _capture(answers.given["capture"]), answers.given["primary"]
    if capture.channel(text).name not in _others(capture, loop):
        raise UsageError(f"{text} is already on the loop", hint=f"one of {', '.join(capture.names)}")
    return _mixed_up(loop, text, answers)


def other_channel(answers: Answers) -> str | None:
    others = _others(_capture(answers.given["capture"]), answers.given["primary"])
    return others[0] if len(others) == 1 else None


def _mixed_up(loop: str, winding: str, answers: Answers) -> str:
    """Doubt channels that would show the turns expected if each was on the other place."""
    other_way = 1 / _turns_shown(loop, winding, answers)
    if other_way < _DIVIDED or not 1 / _DIVIDED < other_way / _turns(answers) < _DIVIDED:
        return ""
    return (
        f"{loop} shows {other_way:.0f} times as much as {winding}: are they mixed up, {loop} on the winding and {winding} on "
        "the loop? (With a divider before the winding's channel, this may be right.)"
    )


def turns(text: str, answers: Answers) -> str:
    number(text, "1", "number of turns", above_zero=True, example="60")
    return ""


def _turns(answers: Answers) -> float:
    return number(answers.given["expect"], "1", "number of turns") or 0.0


def _turns_shown(loop: str, winding: str, answers: Answers) -> float:
    """Ratio of two channels by their spans; the turns expected if one of them is flat."""
    import numpy as np

    channels = map(_capture(answers.given["capture"]).channel, (loop, winding))
    spans = [float(np.ptp(c.codes)) * abs(c.scale * c.probe) for c in channels]
    return spans[1] / spans[0] if min(spans) > 0 else _turns(answers)


def _factor_missing(answers: Answers) -> float:
    """By how much the winding's channel shows less than the turns expected would give."""
    given = answers.given
    return _turns(answers) / _turns_shown(given["primary"], given["secondary"], answers)


def no_divider(answers: Answers) -> str | None:
    """Ask about a divider if the winding's voltage is so small that it needs one."""
    return None if _factor_missing(answers) > _DIVIDED else ""


def not_divided(answers: Answers) -> str | None:
    """Ask how exact a divider is, if there is one."""
    return None if answers.given.get("divider") else ""


def share(text: str, answers: Answers) -> str:
    parse_share(text, "divider tolerance")
    return ""


def divider(text: str, answers: Answers) -> str:
    fits = Divider(text).value / _factor_missing(answers)
    if 1 / _DIVIDED < fits < _DIVIDED:
        return ""
    expect = answers.given["expect"]
    return f"With a divider of {text} the winding would have about {_turns(answers) * fits:.0f} turns, not {expect}."


def swapped(text: str, answers: Answers) -> str:
    from benchlog.checks.turns_ratio import refuse_same_samples

    swapped, given = _capture(text), answers.given
    for role in ("primary", "secondary"):
        swapped.channel(given[role])
    refuse_same_samples(_capture(given["capture"]), swapped, (given["primary"], given["secondary"]))
    return ""


# Crosscheck


#: Questions for the names of the meters.
METERS = ("first", "second", "third")


def name(text: str, answers: Answers) -> str:
    if "=" in text:
        raise UsageError(f"{text!r} has an = in it", hint="leave it out")
    if text.lower() in ("n", "no") or _is_value(text):
        raise UsageError(f"{text!r} is not a name of a meter", hint="a tag like MA-01, or Enter alone")
    for which in METERS:
        if text == answers.given.get(which):
            raise UsageError(f"the {which} meter is called {text}", hint="give this one another name")
    if answers.meters:
        answers.bench.instrument(text)
    return ""


def _is_value(text: str) -> bool:
    """Whether it is an accuracy or what a display shows."""
    for read in (parse_accuracy, typed_display):
        try:
            read(text)
        except UsageError:
            continue
        return True
    return False


def any_display(text: str, answers: Answers) -> str:
    return _doubt(_number(text, meter=answers.given["first"]), answers)


def same_points(which: str) -> Callable[[str, Answers], str]:
    """Check a further meter's display against the first one's."""

    def check(text: str, answers: Answers) -> str:
        first, other = typed_display(answers.given["first shown"]), _number(text, meter=answers.given[which])
        if other.function is not first.function:
            raise UsageError(
                f"the first meter was on {first.function}, this one on {other.function}",
                hint="set both to the same function and read again",
            )
        return _doubt(other, answers, first.value, f"what {answers.given['first']} shows")

    return check


def without(which: str) -> Callable[[Answers], str | None]:
    """Skip the questions about a meter that there is not."""
    return lambda answers: None if answers.given[which] else ""


def of_bench(which: str) -> Callable[[Answers], str | None]:
    """Skip the question about accuracy if the bench file has the meter, or there is none."""
    return lambda answers: "" if answers.given[which] in ("", *answers.bench.instruments) else None


def tag(k: int, otherwise: str) -> Callable[[Answers], str]:
    return lambda answers: answers.meters[k] if len(answers.meters) > k else otherwise


# Diagnose


def case(text: str, answers: Answers) -> str:
    from benchlog.diagnosis import Case

    Case.from_text(text, "0")
    return ""


def shown(text: str, answers: Answers) -> str:
    from benchlog.diagnosis.outcome import parse_shown

    parse_shown(text, what="reading")
    return ""
