"""Record readings from several meters into the logbook as they arrive."""

from benchlog.recorder.link import Link, LinkStatus
from benchlog.recorder.threads import BackOff, Recorder, Recording

__all__ = ["BackOff", "Link", "LinkStatus", "Recorder", "Recording"]
