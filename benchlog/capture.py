"""One record of samples from a scope, per channel, as raw codes with scale and offset."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import numpy.typing as npt

from benchlog.errors import UsageError
from benchlog.number_format import format_quantity

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

_DESCRIBED = ("name", "scale", "offset", "unit", "probe", "coupling", "code_limits", "range_max")


@dataclass(frozen=True, slots=True, eq=False)
class ChannelRecord:
    """Samples of one channel.

    Attributes
    ----------
    name : str
        As the scope or the file calls it.
    codes : array of shape (n_samples,)
        int8, int16, uint8, uint16, float32 or float64, as delivered.
    scale, offset : float
        Value in `unit` at the scope input = codes * scale + offset, before the probe factor.
    unit : str
        SI unit, usually ``"V"``.
    probe : float
        Attenuation of the probe; values are multiplied by it.
    coupling : str
        ``"dc"``, ``"ac"`` or ``""`` when unknown.
    code_limits : tuple of float or None
        Lowest and highest code the converter can give, when known; needed to see clipping surely.
    range_max : float or None
        Full scale of the vertical range in `unit` at the input, when known.
    aliases : tuple of str
        Other texts that mean this channel: its name with the unit, as in the file.
    """

    name: str
    codes: npt.NDArray[np.generic]
    scale: float = 1.0
    offset: float = 0.0
    unit: str = "V"
    probe: float = 1.0
    coupling: str = ""
    code_limits: tuple[float, float] | None = None
    range_max: float | None = None
    aliases: tuple[str, ...] = ()

    def values(self) -> npt.NDArray[np.float64]:
        """Samples in `unit` at the probe tip, array of shape (n_samples,)."""
        return np.asarray((self.codes.astype(np.float64) * self.scale + self.offset) * self.probe)

    def described(self) -> dict[str, Any]:
        """All but the samples and other names, as plain JSON values."""
        found = {name: getattr(self, name) for name in _DESCRIBED}
        return found | {"code_limits": None if self.code_limits is None else list(self.code_limits)}

    @classmethod
    def from_description(cls, codes: npt.NDArray[np.generic], about: Mapping[str, Any]) -> Self:
        """Make a channel again from its samples and `described`; KeyError or TypeError where that is incomplete."""
        found = {name: about[name] for name in _DESCRIBED}
        limits = found["code_limits"]
        return cls(codes=codes, **found | {"code_limits": None if limits is None else (limits[0], limits[1])})


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Capture:
    """Channels sampled together.

    Attributes
    ----------
    channels : tuple of ChannelRecord
        All of one length.
    interval_s : float
        Time between samples, second.
    instrument : str
        Tag of the scope, or the file's name.
    utc_ns : int
        Start of the record, 0 when unknown.
    time_s : array of shape (n_samples,) or None
        Sample times when the source gives them; lets analysis see gaps and a non-uniform time base.
    settings : mapping of str to str
        Instrument settings worth keeping (time base, trigger, firmware).
    source : str
        ``"scope"`` or the path of a file.
    """

    channels: tuple[ChannelRecord, ...]
    interval_s: float
    instrument: str = ""
    utc_ns: int = 0
    time_s: npt.NDArray[np.float64] | None = None
    settings: Mapping[str, str] = field(default_factory=dict)
    source: str = "scope"

    def __post_init__(self) -> None:
        if not self.channels:
            raise UsageError("a capture needs at least one channel")
        lengths = {len(c.codes) for c in self.channels}
        if len(lengths) != 1:
            raise UsageError(f"channels of one capture must have one length, not {sorted(lengths)}")
        if not self.interval_s > 0:
            raise UsageError(f"the sample interval must be positive, not {self.interval_s!r} s")

    def __repr__(self) -> str:
        sampling = f"{self.n_samples} samples every {format_quantity(self.interval_s, 's')}"
        return f"<Capture {self.instrument or self.source}: {', '.join(self.names)}; {sampling}>"

    def _repr_html_(self) -> str:
        from benchlog.html_table import html_table

        rows = []
        for channel in self.channels:
            values = channel.values()
            ends = (format_quantity(float(end), channel.unit) for end in (values.min(), values.max()))
            rows.append((channel.name, *ends, f"{channel.probe:g}:1", channel.coupling))
        return html_table(repr(self)[1:-1], ("channel", "lowest", "highest", "probe", "coupling"), rows)

    def to_frame(self) -> pd.DataFrame:
        """Samples as a table: one column a channel, in its unit at the probe tip; index ``time_s`` from the first sample.

        Returns
        -------
        DataFrame
            ``df.attrs["units"]`` has the unit of each channel.
        """
        import pandas as pd

        times = np.arange(self.n_samples) * self.interval_s if self.time_s is None else self.time_s
        frame = pd.DataFrame(
            {c.name: c.values() for c in self.channels}, index=pd.Index(times, name="time_s"), copy=False
        )
        frame.attrs["units"] = {c.name: c.unit for c in self.channels}
        return frame

    def plot(self) -> Figure:
        """Draw the channels; see `benchlog.figure`."""
        from benchlog import figure

        return figure(self)

    @property
    def n_samples(self) -> int:
        """Samples per channel."""
        return len(self.channels[0].codes)

    @property
    def names(self) -> tuple[str, ...]:
        """Channel names in order."""
        return tuple(c.name for c in self.channels)

    def channel(self, name: str) -> ChannelRecord:
        """Return the channel of that name, or whose name with its unit in the file is this; capitals matter last.

        Raises
        ------
        UsageError
            If there is none; the hint lists those there are.
        """
        lower = name.lower()
        called = (
            [c for c in self.channels if c.name == name]
            or [c for c in self.channels if name in c.aliases]
            or [c for c in self.channels if lower in [n.lower() for n in (c.name, *c.aliases)]]
        )
        if len(called) == 1:
            return called[0]
        raise UsageError(
            f"no channel {name!r} in the capture", hint=f"channels here: {', '.join(self.names)}"
        )
