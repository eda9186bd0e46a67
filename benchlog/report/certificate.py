"""The test certificate: one self-contained page without script, for the screen and for one to three sheets of A4."""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import TypeVar

from benchlog.capture import Capture
from benchlog.clock import rfc3339
from benchlog.errors import BenchlogError, UsageError
from benchlog.files import write_page
from benchlog.hookup import Circuit, Hookup
from benchlog.logbook import Logbook
from benchlog.plan import Part, Plan, kind_of_result
from benchlog.report.facts import Facts, gather
from benchlog.report.hookups import hookup_drawing
from benchlog.report.pictures import bode, load_line, model_words, waveforms
from benchlog.report.print_pdf import print_pdf
from benchlog.report.sanitise import plain_text, sanitise_svg
from benchlog.result import Result
from benchlog.wording import result_title

MAX_PICTURES = 6
_HEADLINE = 6000  #: Most characters of the first line, which names everything that is wrong.
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture as SVG text, with its caption."""

    svg: str
    caption: str


@dataclass(frozen=True, slots=True)
class Written:
    """Files written, and the statement in their first line."""

    paths: tuple[Path, ...]
    headline: str
    clean: bool
    damaged: bool


def write_certificate(
    book: Logbook, path: Path, *, now_utc_ns: int, plan: Plan | None = None, pdf: bool = False
) -> Written:
    """Write the certificate of a logbook.

    Parameters
    ----------
    path : Path
        HTML file to write, with `pdf` a PDF of the same name beside it; or the PDF, and then only that is written.
    now_utc_ns : int
        Time of issue.
    plan : Plan, optional
        Orders the checks and says what was not tested.
    pdf : bool
        Also print it with an installed Chromium.

    Raises
    ------
    UsageError
        If its folder does not exist, or if the name ends in neither .html nor (with `pdf`) .pdf.
    AdapterUnavailableError
        With `pdf`, when no Chromium is installed.
    """
    if path.suffix.lower() == ".pdf" and not pdf:
        raise UsageError(f"{path}: the certificate is an HTML page", hint=f"--out {path} --pdf prints it")
    if not path.parent.is_dir():
        raise UsageError(f"there is no folder {path.parent}", hint="make it first, or correct --out")
    facts = gather(book, plan, now_utc_ns)
    page = _rendered(facts, book, plan, now_utc_ns)
    paths: tuple[Path, ...] = (path,)
    if path.suffix.lower() == ".pdf":
        print_pdf(page, path)
    else:
        write_page(path, page)
        if pdf:
            paths = (path, path.with_suffix(".pdf"))
            print_pdf(page, paths[-1])
    return Written(paths, plain_text(facts.headline, _HEADLINE), facts.clean, bool(facts.damage))


def render_certificate(book: Logbook, *, now_utc_ns: int, plan: Plan | None = None) -> str:
    """Return the certificate as HTML text."""
    return _rendered(gather(book, plan, now_utc_ns), book, plan, now_utc_ns)


def _rendered(facts: Facts, book: Logbook, plan: Plan | None, now_utc_ns: int) -> str:
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup, escape

    def finalize(value: object) -> object:
        """Escape texts of plan and record, which may hold anything; only our own markup passes."""
        return plain_text(value) if isinstance(value, str) and not isinstance(value, Markup) else value

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, finalize=finalize)
    template = environment.from_string(
        (files("benchlog.report") / "certificate.html.jinja").read_text(encoding="utf-8")
    )
    parts = []
    if plan is not None:
        shown = {result.part for _, result in facts.results}
        parts = [_article(p) for p in plan.parts.values() if p.tag in shown]
    return template.render(
        facts=facts,
        headline=escape(plain_text(facts.headline, _HEADLINE)),
        whole=Markup,  # a data URI of our own making: letters, digits, + / =
        issued=rfc3339(now_utc_ns),
        logbook=book.path.name,
        parts=parts,
        typed=", ".join(
            f"{result.check_id or result.check.replace('_', ' ')} (entry {entry.seq})"
            for entry, result in facts.results
            if result.limits_set == "typed"
        ),
        pictures=[Picture(Markup(p.svg), p.caption) for p in _pictures(book, plan, facts)],  # noqa: S704 - looked through by sanitise_svg
        code=Markup(_scannable(facts.head)) if facts.head else "",  # noqa: S704 - own SVG of hex digits
    )


def _article(part: Part) -> str:
    """Tag and name of a part, and where it came from as far as the plan says.

    >>> from benchlog.plan import Part
    >>> _article(Part("T1", "wall transformer", supplier="kit", lot="7"))
    'T1 wall transformer (kit, lot 7)'
    """
    origin = ", ".join(filter(None, (part.supplier, part.lot and f"lot {part.lot}")))
    return f"{part.tag} {part.name}" + (f" ({origin})" if origin else "")


def _pictures(book: Logbook, plan: Plan | None, facts: Facts) -> list[Picture]:
    """Hook-ups and curves that say more than the table; the hook-up of each circuit once."""
    found: list[Picture] = []
    drawn: set[Circuit] = set()
    for entry, result in facts.results:
        name = result_title(result, entry.seq)
        wiring = _wiring(plan, result)
        if wiring is not None and wiring.circuit not in drawn:
            drawing = _or_none(partial(hookup_drawing, wiring))
            if drawing is not None:
                drawn.add(wiring.circuit)
                found.append(Picture(drawing, f"{name}: {result.hookup}"))
        if len(found) < MAX_PICTURES:  # a curve takes a third of a second
            curve = _or_none(partial(_curve, book, result, name))
            found += [curve] if curve is not None else []
        found = [picture for picture in found if sanitise_svg(picture.svg) is not None]
        if len(found) >= MAX_PICTURES:
            break
    return found[:MAX_PICTURES]


def _wiring(plan: Plan | None, result: Result) -> Hookup | None:
    """Return the hook-up of a result: from the result, or from the plan where an older record has none."""
    if result.wiring is not None or plan is None:
        return result.wiring
    check = plan.checks.get(result.check_id)
    return None if check is None else check.wiring()


def _or_none(draw: Callable[[], _T | None]) -> _T | None:
    """Return a drawing; None if the numbers of a record (1e308 V) can't be drawn."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return draw()
    except Exception:  # noqa: BLE001 - drawing libraries raise anything; the table is complete without its picture
        return None


