"""Check a logbook with nothing but SHA-256: python check_chain.py FILE [HEAD_DIGEST]. Does not use benchlog."""

import hashlib
import json
import sqlite3
import sys


def sha256(data):
    return hashlib.sha256(data.encode() if isinstance(data, str) else data).hexdigest()


def kept(kind, seq, body):
    """Where the bytes are that an entry speaks of, each with the digest it gives."""
    if kind == "readings":
        yield body["sha256"], "SELECT data FROM block WHERE entry = ?", (seq,)
    if kind == "attachment":
        yield body["sha256"], "SELECT data FROM attachment WHERE sha256 = ?", (body["sha256"],)
    if kind == "capture":
        samples = [channel["samples"] for channel in body["channels"]] + (
            [body["times"]] if body["times"] else []
        )
        for part, about in enumerate(samples):
            yield about["sha256"], "SELECT data FROM capture_data WHERE entry = ? AND part = ?", (seq, part)


try:
    previous, expected = "0" * 64, 1
    noted = sys.argv[2].removeprefix("sha256:") if len(sys.argv) > 2 else ""
    db = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True)
    for seq, text in db.execute("SELECT seq, text FROM entry ORDER BY seq"):
        entry = json.loads(text)
        if not seq == entry["seq"] == expected:
            sys.exit(f"entry {expected} is missing or out of order")
        if entry["previous"] != previous:
            sys.exit(f"entry {expected - 1} was altered")
        for digest, query, key in kept(entry["kind"], seq, entry["body"]):
            if sha256((db.execute(query, key).fetchone() or [""])[0]) != digest:
                sys.exit(f"what entry {seq} keeps ({entry['kind']}) was altered or is missing")
        previous, expected = sha256(text), expected + 1
        noted = "" if previous == noted else noted
    sys.exit(
        f"the noted digest {noted} is not in the logbook"
        if noted
        else print(f"{expected - 1} entries, head {previous}")
    )
except (sqlite3.Error, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
    sys.exit(f"the logbook is damaged: {error!r}")
