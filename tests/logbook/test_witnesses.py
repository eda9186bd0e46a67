"""Time stamps, signatures, noted heads, copies: what a stranger can check, also without benchlog."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
from contextlib import closing
from importlib.resources import files
from pathlib import Path

import pytest
from helpers.authority import Authority
from helpers.forge import Rows, changed, edited

from benchlog.cli import main
from benchlog.errors import UsageError
from benchlog.logbook import Logbook
from benchlog.logbook.copies import Relation, compare, copy_path, copy_state, make_copy
from benchlog.logbook.verify import verify
from benchlog.logbook.witnesses import Trust, keep_signature

needs_openssl = pytest.mark.skipif(not shutil.which("openssl"), reason="openssl is not installed")
needs_keygen = pytest.mark.skipif(not shutil.which("ssh-keygen"), reason="ssh-keygen is not installed")


@pytest.fixture(scope="module")
def authorities(tmp_path_factory: pytest.TempPathFactory) -> tuple[Authority, Authority]:
    """Two authorities with roots of their own."""
    folder = tmp_path_factory.mktemp("authorities")
    return Authority(folder / "one", "Authority One"), Authority(folder / "two", "Authority Two")


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An SSH key, and a file of allowed signers beside it."""
    path = tmp_path_factory.mktemp("keys") / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(path)], check=True)
    public = path.with_suffix(".pub").read_text().split()
    path.with_name("signers").write_text(f"builder@bench {public[0]} {public[1]}\n")
    return path


@needs_openssl
def test_a_head_is_stamped_by_two_authorities_at_once(
    small: Path, authorities: tuple[Authority, Authority], capsys: pytest.CaptureFixture[str]
) -> None:
    """Both answers are about the same entry; each is believed by its own root."""
    one, two = authorities
    head = verify(small)
    with one.serving() as first, two.serving() as second:
        words = [
            "record",
            "anchor",
            "--authority",
            first,
            "--authority",
            second,
            "--logbook",
            str(small),
            "--json",
        ]
        assert main(words) == 0
    answer = json.loads(capsys.readouterr().out)
    assert [stamp["about"] for stamp in answer["stamps"]] == [head.entries] * 2
    assert [stamp["authority"] for stamp in answer["stamps"]] == ["CN=Authority One", "CN=Authority Two"]
    both = small.with_name("roots.pem")
    both.write_bytes(one.roots.read_bytes() + two.roots.read_bytes())
    found = verify(small, roots=both)
    assert found.ok
    assert [w.trust for w in found.witnesses] == [Trust.GOOD, Trust.GOOD]
    assert f"entries 1 to {head.entries} not altered since 20" in found.witnesses[0].words
    assert "according to CN=Authority One" in found.witnesses[0].words
    unknown = verify(small)
    assert unknown.ok
    assert {w.trust for w in unknown.witnesses} == {Trust.UNKNOWN}
    wrong = verify(small, roots=one.roots)
    assert [w.trust for w in wrong.witnesses] == [Trust.GOOD, Trust.FALSE]
    assert not wrong.ok


@needs_openssl
def test_offline_a_file_goes_out_and_another_comes_back(
    small: Path, tmp_path: Path, authorities: tuple[Authority, Authority]
) -> None:
    """Entries written in between do not matter."""
    authority = authorities[0]
    request, answer = tmp_path / "head.tsq", tmp_path / "head.tsr"
    before = verify(small)
    at = ["--logbook", str(small)]
    assert main(["record", "anchor", "--request", str(request), *at]) == 0
    assert main(["record", "note", "in between", *at]) == 0
    answer.write_bytes(authority.answer(request.read_bytes()))
    assert main(["record", "anchor", "--answer", str(answer), *at]) == 0
    (witness,) = verify(small, roots=authority.roots).witnesses
    assert (witness.trust, witness.upto) == (Trust.GOOD, before.entries)
    # Another logbook's answer is refused.
    other = tmp_path / "other.logbook"
    assert main(["record", "note", "x", "--logbook", str(other)]) == 0
    assert main(["record", "anchor", "--answer", str(answer), "--logbook", str(other)]) == 2
    answer.write_bytes(b"no answer")
    assert main(["record", "anchor", "--answer", str(answer), *at]) == 2


