"""Check that a logbook is as it was written: its entries, and the data kept beside them.

Any change to an entry shows, unless somebody computed the whole rest of the chain again. That, and entries cut off at
the end, show only against a digest noted elsewhere (a print, a mail, a time stamp): up to the entry with that digest,
nothing was altered since it was noted. No digest shows that the readings were true.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.files import special_file
from benchlog.logbook import database
from benchlog.logbook.blob_digests import check_derived, check_file, check_readings, check_sealed
from benchlog.logbook.chain_walk import Fault, Faults, Progress, Walked, walk_chain
from benchlog.logbook.witnesses import KINDS, Trust, Witness, check_witnesses


@dataclass(frozen=True, slots=True)
class Verification:
    """What `verify` found."""

    path: Path
    entries: int  #: Entries read.
    head: str  #: Digest of the last entry, ``""`` if none can be read.
    faults: tuple[Fault, ...] = ()  #: In the order found; those of the chain first.
    noted: str = ""  #: What each noted digest shows, one per line; ``""`` if none was given.
    chain_faults: int = 0  #: How many of `faults` concern the chain of entries itself.
    beside: tuple[str, ...] = ()  #: Files beside the logbook that were read as a part of it.
    #: Time stamps and signatures in it; a false one is among `faults` too.
    witnesses: tuple[Witness, ...] = ()

    @property
    def ok(self) -> bool:
        """Whether nothing was found altered, missing or reordered."""
        return not self.faults

    @property
    def first(self) -> Fault | None:
        """First altered, missing or reordered entry; else the first fault in other data or in the file."""
        pool = self.faults[: self.chain_faults] or self.faults
        numbered = [fault for fault in pool if fault.entry is not None]
        if numbered:
            return min(numbered, key=lambda f: f.entry or 0)
        return min(self.faults, key=lambda f: f.mistyped, default=None)


def verify(
    path: Path | str,
    *,
    head: str | Sequence[str] = "",
    roots: Path | None = None,
    signers: Path | None = None,
    progress: Progress | None = None,
) -> Verification:
    """Check a whole logbook file; changes nothing and survives any damage.

    Parameters
    ----------
    head : str or sequence of str, optional
        Digests noted earlier, with or without ``sha256:``; of at least 8 hex digits each.
    roots : path, optional
        Root certificates (PEM) that confirm time stamps; those of the system by default.
    signers : path, optional
        Whose signatures are known: a file of allowed signers, see ssh-keygen.
    progress : callable, optional
        Called with (done, total) entries now and then.

    Raises
    ------
    UsageError
        If there is no such file, or the noted digest is not a digest.
    LogbookError
        If the file is locked, or can't be opened for reasons other than damage.
    """
    path = Path(path)
    noted = [_noted_digest(text) for text in ([head] if isinstance(head, str) else head) if text]
    if not path.exists() and not special_file(path):
        raise UsageError(
            f"there is no logbook {path}",
            hint="the first result you save makes one; name another with --logbook",
        )
    faults, chain = Faults(), Walked()
    waiting = tuple(
        f"{file.name}: {size} bytes of pending writes, read as part of the logbook"
        for file in database.beside(path)
        if file.name.endswith("-wal") and (size := database.size_of(file))
    )
    try:
        db = database.connect(path, "ro")
    except LogbookDamagedError as error:
        return Verification(path, 0, "", (Fault(None, error.message),))
    with closing(db):
        db.text_factory = lambda data: data.decode("utf-8", "surrogateescape")
        # A read transaction: a recorder may be writing meanwhile.
        with suppress(sqlite3.Error):
            db.execute("BEGIN")
        try:
            database.stored_version(path, db)
        except LogbookDamagedError as error:
            faults.add(None, error.message)
        walk = partial(walk_chain, noted=noted, progress=progress)
        for check in (walk, check_file, check_sealed, check_readings, check_derived):
            try:
                with database.mapped_errors(path):
                    check(db, chain, faults)
            except LogbookDamagedError as error:
                faults.add(None, error.message)
        witnesses = _check_witnesses(db, chain, faults, roots, signers)
    noted_words = "\n".join(_describe_noted(digest, chain, faults) for digest in noted)
    return Verification(
        path, chain.count, chain.head, tuple(faults.found), noted_words, chain.faults, waiting, witnesses
    )


def _check_witnesses(
    db: sqlite3.Connection, chain: Walked, faults: Faults, roots: Path | None, signers: Path | None
) -> tuple[Witness, ...]:
    """Check time stamps and signatures; each counts only as far as the chain before it is intact."""
    kept = [entry for entry in chain.sealed.values() if entry.kind in KINDS]
    if not kept:
        return ()
    digests = {}
    for seq in {entry.body["entry"] for entry in kept} - chain.unproved:
        with suppress(sqlite3.Error):
            row = db.execute("SELECT digest FROM entry WHERE seq=?", (seq,)).fetchone()
            digests[seq] = row[0] if row else ""
    first_bad = min((f.entry for f in faults.found if f.entry is not None), default=None)
    found = []
    for witness in check_witnesses(kept, digests, roots, signers):
        if witness.trust is Trust.FALSE:
            faults.add(witness.entry, f"entry {witness.entry} {witness.words}")
        elif first_bad is not None and first_bad <= witness.upto:
            words = f"{witness.words}; but entry {first_bad} is not intact"
            witness = replace(witness, trust=Trust.UNKNOWN, words=words)
        found.append(witness)
    return tuple(found)


def _noted_digest(text: str) -> str:
    digest = text.strip().lower().removeprefix("sha256:").replace(" ", "")
    if text and (len(digest) < 8 or len(digest) > 64 or set(digest) - set("0123456789abcdef")):
        raise UsageError(
            f"{text!r} is not a digest",
            hint="copy the 64 hex digits from the certificate, or at least the first 8",
        )
    return digest


def _describe_noted(noted: str, chain: Walked, faults: Faults) -> str:
    noted_at = chain.noted_at.get(noted)
    if noted_at is None and (near := chain.nearly_at.get(noted)):
        whole = "; the chain itself is intact" if all(f.mistyped for f in faults.found) else ""
        words = f"the digest you typed differs in one character from that of entry {near}: check it{whole}"
        faults.add(None, words, mistyped=True)
        return "the noted digest is not in this logbook"
    if noted_at is None:
        faults.add(
            None,
            f"no entry has the noted digest {noted[:16]}: entries were cut off at the end, or altered,"
            " since it was noted, or it is of another logbook",
        )
        return "the noted digest is not in this logbook"
    first_bad = min((f.entry for f in faults.found if f.entry is not None), default=noted_at + 1)
    if first_bad <= noted_at:
        return f"the noted digest is entry {noted_at}, but entry {first_bad} before it is not intact"
    later = chain.count - noted_at
    more = f"; {later} entries were added since" if later else ""
    return f"entries 1 to {noted_at} are not altered since this digest was noted{more}"
