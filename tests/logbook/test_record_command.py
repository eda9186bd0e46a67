"""The record command: what people and scripts see of the logbook."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
from contextlib import closing, nullcontext
from pathlib import Path
from typing import Any

import pytest
from helpers.field_edits import alter

from benchlog.cli import main
from benchlog.logbook import Logbook
from benchlog.logbook.verify import verify


@pytest.fixture
def spoilt(small: Path) -> Path:
    """A logbook whose first result was altered."""
    alter(
        small,
        "UPDATE entry SET text = replace(text, '\"fail\"', '\"pass\"') WHERE seq ="
        " (SELECT min(seq) FROM entry WHERE kind = 'result')",
    )
    return small


class Command:
    """Runs record actions on one logbook."""

    def __init__(self, path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.path = path
        self.capsys = capsys

    def text(self, *words: str, code: int = 0) -> str:
        """Standard output, or standard error where the exit code is not a success."""
        assert main(["record", *words, "--logbook", str(self.path)]) == code
        out, err = self.capsys.readouterr()
        return out if out else err

    def json(self, *words: str, code: int = 0) -> dict[str, Any]:
        """The one JSON object on standard output."""
        assert main(["record", *words, "--json", "--logbook", str(self.path)]) == code
        out, err = self.capsys.readouterr()
        assert err == ""
        assert out.count("\n") == 1
        value: dict[str, Any] = json.loads(out)
        return value


@pytest.fixture
def record(small: Path, capsys: pytest.CaptureFixture[str]) -> Command:
    """The command on a logbook with one of everything."""
    return Command(small, capsys)


def test_list_shows_entries_newest_first_without_reading_blocks(record: Command) -> None:
    """Blocks come several a second; they are shown when asked for."""
    found = record.json("list")
    numbers = [e["entry"] for e in found["entries"]]
    assert numbers == sorted(numbers, reverse=True)
    kinds = {e["kind"] for e in found["entries"]}
    assert "readings" not in kinds
    assert {"result", "capture", "attachment", "note", "supersede"} <= kinds
    assert [e["kind"] for e in record.json("list", "--kind", "readings")["entries"]] == ["readings"] * 2
    assert len(record.json("list", "--limit", "2")["entries"]) == 2
    text = record.text("list")
    assert "cover stays on" in text
    assert "withdrawn in entry" in text


def test_options_may_stand_before_the_action_too(small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--json and --logbook mean the same on either side."""
    assert main(["record", "--json", "--logbook", str(small), "show"]) == 0
    assert json.loads(capsys.readouterr().out)["project"] == "KC-1"


def test_show_gives_the_logbook_at_a_glance(record: Command) -> None:
    """Project, numbers, meters, head."""
    found = record.json("show")
    assert (found["project"], found["readings"], found["sessions"], found["session_open"]) == (
        "KC-1",
        30,
        1,
        False,
    )
    assert found["head"] == f"sha256:{verify(record.path).head}"
    assert {c["instrument"]: c["count"] for c in found["channels"]} == {"MA-01": 28, "MB-02": 0}
    text = record.text("show")
    assert "30 readings" in text
    assert found["head"] in text


def test_show_gives_one_entry_whole(record: Command) -> None:
    """A result as a result, readings as displayed, everything with its digest; a wrong number is a clear error."""
    for entry in record.json("list", "--all")["entries"]:
        whole = record.json("show", str(entry["entry"]))
        assert whole["digest"] == entry["digest"]
        assert entry["digest"] in record.text("show", str(entry["entry"]))
    block = record.json("list", "--kind", "readings")["entries"][-1]["entry"]
    assert "27.75 V  auto range" in record.text("show", str(block))
    assert "no entry 999" in record.text("show", "999", code=2)


def test_verify_says_what_holds(record: Command) -> None:
    """Consistent, and up to which entry a noted digest vouches."""
    head = verify(record.path).head
    found = record.json("verify", "--head", head[:16])
    assert (found["ok"], found["first"], found["head"]) == (True, None, f"sha256:{head}")
    assert "not altered since this digest was noted" in found["noted"]
    assert "are intact" in record.text("verify")


