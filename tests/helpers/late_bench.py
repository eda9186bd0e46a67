"""Instruments that answer one question too late, behind every kind of link, and what a right outcome is.

Each trial does one thing with an adapter (a reading, a capture, a setting) while one question of it is answered after
the time-out; then the truth at the instrument changes, and the thing is done again. The second outcome has to be of
the new truth.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Self

import numpy as np
from helpers.late_links import LINKS, Late
from helpers.scpi_scopes import FieldScope, PreambleScope, generator
from helpers.scpi_server import Scripted

from benchlog.errors import BenchlogError, InstrumentRefusedError
from benchlog_drivers._session import LinkOptions
from benchlog_drivers.visa_generator import VisaGenerator
from benchlog_drivers.visa_meter import MeterOptions, VisaMeter
from benchlog_drivers.visa_scope import VisaScope

TIMEOUT_S = 0.2


@dataclass
class MeterTrial:
    """A meter whose n-th measurement reads n: an old one shows by its number."""

    asked: int = 0
    questions = 1

    def script(self) -> Scripted:
        def measure(_match: Any) -> str:
            self.asked += 1
            return f"{self.asked:+d}.0E+00"

        return Scripted(
            {r"CONFigure\?": '"VOLT +1.0E+02,+1.0E-02"', r"READ\?": measure},
            identity="simulated,MA-01,0,1.0",
        )

    def adapter(self, resource: str) -> VisaMeter:
        return VisaMeter("M", resource, MeterOptions(timeout_s=TIMEOUT_S))

    def act(self, adapter: Any) -> bool:
        # As a program that gives up on an answer does; a plain read would go on waiting for the same one.
        value = float(adapter._session.ask("READ?"))
        return value == self.asked

    def change(self) -> None:
        """Every measurement is another one anyway."""


@dataclass
class ScopeTrial:
    """A scope whose signal, ranges and probe factors differ between channels and change between records."""

    family: type[PreambleScope | FieldScope]
    questions: int
    model: Any = None
    turn: int = 0

    def script(self) -> Scripted:
        self.model = self.family()
        self.model._signal = self._signal
        self.change()
        return self.model.instrument()  # type: ignore[no-any-return]

    def _signal(self, channel: str) -> np.ndarray:
        t = np.arange(self.model.samples) * self.model.interval_s
        peak = {"CH1": 2.0, "CH2": 0.1}[channel] * (1 + 0.1 * (self.turn % 5))
        return np.asarray(peak * np.sin(2 * np.pi * 1000 * t))

    def adapter(self, resource: str) -> VisaScope:
        return VisaScope("S", resource, LinkOptions(timeout_s=TIMEOUT_S))

    def act(self, adapter: Any) -> bool:
        self.model.busy_polls = 0
        capture = adapter.capture(["CH1", "CH2"], timeout_s=2.0)
        right = True
        for record in capture.channels:
            name = record.name
            volts = (record.codes * record.scale + record.offset) * record.probe  # at the tip
            right &= np.array_equal(record.codes, self.model.codes(name))
            right &= bool(np.max(np.abs(volts - self._signal(name))) <= 0.51 * record.scale * record.probe)
            right &= record.coupling.upper() == self.model.coupling[name]
            right &= record.probe == self.model.probe[name]
        return right

    def change(self) -> None:
        """Other signal, range, coupling and probe."""
        self.turn += 1
        self.model.scale = {"CH1": (1.0, 2.0)[self.turn % 2], "CH2": (0.1, 0.05)[self.turn % 2]}
        self.model.coupling = {"CH1": ("AC", "DC")[self.turn % 2], "CH2": ("DC", "AC")[self.turn % 2]}
        self.model.probe = {"CH1": (1.0, 10.0)[self.turn % 2], "CH2": (10.0, 1.0)[self.turn % 2]}


@dataclass
class GeneratorTrial:
    """A generator that refuses every second sine: taking over an old "no error" shows at once."""

    settings: dict[str, str] = field(default_factory=dict)
    turn: int = 0
    questions = 1

    def script(self) -> Scripted:
        return generator(self.settings)

    def adapter(self, resource: str) -> VisaGenerator:
        return VisaGenerator("G", resource, LinkOptions(timeout_s=TIMEOUT_S))

    def act(self, adapter: Any) -> bool:
        if self.turn % 2:
            try:
                adapter.set_sine(50e6, 1.0)
            except InstrumentRefusedError as error:
                return "-222" in str(error) and str(error).count("-") < 8
            return False
        adapter.set_sine(1000.0 + self.turn, 1.0)
        return float(self.settings["frequency"]) == 1000.0 + self.turn

    def change(self) -> None:
        """The next sine is one of the other kind."""
        self.turn += 1


INSTRUMENTS: dict[str, Callable[[], Any]] = {
    "meter": MeterTrial,
    "scope, preamble": lambda: ScopeTrial(PreambleScope, 13),
    "scope, fields": lambda: ScopeTrial(FieldScope, 21),
    "generator": GeneratorTrial,
}


class Standstill:
    """Longest time for which this process got no turn: a thread that sleeps a little notes by how much it overslept."""

    def __enter__(self) -> Self:
        self.longest_s = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        before = time.monotonic()
        while not self._stop.wait(0.01):
            now = time.monotonic()
            self.longest_s = max(self.longest_s, now - before - 0.01)
            before = now


@dataclass
class Count:
    """Outcomes of many trials; `stood_still` of them failed at the first retry while the computer stood still.

    Those say nothing of the program, since the retry's own answers were late too; a wrong outcome counts all the same.
    """

    late: int = 0
    wrong: int = 0
    at_first_retry: int = 0
    stood_still: int = 0
    notes: list[str] = field(default_factory=list)

    def __add__(self, other: Count) -> Count:
        return Count(
            self.late + other.late,
            self.wrong + other.wrong,
            self.at_first_retry + other.at_first_retry,
            self.stood_still + other.stood_still,
            self.notes + other.notes,
        )


def trials(link: str, kind: str, n: int, seed: int = 1) -> Count:
    """Let `n` answers of one instrument behind one link be late, one after the other, each question in turn."""
    rng = np.random.default_rng([seed, *link.encode(), *kind.encode()])
    count, trial = Count(), INSTRUMENTS[kind]()
    late = Late(trial.script())
    with LINKS[link](late) as resource, trial.adapter(resource) as adapter:
        for number in range(n):
            late.delay_s = TIMEOUT_S * float(rng.choice([1.1, 1.3, 1.6, 2.0, 3.0, 5.0]))
            before, late.skip = late.were_late, number % trial.questions
            _attempt(count, trial, adapter, f"{link}, {kind}, question {number % trial.questions} late")
            late.skip = None
            if late.were_late == before:
                continue
            count.late += 1
            if rng.random() < 0.5:
                time.sleep(float(rng.uniform(0, 1.5)) * late.delay_s)
            trial.change()
            where = f"{link}, {kind}, after question {number % trial.questions} by {late.delay_s:.2f} s"
            with Standstill() as pause:
                right = _attempt(count, trial, adapter, where)
            if right:
                count.at_first_retry += 1
                continue
            if pause.longest_s > TIMEOUT_S / 4:  # an answer goes through four threads
                count.stood_still += 1
                count.notes.append(f"{where}: the computer stood still for {pause.longest_s:.2f} s")
            if not _attempt(count, trial, adapter, where + ", second retry"):
                adapter.close()
                adapter.open()
    return count


def _attempt(count: Count, trial: Any, adapter: Any, where: str) -> bool:
    """Whether it ended right; an error is neither a wrong outcome nor a right one."""
    try:
        right = trial.act(adapter)
    except BenchlogError as error:
        count.notes.append(f"{where}: {type(error).__name__}: {error}")
        return False
    if not right:
        count.wrong += 1
        count.notes.append(f"{where}: WRONG")
    return bool(right)
