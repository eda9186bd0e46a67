"""Questions of the one-shot commands, called without options on a terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from benchlog.cli import answers
from benchlog.cli.answers import Answers


@dataclass(frozen=True, slots=True)
class Question:
    """One question about a check."""

    name: str  #: Name of its answer in `Answers`.
    text: str  #: The question.
    example: str | Callable[[Answers], str]  #: A valid answer.
    check: Callable[[str, Answers], str]  #: See `benchlog.cli.answers`.
    option: str = ""  #: Option for the answer; empty if only other questions need it.
    of: str = ""  #: Name of the question whose answer comes before this one, as in ``--reading MA-01=...``.
    without: str = ""  #: Meaning of Enter alone; empty if an answer is needed.
    default: str = ""  #: Answer for Enter alone.
    kept: str = ""  #: Option that keeps a doubtful answer.
    #: The answer if known from earlier ones, empty if none is needed, None if it must be asked for.
    settled: Callable[[Answers], str | None] = lambda given: None


_ACCURACY = "Accuracy from the meter's manual: percent of reading + counts"
_SAME_POINTS = "What does it show, on the same two points?"
_UNKNOWN = "Enter if you don't know: a wide one is assumed"


_METER = Question(
    "meter", "Which meter of your bench file do you use?", lambda given: " or ".join(given.meters), answers.meter,
    "--meter", without="Enter if it is another", settled=answers.no_meters,
)  # fmt: skip


def _names_and_displays() -> Iterator[Question]:
    """Name and display of each meter of a cross-check; the third may be left out."""
    first, second, third = answers.METERS
    yield Question(
        "first",
        "What do you call the first meter?",
        answers.tag(0, "MA-01"),
        answers.name,
        without="Enter calls it A",
        default="A",
    )
    yield Question(
        "first shown",
        "What does it show?",
        "27.75 V ac",
        answers.any_display,
        "--reading",
        of=first,
        kept="--as-read",
    )
    yield Question(
        "second",
        "What do you call the second meter?",
        answers.tag(1, "MB-02"),
        answers.name,
        without="Enter calls it B",
        default="B",
    )
    yield Question(
        "second shown",
        _SAME_POINTS,
        "27.9 V ac",
        answers.same_points(second),
        "--reading",
        of=second,
        kept="--as-read",
    )
    yield Question(
        "third",
        "Three meters can show which of them is wrong. What do you call a third one, if you have it?",
        answers.tag(2, "C"),
        answers.name,
        without="Enter if you have none",
    )
    yield Question(
        "third shown",
        _SAME_POINTS,
        "27.8 V ac",
        answers.same_points(third),
        "--reading",
        of=third,
        kept="--as-read",
        settled=answers.without(third),
    )


#: Questions of each command, called without options on a terminal.
QUESTIONS: Mapping[str, Sequence[Question]] = {
    "supply": (
        Question("nameplate",
            "Mains is inside: keep the case closed, attach clips with the plug out.\nWhat is printed on the supply?", "24 V ac 40 VA", answers.nameplate, "--nameplate"),
        Question(
            "regulation", "Is its output regulated or unregulated? (Light ones with a wide input range are regulated.)", "regulated",
            answers.regulation, "--regulation", without="Enter if you don't know", settled=answers.regulation_known,
        ),
        _METER,
        Question(
            "reading", "What does your meter show at its output, nothing connected?",
            answers.output_example, answers.supply_reading, "--reading", kept="--as-read",
        ),
        Question("accuracy", _ACCURACY, "1 % + 5", answers.accuracy, "--accuracy", without=_UNKNOWN, settled=answers.bench_meter),
        Question(
            "mains", "What does a plug-in mains monitor show, in the same minute?", "229 V", answers.mains, "--mains",
            without="Enter if you have none",
        ),
    ),
    "diagnose": (
        Question("expect", "What should the meter show?", "27 V ac", answers.case, "--expect"),
        Question("reading", "What does it show?", "0.003 V ac", answers.shown, "--reading"),
    ),
    "continuity": (
        _METER,
        Question(
            "reading", "Unplug the part and discharge it first.\nWhat does your meter show?", "0.4 ohm", answers.ohms,
            "--reading", kept="--as-read",
        ),
        Question(
            "null", "And with the tips of its leads pressed together?", "0.2 ohm", answers.lead_null, "--lead-null",
            without="Enter if you did not measure that",
        ),
        Question("max", "Highest resistance that is still good?", "1 ohm", answers.limit, "--max"),
        Question("accuracy", _ACCURACY, "0.8 % + 3", answers.accuracy, "--accuracy", without=_UNKNOWN, settled=answers.bench_meter),
    ),
    "ratio": (
        Question(
            "capture",
            "The generator drives the winding. One channel is on the winding, the other on a separate loop of one turn.\n"
            "Which file did the scope save? (both channels in it)", "ct1.csv", answers.two_channels, "--capture",
        ),
        Question("expect", "How many turns should the winding have?", "60", answers.turns, "--expect"),
        Question(
            "primary", "Which channel was on the one-turn loop?", answers.channels,
            answers.primary, "--primary",
        ),
        Question(
            "secondary", "Which channel was on the winding that the generator drives?",
            answers.channels, answers.secondary, "--secondary", settled=answers.other_channel,
        ),
        Question(
            "divider",
            "The winding's channel shows far less than that many turns would give.\nIs there a divider before it? Which one, as it was built?",
            "100:1", answers.divider, "--divider", without="Enter if there is none", settled=answers.no_divider,
        ),
        Question(
            "tolerance", "How exact is the divider? (Two resistors of 0.1 % make 0.2 %.)", "0.2 %", answers.share,
            "--divider-tolerance", without="Enter if you don't know: 2 % is assumed", settled=answers.not_divided,
        ),
        Question(
            "swapped", "And a second file, with the two probes swapped? (cancels their gain errors)", "ct1_swapped.csv",
            answers.swapped, "--swapped", without="Enter if you have none",
        ),
    ),
    "crosscheck": (
        *_names_and_displays(),
        *(
            Question(f"{which} accuracy", f"{which.capitalize()} meter. {_ACCURACY}", "1 % + 5", answers.accuracy,
                "--accuracy", of=which, without=_UNKNOWN, settled=answers.of_bench(which))
            for which in answers.METERS
        ),
    ),
}  # fmt: skip
