"""A recorded scope: ``replay:FILE`` with ``kind = "scope"`` yields the record in a capture file.

``replay:t40.csv?then=t40_swapped.csv`` yields the second file at the second capture, and the first one again after that;
``sample_interval`` and ``columns`` say what a file does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from benchlog.adapter import Digitiser
from benchlog.capture import Capture
from benchlog.capture_files import load_capture
from benchlog.clock import Clock
from benchlog.errors import OpenError, OpenReason
from benchlog.files import special_file
from benchlog.units import parse_quantity


@dataclass(frozen=True, slots=True)
class ReplayScopeOptions:
    """Options of a recorded scope.

    Attributes
    ----------
    then : str
        File of the next capture.
    sample_interval : str
        Time between samples, where the files don't say.
    columns : str
        Names of the columns, with commas, where the files have none.
    """

    then: str = ""
    sample_interval: str = ""
    columns: str = ""


class ReplayScope(Digitiser):
    """Yields recorded captures.

    Parameters
    ----------
    instrument : str
        Tag under which they are taken now.
    path : str
        The first file.
    options : ReplayScopeOptions, optional
    clock : Clock, optional
    """

    Options = ReplayScopeOptions

    def __init__(
        self,
        instrument: str,
        path: str,
        options: ReplayScopeOptions | None = None,
        *,
        clock: Clock | None = None,
    ) -> None:
        super().__init__(instrument, clock=clock)
        self._options = options or ReplayScopeOptions()
        self._paths = [Path(path), *([Path(self._options.then)] if self._options.then else [])]
        self._taken = 0

    def identity(self) -> str:
        """See `Adapter.identity`."""
        return f"recorded in {', '.join(path.name for path in self._paths)}"

    def _open(self) -> None:
        for path in self._paths:
            if what := special_file(path):
                raise OpenError(
                    f"{path} is {what}, not a file",
                    hint="give a recorded file",
                    reason=OpenReason.WRONG_DEVICE,
                )
            if not path.is_file():
                raise OpenError(
                    f"{path} does not exist", hint="check the file's name", reason=OpenReason.MISSING
                )
        self._taken = 0

    def _close(self) -> None:
        pass

    def _capture(self, channels: Sequence[str], timeout_s: float) -> Capture:
        if not self.is_open:
            raise OpenError(f"{self._paths[0]} is not open", hint="open the adapter first")
        path = self._paths[self._taken % len(self._paths)]
        given = self._options
        capture = load_capture(
            path,
            sample_interval_s=parse_quantity(given.sample_interval, "s").value
            if given.sample_interval
            else None,
            columns=[name.strip() for name in given.columns.split(",")] if given.columns else None,
        )
        for channel in channels:
            capture.channel(channel)
        self._taken += 1
        return capture