@needs_openssl
@needs_keygen
@pytest.mark.skipif(
    not (shutil.which("sqlite3") and shutil.which("sha256sum")),
    reason="sqlite3 or sha256sum is not installed",
)
def test_the_manual_s_commands_verify_without_benchlog(
    small: Path, tmp_path: Path, authorities: tuple[Authority, Authority], key: Path
) -> None:
    """The script of the page, as printed: the chain's head, a time stamp, a signature; an altered entry is found."""
    book = ["--logbook", str(small)]
    with authorities[0].serving() as url:
        assert main(["record", "anchor", "--authority", url, *book]) == 0
    assert main(["record", "sign", "--key", str(key), *book]) == 0
    shutil.copy(authorities[0].roots, tmp_path / "roots.pem")
    shutil.copy(key.with_name("signers"), tmp_path / "signers")
    page = files("benchlog.logbook").joinpath("by_hand.txt").read_text(encoding="utf-8")
    commands = page[page.index("Steps 1, 2, 3 and 5 with") :]
    script = "\n".join(line for line in commands.splitlines() if line.startswith("  "))

    def run() -> str:
        done = subprocess.run(
            ["sh"],
            input=script.replace("bench.logbook", str(small)).encode(),
            cwd=tmp_path,
            capture_output=True,
            check=False,
        )
        return (done.stdout + done.stderr).decode()

    said = run()
    assert f"head sha256:{verify(small).head}" in said
    assert "does not follow" not in said
    assert "Verification: OK" in said
    assert 'Good "benchlog-head" signature for builder@bench' in said
    with closing(sqlite3.connect(small)) as db, db:
        db.execute("UPDATE entry SET text = text || ' ' WHERE seq = 2")
    assert "entry 3 does not follow the one before it" in run()


@needs_openssl
def test_what_was_stamped_cant_be_rewritten(
    small: Path, tmp_path: Path, authorities: tuple[Authority, Authority]
) -> None:
    """Not even with the whole rest of the chain computed anew, the stamp's entry included."""
    with authorities[0].serving() as url:
        assert main(["record", "anchor", "--authority", url, "--logbook", str(small)]) == 0
    rows = Rows(small)
    target = tmp_path / "forged.logbook"
    changed(
        small, target, lambda db: edited(db, rows.first_of["note"], lambda f: f["body"].update(text="fine"))
    )
    found = verify(target, roots=authorities[0].roots)
    assert not found.ok
    assert [w.trust for w in found.witnesses] == [Trust.FALSE]

    # With the digest in the entry made to fit, the stamp itself says another.
    def fit(db: sqlite3.Connection) -> None:
        seq = rows.entries[rows.last]["body"]["entry"]
        edited(db, rows.first_of["note"], lambda f: f["body"].update(text="fine"))
        (digest,) = db.execute("SELECT digest FROM entry WHERE seq=?", (seq,)).fetchone()
        edited(db, rows.last, lambda f: f["body"].update(digest=digest))

    changed(small, target, fit)
    assert not verify(target, roots=authorities[0].roots).ok
    assert not verify(target).ok


@needs_keygen
def test_a_signature_is_kept_and_checked(small: Path, tmp_path: Path, key: Path) -> None:
    """A known key by name, an unknown one as unknown; a false one is a fault."""
    assert main(["record", "sign", "--key", str(key), "--logbook", str(small)]) == 0
    (known,) = verify(small, signers=key.with_name("signers")).witnesses
    assert known.trust is Trust.GOOD
    assert "signed by builder@bench" in known.words
    (unknown,) = verify(small).witnesses
    assert unknown.trust is Trust.UNKNOWN
    assert "unknown key, SHA256:" in unknown.words
    rows = Rows(small)
    target = tmp_path / "forged.logbook"
    digest = "0" * 64
    changed(small, target, lambda db: edited(db, rows.last, lambda f: f["body"].update(digest=digest)))
    assert not verify(target).ok
    other = f"SHA256:{'A' * 43}"
    changed(small, target, lambda db: edited(db, rows.last, lambda f: f["body"].update(key=other)))
    (lied,) = verify(target, signers=key.with_name("signers")).witnesses
    assert lied.trust is Trust.FALSE
    assert f"not with {other}" in lied.words
    # By the printed procedure.
    with closing(sqlite3.connect(f"file:{small}?mode=ro", uri=True)) as db:
        query = "SELECT json_extract(text, '$.body.signature'), json_extract(text, '$.body.digest') FROM entry WHERE kind='signature'"
        made, digest = db.execute(query).fetchone()
    (tmp_path / "head.sig").write_text(made)
    words = ["ssh-keygen", "-Y", "verify", "-f", str(key.with_name("signers")), "-I", "builder@bench"]
    words += ["-n", "benchlog-head", "-s", str(tmp_path / "head.sig")]
    done = subprocess.run(words, input=f"sha256:{digest}\n".encode(), capture_output=True, check=True)
    assert b"Good" in done.stdout


