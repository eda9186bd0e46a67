"""Check a logbook with nothing but SHA-256: python check_chain.py FILE [HEAD_DIGEST]. Does not use benchlog."""

import hashlib
import json
import sqlite3
import sys


def sha256(data):
    return hashlib.sha256(data.encode() if isinstance(data, str) else data).hexdigest()


def stored(db, seq, entry):
    """Digests that an entry gives of what is kept beside it, each with the bytes kept."""
    body = entry["body"]
    if entry["kind"] == "readings":
        yield body["sha256"], db.execute("SELECT data FROM block WHERE entry = ?", (seq,))
    if entry["kind"] == "attachment":
        yield body["sha256"], db.execute("SELECT data FROM attachment WHERE sha256 = ?", (body["sha256"],))
    if entry["kind"] == "capture":
        for part, samples in enumerate([c["samples"] for c in body["channels"]] + [body["times"] or {}]):
            if samples:
                query = "SELECT data FROM capture_data WHERE entry = ? AND part = ?"
                yield samples["sha256"], db.execute(query, (seq, part))


def check(file, noted=""):
    """Say what is wrong, or nothing."""
    previous, expected = "0" * 64, 1
    db = sqlite3.connect(f"file:{file}?mode=ro", uri=True)
    for seq, text in db.execute("SELECT seq, text FROM entry ORDER BY seq"):
        entry = json.loads(text)
        if not seq == entry["seq"] == expected:
            return f"entry {expected} is missing or out of order"
        if entry["previous"] != previous:
            return f"entry {expected - 1} was altered"
        if any(sha256((rows.fetchone() or [""])[0]) != digest for digest, rows in stored(db, seq, entry)):
            return f"what entry {seq} keeps ({entry['kind']}) was altered or is missing"
        previous, expected = sha256(text), expected + 1
        noted = "" if noted and previous.startswith(noted) else noted
    print(f"{expected - 1} entries, head {previous}")
    return f"the noted digest {noted} is not in the logbook" if noted else None


try:
    sys.exit(check(*sys.argv[1:3]))
except (sqlite3.Error, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
    sys.exit(f"damaged: {error!r}")
