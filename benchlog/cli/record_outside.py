"""Commands that let others trust a record: time stamps, signatures, copies elsewhere."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.errors import BenchlogError, LogbookDamagedError, UsageError, did_you_mean
from benchlog.files import read_bounded, write_whole
from benchlog.wording import strip_controls

if TYPE_CHECKING:
    from benchlog.cli.context import Context
    from benchlog.logbook import Logbook


def _tell(ctx: Context, schema: str, facts: dict[str, Any], *lines: str) -> int:
    if ctx.json:
        ctx.print_json({"schema": f"benchlog.{schema}/1", **facts})
    else:
        from rich.text import Text

        for line in lines:
            ctx.console.print(Text(strip_controls(line)), soft_wrap=True)
    return 0


def anchor(args: argparse.Namespace, ctx: Context) -> int:
    """Have the head digest time-stamped, or prepare the request; or write the digest and a signature into files."""
    if not (args.request or args.sign or args.authority or args.answer):
        raise UsageError(
            "say what to write", hint="--authority URL; offline --request FILE.tsq, later --answer FILE.tsr"
        )
    if args.sign and not args.key:
        raise UsageError("--sign needs a key", hint="--key ~/.ssh/id_ed25519")
    writes = bool(args.authority or args.answer)
    with ctx.open_logbook("rw" if writes else "ro", create=False) as book:
        head = book.head()
        facts: dict[str, Any] = {
            "entry": head.seq,
            "head": f"sha256:{head.digest}",
            "written": [],
            "stamps": [],
        }
        lines = [f"head of entry {head.seq}: sha256:{head.digest}"]
        _files(args, book, facts, lines)
        for answer in _answers(args, book):
            from benchlog.logbook.witnesses import keep_stamp

            ref, stamp, about = keep_stamp(book, answer)
            said = {"entry": ref.seq, "about": about, "time": stamp.time, "authority": stamp.authority}
            facts["stamps"].append(said)
            lines.append(
                f"entry {ref.seq}: entry {about} existed on {stamp.time[:19]}Z, according to {stamp.authority}"
            )
    return _tell(ctx, "anchor", facts, *lines)


def _files(args: argparse.Namespace, book: Logbook, facts: dict[str, Any], lines: list[str]) -> None:
    head = book.head()
    if args.request:
        from benchlog.logbook.time_stamp import request_for

        path = Path(args.request)
        if path.exists():
            raise UsageError(f"{path} exists already", hint="name a new file; nothing is ever overwritten")
        with book.querying() as db:
            (text,) = db.execute("SELECT text FROM entry WHERE seq=?", (head.seq,)).fetchone()
        write_whole(path, request_for(text))
        facts["written"].append(str(path))
        lines += [
            str(path),
            "send it to a time-stamping authority; keep the answer with: anchor --answer FILE",
        ]
    if args.sign:
        from benchlog.logbook.signature import NAMESPACE, sign_into_files

        made = sign_into_files(head.digest, Path(args.sign), Path(args.key).expanduser())
        facts["written"].append(str(made))
        lines += [
            str(made),
            f"check with: ssh-keygen -Y check-novalidate -n {NAMESPACE} -s {made} < {args.sign}",
        ]


def _answers(args: argparse.Namespace, book: Logbook) -> list[bytes]:
    """Answers from files and from the authorities asked now, all about the same head."""
    found = []
    for name in args.answer or ():
        try:
            found.append(read_bounded(Path(name), 1_000_000))
        except (OSError, ValueError) as error:
            raise UsageError(
                f"{name} can't be read: {error}", hint="the authority's answer, a .tsr file"
            ) from None
    if args.authority:
        from benchlog.logbook.time_stamp import ask, request_for

        with book.querying() as db:
            (text,) = db.execute("SELECT text FROM entry ORDER BY seq DESC LIMIT 1").fetchone()
        found += [ask(url, request_for(text)) for url in args.authority]
    return found


def sign(args: argparse.Namespace, ctx: Context) -> int:
    """Sign the head digest and keep the signature in the logbook."""
    from benchlog.logbook.witnesses import keep_signature

    with ctx.open_logbook(create=False) as book:
        ref, key = keep_signature(book, Path(args.key).expanduser())
    facts = {"entry": ref.seq, "about": ref.seq - 1, "key": key}
    return _tell(ctx, "signature", facts, f"entry {ref.seq}: entries 1 to {ref.seq - 1} signed by {key}")


def copy(args: argparse.Namespace, ctx: Context) -> int:
    """Put a sealed copy into a folder."""
    from benchlog.logbook.copies import make_copy

    with ctx.open_logbook("ro", create=False) as book:
        made, head = make_copy(book, Path(args.folder).expanduser()), book.head()
    facts = {"copy": str(made), "entry": head.seq, "head": f"sha256:{head.digest}"}
    return _tell(ctx, "copy", facts, str(made), f"head of entry {head.seq}: sha256:{head.digest}")


def compare(args: argparse.Namespace, ctx: Context) -> int:
    """Say whether two logbooks are the same, whether one continues the other, or where they differ."""
    from benchlog.cli.entry_words import summary
    from benchlog.logbook import Logbook
    from benchlog.logbook.copies import Relation
    from benchlog.logbook.copies import compare as compare_books
    from benchlog.logbook.verify import verify

    paths = [Path(args.first), Path(args.second)]
    for path in paths:
        if not path.exists():
            near = did_you_mean(path.name, [file.name for file in path.parent.glob("*.logbook")])
            raise UsageError(f"there is no logbook {path}", hint=near or "name two files: record compare A B")
        if (fault := verify(path).first) is not None:
            hint = f"benchlog record verify --logbook {shlex.quote(str(path))}"
            raise LogbookDamagedError(f"{path} is not intact: {fault.what}", hint=hint)
    with Logbook.open(paths[0], mode="ro") as first, Logbook.open(paths[1], mode="ro") as second:
        found = compare_books(first, second)
        parted = []
        if found.relation in (Relation.FORKED, Relation.STRANGERS):
            for path, book in zip(paths, (first, second), strict=True):
                entry = book.entry(found.common + 1)
                parted.append(
                    f"  {path}: entry {entry.seq}, {entry.time[:19]}Z, {entry.kind}: {summary(entry)}"
                )
    more = abs(found.first.seq - found.second.seq)
    said = {
        Relation.SAME: f"the same, {found.common} entries",
        Relation.FIRST_LONGER: f"{paths[0]} continues {paths[1]} with {more} more entries",
        Relation.SECOND_LONGER: f"{paths[1]} continues {paths[0]} with {more} more entries",
        Relation.FORKED: f"the same up to entry {found.common}; then they differ, and no digest shows which is true:",
        Relation.STRANGERS: "no entry in common: logbooks of different projects",
    }[found.relation]
    facts = {
        "relation": str(found.relation),
        "common": found.common,
        "first": found.first.seq,
        "second": found.second.seq,
    }
    _tell(ctx, "comparison", facts, said, *parted)
    return 1 if parted else 0


def secure(ctx: Context, book: Logbook) -> None:
    """Sign, time-stamp and copy at the end of a session, as the bench file says; report failures.

    A failure here must not stop a session from ending.
    """
    from benchlog.logbook.copies import make_copy
    from benchlog.logbook.witnesses import keep_signature

    wanted = ctx.bench().record

    def attempt(what: str, act: Any) -> None:
        try:
            ctx.console.print(f"{what}: {act()}", markup=False, soft_wrap=True)
        except (BenchlogError, OSError) as error:
            ctx.console.print(f"! {what}: {error}", markup=False, soft_wrap=True)

    if wanted.sign_with:
        attempt("signed", lambda: f"entry {keep_signature(book, Path(wanted.sign_with).expanduser())[0].seq}")
    for url in wanted.authorities:
        attempt("time stamp", lambda url=url: _stamped(book, url))
    for folder in wanted.copies:
        attempt("copy", lambda folder=folder: make_copy(book, Path(folder).expanduser()))


def _stamped(book: Logbook, url: str) -> str:
    from benchlog.logbook.time_stamp import ask, request_for
    from benchlog.logbook.witnesses import keep_stamp

    with book.querying() as db:
        (text,) = db.execute("SELECT text FROM entry ORDER BY seq DESC LIMIT 1").fetchone()
    ref, stamp, _ = keep_stamp(book, ask(url, request_for(text)))
    return f"entry {ref.seq}, {stamp.time[:19]}Z by {stamp.authority}"
