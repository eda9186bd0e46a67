"""Readings spoken by a program of the system, where there is one."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest
from helpers.systems import needs_terminals

from benchlog.guide.speech import Speech, find_speech, spoken
from benchlog.reading import Flag, Function, Reading, State

pytestmark = needs_terminals  # programs are scripts here


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        (Reading(Function.AC_VOLTS, 27.75, 0.01, "27.75 V"), "27.75 volts A C"),
        (Reading(Function.DC_VOLTS, -0.0273, 1e-4, "-27.3 mV"), "minus 27.3 millivolts D C"),
        (Reading(Function.OHMS, 9.99e3, 10.0, "9.99 kΩ"), "9.99 kiloohms"),
        (Reading(Function.OHMS, None, 0.0, "OL", State.OVERLOAD), "overload"),
        (Reading(Function.CAPACITANCE, 1e-7, 1e-10, "100.0 nF"), "100.0 nanofarads"),
        (Reading(Function.TEMPERATURE, 48.0, 1.0, "48 °C"), "48 degrees"),
        (
            Reading(Function.DC_CURRENT, 0.5, 1e-3, "0.500 A", flags=frozenset({Flag.HOLD})),
            "0.500 amperes D C, hold",
        ),
    ],
)
def test_readings_in_words(reading: Reading, words: str) -> None:
    assert spoken(reading) == words


def talker(tmp_path: Path, body: str) -> Path:
    program = tmp_path / "espeak-ng"
    program.write_text(f"#!{sys.executable}\nimport sys, time, pathlib\n{body}\n", encoding="utf-8")
    program.chmod(0o755)
    return program


def test_speech_is_one_argument_and_never_a_shell_line(tmp_path: Path) -> None:
    """What is said reaches the program whole, whatever signs are in it."""
    heard = tmp_path / "heard"
    program = talker(tmp_path, f"pathlib.Path({str(heard)!r}).write_text(repr(sys.argv[1:]))")
    speech = find_speech(lambda name: str(program) if name == "espeak-ng" else None)
    assert speech is not None
    speech.say("27.75 volts; touch $HOME/x")
    speech.stop(10.0)
    assert heard.read_text() == "['27.75 volts; touch $HOME/x']"


def test_a_new_word_cuts_the_old_one_short(tmp_path: Path) -> None:
    speech = Speech(str(talker(tmp_path, "time.sleep(30)")))
    began = time.monotonic()
    speech.say("one")
    speech.say("two")
    speech.stop()
    assert time.monotonic() - began < 5


def test_windows_speaks_with_its_own_voice(tmp_path: Path) -> None:
    """The text comes on standard input: nothing of it can be read as a command of the shell that speaks."""
    heard = tmp_path / "heard"
    program = talker(tmp_path, f"pathlib.Path({str(heard)!r}).write_bytes(sys.stdin.buffer.read())")
    speech = find_speech(lambda name: str(program) if name == "powershell" else None, "win32")
    assert speech is not None
    speech.say("27.75 Ω'; exit #")
    speech.stop(10.0)
    assert heard.read_text("utf-8") == "27.75 Ω'; exit #"
    assert not any("27.75" in argument for argument in speech.arguments)


def test_without_a_speech_program_there_is_silence() -> None:
    assert find_speech(lambda name: None) is None
    Speech("/nowhere/espeak-ng").say("27.75 volts")
