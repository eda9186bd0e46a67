"""One session of watch: full screen, as lines, as JSON, or once; takes typed readings."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from benchlog.displayed import parse_displayed
from benchlog.errors import UsageError
from benchlog.keyboard import Lines, single_keys
from benchlog.project.open_doubts import doubt_body

if TYPE_CHECKING:
    from benchlog.cli.context import Context
    from benchlog.dashboard.collector import Collector
    from benchlog.dashboard.keyboard import Keyboard
    from benchlog.dashboard.model import Snapshot
    from benchlog.logbook import Logbook
    from benchlog.project.suspect import Suspect
    from benchlog.recorder import Recorder

ONCE_S = 8.0
_SETTLED_READINGS = 12
_GIVE_UP_NS = 2 * 10**9


class WatchSession:
    """One session of watch."""

    def __init__(
        self,
        args: argparse.Namespace,
        ctx: Context,
        collector: Collector,
        recorder: Recorder | None,
        book: Logbook,
        typed: Sequence[str],
        span_s: float | None,
        before: Sequence[Suspect],
    ) -> None:
        self._args, self._ctx = args, ctx
        self._collector, self._recorder, self._book = collector, recorder, book
        self._typed = list(typed)
        self._end_s = time.monotonic() + (span_s if span_s is not None else float("inf"))
        self._span_s = span_s
        self._doubts = {s.key: s for s in before}
        self._remarks: list[str] = []  # on what was typed

    def picture(self, note: str = "") -> Snapshot:
        """Take a snapshot; record doubts that appeared or ended."""
        statuses = self._recorder.statuses() if self._recorder is not None else ()
        snapshot = self._collector.snapshot(statuses, note=note or "; ".join(self._remarks))
        now = {s.key: s for s in snapshot.suspects}
        now |= {s.key: s for s in snapshot.unsettled if s.key in self._doubts and s.key not in now}
        for key in self._doubts.keys() - now.keys():
            self._write_down("ends", self._doubts[key])
        for key in now.keys() - self._doubts.keys():
            self._write_down("begins", now[key])
        self._doubts = now
        return snapshot

    def _write_down(self, event: str, suspect: Suspect) -> None:
        if self._ctx.recording:
            self._book.append("doubt", doubt_body(event, suspect))

    def _time_is_up(self) -> bool:
        return time.monotonic() >= self._end_s

    def once(self) -> Snapshot:
        """Read until every linked meter has enough readings to be judged, then show one screen."""
        lines = Lines(sys.stdin) if self._typed else None
        end_s = min(self._end_s, time.monotonic() + ONCE_S) if self._span_s is None else self._end_s
        while time.monotonic() < end_s:
            if lines is not None and not lines.ended:
                for line in lines.take(0.1):
                    self._typed_in(line)
                continue
            time.sleep(0.1)
            if self._span_s is None and self._all_judged():
                break
        snapshot = self.picture()
        self._show_once(snapshot)
        return snapshot

    def _show_once(self, snapshot: Snapshot) -> None:
        if self._ctx.json:
            note = "; ".join(self._remarks)
            self._ctx.print_json(snapshot.to_json() | ({"note": note} if note else {}))
        elif self._args.plain:
            from benchlog.dashboard.plain import Changes

            self._say([*self._remarks, *Changes().lines(snapshot)])
        else:
            from benchlog.dashboard.live import needs_ascii
            from benchlog.dashboard.view import view

            console = self._ctx.console
            console.print(view(snapshot, console.width, 0, keys="", plain=needs_ascii(console)))

    def _all_judged(self) -> bool:
        """Whether each link gave enough readings, or has been unreachable for a while."""
        statuses = self._recorder.statuses() if self._recorder is not None else ()
        given_up_ns = self._ctx.clock.utc_ns() - _GIVE_UP_NS
        return all(
            s.readings >= _SETTLED_READINGS or (s.link == "lost" and s.since_utc_ns < given_up_ns)
            for s in statuses
        )

    def follow(self) -> Snapshot:
        """Update the screen until asked to stop."""
        from benchlog.dashboard.live import can_show

        if self._ctx.json:
            return self._follow_json()
        if self._args.plain or not can_show(self._ctx.console):
            return self._follow_plain()
        return self._follow_screen()

    def _follow_screen(self) -> Snapshot:
        from benchlog.dashboard.keyboard import Keyboard
        from benchlog.dashboard.live import MAX_HZ, Screen
        from benchlog.dashboard.view import KEYS

        with single_keys(sys.stdin) as pressed:
            keyboard = None
            if pressed is not None:
                keyboard = Keyboard(pressed, typing=bool(self._typed), on_clear=self._collector.clear_plots)
            # Typed readings may also come over a pipe.
            lines = Lines(sys.stdin) if keyboard is None else None
            keys = (KEYS if self._typed else KEYS.rpartition("   ")[0]) if lines is None else "Ctrl-C stop"
            with Screen(self._ctx.console, keys=keys) as screen:
                next_s = time.monotonic()
                while not (keyboard is not None and keyboard.stop) and not self._time_is_up():
                    next_s = max(next_s + 1 / MAX_HZ, time.monotonic())
                    entry = None if keyboard is None else keyboard.entry
                    screen.show(
                        self.picture("" if entry is None else self._prompt(entry)),
                        explained=keyboard is not None and keyboard.explained,
                    )
                    self._take_typed(keyboard, lines, max(0.0, next_s - time.monotonic()))
        return self.picture()

    def _take_typed(self, keyboard: Keyboard | None, lines: Lines | None, for_s: float) -> None:
        """Wait for a time, or until a reading is typed, and record it."""
        typed: Iterable[str] = ()
        if keyboard is not None:
            typed = keyboard.entries(for_s)
        elif lines is not None and not lines.ended:
            typed = lines.take(for_s)
        else:
            time.sleep(for_s)
        for k, line in enumerate(typed):
            if k == 0:
                self._remarks.clear()
            self._typed_in(line)

    def _prompt(self, entry: str) -> str:
        form = "like 27.8 V ac" if len(self._typed) == 1 else f"like {self._typed[-1]}=27.8 V ac"
        whose = f"{self._typed[0]} shows" if len(self._typed) == 1 else "reading"
        return f"{whose}: {entry}_   ({form}; Enter saves, Esc cancels)"

    def _follow_plain(self) -> Snapshot:
        from benchlog.dashboard.plain import Changes

        changes, printed = Changes(), 0

        def report() -> Snapshot:
            nonlocal printed
            snapshot = self.picture()
            lines = [*changes.lines(snapshot), *self._remarks]
            printed += len(lines)
            self._say(lines)
            self._remarks.clear()
            return snapshot

        for _ in self._turns():
            report()
        last = report()
        if not printed:  # stopped before the first line was due
            statuses = self._recorder.statuses() if self._recorder is not None else ()
            self._say(
                [f"{s.instrument}: {s.error or 'no reading came'}" for s in statuses] or ["no reading came"]
            )
        return last

    def _follow_json(self) -> Snapshot:
        next_s = time.monotonic() + 1.0

        def report(snapshot: Snapshot) -> Snapshot:
            note = "; ".join(self._remarks)
            self._ctx.print_json(snapshot.to_json() | ({"note": note} if note else {}))
            self._remarks.clear()
            return snapshot

        for _ in self._turns():
            before = set(self._doubts)
            snapshot = self.picture()
            if time.monotonic() >= next_s or set(self._doubts) != before:
                next_s = time.monotonic() + 1.0
                report(snapshot)
        return report(self.picture())

    def _turns(self) -> Iterator[None]:
        """Yield every quarter second until the end, and take lines from standard input in between."""
        lines = Lines(sys.stdin)
        while not self._time_is_up():
            if lines.ended:
                if self._recorder is None:
                    break  # end of input
                time.sleep(0.25)
            for line in lines.take(0.25):
                if line == "q":
                    return
                self._typed_in(line)
            yield

    def _say(self, lines: Iterator[str] | Sequence[str]) -> None:
        from benchlog.dashboard.live import needs_ascii
        from benchlog.dashboard.view import to_ascii

        console = self._ctx.console
        for line in lines:
            shown = to_ascii(line) if needs_ascii(console) else line
            # Lines on a pipe are never cut.
            console.print(shown, markup=False, highlight=False, soft_wrap=not console.is_terminal)
        console.file.flush()

    def _typed_in(self, line: str) -> None:
        """Record a typed reading ``TAG=27.8 V ac`` like any other."""
        tag, equals, text = (part.strip() for part in line.partition("="))
        if not equals and len(self._typed) == 1:
            tag, text = self._typed[0], line
        try:
            if not tag or not text:
                known = " or ".join(f"{t}=27.8 V ac" for t in self._typed[:2])
                raise UsageError("which meter shows it?", hint=f"write it like {known or 'TAG=27.8 V ac'}")
            if tag not in self._typed:
                known = ", ".join(self._typed) or "none: name it as INSTRUMENT or in a --group"
                raise UsageError(f"{tag!r} is not a typed meter", hint=f"typed meters: {known}")
            try:
                shown = parse_displayed(text, instrument=tag)
            except UsageError:
                function = self._collector.function(
                    tag
                )  # a number without unit has the function of the last one
                if function is None:
                    raise
                shown = parse_displayed(text, function, instrument=tag)
            clock = self._ctx.clock
            reading = shown.stamped(tag, clock.utc_ns(), clock.monotonic_ns())
        except UsageError as error:
            why = str(error).removeprefix("reading: ")
            complaint = f"not recorded: {line!r}: {why}" + (f"; {error.hint}" if error.hint else "")
            self._remarks.append(complaint)
            return
        if digits := self._ctx.bench().other_digits(reading):
            self._remarks.append(f"{digits}: type all of them")
        if self._ctx.recording:
            ref = self._book.append_readings([reading])
            self._collector.take(reading)
            self._collector.committed(ref, [reading])
        else:
            self._collector.take(reading)

    def finish(self, last: Snapshot) -> None:
        """Print a summary after the full screen has closed."""
        from benchlog.dashboard.live import can_show
        from benchlog.dashboard.plain import summary

        if self._args.once or self._ctx.json:
            return
        if can_show(self._ctx.console) and not self._args.plain:
            lines = [summary(last), *(f"{s.who}: {s.kind.value}. {s.reason}" for s in last.suspects)]
        else:
            lines = [f"at the end, {group.undecided}" for group in last.groups if group.undecided]
        if self._ctx.recording:
            saved = self.picture().health.written
            lines.append(f"{saved} reading{'s' if saved != 1 else ''} saved in {self._ctx.logbook_path}")
        self._say(lines)
