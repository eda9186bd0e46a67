"""The certificate of whole, empty, planless and damaged logbooks, with photos, and on paper."""

from __future__ import annotations

import base64
import io
import re
import shutil
from pathlib import Path
from typing import Any

import msgspec
import pytest
from helpers.desk import Desk
from helpers.field_edits import alter
from helpers.hostile import photo, png
from helpers.passed_result import NOW, PASSED
from helpers.small_logbook import standard_body

from benchlog.cli import main
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.influence import Influence, Role
from benchlog.logbook import Logbook
from benchlog.report.attached import MAX_PIXELS, thumbnail
from benchlog.report.certificate import render_certificate, write_certificate
from benchlog.report.facts import gather
from benchlog.report.method import method_words
from benchlog.report.sanitise import label, plain_text, sanitise_svg
from benchlog.result import BudgetLine, Limits, Uncertain, Verdict


def first_line(page: str) -> str:
    """What the reader sees first."""
    found = re.search(r"<body>\s*<p class=\"first \w+\">(.*?)</p>", page, re.DOTALL)
    assert found is not None
    return found[1]


def headings(page: str) -> list[str]:
    """Titles of its parts, in order."""
    return re.findall(r"<h2>(.*?)</h2>", page)


def test_an_empty_logbook_says_that_nothing_was_tested(book: Logbook) -> None:
    """No table, no dates of measurements, but a digest."""
    page = render_certificate(book, now_utc_ns=NOW)
    assert first_line(page) == "Nothing was tested."
    assert headings(page) == ["Instruments", "Record"]
    assert "Measured" not in page
    assert book.head().digest in page


def test_without_a_plan_every_latest_result_is_listed(book: Logbook) -> None:
    """Superseded ones are not, and a recalled one is in the first line."""
    first = book.append_result(PASSED)
    book.append_result(msgspec.structs.replace(PASSED, part="L2"))
    wrong = book.append_result(msgspec.structs.replace(PASSED, part="L3"))
    book.supersede(wrong.seq, "wrong lead")
    facts = gather(book, None, NOW)
    assert [t.part for t in facts.tested] == ["L1", "L2"]
    assert facts.clean
    item = {
        "entry": first.seq,
        "check_id": "",
        "part": "L1",
        "class": "measure again",
        "reason": "",
        "holds": [],
    }
    book.append("recall", {"meter": "MA-01", "function": "ohm", "reason": "dropped", "results": [item]})
    page = render_certificate(book, now_utc_ns=NOW)
    assert f"continuity (L1, entry {first.seq}) recalled (relied on something found bad)" in first_line(page)
    assert "MA-01 was found bad on ohm" in page


def test_the_command_that_checks_the_page_works_as_printed(
    book: Logbook, capsys: pytest.CaptureFixture[str]
) -> None:
    """Copied from the page, it finds the digest."""
    book.append_result(PASSED)
    page = render_certificate(book, now_utc_ns=NOW)
    book.close()
    command = re.search(r"<code>benchlog (.*?)</code>", page)
    assert command is not None
    assert main([*command[1].split(), "--logbook", str(book.path)]) == 0
    assert "not altered since" in capsys.readouterr().out


def test_the_first_line_names_all_that_is_wrong(book: Logbook) -> None:
    """Texts of a record are cut at some length; the line that says what is wrong never is."""
    for kind in (Verdict.FAIL, Verdict.INDETERMINATE):
        for number in range(12):
            name = f"{kind}-{number:02}-{'x' * 25}"
            book.append_result(msgspec.structs.replace(PASSED, part=name, verdict=kind))
    first = first_line(render_certificate(book, now_utc_ns=NOW))
    assert first.count("entry ") == 24
    assert first.endswith("indeterminate.")


def test_practice_is_said_once_where_all_of_it_is(book: Logbook) -> None:
    """Of a mixed record each result of the simulated bench says it."""
    practice = Finding(FindingKind.SIMULATED, "practice: measured on the simulated bench")
    advice = Finding(FindingKind.ADVICE, "next (12 s): type all digits")
    book.append_result(msgspec.structs.replace(PASSED, findings=(practice, advice)))
    page = render_certificate(book, now_utc_ns=NOW)
    assert "Practice. All results are from the simulated bench" in page
    assert practice not in page
    assert advice not in page  # for the one who measures, not for the reader
    book.append_result(msgspec.structs.replace(PASSED, part="L2"))
    assert render_certificate(book, now_utc_ns=NOW).count(practice) == 1


