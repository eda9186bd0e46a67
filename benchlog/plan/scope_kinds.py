"""Kinds of checks done with a scope and a generator."""

from collections.abc import Mapping
from typing import Annotated, Literal

from msgspec import field

from benchlog.circuits import turns_ratio, winding_and_resistor
from benchlog.errors import UsageError
from benchlog.hookup import Hookup
from benchlog.plan.check import Check, Kind, about
from benchlog.quantity_text import (
    Divider,
    Henries,
    Hertz,
    Number,
    Ohms,
    Share,
    SquareMetres,
    Teslas,
    Volts,
)

_Scope = Annotated[str, about("tag of the scope")]
_Generator = Annotated[str | None, about("tag of the generator; without it you set it by hand")]
_Capture = Annotated[
    Literal["file"] | None,
    about(
        '"file": after the hook-up the run asks for the file that the scope saved; without it the record is read over the '
        "scope's link (a scope that is `typed:` or has no address in the bench file always gives a file)"
    ),
]
_Amplitude = Annotated[Volts | None, about("peak to peak, open circuit")]


class RatioCheck(Check, frozen=True, tag="ratio"):
    """Turns ratio with scope and generator.

    With `al` the run is automatic: it chooses the drive for the core, proves that the ratio is flat, and fits `sweep` points
    to a model.
    """

    expect: Annotated[Number, about("turns of the winding")]
    scope: _Scope
    primary: Annotated[str, about("channel on the sense loop")]
    secondary: Annotated[str, about("channel across the winding")]
    generator: _Generator = None
    frequency: Annotated[Hertz | None, about("of the drive; an automatic run chooses it")] = None
    amplitude: _Amplitude = None
    loop_turns: Annotated[int, about("turns of the sense loop")] = 1
    tolerance: Annotated[Share | None, about("limits, ± about the expected turns; default half a turn")] = (
        None
    )
    gain_accuracy: Annotated[Share | None, about("of the scope's gain, if the bench file has none")] = None
    range_gain: Annotated[Share | None, about("gain error between two of the scope's ranges")] = None
    divider: Annotated[Divider | None, about("divider before the winding's channel")] = None
    divider_tolerance: Annotated[
        Share | None, about("of the divider; default 2 %, as of two 1 % resistors")
    ] = None
    swap: Annotated[bool, about("a second capture with probes and channels swapped")] = True
    opposed_turns: Annotated[int | None, about("temporary turns in series opposition")] = None
    al: Annotated[Henries | None, about("inductance of one turn; makes the run automatic")] = None
    area: Annotated[SquareMetres | None, about("cross-section of the core")] = None
    saturation: Annotated[Teslas | None, about("highest flux density of the core")] = None
    generator_resistance: Annotated[Ohms | None, about("of the generator's output; default 50 ohm")] = None
    sweep: Annotated[int | None, about("points of the automatic sweep, 5 to 61; 0 for none")] = None
    capture: _Capture = None
    prior: Annotated[Share | None, about("how often such a winding has the planned turns; default 92 %")] = (
        None
    )

    uses_scope = True
    later_fields = ("prior", "capture")

    def wiring(self) -> Hookup:
        drive = " ".join(text for text in (self.frequency, self.amplitude) if text)
        return turns_ratio(
            self.part,
            turns=self.expect,
            generator=self.generator or "generator",
            drive=drive or "as the run chooses",
            scope=self.scope,
            winding_channel=self.secondary,
            loop_channel=self.primary,
            loop_turns=self.loop_turns,
            divider=self.divider or "",
            opposed_turns=self.opposed_turns,
        )

    def miscounts(self) -> Mapping[int, float] | None:
        """Shares of miscounted windings by the prior; None if the plan has none."""
        if self.prior is None:
            return None
        from benchlog.magnetics.turns_posterior import counting_prior  # only plans that have one need it

        return counting_prior(self.prior.value)

    def refuse_contradictions(self) -> None:
        """Fields of the automatic run need AL and a generator."""
        self.miscounts()
        if self.al is None:
            given = [n for n in ("area", "saturation", "sweep") if getattr(self, n) is not None]
            if given:
                raise UsageError(f"{given[0]} is for the automatic run", hint='give al too: al = "61 uH"')
            return
        if self.capture is not None:
            raise UsageError(
                "al makes the run automatic, which reads the scope over its link",
                hint='leave out al, or capture = "file"',
            )
        if self.generator is None:
            raise UsageError(
                "al makes the run automatic, which needs a generator", hint="name it under generator"
            )
        if self.opposed_turns is not None:
            raise UsageError("series opposition can't be automatic", hint="leave out al, or opposed_turns")
        if (self.area is None) != (self.saturation is None):
            raise UsageError("area and saturation go together")
        if self.sweep is not None and self.sweep != 0 and not 5 <= self.sweep <= 61:
            raise UsageError(f"a sweep can't have {self.sweep} points", hint="5 to 61 points, or 0 for none")


class InductanceCheck(Check, frozen=True, tag="inductance"):
    """Inductance by a series resistor with scope and generator."""

    scope: _Scope
    across: Annotated[str, about("channel across the winding")]
    resistor_channel: Annotated[str, about("channel across the resistor")]
    resistor: Annotated[Ohms, about("series resistor")]
    resistor_tolerance: Annotated[Share, about("of the resistor")] = field(
        default_factory=lambda: Share("1 %")
    )
    swap: Annotated[bool, about("a second capture with probes and channels swapped")] = False
    generator: _Generator = None
    frequency: Annotated[Hertz | None, about("of the drive")] = None
    amplitude: _Amplitude = None
    turns: Annotated[int | None, about("of the winding; with al they make the limits")] = None
    al: Annotated[Henries | None, about("expected inductance of one turn")] = None
    capture: _Capture = None

    uses_scope = True
    later_fields = ("capture",)

    def wiring(self) -> Hookup:
        return winding_and_resistor(
            self.part,
            self.resistor,
            generator=self.generator or "generator",
            drive=" ".join(text for text in (self.frequency, self.amplitude) if text),
            scope=self.scope,
            across=self.across,
            resistor_channel=self.resistor_channel,
        )


SCOPE_KINDS = (
    Kind(
        RatioCheck,
        result="turns_ratio",
        shown={"turns_ratio": "", "phase": ""},
        limits={"turns_ratio": "1"},
        waveforms=True,
    ),
    Kind(
        InductanceCheck,
        shown={"inductance": ""},
        limits={"inductance": "H", "al": "H", "resistance": "ohm", "phase": "deg", "frequency": "Hz"},
        waveforms=True,
    ),
)
