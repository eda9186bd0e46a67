"""The record: an append-only, verifiable logbook in one SQLite file."""

from benchlog.logbook.book import Logbook
from benchlog.logbook.chain import Entry, EntryRef

__all__ = ["Entry", "EntryRef", "Logbook"]
