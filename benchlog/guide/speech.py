"""Readings spoken by a speech program of the computer, if it has one."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from typing import Any

from benchlog.hookup import Hookup, in_words
from benchlog.reading import Flag, Function, Reading, State

#: Programs that take the text as their only argument.
PROGRAMS = ("espeak-ng", "spd-say", "say")
# On Windows the text is passed on standard input, so that it can't be read as a command.
_WINDOWS_VOICE = (
    "-NoProfile",
    "-NonInteractive",
    "-Command",
    (
        "[Console]::InputEncoding = [Text.Encoding]::UTF8; Add-Type -AssemblyName System.Speech; "
        "(New-Object System.Speech.Synthesis.SpeechSynthesizer).Speak([Console]::In.ReadToEnd())"
    ),
)

_PREFIXES = {"p": "pico", "n": "nano", "µ": "micro", "u": "micro", "m": "milli", "k": "kilo", "M": "mega", "G": "giga"}  # fmt: skip
_UNITS = {
    Function.AC_VOLTS: "volts A C",
    Function.DC_VOLTS: "volts D C",
    Function.AC_DC_VOLTS: "volts",
    Function.AC_CURRENT: "amperes A C",
    Function.DC_CURRENT: "amperes D C",
    Function.OHMS: "ohms",
    Function.FOUR_WIRE_OHMS: "ohms",
    Function.CONTINUITY: "ohms",
    Function.DIODE: "volts",
    Function.FREQUENCY: "hertz",
    Function.DUTY: "percent",
    Function.CAPACITANCE: "farads",
    Function.TEMPERATURE: "degrees",
}


def spoken(reading: Reading) -> str:
    """Put a reading into words.

    >>> spoken(Reading(Function.DC_VOLTS, -0.0273, 1e-4, "-27.3 mV"))
    'minus 27.3 millivolts D C'
    """
    if reading.state is not State.OK:
        return "overload" if reading.state is State.OVERLOAD else "no number"
    number, _, unit = reading.displayed.partition(" ")
    prefix = ""
    if len(unit) > 1:
        prefix = _PREFIXES.get(unit[0], "")
    sign = "minus " if number.startswith(("-", "−")) else ""
    words = f"{sign}{number.lstrip('+-−')} {prefix}{_UNITS[reading.function]}"
    return words + (", hold" if Flag.HOLD in reading.flags else "")


def spoken_hookup(hookup: Hookup) -> str:
    """Put a hook-up into words.

    >>> from benchlog.circuits import across
    >>> spoken_hookup(across("T1", ["MB-02"], Function.AC_VOLTS))
    'MB-02 on volts A C across T1'
    """
    return in_words(hookup, dial=_UNITS.__getitem__)


class Speech:
    """Speaks through an installed program, without waiting for it to end.

    Parameters
    ----------
    arguments : sequence of str, optional
        With these the program reads the text from standard input; without them the text is its only argument. No shell
        is used.
    """

    def __init__(self, program: str, arguments: Sequence[str] = ()) -> None:
        self.program = program
        self.arguments = tuple(arguments)
        self._running: subprocess.Popen[Any] | None = None
        self._last = ""

    def repeat(self) -> None:
        """Say the last text again."""
        if self._last:
            self.say(self._last)

    def say(self, text: str) -> None:
        """Say a text; an earlier one is cut short."""
        self.stop()
        self._last = text
        quiet = subprocess.DEVNULL
        try:
            self._running = subprocess.Popen(  # noqa: S603 - a found program, a list of arguments, no shell
                [self.program, *(self.arguments or (text,))],
                stdin=subprocess.PIPE if self.arguments else quiet,
                stdout=quiet,
                stderr=quiet,
                creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
            )
            if self._running.stdin is not None:
                self._running.stdin.write(text.encode())
                self._running.stdin.close()
        except OSError:
            self._running = None  # a speech error must not stop the measurement

    def stop(self, wait_s: float = 0.0) -> None:
        """Wait that long for speech to end, then stop it."""
        if self._running is None:
            return
        try:
            self._running.wait(wait_s)
        except subprocess.TimeoutExpired:
            self._running.terminate()
            self._running.wait()
        self._running = None


def find_speech(
    which: Callable[[str], str | None] = shutil.which, system: str = sys.platform
) -> Speech | None:
    """Return the first speech program installed, on Windows the system's own voice; None if there is none."""
    found = next((path for name in PROGRAMS if (path := which(name))), None)
    if found:
        return Speech(found)
    shell = which("powershell") if system == "win32" else None
    return Speech(shell, _WINDOWS_VOICE) if shell else None