def test_a_list_of_noted_heads_is_checked_in_one_go(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """All of them; one that is not there is a fault."""
    heads = tmp_path / "heads.txt"
    noted = []
    for number in range(3):
        with Logbook.open(small) as book:
            noted.append(book.append("note", {"text": str(number)}).digest)
    heads.write_text(
        "".join(f"sha256:{digest}  2026-03-0{n + 1}, by mail\n" for n, digest in enumerate(noted))
        + "# a remark\n"
    )
    words = ["record", "verify", "--heads", str(heads), "--logbook", str(small)]
    assert main(words) == 0
    assert capsys.readouterr().out.count("not altered since this digest was noted") == 3
    heads.write_text(heads.read_text() + "f" * 64)
    assert main(words) == 5
    heads.write_text("nothing here")
    assert main(words) == 2


def test_a_copy_is_sealed_and_goes_stale(small: Path, tmp_path: Path) -> None:
    """Whole, read-only, with its head beside it; renewed only by a logbook that goes on from it."""
    stick = tmp_path / "stick"
    with Logbook.open(small) as book:
        assert copy_state(book, stick).startswith("no folder")
        with pytest.raises(UsageError, match="no folder"):
            make_copy(book, stick)
        stick.mkdir()
        assert copy_state(book, stick).startswith("no copy")
        made = make_copy(book, stick)
        assert made == copy_path(small, stick)
        assert not made.stat().st_mode & 0o222
        assert book.head().digest in made.with_name(made.name + ".head.txt").read_text()
        assert copy_state(book, stick).endswith("up to date")
        book.append("note", {"text": "later"})
        assert copy_state(book, stick).endswith("1 entries behind")
        make_copy(book, stick)
        assert copy_state(book, stick).endswith("up to date")
    assert verify(made).ok
    assert sorted(p.name for p in stick.iterdir()) == ["copy.copy.logbook", "copy.copy.logbook.head.txt"]


def test_a_fork_is_reported_with_the_entry_where_it_parts(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And no copy is overwritten by the other branch."""
    stick = tmp_path / "stick"
    stick.mkdir()
    with Logbook.open(small) as book:
        common = book.head().seq
        copy = make_copy(book, stick)
    other = tmp_path / "other.logbook"
    shutil.copy(copy, other)
    other.chmod(0o600)
    assert main(["record", "compare", str(small), str(other)]) == 0
    assert "the same, " in capsys.readouterr().out
    with Logbook.open(small) as book:
        book.append("note", {"text": "here"})
        book.append("note", {"text": "and here"})
    assert main(["record", "compare", str(other), str(small), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["relation"] == "the second goes on"
    with Logbook.open(other) as book:
        book.append("note", {"text": "there"})
    assert main(["record", "compare", str(small), str(other)]) == 1
    said = capsys.readouterr().out
    assert f"the same up to entry {common}; then they differ" in said
    assert f"entry {common + 1}" in said
    assert "here" in said
    assert "there" in said
    with Logbook.open(small) as first, Logbook.open(other) as second:
        assert compare(first, second).relation is Relation.FORKED
        make_copy(first, stick)
        renamed = tmp_path / "elsewhere"
        renamed.mkdir()
        shutil.copy(copy_path(small, stick), copy_path(other, renamed))
        with pytest.raises(UsageError, match="not an earlier state"):
            make_copy(second, renamed)
        assert f"differs from this logbook after entry {common}" in copy_state(second, renamed)


@needs_keygen
def test_a_session_ends_signed_stamped_and_copied(
    tmp_path: Path, key: Path, authorities: tuple[Authority, Authority], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the bench file asks; what can't be done is reported and stops nothing."""
    import argparse

    from benchlog.cli.context import Context
    from benchlog.cli.record_outside import secure

    (tmp_path / "stick").mkdir()
    monkeypatch.chdir(tmp_path)
    with authorities[0].serving() as url:
        (tmp_path / "bench.toml").write_text(
            f'[record]\ncopies = ["stick", "not plugged in"]\nsign_with = "{key.as_posix()}"\n'
            f'authorities = ["{url}", "http://127.0.0.1:9/"]\n'
        )
        ctx = Context(argparse.Namespace(json=False, logbook=None, bench=None, no_record=False))
        with ctx.open_logbook() as book:
            book.begin_session()
            book.end_session("done")
            secure(ctx, book)
            kinds = [entry.kind for entry in book.entries()]
            assert kinds[-3:] == ["session end", "signature", "anchor"]
            assert copy_state(book, Path("stick")).endswith("up to date")
    found = verify("bench.logbook", roots=authorities[0].roots, signers=key.with_name("signers"))
    assert [w.trust for w in found.witnesses] == [Trust.GOOD, Trust.GOOD]


@needs_keygen
def test_a_key_that_is_none_is_refused(small: Path, tmp_path: Path) -> None:
    """And nothing is written."""
    with Logbook.open(small) as book:
        head = book.head()
        with pytest.raises(UsageError):
            keep_signature(book, tmp_path / "no key")
        assert book.head() == head