def test_verify_names_the_altered_entry_and_exits_5(spoilt: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In words and in JSON."""
    record = Command(spoilt, capsys)
    found = record.json("verify", code=5)
    with closing(sqlite3.connect(spoilt)) as db:
        (number,) = db.execute("SELECT min(seq) FROM entry WHERE kind = 'result'").fetchone()
    assert found["first"]["entry"] == number
    assert f"entry {number} was altered" in record.text("verify", code=5)


def test_a_wrong_head_exits_5(record: Command) -> None:
    """A truncated tail shows only like this."""
    assert "noted digest" in record.text("verify", "--head", "0" * 64, code=5)


def test_export_and_import(record: Command, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """All forms at once; the JSON lines make the same logbook again."""
    pytest.importorskip("pyarrow")
    words = [w for form in ("csv", "jsonl", "parquet") for w in (f"--{form}", str(tmp_path / form))]
    found = record.json("export", *words)
    assert found["left_out"] == []
    assert all(Path(path).exists() for path in found["written"])
    again = Command(tmp_path / "again.logbook", capsys)
    assert again.json("import", str(tmp_path / "jsonl"))["head"] == f"sha256:{verify(record.path).head}"
    assert "where to export to" in record.text("export", code=2)


def test_export_makes_its_folder_but_not_those_above_it(
    record: Command, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "there is no folder" in record.text("export", "--csv", str(tmp_path / "away" / "out"), code=2)
    assert not (tmp_path / "away").exists()


def test_export_of_a_damaged_logbook_gives_the_rest_and_exits_5(
    spoilt: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is left out is named."""
    record = Command(spoilt, capsys)
    found = record.json("export", "--csv", str(tmp_path / "csv"), code=5)
    assert len(found["left_out"]) == 1
    assert "altered" in found["left_out"][0]["what"]


def test_notes_files_and_corrections_are_recorded(record: Command, tmp_path: Path) -> None:
    """Each prints its entry; the logbook still verifies."""
    photo = tmp_path / "T1.png"
    photo.write_bytes(b"\x89PNG\r\n\x1a\n")
    noted = record.json("note", "fuse replaced by 315 mA", "--about", "T1")["record"]
    attached = record.json("attach", str(photo), "--about", "T1")["record"]
    with Logbook.open(record.path) as book:
        assert book.entry(noted["entry"]).body == {"text": "fuse replaced by 315 mA", "about": "T1"}
        assert book.entry(attached["entry"]).body["media_type"] == "image/png"
    record.json("supersede", str(noted["entry"]), "--reason", "it was 400 mA")
    assert "already withdrawn" in record.text("supersede", str(noted["entry"]), "--reason", "again", code=2)
    assert "empty" in record.text("note", " ", code=2)
    assert verify(record.path).ok


def test_text_that_would_steer_a_terminal_is_shown_harmless(record: Command) -> None:
    """Escape sequences and markup of the screen library are only text."""
    record.json("note", "\x1b[2J\x1b]0;owned\x07 [bold]x[/bold] \u202e")
    for words in (["list"], ["show", str(verify(record.path).entries)]):
        text = record.text(*words)
        assert "\x1b" not in text
        assert "\x07" not in text
        assert "[bold]x[/bold]" in text


@pytest.mark.parametrize("action", [["list"], ["show"], ["export", "--csv", "x"], ["note", "hello"]])
def test_a_text_file_gives_one_clear_error(
    tmp_path: Path, action: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 5, a hint, no traceback, the file untouched."""
    path = tmp_path / "notes.txt"
    path.write_text("buy wire")
    record = Command(path, capsys)
    text = record.text(*action, code=5)
    assert "is not a logbook" in text
    assert "try:" in text
    assert "is not a logbook" in record.json(*action, code=5)["error"]
    assert path.read_text() == "buy wire"


def test_an_anchor_is_made_by_the_tools_there_are(record: Command, tmp_path: Path) -> None:
    """A time-stamp request for the head digest, and a signature of it that checks."""
    if not shutil.which("openssl") or not shutil.which("ssh-keygen"):
        pytest.skip("openssl or ssh-keygen is not installed")
    key = tmp_path / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(key)], check=True)
    request, digest = tmp_path / "head.tsq", tmp_path / "head.txt"
    found = record.json("anchor", "--request", str(request), "--sign", str(digest), "--key", str(key))
    head = verify(record.path).head
    assert found["head"] == f"sha256:{head}"
    shown = subprocess.run(
        ["openssl", "ts", "-query", "-in", str(request), "-text"],
        capture_output=True,
        encoding="utf-8",
        check=True,
    ).stdout
    digits = "".join(
        c
        for line in shown.splitlines()
        if " - " in line
        for c in line.split(" - ")[1][:48]
        if c in "0123456789abcdef"
    )
    assert head in digits
    with digest.open("rb") as file:
        subprocess.run(
            ["ssh-keygen", "-Y", "check-novalidate", "-n", "benchlog-head", "-s", f"{digest}.sig"],
            stdin=file,
            capture_output=True,
            check=True,
        )
    assert "exists" in record.text("anchor", "--request", str(request), code=2)
    assert "say what to write" in record.text("anchor", code=2)


def test_a_missing_tool_is_named(record: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With what to do."""
    monkeypatch.setenv("PATH", str(tmp_path))
    text = record.text("anchor", "--sign", str(tmp_path / "head.txt"), "--key", "key", code=2)
    assert "ssh-keygen is not installed" in text


def test_writing_into_an_altered_logbook_warns(spoilt: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One line beside the answer; the entry is kept nevertheless."""
    assert main(["record", "note", "goes on", "--logbook", str(spoilt)]) == 0
    output = capsys.readouterr()
    assert "was altered; `benchlog record verify` says more" in output.err
    assert "noted" in output.out


def test_a_whole_logbook_is_written_into_without_a_word(
    small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["record", "note", "goes on", "--logbook", str(small)]) == 0
    assert not capsys.readouterr().err


def test_what_differs_in_a_spoilt_copy_is_looked_up_in_that_copy(
    spoilt: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["record", "compare", str(spoilt), str(spoilt)]) == 5
    errors = "".join(capsys.readouterr().err.split())
    assert f"benchlogrecordverify--logbook{spoilt}" in errors


@pytest.mark.parametrize(
    ("words", "said", "hint"),
    [
        (("show", "four"), "ENTRY: 'four' is not a whole number", "--help"),
        (("list", "--limit", "x"), "--limit: 'x' is not a whole number", "--help"),
        (("list", "--limit"), "--limit needs a value", "--help"),
        (("list", "--kind", "not"), "no entry of kind 'not'", "did you mean note?"),
        (("list", "--session", "77"), "there is no session 77", "sessions here: 1 to"),
        (("compare", "a.logbook", "b.logbook"), "there is no logbook a.logbook", "name two files"),
    ],
)
def test_slips_are_met_with_plain_words(
    small: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str, hint: str
) -> None:
    with pytest.raises(SystemExit) if words[0] == "show" or "--limit" in words else nullcontext():
        assert main(["record", *words, "--logbook", str(small)]) == 2
    errors = " ".join(capsys.readouterr().err.split())
    assert said in errors
    assert hint in errors
