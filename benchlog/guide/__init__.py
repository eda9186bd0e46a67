"""The guided run: hook-up card, expectation, reading, verdict, record, next."""
