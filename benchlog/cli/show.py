"""A result on a terminal: the answer first, the rest when asked for."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from benchlog.cli.scale import scale_line
from benchlog.finding import FindingKind
from benchlog.metrology.conformity import percent
from benchlog.result import DesignCheck, Limits, Result, Uncertain, Verdict
from benchlog.wording import MARKS, limits_words, quantity_words, value_words

if TYPE_CHECKING:
    from benchlog.cli.thumbnail import Waveforms

_COLOURS = {
    Verdict.PASS: "green",
    Verdict.FAIL: "red",
    Verdict.INDETERMINATE: "yellow",
    Verdict.NOT_DONE: "white",
}
_WORDS = {
    Verdict.PASS: "PASS",
    Verdict.FAIL: "FAIL",
    Verdict.INDETERMINATE: "CAN'T TELL",
    Verdict.NOT_DONE: "NOT DONE",
}
#: Findings shown with the answer because they affect it; the others are for --long.
_ALWAYS = frozenset(
    {
        FindingKind.ACCURACY,
        FindingKind.ASSUMPTION,
        FindingKind.CLIPPING,
        FindingKind.CORRECTED,
        FindingKind.DISPLAY,
        FindingKind.ENTRY,
        FindingKind.HOOKUP,
        FindingKind.METER_IN_DOUBT,
        FindingKind.ODD_ONE_OUT,
        FindingKind.POLARITY,
        FindingKind.SECOND_METER,
    }
)
_MOST_FINDINGS = 3
_SCALE_COLUMNS = 44


def mark(verdict: Verdict) -> Text:
    """Shape, word and colour of a verdict."""
    return Text(f"{MARKS[verdict.value]} {verdict.value}", style=f"bold {_COLOURS[verdict]}")


def _loud(verdict: Verdict) -> Text:
    return Text(f"{MARKS[verdict.value]} {_WORDS[verdict]}", style=f"bold {_COLOURS[verdict]}")


def show_line(console: Console, *parts: str | Text | tuple[str, str], indent: int = 2) -> None:
    """Print one line; wrapped parts keep its indent."""
    text = Text.assemble(*parts)
    for line in text.wrap(console, max(console.width - indent, 1)):
        line.rstrip()  # piped output has no trailing blanks
        console.print(Text(" " * indent).append_text(line))


def show_answer(
    console: Console, result: Result, *, waveforms: Waveforms | None = None, more: bool = True
) -> None:
    """Print the answer in a few lines: verdict, value, limits, a scale, what to do.

    Parameters
    ----------
    waveforms : Waveforms, optional
        Drawn below the scale.
    more : bool
        Whether to say how to see more.
    """
    judged = _judged(result)
    failed = [check for check in result.design_checks if check.verdict is not Verdict.PASS]
    show_line(console, _loud(result.overall), "  ", *_headline(result, judged, failed), indent=0)
    if judged:
        _show_scale(console, result, judged[0])
    if waveforms is not None:
        show_waveforms(console, result, waveforms)
    for name in judged if result.overall is not result.verdict else judged[1:]:
        show_line(console, _value(result, name, named=True))
    if result.verdict is not Verdict.PASS:
        show_line(console, result.reason)
    for check in failed:
        show_line(console, f"{_check_words(check)}: {check.reason}")
    if result.verdict is Verdict.PASS:
        if result.turns:
            show_line(console, _turns_words(result.turns))
        _show_rest(console, result, judged)
    _show_remarks(console, result)
    if result.record or more:
        show_line(console, (f"{_saved(result)} --long shows more." if more else _saved(result), "dim"))


def _turns_words(turns: Mapping[str, Any]) -> str:
    """For a whole number of turns: the number and its probability, since that was judged."""
    return f"{turns['most_likely']} turns, {percent(turns['probability'])} sure: judged as a whole number of turns"


def _saved(result: Result) -> str:
    if result.record is None:
        return "Not saved."
    return f"Saved in {result.record.logbook} as entry {result.record.entry}."


def _judged(result: Result) -> list[str]:
    """Quantities with limits; none if the record is clipped, since such numbers mislead."""
    clipped = any(f.kind is FindingKind.CLIPPING and f in result.reason for f in result.findings)
    if clipped and result.verdict is Verdict.INDETERMINATE:
        return []
    names = [name for name in result.quantities if limits_words(result.limits.get(name))]
    if result.verdict is Verdict.PASS:
        return names
    return sorted(names, key=lambda name: -_beyond(result.quantities[name], result.limits[name]))


def _beyond(quantity: Uncertain, limits: Limits) -> int:
    """How a quantity affects a verdict other than pass: 2 outside its limits, 1 across one, 0 inside."""
    u = quantity.expanded_uncertainty
    over = quantity.value - limits.high if limits.high is not None else -math.inf
    under = limits.low - quantity.value if limits.low is not None else -math.inf
    worst = max(over, under)
    return 2 if worst > u else 1 if worst > -u else 0


def _show_remarks(console: Console, result: Result) -> None:
    for finding in _few_findings(result):
        show_line(console, finding)
    for caution in result.cautions:
        show_line(console, (f"! {_first_sentence(caution)}", "bold"))


def _show_scale(console: Console, result: Result, name: str) -> None:
    width = min(_SCALE_COLUMNS, console.width - 4)
    drawn = scale_line(result.quantities[name], result.limits[name], width, plain=_plain(console))
    if drawn:
        show_line(console, (drawn.rstrip(), _COLOURS[result.verdict]))


def _show_rest(console: Console, result: Result, judged: list[str]) -> None:
    """The quantities that have no limits."""
    rest = {n: q for n, q in result.quantities.items() if n not in judged and q.standard_uncertainty > 0}
    if rest:
        words = "; ".join(f"{quantity_words(name)} {value_words(q)}" for name, q in rest.items())
        show_line(console, (words, "dim"))


def _plain(console: Console) -> bool:
    """Whether only ASCII signs can be shown."""
    old_console = console.legacy_windows and console.is_terminal  # a pipe can take any sign
    return old_console or not (console.encoding or "").lower().startswith("utf")


def show_waveforms(console: Console, result: Result, waveforms: Waveforms) -> None:
    """Draw channels of a result's capture, with clipping visible."""
    from benchlog.cli.thumbnail import thumbnail

    clipped = any(found.kind is FindingKind.CLIPPING for found in result.findings)
    for line in thumbnail(waveforms, console.width - 6, clipped=clipped, plain=_plain(console)):
        show_line(console, (line, "cyan"), indent=4)


