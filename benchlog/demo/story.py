"""The kiln controller's 160 days, shown in seconds: the same commands and guided run as on a real bench.

Only the order of events is scripted; every reading, verdict and recall comes from the circuit model and the analysis.
Commands shown with ``$`` are really run, on the demo's clock.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Self

from rich.console import Console

from benchlog.adapter import Reader
from benchlog.bench import read_bench
from benchlog.clock import ManualClock, RunningClock, parse_rfc3339
from benchlog.dashboard.collector import Collector
from benchlog.dashboard.live import play
from benchlog.dashboard.model import NodeGroup, Snapshot
from benchlog.demo.simulated_operator import KeyboardOperator
from benchlog.demo.story_operator import StoryOperator
from benchlog.files import write_whole
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.person import Person
from benchlog.guide.run import Guide
from benchlog.logbook import Logbook
from benchlog.plan import Plan, read_plan
from benchlog.project.evidence import record_plan
from benchlog.reading import Function
from benchlog.registry import make_adapter
from benchlog.result import Result, Verdict
from benchlog.simulation import served_as_sim, simulated_bench, simulated_person

DAY_0 = "2026-03-02T09:00:00Z"
_DAY_S = 86400.0
#: Day and mains voltage of each check when it is shown alone.
_DAYS = {
    **dict.fromkeys(("C01", "C02", "C03", "C04"), (0, 236.0)),
    "C04b": (38, 231.0),
    "C05": (40, 231.0),
    "C06": (58, 230.0),
    **dict.fromkeys(("C07", "C08", "C09"), (61, 230.0)),
    "C10": (70, 230.0),
    "C11": (72, 230.0),
    "C12": (75, 236.0),
    "C13": (77, 236.0),
    "C14": (120, 230.0),
    "C15": (151, 230.0),
    "C16": (160, 236.0),
}
#: Purpose of each check, in a sentence.
_WHY = {
    "C01": "Are both windings intact? Ohms first, with the plug pulled.",
    "C02": "Is the barrier between mains and output sound? A first look, at low voltage.",
    "C03": "Does the supply give the voltage its label promises?",
    "C04": "How far does it sag under load? That gives the winding's resistance.",
    "C04b": "The transformer is now in a test box: is its insulation still good?",
    "C05": "Is the voltage still the same as before the case was opened?",
    "C06": "Two cores of unknown quality: do they match?",
    "C07": "Does this toroid really have 60 turns?",
    "C08": "A single shorted turn would ruin it; it shows as low inductance.",
    "C09": "Is it the right wire, and are the joints good?",
    "C10": "Does this one really have 100 turns?",
    "C11": "The burden resistor sets the scale of every later current reading.",
    "C12": "Both toroids and the burden together, with real current.",
    "C13": "What voltage will the capacitor really see?",
    "C14": "The box is finished: is its metal earthed, and its insulation good?",
    "C15": "First power-up, with lamps in series: a mistake then only lights the lamps.",
    "C16": "Full power for twenty minutes: does it stay cool, and trip when it should?",
}


class Story:
    """The story on one simulated bench, in one folder.

    Parameters
    ----------
    folder : Path
        Where plan, bench file, logbook and certificate go.
    seed : int
        Of the bench: changes digits, not the logic.
    say : callable
        Takes text and style of a line.
    command : callable
        Runs one command line with the story's clock and returns its exit code.
    person : Person, optional
        A user who takes each step by hand, instead of the scripted operator.
    console : rich Console, optional
        Where the dashboard is drawn, if it is a terminal.
    pause : callable, optional
        Called before each new step, so that the screen can be read.
    """

    def __init__(
        self,
        folder: Path,
        seed: int,
        *,
        say: Callable[[str, str], None],
        show: Callable[[Result], None],
        command: Callable[[Sequence[str], ManualClock], int],
        person: Person | None = None,
        console: Console | None = None,
        pause: Callable[[], object] = lambda: None,
    ) -> None:
        self.folder = folder
        self.console = console or Console(file=io.StringIO())
        self.say = say
        self._show = show
        self._command = command
        self._pause = pause
        self._begun: list[str] = []  # checks, in the order they were first done
        start = parse_rfc3339(DAY_0)
        self.clock: ManualClock = ManualClock(start) if person is None else RunningClock(start)
        self.sim = simulated_bench(seed, self.clock)
        self.operator = StoryOperator(self.sim, simulated_person(self.sim, "MB-02"), say)
        self.person: Person = self.operator if person is None else KeyboardOperator(self.operator, person)
        self.results: dict[str, Result] = {}
        self._whole = False
        self.watched: Snapshot | None = None  # the dashboard's last picture
        self._stack = ExitStack()
        self._start_ns = self.clock.utc_ns()

    def __enter__(self) -> Self:
        self._stack.enter_context(self.sim)
        self._stack.enter_context(served_as_sim(self.sim))
        self._write("plan.toml", (files("benchlog.demo") / "kc1.toml").read_text(encoding="utf-8"))
        self._write("bench.toml", self.sim.bench_toml())
        self.bench = read_bench(self.folder / "bench.toml")
        # The links stay open over all sessions: the library takes 0.3 s to close a socket link.
        self.links = self._stack.enter_context(Acquisition(self.bench, self.person, self.clock))
        return self

    def __exit__(self, *error: object) -> None:
        self._stack.close()

    @property
    def plan_path(self) -> Path:
        """The plan as it is now."""
        return self.folder / "plan.toml"

    @property
    def logbook_path(self) -> Path:
        """The story's logbook."""
        return self.folder / "kc1.logbook"

    def _write(self, name: str, text: str) -> None:
        write_whole(self.folder / name, text)

    # ---- narration ----

    def day(self, number: int, title: str, mains_v: float = 230.0) -> None:
        """Set the clock to a morning and announce the day."""
        now = (self.clock.utc_ns() - self._start_ns) / 1e9
        self.clock.advance(max(0.0, number * _DAY_S - now))
        self.sim.mains(mains_v)
        if now > 0:
            self._pause()
        self.say("", "")
        self.say(f"day {number}: {title}", "bold underline")

    def narrate(self, text: str) -> None:
        """Show one line of narration."""
        self.say(text, "italic")

    def run(self, *words: str) -> int:
        """Run one benchlog command on the story's files."""
        names = (Path(word).name if "/" in word else word for word in words)
        self.say(" ".join(("$ benchlog", *(f'"{name}"' if " " in name else name for name in names))), "cyan")
        return self._command(
            [*words, "--logbook", str(self.logbook_path), "--bench", str(self.folder / "bench.toml")],
            self.clock,
        )

    @contextmanager
    def _guide(self) -> Iterator[tuple[Guide, Acquisition, Logbook]]:
        plan = read_plan(self.plan_path)
        with Logbook.open(self.logbook_path, clock=self.clock) as book:
            record_plan(plan, book)
            guide = Guide(plan, self.bench, book, clock=self.clock, person=self.person, show=self._show)
            yield guide, self.links, book

    def session(self, *check_ids: str, left: str = "nothing", next_action: str = "") -> None:
        """One session: guided checks, then the closing questions."""
        self.say(f"$ benchlog run plan.toml {' '.join(f'--check {c}' for c in check_ids)}", "cyan")
        with self._guide() as (guide, acquisition, book):
            book.begin_session({"plan": "plan.toml"})
            for place, check_id in enumerate(check_ids):
                if place:
                    self._pause()
                self._announce(check_id, guide.plan)
                result = guide.run_check(guide.plan.check(check_id), acquisition)
                if result is not None:
                    self.results[check_id] = result
                self.clock.advance(180.0)
            book.end_session({"left": left, "next": next_action})

    def _announce(self, check_id: str, plan: Plan) -> None:
        """Announce the next check, its number and its purpose."""
        again = check_id in self._begun
        if not again:
            self._begun.append(check_id)
        place = f"check {len(self._begun)} of {len(plan.checks)}" if self._whole else f"check {check_id}"
        self.say("", "")
        self.say(f"{f'{check_id} again' if again else place}: {_WHY[check_id]}", "bold")

    def part_state(self, tag: str, state: str) -> None:
        """Record a part's new state."""
        self.say(f"  {tag} is now {state}", "dim")
        with Logbook.open(self.logbook_path, clock=self.clock) as book:
            book.append("part", {"part": tag, "state": state})

    def edit_plan(self, **changes: tuple[str, str]) -> None:
        """Edit the plan: in the named check, replace old text by new."""
        text = self.plan_path.read_text(encoding="utf-8")
        for check_id, (old, new) in changes.items():
            start = text.index(f'id = "{check_id}"')
            at = text.index(old, start)
            text = text[:at] + new + text[at + len(old) :]
            self.say(f"  plan, {check_id}: {old}  →  {new}", "dim")
        self._write("plan.toml", text)

    def substitute(self, part: str, what: str, reason: str) -> None:
        """Add a substitution to the plan."""
        text = self.plan_path.read_text(encoding="utf-8")
        text += f'\n[[substitution]]\npart = "{part}"\nwhat = "{what}"\nreason = "{reason}"\n'
        self._write("plan.toml", text)
        self.say(f"  plan, substitution of {part}: {what} ({reason})", "dim")

    def standard(self, meter: str, standard: str, *options: str) -> int:
        """Read a check standard with a meter and record it; returns the exit code."""
        function = self.bench.standard(standard).function
        shown = self.operator.on_standard(meter, standard, function)
        return self.run("standard", meter, standard, shown, *options)

    def watch(self, point: str, function: Function, *tags: str, span_s: float = 20.0) -> None:
        """Watch meters on one point for a while: full screen on a terminal, changes as lines elsewhere."""
        self.say(
            f"$ benchlog watch {' '.join(tags)} --group {point}={','.join(tags)} --for '{span_s:g} s'", "cyan"
        )
        self.operator.on_point(point, function, *tags)
        collector = Collector(
            self.bench, (NodeGroup(point, tags, function),), clock=self.clock, target=self.logbook_path.name
        )
        # MB-02 has no link: its reading is typed, once a second.
        readers = [make_adapter(f"sim:{tag}", tag, clock=self.clock) for tag in tags]
        kept = play(
            self.console,
            collector,
            [r for r in readers if isinstance(r, Reader)],
            clock=self.clock,
            span_s=span_s,
            say=lambda line: self.say(f"  {line}", ""),
        )
        with Logbook.open(self.logbook_path, clock=self.clock) as book:
            collector.committed(book.append_readings(kept), kept)
        self.watched = collector.snapshot()

    # ---- the acts ----

    def only(self, check_id: str) -> None:
        """One check of the plan, on its day."""
        check = read_plan(self.plan_path).check(check_id)
        day, mains_v = _DAYS[check.id]
        with self.sim.scene.change():
            self.sim.scene.leads["LB"].open = True
        self.day(day, check.title, mains_v)
        if check.state and check.state != "as received":
            self.part_state(check.part, check.state)
        self.session(check.id)

    def short(self) -> None:
        """The four main jobs, in about a minute."""
        self.say("Job 1 of 4: check a plug-in supply before its case is opened", "bold underline")
        self.day(0, "a test lead has a broken wire, but nobody knows it yet", mains_v=236.0)
        with self.sim.scene.change():
            self.sim.scene.leads["LB"].open = True
        self.session("C03", next_action="the toroid")
        self.day(70, "Job 2 of 4: count the turns of a hand-wound toroid")
        self.session("C10")
        self.day(96, "Job 3 of 4: two meters on a known 5 V; one has drifted")
        self.watch("CS-3", Function.DC_VOLTS, "MA-01", "MB-02")
        self.narrate("Two meters show that one is wrong, but not which. The known voltage shows which one:")
        self.standard("MB-02", "CS-3")
        self._pause()
        self.say("", "")
        self.say("Job 4 of 4: everything is on record, and any change to it would show", "bold underline")

    def whole(self) -> None:
        """All seventeen checks and four hold points."""
        self._whole = True
        self.opening()
        self.test_box()
        self.toroids()
        self.cascade()
        self.rectifier()
        self.bad_meter()
        self.finish()

    def opening(self) -> None:
        """Day 0: check standards, the supply, a reading near zero, the hold point."""
        self.day(0, "the plug-in supply T1 has arrived; we want to open its case", mains_v=236.0)
        with self.sim.scene.change():
            self.sim.scene.leads["LB"].open = True  # a wire broken inside its insulation, not known yet
        self.narrate("First two minutes for the meters: each on a check standard.")
        for meter in ("MA-01", "MB-02"):
            self.standard(meter, "CS-3")
        self.narrate("Try the hold point before anything is measured:")
        self.run("release", str(self.plan_path), "H1")
        self.session("C01", "C02", "C03", "C04", next_action="release H1, open the case")
        self.run("release", str(self.plan_path), "H1")
        self.run("release", str(self.plan_path), "H1", "--taken")

    def test_box(self) -> None:
        """Days 34 to 40: a meter that passes its standard but moves; the boxed transformer."""
        self.day(34, "check standards")
        passed = self.standard("MB-02", "CS-3") == 0
        self.narrate(
            "It passes, so we go on using it." if passed else "We use it anyway; the record will say so."
        )
        self.day(38, "the bare transformer goes into a closed test box", mains_v=231.0)
        self.part_state("T1", "in test box")
        self.session("C04b")
        self.run("release", str(self.plan_path), "H2")
        self.run("release", str(self.plan_path), "H2", "--taken")
        self.day(40, "no-load voltage in the box", mains_v=231.0)
        self.session("C05")

    def toroids(self) -> None:
        """Days 58 to 70: cores, a winding's ratio, inductance and resistance, and a miscounted winding."""
        self.day(58, "two bare cores, one AL on the label")
        self.session("C06")
        self.day(61, "CT1 is wound")
        self.session("C07", "C08", "C09")
        self.day(70, "CT2 is wound")
        self.session("C10")
        turns = self.results["C10"].turns or {}
        counted = turns.get("most_likely")
        if self.results["C10"].verdict is not Verdict.PASS and counted is not None and counted != 100:
            self.narrate(
                f"The ratio says {counted} turns: take {abs(counted - 100)} off and repeat the check."
            )
            self.sim.rewind("CT2", 101 - (counted - 100))
            self.session("C10")

    def cascade(self) -> None:
        """Days 72 and 75: burden and the whole current channel."""
        self.day(72, "the burden resistor")
        self.session("C11")
        self.day(75, "both toroids in cascade", mains_v=236.0)
        self.session("C12")

    def rectifier(self) -> None:
        """Day 77: the rectified voltage, and a capacitor that is too small for it."""
        self.day(77, "bridge and reservoir capacitor", mains_v=236.0)
        self.session("C13", left="nothing; the capacitor was discharged through 10 kohm")
        self.substitute("REC", "EC-1000-63 (63 V) for EC-1000-35 (35 V)", "41 V at mains +10 %, no load")
        self.edit_plan(C13=('capacitor = "35 V"', 'capacitor = "63 V"'))
        self.session("C13", left="nothing; the capacitor was discharged through 10 kohm")

    def bad_meter(self) -> None:
        """Days 96 and 97: a meter fails its standard; results that used it are measured again."""
        self.day(96, "both meters on the 5 V reference")
        self.watch("CS-3", Function.DC_VOLTS, "MA-01", "MB-02")
        self.narrate("Two meters show that one is wrong, but not which. The check standard shows which one:")
        self.standard("MB-02", "CS-3")
        self.narrate("It gets a new battery; its reading now is recorded as left.")
        self.sim.new_battery("MB-02")
        self.standard("MB-02", "CS-3", "--as-left")
        self.run("status", str(self.plan_path))
        self.day(97, "measured again with the other meter", mains_v=231.0)
        self.standard("MA-01", "CS-3")
        self.operator.meter_of = dict.fromkeys(self.operator.meter_of, "MA-01")
        other = ('meter = "MB-02"', 'meter = "MA-01"')
        self.edit_plan(C05=other, C13=other)
        self.session("C05")
        self.sim.mains(236.0)
        self.session("C13")

    def finish(self) -> None:
        """Days 120 to 160: earth bond, low energy, full power; the last two hold points."""
        self.day(120, "the finished controller")
        self.session("C14")
        self.run("release", str(self.plan_path), "H3")
        self.run("release", str(self.plan_path), "H3", "--taken")
        self.day(151, "low energy: lamps before the element")
        self.session("C15")
        self.day(160, "full power", mains_v=236.0)
        self.session("C16")
        self.run("release", str(self.plan_path), "H4")
