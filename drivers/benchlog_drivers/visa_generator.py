"""Function generators over SCPI: a sine, and the output switch."""

from __future__ import annotations

import math

from benchlog.adapter import Source
from benchlog.errors import UsageError
from benchlog_drivers._session import ScpiInstrument
from benchlog_drivers.dialects import GeneratorDialect


class VisaGenerator(ScpiInstrument[GeneratorDialect], Source):
    """A function generator at a VISA resource.

    Closing does not change the output: it is switched by a person or by `set_output`.
    """

    _kind = GeneratorDialect

    def set_sine(self, frequency_hz: float, amplitude_vpp: float) -> None:
        """Set a sine; see `Source.set_sine`.

        Raises
        ------
        UsageError
            If a number is not positive.
        InstrumentRefusedError
            If the generator refused it; earlier settings stay.
        """
        with self._named_errors():
            if not (math.isfinite(frequency_hz) and frequency_hz > 0):
                raise UsageError(f"a sine can't have {frequency_hz!r} Hz", hint="give a positive frequency")
            if not (math.isfinite(amplitude_vpp) and amplitude_vpp > 0):
                raise UsageError(
                    f"a sine can't have an amplitude of {amplitude_vpp!r} V",
                    hint="to stop the signal, switch the output off",
                )
            sine = self._session.dialect.sine
            self._session.send(
                sine.set, frequency=frequency_hz, amplitude=amplitude_vpp * sine.amplitude_factor
            )

    def set_output(self, on: bool) -> None:
        """Switch the output; see `Source.set_output`.

        Raises
        ------
        InstrumentRefusedError
            If the generator did not take it.
        """
        with self._named_errors():
            output = self._session.dialect.output
            self._session.send(output.on if on else output.off)
