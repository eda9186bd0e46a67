"""An operator of the simulated bench: does what a prompt asks and types what displays show.

It knows the connections but not the readings: every digit comes from the circuit model.
"""

from __future__ import annotations

import re
import shutil
import sys
from collections.abc import Callable, Sequence
from typing import Any

from benchlog.guide.person import Person, Prompt
from benchlog.hookup import Hookup
from benchlog.reading import Function, Reading

#: Lead set of each meter.
_LEADS = {"MA-01": "LA", "MB-02": "LC"}


def doubt_step(key: str) -> str:
    """Return the diagnosis step in a prompt's key, or an empty text.

    >>> doubt_step("C03/doubt/fresh_cell"), doubt_step("C03/doubt/2/more/look"), doubt_step("C03/no_load")
    ('fresh_cell', 'look', '')
    """
    if "/doubt/" not in key:
        return ""
    return re.sub(r"^(\d+/|more/)+", "", key.rpartition("/doubt/")[2]).removesuffix("/else")


class SimulatedOperator(Person):
    """Answers the prompts of a guided run by operating the simulated bench.

    Parameters
    ----------
    bench : simulated bench
    person : its person, who can carry out the checks of a diagnosis
    say : callable
        Takes text and style of each line shown.

    Attributes
    ----------
    acts : dict
        What to do at a hook-up prompt, by its key.
    """

    def __init__(self, bench: Any, person: Any, say: Callable[[str, str], None]) -> None:
        self.bench = bench
        self.person = person
        self.say = say
        self.acts: dict[str, Callable[[], None]] = {}

    @property
    def columns(self) -> int:
        return shutil.get_terminal_size().columns if sys.stdout.isatty() else super().columns

    def show(self, text: str = "", *, style: str = "") -> None:
        self.say(text, style)

    def answer(self, prompt: Prompt) -> str:
        """Do what is asked on the bench; answer with what displays and cards show."""
        if prompt.kind == "hookup":
            self.do(prompt)
            answer = ""
        else:
            answer = self.observe(prompt)
        self.say(f"  ? {prompt.text}{'  → ' + answer if answer else ''}", "dim")
        return answer

    def do(self, prompt: Prompt) -> None:
        """Do what a hook-up prompt asks."""
        step = doubt_step(prompt.key)
        if step:
            self.look_into(step)
        elif prompt.key in self.acts:
            self.acts[prompt.key]()

    def observe(self, prompt: Prompt) -> str:
        """Return what the bench shows for a prompt; empty if it asks for free text."""
        step = doubt_step(prompt.key)
        if prompt.kind == "display":
            return self.display(prompt)
        if prompt.kind == "choice" and step:
            return str(self.person.act(step))
        if prompt.kind == "quantity":
            return str(self.person.act(step) if step == "scope_output" else self.bench.read_mains())
        return self.yes_or_no(prompt.key) if prompt.kind == "confirm" else ""

    # ---- what subclasses change ----

    def look_into(self, step: str) -> None:
        """Carry out one check of a diagnosis."""
        self.person.act(step)

    def display(self, prompt: Prompt) -> str:
        """Set the meter as asked and read its display."""
        tag, function = prompt.instrument, prompt.function
        if function is not None:
            self.turn(tag, function)
        return str(self.bench.read_display(tag))

    def yes_or_no(self, key: str) -> str:
        """Look, and answer a question."""
        return "y"

    # ---- what an operator does ----

    def turn(self, meter: str, function: Function) -> None:
        """Turn a meter's dial, if it is not there already."""
        if self.bench.meter(meter).function is not function:
            self.bench.set_function(meter, function)

    def put(self, meter: str, at: str | tuple[str, str], function: Function, leads: str = "") -> None:
        """Connect a meter: tips off, dial, tips on, so that the dial never turns on a live point."""
        self.bench.disconnect(meter)
        self.turn(meter, function)
        self.bench.connect(meter, at=at, leads=leads or _LEADS[meter])

    def clear(self) -> None:
        """Remove everything of the previous check."""
        self.bench.hookups.clear()
        for meter in self.bench.meters:
            self.bench.disconnect(meter)

    def dead(self, meter: str, at: str, function: Function) -> None:
        """Put a meter on something that is connected to nothing else."""
        self.clear()
        self.put(meter, at, function)

    def drop(self, meter: str, at: str, ampere: float) -> None:
        """Send a current through something and put a meter across it."""
        self.clear()
        self.bench.hookups.four_wire(at, ampere)
        self.put(meter, at, Function.DC_VOLTS)

    def isolation(self, meter: str, volt: float = 30.0) -> None:
        """Put a supply and a meter in series with T1's barrier."""
        self.clear()
        self.bench.hookups.isolation(volt)
        self.put(meter, "T1.isolation", Function.DC_VOLTS)

    def swap_probes(self) -> None:
        """Swap the scope's probes and channels."""
        with self.bench.scene.change():
            first, second = self.bench.scope.channels.values()
            first.clip, second.clip = second.clip, first.clip

    def two_resistors(self, meter: str) -> None:
        """Put the burden and the known resistor in series, and a meter across the burden."""
        self.clear()
        self.bench.hookups.two_resistors()
        self.put(meter, "RB", Function.DC_VOLTS)

    def rectifier(self, meter: str) -> None:
        """Put bridge and capacitor on T1, and a meter across the capacitor."""
        self.clear()
        self.put(meter, "REC.output", Function.DC_VOLTS)
        self.bench.hookups.rectifier()


