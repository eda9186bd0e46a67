"""Release of a hold point, by its rule or by a concession with a reason."""

from __future__ import annotations

from benchlog.errors import HoldRefusedError, UsageError
from benchlog.logbook import Logbook
from benchlog.logbook.chain import EntryRef
from benchlog.plan import Hold, Plan
from benchlog.project.state import HoldState, ProjectState, read_state


def release_hold(
    plan: Plan,
    book: Logbook,
    hold_id: str,
    now_utc_ns: int,
    *,
    concession: str | None = None,
    by: str = "",
    practice: bool | None = None,
) -> tuple[EntryRef, HoldState]:
    """Release a hold point and record the release with its evidence.

    Parameters
    ----------
    plan, book
        Requirements, and evidence.
    concession : str, optional
        A typed reason; releases although evidence is missing.
    by : str
        Who releases.
    practice : bool, optional
        As `benchlog.project.state.project_state` takes it; a release in practice is marked.

    Returns
    -------
    ref : EntryRef
    word : str
        ``"released"`` or ``"released by concession"``.

    Raises
    ------
    HoldRefusedError
        If evidence is missing and no reason is given; the message lists each thing missing.
    UsageError
        If a concession has no proper reason or is not needed, or the hold point is already released on the same results.
    """
    hold = plan.hold(hold_id)
    state = read_state(plan, book, now_utc_ns, practice=practice)
    status = state.holds[hold_id]
    if status.state in (HoldState.TAKEN, HoldState.TAKEN_RECALLED):
        raise UsageError(f"{hold_id} was released and its step taken already (entry {_seq(status.entry)})")
    body = _body(hold, state, by, practice)
    if (
        status.state is HoldState.RELEASED
        and status.entry is not None
        and status.entry.body.get("rests_on") == body["rests_on"]
    ):
        raise UsageError(
            f"{hold_id} is released already (entry {_seq(status.entry)}); nothing was written",
            hint="--taken records that its step was done",
        )
    if not status.missing:
        if concession is not None:
            raise UsageError(
                f"{hold_id} needs no concession: its checks have passed", hint="leave --concession out"
            )
        return book.append("release", body), HoldState.RELEASED
    if concession is None:
        raise HoldRefusedError(
            f"{hold_id} is not released; don't do its step yet ({hold.step})",
            status.missing,
            hint='do what is missing; --concession "reason" overrides the hold, and the reason is printed on the certificate',
        )
    if len(concession.split()) < 2:
        raise UsageError(
            "a concession needs a reason of two words or more", hint='--concession "why the risk is accepted"'
        )
    return book.append("concession", {**body, "reason": concession, "missing": list(status.missing)}), (
        HoldState.CONCESSION
    )


def take_step(
    plan: Plan, book: Logbook, hold_id: str, now_utc_ns: int, *, by: str = "", practice: bool | None = None
) -> EntryRef:
    """Record that the step behind a released hold point was taken.

    Raises
    ------
    HoldRefusedError
        If it is not released.
    """
    hold = plan.hold(hold_id)
    state = read_state(plan, book, now_utc_ns, practice=practice)
    status = state.holds[hold_id]
    if status.state in (HoldState.TAKEN, HoldState.TAKEN_RECALLED):
        raise UsageError(f"{hold_id}: its step is already marked as taken (entry {_seq(status.entry)})")
    if status.state not in (HoldState.RELEASED, HoldState.CONCESSION):
        raise HoldRefusedError(
            f"{hold_id} is {status.state.words}; don't do its step yet ({hold.step})",
            status.missing,
            hint=f"release it first: benchlog release {plan.path} {hold_id}",
        )
    return book.append("step", _body(hold, state, by, practice))


def _body(hold: Hold, state: ProjectState, by: str, practice: bool | None) -> dict[str, object]:
    """What a release and a step record alike."""
    body: dict[str, object] = {
        "hold": hold.id,
        "step": hold.step,
        "by": by,
        "rests_on": _evidence(state, hold.needs),
    }
    return body | {"practice": True} if practice else body


def _evidence(state: ProjectState, needs: tuple[str, ...]) -> list[dict[str, object]]:
    found = []
    for check_id in needs:
        entry = state.checks[check_id].entry
        if entry is not None:
            found.append({"check_id": check_id, "entry": entry.seq, "digest": entry.digest})
    return found


def _seq(entry: object) -> object:
    return getattr(entry, "seq", "?")