def test_an_adjusted_meter_shows_how_it_was_found(
    demo: tuple[Path, dict[str, Any], float], tmp_path: Path
) -> None:
    """The results before the adjustment were measured with the meter as it was found; pictures name their entry."""
    page = (demo[0] / "certificate.html").read_text(encoding="utf-8")
    assert re.search(
        r"MB-02: V dc checked with CS-3 on 2026-06-06 \(E_n 2\.67 as found, 0\.14 as left\)", page
    )
    assert "known by" not in page
    captions = re.findall("<figcaption>(.*?)</figcaption>", page)
    assert captions
    assert all(re.match(r"C\w+ \w+, entry \d+: ", words) for words in captions)


def test_the_parts_are_in_their_order(demo: tuple[Path, dict[str, Any], float], tmp_path: Path) -> None:
    """First line, tested, open points, earlier failures, holds, substitutions, pictures, instruments, cautions, record."""
    page = (demo[0] / "certificate.html").read_text(encoding="utf-8")
    assert headings(page) == [
        "Tested", "Failed, withdrawn or skipped before", "Checks on the design", "Hold points", "Substitutions",
        "How it was measured, and what it looked like", "Instruments", "Cautions", "Record",
    ]  # fmt: skip
    assert page.index('class="first') < page.index("<h1>") < page.index("<h2>")


def test_a_damaged_logbook_says_so_first_and_lists_what_is_intact(tmp_path: Path, book: Logbook) -> None:
    """One byte of one result changed: it is left out, named, the other stays; the digest proves nothing; exit 5."""
    bad = book.append_result(PASSED)
    book.append_result(msgspec.structs.replace(PASSED, part="L2"))
    book.close()
    alter(book.path, "UPDATE entry SET text = replace(text, 'it is in', 'it is IN') WHERE seq=?", (bad.seq,))
    desk = Desk(tmp_path / "desk")
    desk.logbook = book.path
    said = desk.run("record", "certificate", "--out", desk.folder / "c.html", "--json")
    page = (desk.folder / "c.html").read_text(encoding="utf-8")
    assert said.code == 5
    assert said.json["damaged"] is True
    assert first_line(page).startswith(f"Attention: the logbook is damaged (entry {bad.seq}")
    assert "<b>continuity</b> L2" in page
    assert "L1: continuity" not in page
    assert "proves nothing" in page
    assert "covers every entry" not in page


def test_any_ten_bytes_of_the_file_spoilt_give_a_page_that_says_so_or_a_clear_error(
    demo: tuple[Path, dict[str, Any], float], tmp_path: Path
) -> None:
    """Never a traceback, never a clean first line over a logbook that does not verify."""
    import random

    rng = random.Random(3)
    whole = (demo[0] / "kc1.logbook").read_bytes()
    desk = Desk(tmp_path / "desk")
    for _ in range(4):
        data = bytearray(whole)
        for _ in range(10):
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        desk.logbook.write_bytes(data)
        page = desk.folder / "c.html"
        page.unlink(missing_ok=True)
        said = desk.run("record", "certificate", "--plan", demo[0] / "plan.toml", "--out", page)
        sound = desk.run("record", "verify").code == 0
        assert said.code in ((0,) if sound else (5,)), said.words
        assert "did not foresee" not in said.words
        if page.exists() and not sound:
            assert first_line(page.read_text(encoding="utf-8")).startswith(
                ("Attention: the logbook is damaged", "Nothing was tested. Attention")
            )


def test_photos_are_shown_small_and_newly_written(book: Logbook) -> None:
    """PNG and JPEG by their first bytes; at most 420 pixels; neither place nor comment of the original goes along."""
    from PIL import Image

    for data, name in ((photo(), "front.jpg"), (png(800, 300), "back.png"), (b"%PDF-1.7 x", "sheet.pdf")):
        book.attach(data, name=name, about="T1")
    page = render_certificate(book, now_utc_ns=NOW)
    pictures = re.findall(r'<img src="data:image/jpeg;base64,([A-Za-z0-9+/=]+)"', page)
    assert len(pictures) == 2
    for text in pictures:
        data = base64.b64decode(text)
        assert b"secret" not in data
        assert b"taken at home" not in data
        assert b"script" not in data
        with Image.open(io.BytesIO(data)) as image:
            assert max(image.size) == 420
            assert image.format == "JPEG"
    for name in ("front.jpg", "back.png", "sheet.pdf"):
        assert name in page


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"<svg onload=alert(1)>",
        b"GIF89a" + b"\x00" * 100,
        b"\xff\xd8\xff<script>",
        png(9000, 9000, b"x"),
        png(40, 30)[:60],
    ],
    ids=[
        "nothing",
        "svg",
        "gif",
        "script behind a jpeg's start",
        "claims too many pixels",
        "cut off",
    ],
)
def test_what_is_not_a_sound_photo_has_no_thumbnail(data: bytes) -> None:
    """Other kinds, false headers and truncated files."""
    assert MAX_PIXELS < 9000 * 9000
    assert thumbnail(data) == ""


