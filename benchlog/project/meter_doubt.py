"""Rules for when an instrument or reference part is in doubt, at any entry of the record.

Pure: entries of `DOUBT_KINDS` in, doubts out. The rules:

- a failing check standard, a recall by hand, or a diagnosis that found the meter or its lead bad, opens a doubt about
  every function that shares the failed reference;
- a later pass ends it: on the same standard, on another one of the same function in another round, or as left (after
  a new battery or an adjustment) on any function that shares the reference. A pass within minutes of a fail does not
  end it: a frozen display passes wherever its digits happen to fit;
- a repair ends other doubts: scopes, dividers and resistors have no check standard. A meter that failed its standard
  stays in doubt until it passes; after a repair a pass on any function that shares the reference is enough;
- undoing the recall, or superseding the failing reading, removes the doubt as if it had never existed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

import msgspec

from benchlog.finding import Finding, FindingKind, unique
from benchlog.logbook.chain import Entry
from benchlog.project.old_budgets import with_influences
from benchlog.project.provenance import Blamed, measured_with, shares
from benchlog.reading import Function
from benchlog.result import Result, Verdict

#: Kinds of entries that decide whether a meter can be trusted.
DOUBT_KINDS = ("standard", "recall", "recall undone", "supersede", "repair", "found bad")
#: The same, and results: a cross-check among them shows that meters agree.
EVIDENCE_KINDS = (*DOUBT_KINDS, "result")
#: Check standards read within this time belong to one round (judgement: minutes, not hours).
ROUND_NS = 30 * 60 * 1_000_000_000


class Doubt(Blamed, frozen=True):
    """Why an instrument, or the stated value of a reference part, can't be trusted.

    Attributes
    ----------
    instrument, function, channel, range_max
        See `Blamed`.
    """

    standard: str = ""  #: Check standard it failed on; empty if it was found bad in another way.
    entry: int = 0  #: Entry that opened the doubt.
    time: str = ""
    utc_ns: int = 0  #: When.
    until: int | None = None  #: Entry of the pass or the repair that ended it.
    passed_on: str = ""  #: The only check standard it passed on, which was itself found wrong.
    cause: str = ""  #: What a diagnosis found, in words.
    repaired: bool = False  #: Repaired since, but not checked since.

    @property
    def happened(self) -> str:
        """What happened to the meter, as a phrase: failed its check standard, or was found bad."""
        if self.passed_on:
            return f"passed only on {self.passed_on}, which was found wrong"
        if self.cause:
            return f"was found bad ({self.cause})"
        if self.standard:
            return "failed its check standard" + (", repaired but not checked since" if self.repaired else "")
        return "was found bad"

    @property
    def reason(self) -> str:
        """What is wrong with a result measured during the doubt."""
        return f"measured with {self.instrument} after it {self.happened} (entry {self.entry})"

    @property
    def caution(self) -> str:
        """Warning for the user, with the way out."""
        import shlex  # most projects have no doubt to word

        if self.standard or self.function in tuple(Function):
            way = (
                f'benchlog standard {self.instrument} {self.standard or "STANDARD"} "what it shows" --as-left'
            )
            ends = f"passes ({way})"
        else:
            ends = (
                f'is right again (benchlog recall {shlex.quote(self.instrument)} --repaired "what was done")'
            )
        return (
            f"{self.instrument} {self.happened} on {self.time[:10]}: its readings count as indeterminate "
            f"until it {ends}"
        )


def _taken_back(relevant: Sequence[Entry], failed: set[int]) -> set[int]:
    taken_back = {int(e.body["entry"]) for e in relevant if e.kind in ("recall undone", "supersede")}
    undone = [e for e in relevant if e.kind == "recall" and e.seq in taken_back]
    return taken_back | {int(e.body.get("to_entry", 0)) for e in undone} & failed


def says_nothing(entry: Entry) -> bool:
    """Whether it is a reading of a check standard with too few digits to tell anything."""
    return entry.kind == "standard" and entry.body.get("verdict") == Verdict.INDETERMINATE.value


class MeterDoubts:
    """All doubts of a record, ended ones too.

    Parameters
    ----------
    entries : iterable of Entry
        In order; kinds other than `DOUBT_KINDS` are ignored.
    """

    def __init__(self, entries: Iterable[Entry]) -> None:
        relevant = [e for e in entries if e.kind in DOUBT_KINDS]
        failed = {e.seq for e in relevant if e.kind == "standard" and e.body.get("verdict") == "fail"}
        #: Entries that were undone, and failed checks on a standard whose recall was undone.
        self.taken_back = _taken_back(relevant, failed)
        self._doubts: list[Doubt] = []
        for entry in relevant:
            if entry.seq in self.taken_back:
                continue
            if entry.kind == "standard":
                self._standard(entry)
            elif entry.kind == "repair":
                self._repair(entry)
            elif entry.kind == "found bad" or (
                entry.kind == "recall" and int(entry.body.get("to_entry", 0)) not in failed
            ):
                self._open(entry, "")

    def _end(self, entry: Entry, ends: Callable[[Entry, Doubt], bool]) -> None:
        self._doubts = [
            msgspec.structs.replace(d, until=entry.seq) if d.until is None and ends(entry, d) else d
            for d in self._doubts
        ]

    def _repair(self, entry: Entry) -> None:
        meter = str(entry.body["meter"])
        self._end(entry, lambda _, doubt: doubt.instrument == meter and not doubt.standard)
        self._doubts = [
            msgspec.structs.replace(d, repaired=True) if d.instrument == meter and d.until is None else d
            for d in self._doubts
        ]

    def _standard(self, entry: Entry) -> None:
        if entry.body.get("verdict") == "fail":
            self._open(entry, str(entry.body.get("standard", "")) or "STANDARD")
        elif entry.body.get("verdict") == "pass" and not self.of(str(entry.body.get("standard", ""))):
            self._end(entry, _ends)

    def _open(self, entry: Entry, standard: str) -> None:
        body = entry.body
        blamed = [(Blamed.from_body(body), "")]
        blamed += [
            (Blamed(str(m), str(f)), str(body["meter"]))
            for m, f in dict(body.get("passed_on_it", {})).items()
        ]
        for one, passed_on in blamed:
            self._doubts.append(
                Doubt(
                    one.instrument,
                    one.function,
                    one.channel,
                    one.range_max,
                    standard=standard,
                    entry=entry.seq,
                    time=entry.time,
                    utc_ns=entry.utc_ns,
                    passed_on=passed_on,
                    cause=str(body.get("cause", "")),
                )
            )

    def of(self, meter: str, function: str = "", *, at: int | None = None) -> Doubt | None:
        """The latest doubt about a meter that still applies.

        Parameters
        ----------
        function : str
            As in results, several separated by commas; empty: any.
        at : int, optional
            Entry at which the doubt applied; now by default.
        """
        used = [f.strip() for f in function.split(",") if f.strip()] or [""]
        return next(
            (
                doubt
                for doubt in self._held(at)
                if doubt.instrument == meter and any(shares(doubt.function, f) for f in used)
            ),
            None,
        )

    def _held(self, at: int | None) -> Iterator[Doubt]:
        """Doubts that apply at an entry (now by default), latest first."""
        for doubt in reversed(self._doubts):
            ended = doubt.until is not None and (at is None or doubt.until <= at)
            if not ended and (at is None or doubt.entry < at):
                yield doubt

    def before_end(self, thing: str, function: str, seq: int) -> bool:
        """Whether an entry lies before the end of a doubt about a thing in this function, and so can't be relied on."""
        return any(
            doubt.instrument == thing
            and shares(doubt.function, function)
            and (doubt.until is None or seq < doubt.until)
            for doubt in self._doubts
        )

    def behind(self, result: Result, *, at: int | None = None) -> tuple[Doubt, ...]:
        """The latest doubt about each instrument or part a result was measured with, at its entry; now by default."""
        held = list(self._held(at))
        if not held:
            return ()
        result = with_influences(result)
        found: dict[str, Doubt] = {}
        for doubt in held:
            if doubt.instrument not in found and measured_with(result, doubt):
                found[doubt.instrument] = doubt
        return tuple(found.values())

    def mended(self, thing: str, function: str) -> int:
        """Entry that last ended a doubt about a thing in this function; 0 if none did.

        A repair without a doubt, or of a doubt that was undone, says nothing of earlier results.
        """
        ends = [d.until or 0 for d in self._doubts if d.instrument == thing and shares(d.function, function)]
        return max(ends, default=0)

    @property
    def meters(self) -> tuple[str, ...]:
        """Tags of all instruments and reference parts that were ever in doubt."""
        return tuple(dict.fromkeys(d.instrument for d in self._doubts))


