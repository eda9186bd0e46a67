"""A diagnosis with a person: ask for the next check, take its outcome, show the likely causes, and repeat.

`benchlog diagnose` and a guided run differ only in how a check is done: the first asks for the outcome, the second also
reads the meter.
"""

from __future__ import annotations

import dataclasses
import textwrap
from collections.abc import Callable, Iterator
from typing import Any

from benchlog.diagnosis import Diagnosis, Evidence, NextCheck, RankedCause, Session
from benchlog.diagnosis.answer import HAZARD, NOTHING_FITS
from benchlog.errors import UsageError
from benchlog.folding import folded_line
from benchlog.guide.dialogue import Dialogue, SkippedError, TakenBackError
from benchlog.guide.person import DANGER, InputEndedError, Prompt
from benchlog.guide.prompt_keys import question_text
from benchlog.metrology.conformity import whole_percent

_ROWS = 6
_PAIR_SHOWN = 0.1  # a less likely pair is not shown
_NARROW = 60
_NAMED = 4  # most remaining causes that are named
_BARS = ((76, 24), (56, 10))
"""Each cause has a bar of this many characters if the screen has at least this many columns."""


class Inquiry:
    """Asks for one check after another.

    Parameters
    ----------
    session : Session
        The engine's side.
    perform : callable
        Has a check done; returns its action, which may be another one, and its outcome. Raises `SkippedError` if the check
        can't be done.
    taken_back : callable, optional
        Called before the last outcome is withdrawn; returns whether that is allowed.
    rows : int
        Number of causes shown.
    """

    def __init__(
        self,
        session: Session,
        dialogue: Dialogue,
        perform: Callable[[NextCheck], tuple[str, str]],
        *,
        taken_back: Callable[[], bool] = lambda: True,
        rows: int = _ROWS,
    ) -> None:
        self.session = session
        self.dialogue = dialogue
        self.perform = perform
        self.taken_back = taken_back
        self.rows = rows
        self._shown = False

    def go_on(self, *, most: int | None = None, confirm: bool = False) -> Diagnosis:
        """Ask for checks until it is decided, or nothing more can be done.

        Parameters
        ----------
        most : int, optional
            Most checks to ask for.
        confirm : bool
            Also ask for the reading that confirms the cause.

        Raises
        ------
        StoppedError
            If the user wants to stop.
        """
        try:
            return self._until_it_ends(most, confirm=confirm)
        finally:
            self.dialogue.person.keep_in_view(())

    def _until_it_ends(self, most: int | None, *, confirm: bool) -> Diagnosis:
        left_out: set[str] = set()
        done = 0
        self.show()
        with self.dialogue.going_back(self._take_back, reasons=False) as level:
            while most is None or done < most:
                check = self._next(left_out, confirm=confirm)
                if check is None:
                    break
                try:
                    evidence = self.session.answer(*self.perform(check))
                    self.session.update(evidence)
                    done += 1
                    self.show()
                    if self._slipped(evidence) and self._take_back():
                        self.show()
                except SkippedError as reason:
                    left_out.add(check.action)
                    if str(reason):
                        self.dialogue.person.show(f"  skipped: {reason}")
                except InputEndedError:
                    raise
                except UsageError as error:
                    words = f"{error.message}; {error.hint}" if error.hint else error.message
                    self.dialogue.person.show(f"  not taken: {words.replace('_', ' ')}")
                except TakenBackError as back:
                    if back.level is not level:
                        raise  # the reading that is examined was withdrawn itself
                    self.show()
        return self.session.state()

    def _slipped(self, evidence: Evidence) -> bool:
        """If nothing fits any more, ask whether the last answer was a slip; there is no further check to ask for."""
        if self.session.state().stop != NOTHING_FITS or not self.dialogue.person.interactive:
            return False
        question = f"'{evidence.text}' and the earlier answers fit neither one fault nor two. Withdraw this answer? (n ends the diagnosis)"
        return self.dialogue.confirm(question, f"{evidence.action}/fits")

    def show(self) -> None:
        """Show the causes that are likely now."""
        for line, style in self._fitting(brief=self._shown, explained=False):
            self.dialogue.person.show(line, style=style)
        self.dialogue.person.keep_in_view(self._fitting(brief=True, explained=True))
        self._shown = True

    def _fitting(self, *, brief: bool, explained: bool) -> list[tuple[str, str]]:
        """The state, with as many causes as leave room on the screen for the question that follows."""
        person, state = self.dialogue.person, self.session.state()
        asked = ""
        for check in state.next[:1]:
            prompt = choice_prompt(self.session, check, check.action) or Prompt("hookup", card_text(check))
            asked = question_text(prompt, person.columns, keys=True, explained=explained)
        room = person.height - len(asked.splitlines()) - 1
        lines = []
        for rows in range(self.rows, 0, -1):
            lines = list(state_lines(state, person.columns, rows, brief=brief))
            if sum(len(folded_line(line, person.columns).splitlines()) for line, _ in lines) <= room:
                break
        return lines

    def _next(self, left_out: set[str], *, confirm: bool) -> NextCheck | None:
        state = self.session.state()
        again: tuple[NextCheck, ...] = ()
        if confirm and state.read_again is not None:
            card = f"Most likely {state.causes[0].label}. {state.read_again.card}"
            again = (dataclasses.replace(state.read_again, card=card),)
        return next((n for n in (*state.next, *again) if n.action not in left_out), None)

    def _take_back(self) -> bool | None:
        if not self.session.done:
            return None
        if not self.taken_back():
            return False
        last = self.session.undo()
        assert last is not None
        self.dialogue.person.show(f"  withdrawn: {last.action.replace('_', ' ')}, {last.text}")
        return True