def test_an_altered_attachment_is_not_shown(tmp_path: Path, book: Logbook) -> None:
    """Its bytes no longer give its digest: no picture, and the first line says that the logbook is damaged."""
    book.attach(photo((60, 40)), name="a.jpg")
    book.close()
    alter(book.path, "UPDATE attachment SET data=?", (photo((50, 40)),))
    with Logbook.open(book.path, mode="ro") as again:
        page = render_certificate(again, now_utc_ns=NOW)
    assert "<img" not in page
    assert "the logbook is damaged" in first_line(page)


def test_how_it_was_measured_is_shown_without_a_plan_too(demo: tuple[Path, dict[str, Any], float]) -> None:
    """For C07 the result alone gives hook-up, conditions and ranges; of C03 what was displayed, typed or not."""
    with Logbook.open(demo[0] / "kc1.logbook", mode="ro") as made:
        results = {r.check_id: r for _, r in made.results()}
        ratio = " ".join(method_words(made, None, results["C07"]))
        supply = " ".join(method_words(made, None, results["C03"]))
        listed = " ".join(method_words(made, None, results["C01"]))
    for words in (
        "60:1 divider",
        "divider 60:1 ±0.2 %",
        "sense loop 1 turn",
        "frequency 5.000 kHz",
        "peak to peak",
        "range ±80.00 mV",
        "limits from half a turn",
        "judged by the count: 60 turns: over 99.9 % sure",
    ):
        assert words in ratio
    assert "nameplate 24 V ac 40 VA" in supply
    assert re.search(r"MB-02 [\d.]+ V on V~ \(typed\)", supply)
    assert "T1 unplugged: tips of MA-01" in listed


def test_texts_and_pictures_of_unknown_origin() -> None:
    """Control and direction characters are replaced, long texts cut; a drawing that does more than draw is dropped."""
    assert plain_text("a\u202eb\x00c\x1b") == "a\ufffdb\ufffdc\ufffd"
    assert plain_text("27.75 V ± 0.38 V µΩ") == "27.75 V ± 0.38 V µΩ"
    assert len(plain_text("x" * 1_000_000)) < 700
    assert "$" not in label("$\\frac{1}{2}$")
    assert len(label("x" * 500)) == 40
    sound = '<svg xmlns="http://www.w3.org/2000/svg"><g clip-path="url(#a)"><path d="M0 0"/></g></svg>'
    assert sanitise_svg(sound) == sound
    for inside in (
        "<script>1</script>", "<a href='http://x/'><path/></a>", "<path onclick='1'/>", "<image href='http://x/y.png'/>",
        "<path style='fill:url(http://x/)'/>", "<foreignObject/>", "<path>",
    ):  # fmt: skip
        assert sanitise_svg(f'<svg xmlns="http://www.w3.org/2000/svg">{inside}</svg>') is None


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no Chromium to print with")
def test_the_whole_demo_fits_on_three_sheets(
    demo: tuple[Path, dict[str, Any], float], tmp_path: Path
) -> None:
    """Seventeen checks, four holds, six pictures: at most three pages of A4, in type of 8 points."""
    desk = Desk(tmp_path / "desk")
    desk.logbook = tmp_path / "kc1.logbook"
    shutil.copy(demo[0] / "kc1.logbook", desk.logbook)
    out = tmp_path / "c.pdf"
    assert desk.run("record", "certificate", "--plan", demo[0] / "plan.toml", "--out", out, "--pdf").code == 0
    assert not out.with_suffix(".html").exists()  # a page of that name may be of another plan
    pdf = out.read_bytes()
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) <= 3


def test_a_page_is_not_written_under_the_name_of_a_pdf(tmp_path: Path) -> None:
    """No viewer would open it; the hint is the command that makes both."""
    desk = Desk(tmp_path / "desk")
    desk.run("supply", "--nameplate", "24 V ac 40 VA", "--reading", "27.75 V ac", "--mains", "230 V")
    said = desk.run("record", "certificate", "--out", tmp_path / "c.pdf")
    assert said.code == 2
    assert "--pdf" in said.err
    assert not (tmp_path / "c.pdf").exists()


