"""Header of a text table: column names, units, and fields such as the sample interval."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from benchlog.capture_files.cells import BLANKS, cell_kind, split_line
from benchlog.capture_files.text_layout import TextLayout
from benchlog.errors import CaptureFileError, UsageError
from benchlog.units import parse_quantity

# Words as written out in headers, to factor and SI unit; symbols are left to `benchlog.units`.
_UNIT_WORDS = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "sekunde", "sekunden"), (1.0, "s")),
    **dict.fromkeys(("ms", "msec", "millisecond", "milliseconds"), (1e-3, "s")),
    **dict.fromkeys(("us", "usec", "microsecond", "microseconds"), (1e-6, "s")),
    **dict.fromkeys(("ns", "nsec", "nanosecond", "nanoseconds"), (1e-9, "s")),
    **dict.fromkeys(("min", "mins", "minute", "minutes"), (60.0, "s")),
    **dict.fromkeys(("h", "hr", "hour", "hours"), (3600.0, "s")),
    **dict.fromkeys(("d", "day", "days"), (86400.0, "s")),
    **dict.fromkeys(("volt", "volts"), (1.0, "V")),
    **dict.fromkeys(("millivolt", "millivolts"), (1e-3, "V")),
    **dict.fromkeys(("amp", "amps", "ampere", "amperes"), (1.0, "A")),
    **dict.fromkeys(("milliamp", "milliamps", "milliampere"), (1e-3, "A")),
    **dict.fromkeys(("ohm", "ohms"), (1.0, "ohm")),
    **dict.fromkeys(("hertz",), (1.0, "Hz")),
    **dict.fromkeys(("watt", "watts"), (1.0, "W")),
    **dict.fromkeys(("degc", "deg c", "celsius", "°c"), (1.0, "degC")),
    **dict.fromkeys(("deg", "degree", "degrees", "°"), (1.0, "deg")),
    **dict.fromkeys(("%", "percent"), (0.01, "1")),
}
_NO_UNIT_WORDS = frozenset(["sequence", "index", "count", "counts", "none", "1", "#", "-", ""])
_BRACKETS = re.compile(r"(.*?)\s*[(\[{<]\s*([^()\[\]{}<>]+?)\s*[)\]}>]\s*")
_SLASH = re.compile(r"(.*\S)\s*/\s*([A-Za-zµΩ°%]{1,5})")
_TAIL = re.compile(r"(.*\w)_(s|ms|us|ns|V|mV|A|mA|ohm|Hz|degC)")
_RULE = re.compile(r"[\s\-=_*+|#~,;]*")
_COMMENT = re.compile(r"^\s*(?:#|%|//|!)+\s*")
_FIELD = re.compile(r"([^:=]{1,60}?)\s*[:=]\s*(\S.*)")
_INTERVAL_KEY = re.compile(
    r"(?:(?:sampl(?:e|ing)|time|x|horizontal|point)[ _-]*(?:interval|period|increment|incr|spacing|step|resolution)"
    r"|xincr(?:ement)?|x_?inc|h(?:orizontal)?[ _-]*interval|increment|interval|delta[ _-]*t|dt|t_?inc|ts"
    r"|seconds per sample|abtastintervall)"
)
_RATE_KEY = re.compile(
    r"(?:(?:sampl(?:e|ing)|acquisition)[ _-]*(?:rate|frequency|freq)|fs|samples per second|abtastrate)"
)
_START_KEY = re.compile(
    r"(?:start|start time|x[ _-]*(?:zero|origin|start|offset)|xzero|t0|first sample|trigger offset)"
)


@dataclass(frozen=True, slots=True)
class Header:
    """Contents of the lines above the data."""

    names: tuple[str, ...]  #: One a column, empty where there is none.
    raw_names: tuple[str, ...]  #: The same with the unit, as in the file.
    #: Factor and SI unit of each column; unit empty when not given.
    units: tuple[tuple[float, str], ...]
    named: bool  #: Whether there was a line of names at all.
    fields: Mapping[str, str]  #: Keys (lower case) to values, e.g. ``{"sample interval": "1e-6"}``.
    note: str = ""  #: A line of words above the data that is not a line of names.


def unit_of(text: str) -> tuple[float, str] | None:
    """Return factor and SI unit of a unit as written in headers; None if it is not a unit."""
    plain = text.strip().strip("()[]{}<>").strip()
    found = _UNIT_WORDS.get(plain.casefold()) if plain not in ("H", "D", "S") else None
    if found is None and plain and len(plain) <= 8:
        # RMS and peak marks belong to the quantity, not to the unit.
        plain = re.sub(r"[_ ]?(?:rms|pp|pk|ac|dc)$", "", plain, flags=re.IGNORECASE)
        try:
            quantity = parse_quantity(f"1 {plain}")
        except UsageError:
            return None
        found = None if quantity.unit == "1" else (quantity.value, quantity.unit)
    return found


def _name_and_unit(cell: str) -> tuple[str, tuple[float, str]]:
    for pattern in (_BRACKETS, _SLASH, _TAIL):
        match = pattern.fullmatch(cell)
        if match:
            unit = unit_of(match.group(2))
            if unit is not None:
                return (match.group(1).strip() or cell).strip(), unit
    return cell.strip(), (1.0, "")


def _is_units_row(cells: list[str], width: int) -> bool:
    known = [c for c in cells if unit_of(c) is not None]
    rest = [c for c in cells if unit_of(c) is None and c.strip("()[]").casefold() not in _NO_UNIT_WORDS]
    # It may also contain a value or two: start and increment.
    numbers = [c for c in rest if cell_kind(c, ".") == "N" or cell_kind(c, ",") == "N"]
    return (
        bool(known)
        and len(rest) == len(numbers)
        and len(cells) >= width - 1
        and len(numbers) <= len(cells) // 2
    )


def read_header(layout: TextLayout) -> Header:
    """Read the lines above the data of a table in this layout."""
    rows, fields = _rows_and_fields(layout)
    names, units_row = _find_names(rows, layout)
    if names and len([c for c in units_row if c]) <= len(names):
        for name, value in zip(names, units_row, strict=False):  # start/increment row
            if cell_kind(value, layout.decimal) == "N":
                fields[_key(name)] = value
    note = ""
    last = rows[-1] if rows and not names else []
    if len(last) > 1 and all(cell_kind(c, layout.decimal) == "X" for c in last):
        note = f"{len(last)} words above {layout.width} columns, not taken as names: {', '.join(last)[:60]}"
    return _columns(names, units_row, layout, fields, note)


def _rows_and_fields(layout: TextLayout) -> tuple[list[list[str]], dict[str, str]]:
    """Return the cells of each line above the data, and the fields written there."""
    rows: list[list[str]] = []
    fields: dict[str, str] = {}
    for line in layout.header:
        if _RULE.fullmatch(line) or line.strip().lower().startswith("sep="):
            continue
        bare = _COMMENT.sub("", line)
        cells = split_line(bare, layout.delimiter)
        rows.append(cells)
        match = _FIELD.fullmatch(bare.strip().rstrip(layout.delimiter or " "))
        if match and (layout.delimiter in ("", BLANKS) or layout.delimiter not in match.group(1)):
            _add_field(fields, match.group(1), match.group(2).strip())
        elif len(cells) >= 2 and cells[0] and cells[1]:
            _add_field(fields, cells[0], _value_beside(cells, layout))
    return rows, fields


def _value_beside(cells: list[str], layout: TextLayout) -> str:
    """Return the value, with its unit, of a field written in cells: key, value, perhaps a unit."""
    value, third = cells[1], cells[2] if len(cells) > 2 else ""
    # "Sample Interval,2,5E-6" in a file whose data cells are quoted for their decimal commas
    comma_marks_both = layout.decimal == "," == layout.delimiter and len(cells) == 3
    if comma_marks_both and value.lstrip("+-").isdigit() and re.fullmatch(r"\d+(?:[eE][+-]?\d+)?", third):
        value = f"{value},{third}"
    unit = third if third and unit_of(third) else ""
    return f"{value} {unit}".strip()


def _add_field(fields: dict[str, str], key: str, value: str) -> None:
    """Add a field; a unit in its key ("Sampling rate [kHz]") goes to a value that has none."""
    match = _BRACKETS.fullmatch(key.strip())
    if match and unit_of(match.group(2)):
        key, bare = match.group(1), re.fullmatch(r"[-+.,\deE]+", value)
        value = f"{value} {match.group(2)}" if bare else value
    fields.setdefault(_key(key), value)


def _key(text: str) -> str:
    return " ".join(text.strip().strip('"').casefold().split())


def _find_names(rows: list[list[str]], layout: TextLayout) -> tuple[list[str], list[str]]:
    """Return the row of names and the row of units, each empty when there is none."""
    if not rows:
        return [], []
    nearest = rows[-1]
    if _is_units_row(nearest, layout.width):
        if len(rows) > 1 and _is_names_row(rows[-2], layout, numbered=True):
            return rows[-2], nearest
        return (nearest, []) if _is_names_row(nearest, layout) else ([], nearest)
    if not _is_names_row(nearest, layout):
        return [], []
    above = rows[-2] if len(rows) > 1 else []
    if layout.delimiter == BLANKS and len(above) == len(nearest) and _is_names_row(above, layout):
        # Of two lines of names ("Resistance Month", "Y1 X1") use the one in words.
        return max(nearest, above, key=lambda row: sum(c.isalpha() for c in "".join(row))), []
    return nearest, []


def _is_names_row(cells: list[str], layout: TextLayout, *, numbered: bool = False) -> bool:
    """Return whether a line names the columns; above a line of units channels may be called 1 and 2."""
    filled = [c for c in cells if c]
    kinds = [cell_kind(c, layout.decimal) for c in filled]
    if not filled or kinds[0] == "N" or max(map(len, filled)) > 60:
        return False
    if 2 * (kinds.count("X") + kinds.count("M")) < len(filled) and not numbered:
        return False
    return _covers_columns(cells, layout)


def _covers_columns(cells: list[str], layout: TextLayout) -> bool:
    """Return whether a row has as many cells as the table has columns."""
    trimmed = max(i for i, c in enumerate(cells, start=1) if c)
    wanted = len(layout.kinds.rstrip("M"))
    if wanted <= trimmed <= layout.width or len(cells) == layout.width:
        return True
    if trimmed > wanted and any(_INTERVAL_KEY.fullmatch(c.casefold()) for c in cells[1:]):
        return True
    # The leading time column often has no name of its own.
    return trimmed == wanted - 1 and layout.kinds[0] in "SDC" and wanted > 1


def _columns(
    names: list[str], units_row: list[str], layout: TextLayout, fields: Mapping[str, str], note: str
) -> Header:
    width = layout.width
    named = bool(names)
    while names and not names[-1]:
        names = names[:-1]
    if named and len(names) == len(layout.kinds.rstrip("M")) - 1 and layout.kinds[0] in "SDC":
        if not units_row or len(units_row) == len(names):
            units_row = ["", *units_row] if units_row else []
        names = ["time", *names]
    names = (names + [""] * width)[:width]
    units_row = (units_row + [""] * width)[:width]
    parsed = [_name_and_unit(name) for name in names]
    units = tuple(
        unit_of(below) or (1.0, "") if below else unit
        for (_, unit), below in zip(parsed, units_row, strict=True)
    )
    return Header(tuple(n for n, _ in parsed), tuple(names), units, named, fields, note)


def _number(text: str, decimal: str) -> tuple[float, str] | None:
    """Return number and the text behind it."""
    match = re.match(r"\s*\"?([+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*)", text)
    if not match:
        return None
    digits = match.group(1)
    if "," in digits and (decimal != "," or "." in digits):
        return None
    return float(digits.replace(",", ".")), match.group(2).strip().strip('",;')


def _in_si(value: str, decimal: str) -> tuple[float, str] | None:
    """Number of a field in its SI unit, and that unit; None if it begins with no number."""
    parsed = _number(value, decimal)
    if parsed is None:
        return None
    number, tail = parsed
    word = tail.replace("Sa/s", "Hz").replace("S/s", "Hz").replace("sps", "Hz").split(" ")[0]
    factor, unit = unit_of(word) or (1.0, "")
    return number * factor, unit


def agreed_interval(name: str, source: str, found_s: float, given_s: float | None) -> float:
    """Return the sample interval that a file states, which one given beside it must equal (second).

    Raises
    ------
    CaptureFileError
        If they differ by more than 1 %.
    """
    if given_s is not None and abs(given_s / found_s - 1) > 0.01:
        raise CaptureFileError(
            f"{name}: the file has a sample interval of {found_s:.6g} s ({source}), but {given_s:.6g} s was given",
            hint="leave out the given sample interval (--sample-interval)",
        )
    return found_s


def interval_from_fields(
    fields: Mapping[str, str], decimal: str, name: str, given_s: float | None
) -> tuple[float | None, float | None, str]:
    """Return sample interval and first sample's time (second), and the field the interval came from.

    Each is None where neither the header nor the user says.

    Raises
    ------
    CaptureFileError
        If header and user contradict each other.
    """
    interval: float | None = None
    start: float | None = None
    source = ""
    for key, value in fields.items():
        number, unit = _in_si(value, decimal) or (0.0, "no number")
        if interval is None and number > 0 and unit in ("", "s") and _INTERVAL_KEY.fullmatch(key):
            interval, source = number, f"{key}: {value}"
        elif interval is None and number > 0 and unit in ("", "Hz") and _RATE_KEY.fullmatch(key):
            interval, source = 1.0 / number, f"{key}: {value}"
        elif start is None and unit in ("", "s") and _START_KEY.fullmatch(key):
            start = number
    if interval is None:
        return given_s, start, "given" if given_s is not None else ""
    return agreed_interval(name, source, interval, given_s), start, source