def recorded(session: Session, reading: str) -> dict[str, Any]:
    """What the record keeps of a diagnosis: what it began with, each check with its answer, what came out."""
    case = session.case
    return {
        "expect": case.expect.text,
        "reading": reading,
        "context": list(case.context),
        "path": [[e.action, e.text] for e in session.done],
        **session.state().to_json(),
    }


def card_text(check: NextCheck) -> str:
    """What to do next, and how long it takes."""
    return f"Next ({minutes_in_words(check.minutes)}): {check.card}"


def choice_prompt(session: Session, check: NextCheck, key: str, instrument: str = "") -> Prompt | None:
    """The question for a check that is answered by words; None for one that is read."""
    words = session.catalogue.actions[check.action].words
    meanings = session.catalogue.meanings_of(words)
    return (
        Prompt("choice", card_text(check), key, instrument, choices=words, meanings=meanings)
        if words
        else None
    )


def several_seen(dialogue: Dialogue, prompt: Prompt, answer: str) -> str:
    """Ask somebody who saw one thing for what else is seen, until it is nothing; returns all of it, with commas.

    Of two answers only one can be true, and the first of many says that there is nothing to see.
    """
    seen, rest = [answer], [word for word in prompt.choices[1:] if word != answer]
    if not dialogue.person.interactive or answer not in prompt.choices[1:]:
        return answer
    meanings = dict(zip(prompt.choices, prompt.meanings, strict=False))
    while len(prompt.choices) > 2 and rest:
        choices = ("nothing else", *rest)
        told = tuple(meanings.get(word, "") for word in choices)
        text = f"{', '.join(seen)}. What else is there?"
        try:
            more = dialogue.choose(
                Prompt("choice", text, f"{prompt.key}/else", choices=choices, meanings=told)
            )
        except SkippedError:
            break
        if more == choices[0]:
            break
        seen.append(more)
        rest.remove(more)
    return ", ".join(seen)


def state_lines(
    state: Diagnosis, columns: int, rows: int = _ROWS, *, brief: bool = False
) -> Iterator[tuple[str, str]]:
    """Yield lines with the state of a diagnosis, each with its style.

    Parameters
    ----------
    columns : int
        Width of the screen.
    rows : int
        Number of causes shown; unlikely ones are left out.
    brief : bool
        The cautions were shown before: only remind of them.
    """
    if HAZARD in state.cautions:
        yield f"  ! {HAZARD}", DANGER
    yield from ((line, "") for line in _likely_lines(state, columns, rows))
    wide = columns >= _NARROW
    live = f"  {'chance that the output is live' if wide else 'output live'}: {whole_percent(state.p_live)}"
    if brief:
        yield f"{live}; treat it as live", DANGER
        return
    unproven = "; the meter is not yet proven on a known source" if wide else "; meter not proven"
    yield f"{live}{'' if state.proven else unproven}", DANGER
    for caution in state.cautions:
        if caution != HAZARD:
            yield f"  ! {caution}", DANGER


