"""benchlog: a bench measurement logger for one-off power electronics."""

__version__ = "0.1.0"
