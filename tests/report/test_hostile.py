"""Whatever is in plan, logbook and attachments: the certificate only shows it, exports only hold it."""

from __future__ import annotations

import csv
import json
import unicodedata
from html.parser import HTMLParser
from pathlib import Path

import pytest
from helpers.desk import Desk
from helpers.hostile import hostile_logbook
from helpers.passed_result import NOW
from helpers.plan_text import toml

from benchlog.logbook import Logbook
from benchlog.plan import Plan
from benchlog.report.certificate import render_certificate

_OWN = {
    *(
        "html",
        "head",
        "meta",
        "title",
        "style",
        "body",
        "p",
        "h1",
        "h2",
        "b",
        "span",
        "ul",
        "li",
        "div",
        "code",
    ),
    *("table", "thead", "tbody", "tr", "th", "td", "figure", "figcaption", "img"),
    *(
        "svg",
        "g",
        "defs",
        "path",
        "use",
        "text",
        "tspan",
        "line",
        "rect",
        "circle",
        "polygon",
        "polyline",
        "ellipse",
        "clippath",
    ),
    *("metadata", "rdf:rdf", "cc:work", "dc:type", "dc:title"),
}


class Tags(HTMLParser):
    """Tags, attributes and texts of a page."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Plan]:
    """Logbook and plan, made once."""
    return hostile_logbook(tmp_path_factory.mktemp("hostile"))


@pytest.fixture(scope="module", params=["with plan", "without plan"])
def page(request: pytest.FixtureRequest, hostile: tuple[Path, Plan]) -> str:
    """The certificate."""
    path, plan = hostile
    with Logbook.open(path, mode="ro") as book:
        return render_certificate(book, now_utc_ns=NOW, plan=plan if request.param == "with plan" else None)


def test_only_own_tags_and_no_handler_or_reference_are_in_the_page(page: str) -> None:
    """Every tag is one the template or the drawings write; pictures are data, links stay inside, nothing listens."""
    for tag, attributes in Tags(page).tags:
        assert tag in _OWN, tag
        for name, value in attributes.items():
            assert not name.startswith("on"), (tag, name)
            if name in ("src", "href", "xlink:href", "action", "data", "poster"):
                assert (value or "").startswith(("data:image/jpeg;base64,", "#")), (tag, name, value)
            if name == "style" and "url(" in (value or ""):
                assert "url(#" in (value or "")
            assert name != "http-equiv" or value == "Content-Security-Policy"


def test_the_nasty_texts_are_shown_as_texts(page: str) -> None:
    """They aren't hidden either: a reader sees what somebody wrote."""
    text = "".join(Tags(page).texts)
    assert "<script>document.title='RAN'" in text
    assert "onerror=" in text