def _headline(
    result: Result, judged: list[str], failed: list[DesignCheck]
) -> Iterator[str | tuple[str, str]]:
    """What the verdict is about, in one line."""
    name = " ".join(filter(None, (result.check_id, result.part)))
    if name:
        yield (f"{name}  ", "bold")
    if result.overall is not result.verdict:
        passed = "; ".join(quantity_words(n) for n in judged) or result.check.replace("_", " ")
        yield f"{_check_words(failed[0])} ({passed}: {_WORDS[result.verdict].lower()})"
    elif judged:
        yield _value(result, judged[0], named=len(judged) > 1)
    elif result.verdict is Verdict.PASS:
        yield result.reason
    else:
        yield result.check.replace("_", " ")


def _value(result: Result, name: str, *, named: bool) -> str:
    """Value and limits; with the name if the unit alone does not show what it is."""
    quantity = result.quantities[name]
    limits = result.limits[name]
    words = f"{value_words(quantity)}   allowed {limits_words(limits)}"
    return f"{quantity_words(name)} {words}" if named or quantity.unit == "1" else words


def _check_words(check: DesignCheck) -> str:
    return check.name.replace("_", " ")


def _first_sentence(text: str) -> str:
    """The first part of a caution: up to its first full stop, colon or semicolon."""
    return re.split(r"(?<=[^\d])[.;](?:\s|$)(?![^(]*\))", text, maxsplit=1)[0].rstrip(".;:") + "."


def _few_findings(result: Result) -> list[str]:
    """Findings shown with the answer, and what to do if it is not a pass."""
    wanted = set(_ALWAYS)
    if result.overall is not Verdict.PASS:
        wanted.add(FindingKind.ADVICE)
    found = [f for f in result.findings if f.kind in wanted and f not in result.reason]
    found.sort(key=lambda f: f.kind is FindingKind.ASSUMPTION)  # possible errors before assumptions
    return [str(f) for f in found[:_MOST_FINDINGS]]


def show_result(console: Console, result: Result) -> None:
    """Print a result in full."""
    title = result.check.replace("_", " ")
    if result.check_id:
        title = f"{result.check_id} {title}"
    if result.part:
        title += f", {result.part}"
    show_line(console, _loud(result.overall), "  ", (title, "bold"), indent=0)
    if result.overall is not result.verdict:
        show_line(console, f"{_WORDS[result.verdict].lower()}: {result.reason}")
    else:
        show_line(console, result.reason)
    if result.quantities:
        console.print(_quantities(result))
    for check in result.design_checks:
        show_line(console, mark(check.verdict), "  ", (_check_words(check), "bold"), f": {check.reason}")
    for name, limits in result.limits.items():
        if limits.source:
            show_line(console, (f"{quantity_words(name)}: limits {limits.source}", "dim"))
    for finding in result.findings:
        show_line(console, f"- {finding}")
    for caution in result.cautions:
        show_line(console, (f"! {caution}", "bold"))
    if result.record:
        show_line(console, (_saved(result), "dim"))


def show_brief(console: Console, result: Result) -> None:
    """Print a result in few lines: verdict, reason, design checks, findings, entry in the record."""
    name = f"{result.check_id or result.check} {result.part}".strip()
    where = f"  (entry {result.record.entry})" if result.record else ""
    show_line(
        console,
        _loud(result.overall),
        "  ",
        (name, "bold"),
        f"  {result.overall_reason}",
        (where, "dim"),
        indent=0,
    )
    if len(result.judged) > 1 and "items" not in result.details:  # items of a list were already shown
        for judged in result.judged:
            value, limits = value_words(result.quantities[judged]), limits_words(result.limits.get(judged))
            show_line(console, f"{quantity_words(judged)} {value}, limits {limits}")
    for check in result.design_checks:
        if check.verdict is not result.overall or result.overall is result.verdict:
            show_line(console, mark(check.verdict), "  ", (_check_words(check), "bold"), f": {check.reason}")
    for finding in result.findings:
        show_line(console, f"- {finding}")


def _quantities(result: Result) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 2), show_header=True, header_style="dim")
    table.add_column("quantity")
    table.add_column("value ± U (95 %)", justify="right", no_wrap=True)
    table.add_column("limits", justify="right")
    for name, quantity in result.quantities.items():
        table.add_row(quantity_words(name), value_words(quantity), limits_words(result.limits.get(name)))
    return table
