"""A result on a terminal: the answer first, the rest when asked for."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table
from rich.text import Text

from benchlog.cli.scale import scale_line
from benchlog.finding import Finding, FindingKind
from benchlog.folding import folded_command, prose_and_command
from benchlog.metrology.conformity import judge, percent
from benchlog.metrology.next_best import next_step, ways_of
from benchlog.result import DesignCheck, Limits, Result, Uncertain, Verdict
from benchlog.wording import MARKS, limits_own_words, limits_source, limits_words, quantity_words, value_words

if TYPE_CHECKING:
    from benchlog.cli.thumbnail import Waveforms

_COLOURS = {
    Verdict.PASS: "green",
    Verdict.FAIL: "red",
    Verdict.INDETERMINATE: "yellow",
    Verdict.NOT_DONE: "white",
}
#: What was assumed of instruments and limits, and that nothing real was measured.
_ASSUMED = (
    FindingKind.ACCURACY,
    FindingKind.STATED_ACCURACY,
    FindingKind.ASSUMPTION,
    FindingKind.SIMULATED,
)
#: Findings that may overturn the answer: always shown with it.
_SERIOUS = (
    FindingKind.METER_IN_DOUBT,
    FindingKind.CLIPPING,
    FindingKind.ENTRY,
    FindingKind.HOOKUP,
    FindingKind.DISPLAY,
    FindingKind.ODD_ONE_OUT,
    FindingKind.POLARITY,
    FindingKind.FROZEN,
    FindingKind.ADJUSTED,
    FindingKind.CHART,
    FindingKind.NEAR_LIMIT,
    FindingKind.TREND,
    *_ASSUMED,
)
#: Faults of a record; where one prevents a verdict, its numbers only mislead.
_WITHOUT_VALUE = (
    FindingKind.CLIPPING,
    FindingKind.HARMONICS,
    FindingKind.TOO_FEW_CYCLES,
    FindingKind.TIME_BASE,
    FindingKind.GAP,
    FindingKind.AMPLITUDE_MOVES,
    FindingKind.FREQUENCY_MOVES,
    FindingKind.SPECTRUM,
    FindingKind.SEVERAL_TONES,
    FindingKind.NO_SIGNAL,
)
#: Findings that say what to do.
_TO_DO = (FindingKind.SECOND_METER, FindingKind.ADVICE)
#: Findings that fill the answer up to its usual length, the more telling ones first; all others wait for --long.
_FILLING = (*_TO_DO, FindingKind.CORRECTED)
_FILLING_A_PASS = (FindingKind.SECOND_METER, FindingKind.CORRECTED)
#: Lines between the picture and the end of an answer.
_BODY_LINES = 2
_SCALE_COLUMNS = 44


#: Blanks inside a quantity, where no line is broken; what stands for them meanwhile is in no text (private use).
_TOGETHER = re.compile(
    r"(?<=[\d%]) (?=[±+] )|(?<=[±+]) (?=\d)|(?<=\d) (?=%|[µmkMGn]?(?:V|A|W|Ω|F|H|Hz|s|min|ohm)\b|m\b|mm\b|°C)"
)
_TIE = "\ue000"


def mark(verdict: Verdict) -> Text:
    """Shape, word and colour of a verdict."""
    return Text(f"{MARKS[verdict.value]} {verdict.value}", style=f"bold {_COLOURS[verdict]}")


def _loud(result: Result) -> Text:
    """Verdict at the beginning of an answer; a measurement without limits is "not judged"."""
    verdict = result.overall
    return Text(f"{MARKS[verdict.value]} {result.overall_words.upper()}", style=f"bold {_COLOURS[verdict]}")


def show_line(console: Console, *parts: str | Text | tuple[str, str], indent: int = 2, hang: int = 0) -> None:
    """Print one line; wrapped parts are indented by its indent plus `hang`; a command at its end stays one command."""
    text = Text.assemble(*parts)
    too_wide = text.cell_len + indent > console.width
    prose, command = prose_and_command(text.plain) if too_wide else ("", "")
    if command:
        text = text[: len(prose)]
    text.plain = _TOGETHER.sub(_TIE, text.plain)
    for k, line in enumerate(text.wrap(console, max(console.width - indent - hang, 1))):
        line.plain = line.plain.replace(_TIE, " ")
        line.rstrip()  # piped output has no trailing blanks
        console.print(Text(" " * (indent + (hang if k else 0))).append_text(line))
    for folded in folded_command(command, console.width, " " * indent) if command else ():
        console.print(Text(folded), soft_wrap=True)


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
    head = Text.assemble(_loud(result), "  ", *_headline(result, judged, failed))
    allowed = _allowed(result, judged[0]) if judged and result.overall is result.verdict else ""
    if head.cell_len + len(allowed) <= console.width:
        head, allowed = head.append(allowed), ""
    show_line(console, head, indent=0, hang=0 if head.cell_len <= console.width else 2)
    if allowed:
        show_line(console, allowed.lstrip())
    if judged:
        _show_scale(console, result, judged[0])
    if waveforms is not None:
        show_waveforms(console, result, waveforms)
    body = list(_body(result, judged, failed))
    for line in body:
        show_line(console, line)
    for finding in _remarks(result, _BODY_LINES - len(body)):
        show_line(console, finding)
    _show_end(console, result, more=more)


def _body(result: Result, judged: list[str], failed: list[DesignCheck]) -> Iterator[str | tuple[str, str]]:
    """Lines beyond the first line and the picture."""
    for name in judged if result.overall is not result.verdict else judged[1:]:
        yield _value(result, name, named=True) + _allowed(result, name)
    says_more = result.turns or "e_n" in judged  # than its number and limits
    if says_more or result.verdict is not Verdict.PASS:
        yield from filter(None, [_unshown(result, judged)])
    for check in result.design_checks:  # passed ones too, to show what else was checked
        if check in failed or not failed:
            yield f"{_check_words(check)}: {check.reason}"
    asked = result.overall in (Verdict.PASS, Verdict.NOT_DONE) and not (says_more or result.design_checks)
    if asked and (rest := _rest(result, judged)):
        yield rest, "dim"


def _unshown(result: Result, judged: list[str]) -> str:
    """The reason, without what the first line shows: the value, and that it is outside its limits."""
    for name in judged[:1]:
        judgement = judge(result.quantities[name], result.limits[name], quantity_words(name))
        if result.reason == judgement.reason:
            return "" if result.verdict is Verdict.FAIL else judgement.words.removeprefix("is ")
    return result.reason


def _saved(result: Result) -> str:
    if result.record is None:
        return "Not saved"
    return f"Saved in {result.record.logbook} as entry {result.record.entry}"


def _judged(result: Result) -> list[str]:
    """Quantities with limits that decide the verdict, worst first; for a pass, all.

    None where a fault of the record is why nothing can be said.
    """
    if any(f.kind in _WITHOUT_VALUE for f in result.findings if f == result.because):
        return []
    names = [name for name in result.quantities if limits_words(result.limits.get(name))]
    if result.verdict is Verdict.PASS:
        return names
    beyond = {name: _beyond(result.quantities[name], result.limits[name]) for name in names}
    enough = 2 if result.verdict is Verdict.FAIL else 1
    return sorted((name for name in names if beyond[name] >= enough), key=lambda name: -beyond[name])


def _beyond(quantity: Uncertain, limits: Limits) -> int:
    """How a quantity affects a verdict other than pass: 2 outside its limits, 1 across one, 0 inside."""
    u = math.hypot(quantity.expanded_uncertainty, 2 * limits.standard_uncertainty)
    over = quantity.value - limits.high if limits.high is not None else -math.inf
    under = limits.low - quantity.value if limits.low is not None else -math.inf
    worst = max(over, under)
    return 2 if worst > u else 1 if worst > -u else 0


def _show_end(console: Console, result: Result, *, more: bool) -> None:
    """Cautions, and where the result is; in one line if that is enough."""
    cautions = [f"! {_first_sentence(caution)}" for caution in result.cautions]
    saved = f"{_saved(result)}; --long shows more." if more else f"{_saved(result)}."
    closing = [(saved, "dim")] if result.record or more else []
    if len(cautions) == len(closing) == 1 and len(cautions[0]) + len(saved) + 3 <= console.width:
        show_line(console, (f"{cautions[0]} ", "bold"), *closing)
        return
    for line in (*((caution, "bold") for caution in cautions), *closing):
        show_line(console, line)


def _show_scale(console: Console, result: Result, name: str) -> None:
    width = min(_SCALE_COLUMNS, console.width - 4)
    drawn = scale_line(result.quantities[name], result.limits[name], width, plain=_plain(console))
    if drawn:
        show_line(console, (drawn.rstrip(), _COLOURS[result.verdict]))


def _rest(result: Result, judged: list[str]) -> str:
    """The quantities that have no limits, and are no expectation of one that has."""
    known = {*(judged or list(result.quantities)[:1]), *result.expectations.values()}
    names = [n for n, q in result.quantities.items() if n not in known and q.standard_uncertainty > 0]
    return "; ".join(f"{quantity_words(name)} {value_words(result.quantities[name])}" for name in names)


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
        yield f"{_check_words(failed[0])} ({passed}: {result.verdict.words})"
    elif judged:
        yield _value(result, judged[0], named=len(result.limits) > 1)
    elif result.verdict is Verdict.PASS:
        yield result.reason
    elif result.verdict is Verdict.NOT_DONE and result.quantities:
        name, quantity = next(iter(result.quantities.items()))
        yield f"{quantity_words(name)} {value_words(quantity)}"
    else:
        yield result.check.replace("_", " ")


def _value(result: Result, name: str, *, named: bool) -> str:
    """A value; with its name if the unit alone does not show what it is."""
    quantity = result.quantities[name]
    words = value_words(quantity)
    return f"{quantity_words(name)} {words}" if named or quantity.unit == "1" else words


def _allowed(result: Result, name: str) -> str:
    """Limits as they follow a value."""
    return f"   allowed {limits_words(result.limits[name])}"


def _check_words(check: DesignCheck) -> str:
    return check.name.replace("_", " ")


def _first_sentence(text: str) -> str:
    """The first part of a caution: up to its first full stop, colon or semicolon."""
    return re.split(r"(?<=[^\d])[.;](?:\s|$)(?![^(]*\))", text, maxsplit=1)[0].rstrip(".;:") + "."


def _remarks(result: Result, room: int) -> list[Finding]:
    """Findings that must be shown with the answer, and as many others as fit."""
    found = [f for f in result.findings if f != result.because]
    must, filling = _of_kinds(found, _SERIOUS), _of_kinds(found, _FILLING)
    if result.overall is Verdict.PASS:
        filling = _of_kinds(found, _FILLING_A_PASS)
    elif result.overall is Verdict.INDETERMINATE and (step := next_step(result)):
        must.insert(0, step)
    elif all(f.kind in _ASSUMED for f in must):
        must = [*_of_kinds(found, _TO_DO)[:1], *must]  # what to do about it is never left out
    return [*must, *(f for f in filling if f not in must)][: max(room, len(must))]


def _of_kinds(found: list[Finding], kinds: Sequence[FindingKind]) -> list[Finding]:
    """Those of some kinds, in the order of the kinds."""
    return [f for kind in kinds for f in found if f.kind is kind]


def show_result(console: Console, result: Result) -> None:
    """Print a result in full."""
    title = result.check.replace("_", " ")
    if result.check_id:
        title = f"{result.check_id} {title}"
    if result.part:
        title += f", {result.part}"
    show_line(console, _loud(result), "  ", (title, "bold"), indent=0)
    if result.overall is not result.verdict:
        show_line(console, f"{result.verdict.words}: {result.reason}")
    else:
        show_line(console, result.reason)
    _show_quantities(console, result)
    for check in result.design_checks:
        show_line(console, mark(check.verdict), "  ", (_check_words(check), "bold"), f": {check.reason}")
    for name, limits in result.limits.items():
        source = f"limits from {limits_source(limits)}" if limits.source else ""
        if words := "; ".join(filter(None, (source, limits_own_words(limits)))):
            show_line(console, (f"{quantity_words(name)}: {words}", "dim"))
    if result.turns and "prior" in result.turns:  # older results have none
        prior = f"{result.turns['planned']} turns taken as {percent(result.turns['prior'])} likely before the measurement"
        show_line(console, (f"{prior} (--prior)", "dim"))
    for finding in result.findings:
        show_line(console, f"- {finding}")
    for way in ways_of(result)[1:]:
        show_line(console, f"- or {way.words}")
    for caution in result.cautions:
        show_line(console, (f"! {caution}", "bold"))
    if result.record:
        show_line(console, (f"{_saved(result)}.", "dim"))


def show_brief(console: Console, result: Result) -> None:
    """Print a result in few lines: verdict, reason, design checks, findings, entry in the record."""
    name = f"{result.check_id or result.check} {result.part}".strip()
    where = f"  (entry {result.record.entry})" if result.record else ""
    show_line(
        console,
        _loud(result),
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


def _show_quantities(console: Console, result: Result) -> None:
    """A table; where it is too wide for the screen, a line for each quantity."""
    rows = [
        (quantity_words(name), value_words(q), str(result.limits.get(name, "")))
        for name, q in result.quantities.items()
    ]
    titles = ("quantity", "value ± U (95 %)", "limits")
    widths = [max(map(len, column)) for column in zip(titles, *rows, strict=True)]
    if sum(widths) + 10 > console.width:
        for name, value, limits in rows:
            show_line(console, f"{name}: {value}{f', limits {limits}' if limits else ''}", hang=2)
        return
    if not rows:
        return
    table = Table(box=None, padding=(0, 2, 0, 2), show_header=True, header_style="dim")
    for title in titles:
        table.add_column(title, justify="left" if title == titles[0] else "right")
    for row in rows:
        table.add_row(*row)
    console.print(table)
