"""The record: list, show, verify, export, certificate, notes, files.

A logbook entry is never changed: a correction is a new entry that supersedes an old one, with a reason.
"""

from __future__ import annotations

import argparse
import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchlog.cli.context import Context


def _count(text: str) -> int:
    """Number of entries to list, at least one."""
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"can't list {number} entries; --all lists all")
    return number


def add_arguments(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True, title="actions")

    def action(name: str, what: str, act: str) -> argparse.ArgumentParser:
        sub = actions.add_parser(
            name, help=what, description=what[:1].upper() + what[1:] + ".", allow_abbrev=False
        )
        sub.set_defaults(act=act)
        # Common options may come before or after the action; SUPPRESS keeps those given before.
        for option in ("--json", "--no-record", "--debug"):
            sub.add_argument(option, action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS)
        sub.add_argument("--bench", default=argparse.SUPPRESS, help=argparse.SUPPRESS)
        sub.add_argument("--logbook", metavar="FILE", default=argparse.SUPPRESS, help="logbook file")
        return sub

    sub = action(
        "list",
        "list entries, newest first (for readings: --kind readings)",
        "record_show.list_entries",
    )
    sub.add_argument("--kind", metavar="KIND", help="only entries of this kind, e.g. result, note, readings")
    sub.add_argument("--session", type=int, metavar="N", help="only entries of this session")
    sub.add_argument("--limit", type=_count, metavar="N", default=20, help="how many at most (default 20)")
    sub.add_argument("--all", action="store_true", help="all of them")

    sub = action("show", "show the logbook at a glance, or one entry in full", "record_show.show")
    sub.add_argument("entry", type=int, nargs="?", metavar="ENTRY", help="number of an entry")
    sub.add_argument("--long", action="store_true", help="every field of the entry, as recorded")

    sub = action(
        "verify", "check that nothing was altered, is missing or was reordered", "record_check.verify"
    )
    sub.add_argument(
        "--head",
        metavar="DIGEST",
        action="append",
        default=[],
        help="head digest noted earlier, e.g. on a certificate; repeat for more",
    )
    sub.add_argument("--heads", metavar="FILE", help="file of noted digests, one per line; all are checked")
    sub.add_argument(
        "--roots",
        metavar="FILE",
        help="root certificates (PEM) that confirm time stamps (default: the system's)",
    )
    sub.add_argument("--signers", metavar="FILE", help="file of allowed signers, see ssh-keygen")

    sub = action(
        "export",
        "export the record; from a damaged logbook, the intact part",
        "record_check.export",
    )
    sub.add_argument(
        "--csv",
        metavar="DIR",
        help="results.csv, quantities.csv, readings.csv, and events.csv: all other entries, a line each",
    )
    sub.add_argument(
        "--jsonl", metavar="DIR", help="the whole record with every field, as text; can be imported again"
    )
    sub.add_argument("--parquet", metavar="DIR", help="data sets partitioned by project and session")

    sub = action(
        "import",
        "make a new --logbook from a --jsonl export",
        "record_check.import_record",
    )
    sub.add_argument("folder", metavar="DIR", help="folder made by export --jsonl")

    sub = action("certificate", "write the test certificate, one HTML page", "record_check.certificate")
    sub.add_argument(
        "--out", metavar="FILE", default="certificate.html", help="file to write (default certificate.html)"
    )
    sub.add_argument(
        "--plan", metavar="PLAN", help="plan file; adds what was not tested, and the hold points"
    )
    sub.add_argument("--pdf", action="store_true", help="also print it to PDF with an installed Chromium")

    sub = action("note", "add a note", "record_write.note")
    sub.add_argument("text", metavar="TEXT", help="what to note")
    sub.add_argument("--about", metavar="TAG", default="", help="part or instrument it is about")

    sub = action("attach", "store a photo or file", "record_write.attach")
    sub.add_argument("file", metavar="FILE", help="file to keep a copy of")
    sub.add_argument("--name", metavar="NAME", default="", help="name to show (default: the file's)")
    sub.add_argument("--about", metavar="TEXT", default="", help="what it shows, or the tag of the part")

    sub = action("supersede", "mark an entry as wrong (it is kept)", "record_write.supersede")
    sub.add_argument("entry", type=int, metavar="ENTRY", help="number of the entry that is withdrawn")
    sub.add_argument("--reason", metavar="TEXT", required=True, help="what was wrong with it")
    sub.add_argument("--by", type=int, metavar="ENTRY", help="number of the entry that replaces it")

    sub = action("anchor", "have an authority time-stamp the head digest (RFC 3161)", "record_outside.anchor")
    sub.add_argument(
        "--authority",
        metavar="URL",
        action="append",
        help="ask this authority and keep its answer; repeat for more",
    )
    sub.add_argument(
        "--request", metavar="FILE", help="offline: write the request into a file, to send by hand"
    )
    sub.add_argument("--answer", metavar="FILE", action="append", help="offline: keep an authority's answer")
    sub.add_argument(
        "--sign",
        metavar="FILE",
        help="write the digest and a detached signature into files (needs ssh-keygen)",
    )
    sub.add_argument("--key", metavar="FILE", help="key for --sign")

    sub = action("sign", "sign the head digest with an SSH key, into the logbook", "record_outside.sign")
    sub.add_argument("--key", metavar="FILE", required=True, help="e.g. ~/.ssh/id_ed25519")

    sub = action("copy", "put a sealed copy and its head digest into a folder", "record_outside.copy")
    sub.add_argument("folder", metavar="DIR", help="a memory stick, a synced folder...")

    sub = action(
        "compare", "say whether two logbooks are the same, or where they differ", "record_outside.compare"
    )
    sub.add_argument("first", metavar="FILE", help="a logbook")
    sub.add_argument("second", metavar="FILE", help="another, e.g. a copy")


def run(args: argparse.Namespace, ctx: Context) -> int:
    module, _, name = args.act.partition(".")
    code: int = getattr(importlib.import_module(f"benchlog.cli.{module}"), name)(args, ctx)
    return code
