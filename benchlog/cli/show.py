"""A result as people read it on a terminal: verdict first, then numbers, limits, findings, cautions."""

from __future__ import annotations

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from benchlog.result import Result, Verdict
from benchlog.wording import MARKS, limits_words, quantity_words, value_words

__all__ = ["mark", "show_brief", "show_line", "show_result"]

_COLOURS = {
    Verdict.PASS: "green",
    Verdict.FAIL: "red",
    Verdict.INDETERMINATE: "yellow",
    Verdict.NOT_DONE: "white",
}


def mark(verdict: Verdict) -> Text:
    """Shape, word and colour of a verdict."""
    return Text(f"{MARKS[verdict.value]} {verdict.value}", style=f"bold {_COLOURS[verdict]}")


def _verdict(result: Result) -> tuple[Text | str, ...]:
    """The verdict on the measurement and, where a design check makes it worse, the one that counts."""
    if result.overall is result.verdict:
        return (mark(result.verdict),)
    return mark(result.verdict), ", over all ", mark(result.overall)


def show_line(console: Console, *parts: str | Text | tuple[str, str], indent: int = 2) -> None:
    """Print one line that keeps its indent where it wraps."""
    console.print(Padding(Text.assemble(*parts), (0, 0, 0, indent), expand=False))


def show_result(console: Console, result: Result) -> None:
    """Print a result."""
    title = result.check.replace("_", " ")
    if result.check_id:
        title = f"{result.check_id} {title}"
    if result.part:
        title += f", {result.part}"
    show_line(console, *_verdict(result), "  ", (title, "bold"), indent=0)
    show_line(console, result.reason)
    if result.quantities:
        console.print(_quantities(result))
    for check in result.design_checks:
        show_line(
            console, mark(check.verdict), "  ", (check.name.replace("_", " "), "bold"), f": {check.reason}"
        )
    for name, limits in result.limits.items():
        if limits.source:
            show_line(console, (f"limits of {quantity_words(name)}: {limits.source}", "dim"))
    for finding in result.findings:
        show_line(console, f"finding: {finding}")
    for caution in result.cautions:
        show_line(console, (f"! caution: {caution}", "bold"))
    if result.record:
        show_line(console, (f"written to {result.record.logbook}, entry {result.record.entry}", "dim"))


def show_brief(console: Console, result: Result) -> None:
    """Print a result in few lines: verdict, reason, design checks, findings, place in the record."""
    name = f"{result.check_id or result.check} {result.part}".strip()
    where = f"  (entry {result.record.entry})" if result.record else ""
    show_line(
        console, *_verdict(result), "  ", (name, "bold"), f"  {result.reason}", (where, "dim"), indent=0
    )
    if len(result.judged) > 1 and "items" not in result.details:  # items of a list were shown one by one
        for judged in result.judged:
            value, limits = value_words(result.quantities[judged]), limits_words(result.limits.get(judged))
            show_line(console, f"{quantity_words(judged)} {value}, limits {limits}")
    for check in result.design_checks:
        show_line(
            console, mark(check.verdict), "  ", (check.name.replace("_", " "), "bold"), f": {check.reason}"
        )
    for finding in result.findings:
        show_line(console, f"finding: {finding}")


def _quantities(result: Result) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 2), show_header=True, header_style="dim")
    table.add_column("quantity")
    table.add_column("value ± U (95 %)", justify="right", no_wrap=True)
    table.add_column("k", justify="right")
    table.add_column("limits", justify="right")
    for name, quantity in result.quantities.items():
        table.add_row(
            quantity_words(name),
            value_words(quantity),
            f"{quantity.coverage_factor:.2f}" if quantity.standard_uncertainty > 0 else "",
            limits_words(result.limits.get(name)),
        )
    return table
