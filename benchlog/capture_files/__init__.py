"""Capture and log files of other programs and instruments: read reliably, or refused with a reason."""

from __future__ import annotations

from benchlog.capture_files.load import load_capture, load_captures
from benchlog.capture_files.log import Log, load_log
from benchlog.capture_files.native_format import save_capture

__all__ = ["Log", "load_capture", "load_captures", "load_log", "save_capture"]
