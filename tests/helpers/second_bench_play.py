"""A diagnosis played on the second bench: the engine asks, the person there acts, until it stops."""

from __future__ import annotations

from dataclasses import dataclass

from helpers.second_bench import SecondBench

from benchlog.diagnosis import Case, Session, parse_evidence

MOST_CHECKS = 12


@dataclass(frozen=True)
class Played:
    """How a diagnosis of the second bench ended: at the first stop, and after what was decided was read again."""

    kind: str
    faults: tuple[str, ...]
    named: str
    claimed: float
    minutes: float
    stop: str | None
    live: bool
    p_live: float
    unproven_part: bool
    decided: tuple[str, ...]
    confirmed: bool
    path: tuple[tuple[str, str], ...]

    @property
    def right(self) -> bool:
        """Whether what was named first is one of the faults."""
        return self.named in self.faults


def _follow(session: Session, bench: SecondBench) -> float:
    """Do what is asked until the engine stops; minutes it took."""
    minutes = 0.0
    for _ in range(MOST_CHECKS):
        state = session.state()
        if state.stop:
            break
        check = state.next[0]
        minutes += check.minutes
        session.update(parse_evidence((check.action, bench.act(check.action))))
    return minutes


def play(bench: SecondBench, first: str, *, rounds: int = 3) -> Played:
    """Let the engine ask and the bench answer until it stops; then read again, as often as it decides."""
    case = Case.from_text(
        bench.expect, first, instrument="scope" if bench.kind == "scope" else "meter",
        frequency=f"{bench.source.hertz:.5g} Hz" if bench.source.hertz != 50.0 else "",
    )  # fmt: skip
    live = bench.source.live
    session = Session(case)
    minutes = _follow(session, bench)
    end = session.state()
    top, decided = end.causes[0], []
    for _ in range(rounds):
        state = session.state()
        if state.stop != "decided":
            break
        named = state.causes[0]
        if named.id not in decided:
            decided.append(named.id)
        if state.confirmed:
            break
        again = bench.read_again(named.id, named.family)
        session.update(parse_evidence(("reading_again", again)))
        _follow(session, bench)
    return Played(
        bench.kind, bench.faults, top.id, top.probability, minutes, end.stop, live, end.p_live,
        end.stop == "decided" and top.family == "part" and not end.proven, tuple(decided), session.state().confirmed,
        (("expect", bench.expect), ("first", first), *bench.path),
    )  # fmt: skip