def _curve(book: Logbook, result: Result, name: str) -> Picture | None:
    line = load_line(result, name)
    if line is not None:
        return Picture(line, f"{name}: load line; bars are U (95 %)")
    swept = bode(result, name)
    if swept is not None:
        return Picture(
            swept,
            f"{name}: sweep, bars are U (95 %) of the noise, line the fitted model: {model_words(result)}",
        )
    kind = kind_of_result(result.check)
    capture = _first_capture(book, result) if kind is not None and kind.waveforms else None
    if capture is None:
        return None
    frequency = result.quantities.get("frequency")
    svg = waveforms(capture, name, frequency_hz=frequency.value if frequency else None)
    return Picture(svg, f"{name}: first cycles of the record, {capture.n_samples} samples in all")


def _first_capture(book: Logbook, result: Result) -> Capture | None:
    for reference in result.evidence:
        kind, _, seq = reference.partition(":")
        if kind == "capture" and seq.isdigit():
            try:
                return book.capture(int(seq))
            except BenchlogError:
                return None  # damaged samples: the table is complete without their picture
    return None


def _scannable(digest: str) -> str:
    """The digest as a matrix code, SVG text."""
    import segno

    out = io.BytesIO()
    segno.make(f"sha256:{digest}", error="m").save(
        out, kind="svg", xmldecl=False, svgns=True, scale=1, border=2, omitsize=True
    )
    return out.getvalue().decode()
