"""Capture and log files of other programs and instruments: read surely or refused with what was seen."""

from __future__ import annotations

from benchlog.capture_files.load import load_capture, load_captures

__all__ = ["load_capture", "load_captures"]