def _ends(passed: Entry, doubt: Doubt) -> bool:
    body = passed.body
    if str(body.get("meter")) != doubt.instrument:
        return False
    function = str(body.get("function", "V="))
    if body.get("as") == "left" or doubt.repaired:
        return shares(doubt.function, function)
    if function != doubt.function:
        return False
    same = not doubt.standard or str(body.get("standard", "")) in ("", doubt.standard)
    return same or passed.utc_ns - doubt.utc_ns > ROUND_NS


def compared_meters(entry: Entry) -> dict[str, str]:
    """Meters of a cross-check, with what each was set to; empty for any other entry."""
    if entry.kind != "result" or entry.body.get("check") != "crosscheck":
        return {}
    return {str(tag): str(function) for tag, function in dict(entry.body.get("functions", {})).items()}


def with_doubt(result: Result, doubts: Sequence[Doubt]) -> Result:
    """Make a result measured with meters in doubt indeterminate, with the way out as a finding.

    A failed comparison of meters stays failed: a bad meter makes them differ.
    """
    if not doubts:
        return result
    result = msgspec.structs.replace(
        result,
        findings=unique(
            (*(Finding(FindingKind.METER_IN_DOUBT, d.caution) for d in doubts), *result.findings)
        ),
    )
    stays = result.check == "crosscheck" and result.verdict is Verdict.FAIL
    if stays or result.verdict not in (Verdict.PASS, Verdict.FAIL):
        return result
    reason = f"{doubts[0].reason}; as read {result.verdict}: {result.reason}"
    return msgspec.structs.replace(
        result, verdict=Verdict.INDETERMINATE, reason=reason, conformance_probability=None
    )


def last_good(
    standards: Iterable[Entry],
    meter: str,
    function: str,
    *,
    failing: tuple[str, int] | None = None,
) -> Entry | None:
    """The last passed check of a meter that covers a function.

    Parameters
    ----------
    standards : iterable of Entry
        Of kind ``standard``, in order.
    failing : tuple of (str, int), optional
        Standard and time (UTC, ns) of a failing reading not among them.

    Notes
    -----
    A pass counts for all functions that share its reference, unless another standard of that reference failed in the same
    round and the meter was not serviced after it (as left).
    """
    mine = [
        e for e in standards if e.body["meter"] == meter and shares(function, str(e.body.get("function", "")))
    ]
    fails = [(str(e.body.get("standard")), e.utc_ns) for e in mine if e.body["verdict"] == "fail"]
    fails += [failing] if failing is not None else []
    for entry in reversed(mine):
        if entry.body["verdict"] != "pass":
            continue
        own, left = str(entry.body.get("standard")), entry.body.get("as") == "left"
        if not any(
            standard != own
            and abs(utc_ns - entry.utc_ns) <= ROUND_NS
            and not (left and utc_ns <= entry.utc_ns)
            for standard, utc_ns in fails
        ):
            return entry
    return None
