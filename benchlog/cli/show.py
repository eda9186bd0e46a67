"""A result as people read it on a terminal: verdict first, then numbers, limits, findings, cautions."""

from __future__ import annotations

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from benchlog.result import Limits, Result, Uncertain, Verdict
from benchlog.units import format_quantity, format_uncertain

__all__ = ["MARKS", "limits_text", "mark", "show_result"]

#: Shape and word always stand beside the colour.
MARKS = {
    Verdict.PASS: ("●", "green"),
    Verdict.FAIL: ("▲", "red"),
    Verdict.INDETERMINATE: ("◐", "yellow"),
    Verdict.NOT_DONE: ("○", "white"),
}


def mark(verdict: Verdict) -> Text:
    """Shape, word and colour of a verdict."""
    shape, colour = MARKS[verdict]
    return Text(f"{shape} {verdict.value}", style=f"bold {colour}")


def limits_text(limits: Limits | None) -> str:
    """Limits in a few characters, an empty text where there are none."""
    if limits is None or (limits.low is None and limits.high is None):
        return ""
    if limits.low is None:
        return f"≤ {format_quantity(limits.high, limits.unit)}"
    if limits.high is None:
        return f"≥ {format_quantity(limits.low, limits.unit)}"
    return f"{format_quantity(limits.low, limits.unit)} … {format_quantity(limits.high, limits.unit)}"


def _value_text(quantity: Uncertain) -> str:
    if quantity.standard_uncertainty > 0:
        return format_uncertain(quantity.value, quantity.expanded_uncertainty, quantity.unit)
    return format_quantity(quantity.value, quantity.unit)


def _line(console: Console, *parts: str | Text | tuple[str, str], indent: int = 2) -> None:
    """Print one line that keeps its indent where it wraps."""
    console.print(Padding(Text.assemble(*parts), (0, 0, 0, indent)))


def show_result(console: Console, result: Result) -> None:
    """Print a result."""
    title = result.check.replace("_", " ")
    if result.check_id:
        title = f"{result.check_id} {title}"
    if result.part:
        title += f", {result.part}"
    _line(console, mark(result.verdict), "  ", (title, "bold"), indent=0)
    _line(console, result.reason)
    if result.quantities:
        console.print(_quantities(result))
    for check in result.design_checks:
        _line(console, mark(check.verdict), "  ", (check.name.replace("_", " "), "bold"), f": {check.reason}")
    for name, limits in result.limits.items():
        if limits.source:
            _line(console, (f"limits of {name.replace('_', ' ')}: {limits.source}", "dim"))
    for finding in result.findings:
        _line(console, f"finding: {finding}")
    for caution in result.cautions:
        _line(console, (f"! caution: {caution}", "bold"))
    if result.record:
        _line(console, (f"written to {result.record.logbook}, entry {result.record.entry}", "dim"))


def _quantities(result: Result) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 2), show_header=True, header_style="dim")
    table.add_column("quantity")
    table.add_column("value ± U (95 %)", justify="right", no_wrap=True)
    table.add_column("k", justify="right")
    table.add_column("limits", justify="right")
    for name, quantity in result.quantities.items():
        table.add_row(
            name.replace("_", " "),
            _value_text(quantity),
            f"{quantity.coverage_factor:.2f}" if quantity.standard_uncertainty > 0 else "",
            limits_text(result.limits.get(name)),
        )
    return table