def _likely_lines(state: Diagnosis, columns: int, rows: int) -> Iterator[str]:
    """The likely causes, faults already fixed, and the likeliest pair."""
    names = {c.id: c.label for c in state.causes}
    # A ranking of causes that don't fit would mislead.
    causes = () if state.stop == NOTHING_FITS else state.causes[:rows]
    for cause in causes:
        if cause.probability >= 0.005:
            yield from _cause_lines(cause, columns)
    if sum(cause.probability for cause in causes) > 1.02:
        yield "  (the sum exceeds 100 %, since two causes can be present at once)"
    for name in state.put_right:
        yield f"  already fixed: {names.get(name, name)}"
    for name in state.unchanged:
        yield f"  still the same reading: either this was not fixed, or it is not the cause: {names.get(name, name)}"
    if causes and state.pairs and state.pairs[0].probability >= _PAIR_SHOWN:
        one, other = (names.get(c, c) for c in state.pairs[0].causes)
        yield f"  both at once: {one}, and {other} ({whole_percent(state.pairs[0].probability)})"


def _cause_lines(cause: RankedCause, columns: int) -> Iterator[str]:
    """A cause with its probability and family, and a bar if there is room."""
    bar = next((length for least, length in _BARS if columns >= least), 0)
    filled = round(cause.probability * bar)
    drawn = "█" * filled + "·" * (bar - filled) + "  " if bar else ""
    head = f"  {drawn}{whole_percent(cause.probability):>6}  "
    label = f"{cause.label} ({cause.family})" if cause.family != "none" else cause.label
    for number, line in enumerate(textwrap.wrap(label, max(columns - len(head), 16))):
        yield (" " * len(head) if number else head) + line


def minutes_in_words(minutes: float) -> str:
    """Write a time in everyday units.

    >>> [minutes_in_words(m) for m in (0.2, 0.5, 1.0, 1.5, 4.0)]
    ['a few seconds', 'half a minute', 'a minute', '1.5 minutes', '4 minutes']
    """
    if minutes < 0.25:
        return "a few seconds"
    if minutes < 0.8:
        return "half a minute"
    return "a minute" if minutes < 1.25 else f"{minutes:g} minutes"


def survivors_in_words(state: Diagnosis) -> str:
    """The most likely remaining causes, and the number of others."""
    names = {c.id: c.label for c in state.causes}
    more = len(state.survivors) - _NAMED
    return " or ".join(names[name] for name in state.survivors[:_NAMED]) + (
        f" (or one of {more} less likely causes)" if more > 0 else ""
    )


def ending(state: Diagnosis, meter: str = "METER") -> str:
    """Say how a diagnosis ended, and what to do next."""
    if state.stop == "decided":
        top, again = state.causes[0], state.read_again
        lines = [f"{'confirmed' if state.confirmed else 'decided'}: {top.label}"]
        if again is not None:
            lines.append(f"To confirm it: {again.card.rstrip('.')}")
        if top.family == "meter":
            recall = f'benchlog recall {meter} --reason "{top.label}"'
            lines.append(
                f"{'If it is confirmed, recall' if again else 'Recall'} results that used it: {recall}"
            )
        return ". ".join(lines)
    if state.stop == NOTHING_FITS:
        return (
            "neither one cause nor two fit the answers: more than two faults, or a slip. Withdraw the last answer, or start "
            "again from what you found."
        )
    if state.stop is None and HAZARD in state.cautions:
        return "A lead may be in the current jack: power off and look, then go on with the diagnosis."
    left = survivors_in_words(state)
    if state.stop is None:
        return f"not decided: {left}"
    if state.meter_at_fault:
        return (
            f"the meter is at fault: {left}. Use another meter. "
            f'Recall results that used it: benchlog recall {meter} --reason "{state.causes[0].label}, or alike"'
        )
    return (
        f"no further check distinguishes: {left}. Compare dimensions, mass or winding resistance with the data sheet, "
        "feel for warmth at idle, or try another part of the same kind"
    )