def test_no_control_or_direction_character_and_no_endless_text(page: str) -> None:
    """Nothing that a screen obeys, nothing that reads backwards; a million characters are cut short, and say so."""
    odd = {c for c in page if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp")} - {"\n", "\t"}
    assert odd == set()
    assert len(page) < 1_500_000
    assert "characters, complete in the record)" in page


def test_a_photo_becomes_a_thumbnail_and_a_false_one_does_not(page: str) -> None:
    """Of four attachments one is a picture; a claimed 10^10 pixels, script behind a JPEG's first bytes and SVG are not shown."""
    assert page.count("<img ") == 1
    assert "Comment" not in page.partition("<img ")[2][:4000]


def test_sheets_hold_no_formula_and_stay_in_their_folder(hostile: tuple[Path, Plan], tmp_path: Path) -> None:
    """No cell begins as a formula; only the named files are written, and the entries come back equal."""
    path, _ = hostile
    desk = Desk(tmp_path / "desk")
    desk.logbook = path
    before = set(path.parent.rglob("*"))
    said = desk.run("record", "export", "--csv", desk.folder / "csv", "--jsonl", desk.folder / "jsonl")
    assert said.code == 0
    csv.field_size_limit(10_000_000)
    for name in ("results.csv", "quantities.csv", "readings.csv", "events.csv"):
        with (desk.folder / "csv" / name).open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                for cell in row:
                    assert not cell.startswith(("=", "+", "@", "\t", "\r")), cell[:80]
                    assert not cell.startswith("-") or cell[1:2].isdigit() or cell[1:4] == "inf"
    written = {p.relative_to(desk.folder).as_posix() for p in desk.folder.rglob("*") if p.is_file()}
    assert {w for w in written if not w.startswith("jsonl/blobs/")} == {
        "bench.toml", "csv/results.csv", "csv/quantities.csv", "csv/readings.csv", "csv/events.csv", "jsonl/entries.jsonl", "jsonl/readings.jsonl", "jsonl/HOW-TO-CHECK.txt",
    }  # fmt: skip
    assert set(path.parent.rglob("*")) - before <= {Path(f"{path}-wal"), Path(f"{path}-shm")}
    made = Desk(tmp_path / "again")
    assert made.run("record", "import", desk.folder / "jsonl").code == 0
    assert made.run("record", "verify").words.split()[-1] == desk.run("record", "verify").words.split()[-1]


def test_screens_hold_nothing_a_terminal_obeys(hostile: tuple[Path, Plan], tmp_path: Path) -> None:
    """Status, list, show, release and certificate of the hostile logbook print no escape and no control character."""
    path, plan = hostile
    desk = Desk(tmp_path / "desk")
    desk.logbook = path
    hold = next(iter(plan.holds))
    commands = [
        ("status", plan.path),
        ("record", "list", "--all"),
        ("record", "show"),
        ("record", "show", "5"),
        ("release", plan.path, hold),
        ("record", "certificate", "--plan", plan.path, "--out", desk.folder / "c.html"),
    ]
    for words in commands:
        said = desk.run(*words)
        odd = {c for c in said.out + said.err if unicodedata.category(c) in ("Cc", "Cf")} - {"\n"}
        assert odd == set(), (words[:2], odd)
        assert "Traceback" not in said.err


@pytest.mark.parametrize(
    "line",
    [
        f"id = {toml('A' * 1_000_000)}",
        f"id = {toml(chr(0) + 'C1')}",
        f"id = {toml(chr(0x202E) + 'C1')}",
        'id = "C1"\nlimits.voltage = { high = "1e999 V" }',
        'id = "C1"\nlimits.voltage = { high = "NaN V" }',
        "id = " + "[" * 100_000,
        'id = "C1"\n' + ".".join("a" * 20_000) + " = 1",
    ],
)
def test_a_plan_that_can_not_be_meant_is_one_clear_error(tmp_path: Path, line: str) -> None:
    """Endless, invisible, infinite, deep: exit 2, a short message, no traceback."""
    desk = Desk(tmp_path / "desk")
    plan = desk.write(
        "plan.toml",
        f'[project]\nname = "P"\n[[part]]\ntag = "T1"\n[[check]]\nkind = "reading"\npart = "T1"\nfunction = "V~"\n{line}\n',
    )
    said = desk.run("status", plan)
    assert said.code == 2
    assert said.err.startswith("benchlog: ")
    assert len(said.err) < 2000


def test_a_hostile_name_in_the_bench_file_is_refused_or_harmless(tmp_path: Path) -> None:
    """Tags of instruments with markup and control characters: an error or a clean screen, never a traceback."""
    for tag in ("<script>x</script>", "\x1b[31mM", "\u202eM", "M" * 100_000, "../../M"):
        desk = Desk(
            tmp_path / "desk", f'[[instrument]]\ntag = {toml(tag)}\nkind = "meter"\naddress = "typed:"\n'
        )
        said = desk.run("standard", tag, "CS-3", "5.00 V dc", "--nominal", "5 V dc", "--json")
        assert said.code in (0, 2)
        assert json.loads(said.out)
        assert "\x1b" not in said.out
