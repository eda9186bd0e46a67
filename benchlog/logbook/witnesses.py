"""Time stamps and signatures in a logbook: what each is about, and whether it is genuine."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from benchlog.errors import UsageError
from benchlog.logbook.book import Logbook
from benchlog.logbook.chain import Entry, EntryRef
from benchlog.logbook.signature import Signer, check_signature, sign
from benchlog.logbook.time_stamp import (
    TimeStamp,
    read_roots,
    read_stamp,
    stamp_fault,
    system_roots,
)

KINDS = ("anchor", "signature")


class Trust(StrEnum):
    """How far a time stamp or signature can be trusted."""

    GOOD = "good"
    UNKNOWN = "unknown"
    FALSE = "false"


@dataclass(frozen=True, slots=True)
class Witness:
    """A time stamp or signature in the logbook."""

    entry: int  #: Where it is kept.
    upto: int  #: Entry whose digest it is about, and with it all before.
    trust: Trust
    words: str  #: What it says, and why it is trusted or not.


def keep_stamp(book: Logbook, answer: bytes) -> tuple[EntryRef, TimeStamp, int]:
    """Keep an authority's answer in the logbook; returns its entry, what it says, and the entry it is about.

    Raises
    ------
    UsageError
        If it is not an answer, or about a digest that no entry has.
    """
    stamp = read_stamp(answer)
    with book.transaction():
        with book.querying() as db:
            row = db.execute("SELECT seq FROM entry WHERE digest=? AND seq>0", (stamp.digest,)).fetchone()
        if row is None:
            raise UsageError(
                f"the answer is about sha256:{stamp.digest[:16]}..., which is not an entry of {book.path}",
                hint="was the request made from another logbook?",
            )
        body = {"entry": row[0], "digest": stamp.digest, "time": stamp.time, "authority": stamp.authority}
        body["answer"] = base64.b64encode(stamp.answer).decode()
        return book.append("anchor", body), stamp, row[0]


def keep_signature(book: Logbook, key: Path) -> tuple[EntryRef, str]:
    """Sign the head and keep the signature in the logbook; returns its entry and the key's fingerprint."""
    with book.transaction():
        head = book.head()
        made, fingerprint = sign(head.digest, key)
        body = {"entry": head.seq, "digest": head.digest, "key": fingerprint, "signature": made}
        return book.append("signature", body), fingerprint


def check_witnesses(
    entries: Iterable[Entry], digests: dict[int, str], roots: Path | None, signers: Path | None
) -> list[Witness]:
    """Check every time stamp and signature.

    Parameters
    ----------
    entries : iterable of Entry
        Of `KINDS`.
    digests : dict
        Digest of each entry they name.
    roots : path, optional
        Trusted root certificates (PEM); those of the system by default.
    signers : path, optional
        File of allowed signers.
    """
    found = []
    trusted = None
    for entry in entries:
        body = entry.body
        upto, digest = body["entry"], body["digest"]
        if not upto < entry.seq or digests.get(upto) != digest:
            words = f"is about sha256:{digest[:16]}..., which is not the digest of entry {upto}"
            found.append(Witness(entry.seq, upto, Trust.FALSE, words))
        elif entry.kind == "signature":
            found.append(_signature(entry, signers))
        else:
            if trusted is None:
                trusted = read_roots(roots) if roots else system_roots()
            trust, words = _stamp(entry, trusted, given=roots is not None)
            found.append(Witness(entry.seq, upto, trust, words))
    return found


def _stamp(entry: Entry, roots: list, *, given: bool) -> tuple[Trust, str]:  # type: ignore[type-arg]
    body = entry.body
    try:
        stamp = read_stamp(base64.b64decode(body["answer"], validate=True))
    except (UsageError, binascii.Error) as error:
        return Trust.FALSE, f"holds no valid time stamp: {error}"
    said = (
        f"entries 1 to {body['entry']} not altered since {stamp.time[:19]}Z, according to {stamp.authority}"
    )
    if (stamp.digest, stamp.time, stamp.authority) != (body["digest"], body["time"], body["authority"]):
        return Trust.FALSE, "differs from the time stamp in it"
    fault = stamp_fault(stamp, roots)
    if not fault:
        return Trust.GOOD, said
    if given:
        return Trust.FALSE, f"{said}, but the roots given do not confirm it: {fault}"
    return Trust.UNKNOWN, f"{said}, which this system does not know: give its root certificate with --roots"


def _signature(entry: Entry, signers: Path | None) -> Witness:
    body = entry.body
    state, said, made_with = check_signature(body["signature"], body["digest"], signers)
    upto = body["entry"]
    if made_with and made_with != body["key"]:
        state, said = Signer.FALSE, f"made with {made_with}, not with {body['key']}"
    words = {
        Signer.KNOWN: f"entries 1 to {upto} signed by {said}",
        Signer.UNKNOWN: f"entries 1 to {upto} signed by an unknown key, {body['key']}",
        Signer.FALSE: f"holds a false signature: {said}",
        Signer.UNCHECKED: f"a signature by {body['key']} was not checked: {said}",
    }[state]
    trust = {Signer.KNOWN: Trust.GOOD, Signer.FALSE: Trust.FALSE}.get(state, Trust.UNKNOWN)
    return Witness(entry.seq, upto, trust, words)