def test_a_missing_folder_is_an_error(book: Logbook, tmp_path: Path) -> None:
    """A mistyped path makes no folders."""
    with pytest.raises(UsageError, match="no folder"):
        write_certificate(book, tmp_path / "nowhere" / "c.html", now_utc_ns=NOW)
    assert not (tmp_path / "nowhere").exists()


def test_a_first_reading_that_was_diagnosed_stays_after_a_withdrawal(book: Logbook) -> None:
    """Undoing the result must not hide what its first reading was."""
    said = "first reading 0.02 V was looked into: a test lead is open (92 %)"
    wrong = book.append_result(msgspec.structs.replace(PASSED, findings=(Finding(FindingKind.ENTRY, said),)))
    book.supersede(wrong.seq, "read the wrong range")
    book.append_result(PASSED)
    (line,) = gather(book, None, NOW).history
    assert said in line
    assert "withdrawn (read the wrong range)" in line


def test_the_first_line_counts_and_instruments_have_dates(book: Logbook) -> None:
    """What passed, what had failed before; when each meter was checked on a standard, and what it claims."""
    failed = msgspec.structs.replace(PASSED, verdict=Verdict.FAIL, reason="too high")
    book.append_result(failed)
    book.append("standard", standard_body("MA-01", "pass"))
    line = BudgetLine("accuracy of MA-01 (1 % + 5)", 0.001, Influence(Role.READING, "MA-01", "ohm"))
    budget = {"resistance": Uncertain(0.2, 0.001, 0.002, "ohm", budget=(line,))}
    book.append_result(msgspec.structs.replace(PASSED, quantities=budget))
    facts = gather(book, None, NOW)
    assert facts.headline == "1 of 1 check passed; 1 failed before (entry 2) and was done again."
    assert facts.meters == (
        "MA-01: V dc checked with CS-3 on 2027-01-15 (E_n 0.10); ohm never checked; accuracy claimed: ohm 1 % + 5",
    )
    page = render_certificate(book, now_utc_ns=NOW)
    assert "today" not in page
    assert "days ago" not in page


def test_a_withdrawn_result_is_not_called_nothing(book: Logbook) -> None:
    """What was tried is listed below, so the first line does not deny it; a check that was skipped was not tested."""
    book.append("skip", {"check_id": "C03", "part": "T1", "reason": "no load"})
    assert gather(book, None, NOW).headline == "Nothing was tested."
    book.append_result(PASSED)
    book.supersede(3, "the wrong part")
    facts = gather(book, None, NOW)
    assert facts.headline == "No result counts."
    assert len(facts.history) == 2


def test_no_type_on_paper_is_below_eight_points(book: Logbook) -> None:
    """Sheets are read at the bench."""
    page = render_certificate(book, now_utc_ns=NOW)
    sizes = [float(size) for size in re.findall(r"font(?:-size)?:\s*([\d.]+)pt", page)]
    assert len(sizes) > 5
    assert min(sizes) >= 8


def test_time_stamps_and_signatures_are_beside_the_digest(book: Logbook) -> None:
    """With what each vouches for."""
    head = book.head()
    body = {"entry": head.seq, "digest": head.digest, "key": "SHA256:abc", "signature": "none"}
    book.append("signature", body)
    page = render_certificate(book, now_utc_ns=NOW)
    assert "false signature" in page or "was not checked" in page


def test_a_meter_without_a_tag_is_there_by_its_accuracy(book: Logbook) -> None:
    line = BudgetLine("accuracy of meter (1 % + 5)", 0.001, Influence(Role.READING, "", "ohm"))
    budget = {"resistance": Uncertain(0.2, 0.001, 0.002, "ohm", budget=(line,))}
    book.append_result(msgspec.structs.replace(PASSED, quantities=budget, instruments=()))
    words = "meter without a tag: not checked on a check standard; accuracy claimed: ohm 1 % + 5"
    assert gather(book, None, NOW).meters == (words,)


def test_limits_are_printed_with_their_own_uncertainty(book: Logbook) -> None:
    limits = {"resistance": Limits(0.1, 0.3, "ohm", "computed", 0.01)}
    book.append_result(msgspec.structs.replace(PASSED, limits=limits))
    page = re.sub(r"<[^>]*>", "", render_certificate(book, now_utc_ns=NOW))
    assert "100.0 … 300.0 mΩ (limits known to ± 20 mΩ)" in page