class KeyboardOperator(Person):
    """A person at the keyboard operates the simulated bench: Enter makes connections, displays are typed.

    Parameters
    ----------
    operator : SimulatedOperator
        Does on the bench what the user confirms.
    person : Person
        At the keyboard, or the lines of a pipe or file.
    """

    def __init__(self, operator: SimulatedOperator, person: Person) -> None:
        self.operator = operator
        self.person = person
        self.interactive = person.interactive

    @property
    def columns(self) -> int:
        return self.person.columns

    @property
    def height(self) -> int:
        return self.person.height

    def show(self, text: str = "", *, style: str = "") -> None:
        self.person.show(text, style=style)

    def answer(self, prompt: Prompt) -> str:
        """Show the bench's displays, let the user answer, then do what was asked."""
        if prompt.kind == "hookup":
            answer = self.person.answer(prompt)
            if not answer:  # Enter alone: it is done
                self.operator.do(prompt)
            return answer
        visible = self._visible(prompt)
        if visible:
            self.show(f"    on the bench: {visible}", style="bold")
        return self.person.answer(prompt)

    def _visible(self, prompt: Prompt) -> str:
        """What the bench shows for a prompt; empty for a question that only the user can answer."""
        if prompt.kind in ("text", "file", "next", "last") or (
            prompt.kind == "choice" and not doubt_step(prompt.key)
        ):
            return ""
        shown = self.operator.observe(prompt)
        if not shown:
            return ""
        if prompt.kind == "quantity" and not doubt_step(prompt.key):
            return f"the mains monitor shows {shown}"
        return f"{prompt.instrument} shows {shown}" if prompt.kind == "display" else shown

    def caution(self, text: str) -> None:
        self.person.caution(text)

    def keep_in_view(self, lines: Sequence[tuple[str, str]]) -> None:
        self.person.keep_in_view(lines)

    def new_check(self) -> None:
        self.person.new_check()

    def show_card(self, lines: Callable[[int], Sequence[tuple[str, str]]]) -> None:
        self.person.show_card(lines)

    def live(self, text: str) -> None:
        self.person.live(text)

    def pressed(self) -> str:
        return self.person.pressed()

    def connect(self, hookup: Hookup) -> None:
        self.person.connect(hookup)

    def taken(self, reading: Reading) -> None:
        self.person.taken(reading)
