"""Commented plan and bench files that `benchlog new` writes."""
