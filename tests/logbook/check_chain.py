"""Check a logbook with nothing but SHA-256: python check_chain.py FILE [HEAD_DIGEST]. Does not use benchlog."""

import hashlib
import json
import sqlite3
import sys

previous, expected, noted = "0" * 64, 1, sys.argv[2] if len(sys.argv) > 2 else ""
db = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True)
for seq, text in db.execute("SELECT seq, text FROM entry ORDER BY seq"):
    entry, digest = json.loads(text), hashlib.sha256(text.encode()).hexdigest()
    if entry["seq"] != expected or seq != expected:
        sys.exit(f"entry {expected} is missing or out of order")
    if entry["previous"] != previous:
        sys.exit(f"entry {expected - 1} was altered")
    if entry["kind"] == "readings":
        (data,) = db.execute("SELECT data FROM block WHERE entry = ?", (seq,)).fetchone()
        if hashlib.sha256(data).hexdigest() != entry["body"]["sha256"]:
            sys.exit(f"the readings of entry {seq} were altered")
    previous, expected, noted = digest, expected + 1, "" if digest == noted else noted
sys.exit(
    f"the noted digest {noted} is not in the logbook"
    if noted
    else print(f"{expected - 1} entries, head {previous}")
)
