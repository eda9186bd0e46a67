"""Asks the questions of a one-shot command, and shows the full command at the end."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Sequence

from benchlog.cli.answers import Answers
from benchlog.cli.context import default_bench
from benchlog.cli.questions import QUESTIONS, Question
from benchlog.errors import BenchlogError, UsageError
from benchlog.folding import folded_command, terminal_columns

Read = Callable[[str], str]
Show = Callable[[str], object]


def ask(given: Sequence[str], read: Read = input, show: Show = print) -> list[str]:
    """Ask a command's questions; returns the arguments as typed on a command line.

    Parameters
    ----------
    given : sequence of str
        The command, one of `QUESTIONS`, and options that are not asked for.
    read : callable
        Shows a text and returns the line typed.
    show : callable
        Shows a line.

    Raises
    ------
    UsageError
        If the input ends too early.
    """
    words, command = list(given), given[0]
    show(f"benchlog {command} --help lists all options. Ctrl-C stops.")
    answers, insisting = Answers(default_bench()), list[str]()
    for question in QUESTIONS[command]:
        answer, doubted = question.settled(answers), False
        if answer is None:
            try:
                answer, doubted = _answer(question, answers, read, show)
            except EOFError:
                raise UsageError(
                    "the input ended before all questions were answered", hint=f"benchlog {command} --help"
                ) from None
        answers.given[question.name] = answer
        if answer and question.option:
            before = f"{answers.given[question.of]}=" if question.of else ""
            words += [question.option, before + answer]
        insisting += [question.kept] if doubted and question.kept else []
    words += dict.fromkeys(insisting)
    line = folded_command(f"benchlog {shlex.join(words)}", terminal_columns())
    show("\n".join(["The same without questions:", *line, ""]))
    return words


def _answer(question: Question, answers: Answers, read: Read, show: Show) -> tuple[str, bool]:
    """Ask until there is an answer that can be used; returns it, and whether it was kept in spite of a doubt."""
    example = question.example if isinstance(question.example, str) else question.example(answers)
    without = f"; {question.without}" if question.without else ""
    doubted = ""
    show(f"{question.text}\n  e.g. {example}{without}")
    while True:
        answer = read("> ").strip() or question.default
        if not answer:
            if question.without:
                return "", False
            show("  This answer is needed.")
            continue
        if answer == doubted:
            return answer, True
        try:
            doubt = question.check(answer, answers)
        except BenchlogError as error:
            show(f"  {error.message}{f': {error.hint}' if error.hint else ''}")
            continue
        if not doubt:
            return answer, False
        show(f"  {doubt}\n  Correct it, or type the same again to keep it.")
        doubted = answer
