"""The test certificate with its pictures."""
