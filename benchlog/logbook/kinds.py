"""Kinds of entries and the fields that each body must have. They are checked before writing and after reading, so that
a malformed entry gives a clear error and breaks nothing later. Bodies may have more fields."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, cast

import msgspec

from benchlog.reading import Function

#: These entries also fill tables, so only the logbook's own methods may write them.
OWN_KINDS = frozenset(
    {
        "logbook",
        "migration",
        "clock",
        "channel",
        "readings",
        "capture",
        "attachment",
        "result",
        "supersede",
        "session begin",
        "session resume",
        "session end",
    }
)
NOT_SUPERSEDED = OWN_KINDS - {"readings", "capture", "attachment", "result"}

_Count = Annotated[int, msgspec.Meta(ge=0)]
_Number = Annotated[int, msgspec.Meta(ge=1)]
_Sha256 = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]
_Time = Annotated[
    str,
    msgspec.Meta(
        pattern=r"^\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])T([01]\d|2[0-3]):[0-5]\d:[0-5]\d\.\d{9}Z$"
    ),
]


class _Logbook(msgspec.Struct):
    schema_version: int
    project: str = ""


class _Clock(msgspec.Struct):
    set_back_s: float
    before: _Time


class _Channel(msgspec.Struct):
    id: _Number
    instrument: str
    channel: str
    function: Function
    unit: str


class ReadingsBody(msgspec.Struct):
    """Body of a `readings` entry."""

    count: _Number
    first_reading: _Count
    first_time: _Time
    last_time: _Time
    sha256: _Sha256
    stream: str = ""
    position: _Count = 0
    uses: list[str] = []


class _Samples(msgspec.Struct):
    type: str
    samples: _Count
    encoding: str
    sha256: _Sha256
    samples_sha256: _Sha256


class _CaptureChannel(msgspec.Struct):
    name: str
    scale: float
    offset: float
    unit: str
    probe: float
    coupling: str
    code_limits: tuple[float, float] | None
    range_max: float | None
    samples: _Samples


class _Capture(msgspec.Struct):
    instrument: str
    start: _Time | None
    interval_s: Annotated[float, msgspec.Meta(gt=0)]
    settings: dict[str, str]
    source: str
    about: str
    channels: Annotated[list[_CaptureChannel], msgspec.Meta(min_length=1)]
    times: _Samples | None


class _Attachment(msgspec.Struct):
    name: str
    size: _Count
    sha256: _Sha256
    about: str = ""
    media_type: str = ""


class _Supersede(msgspec.Struct):
    entry: _Number
    reason: str
    replacement: _Number | None = None


class _Chart(msgspec.Struct):
    signal: str
    why: str = ""


class _Standard(msgspec.Struct):
    meter: str
    standard: str
    function: str
    displayed: str
    value: float
    resolution: float
    standard_value: float
    unit: str
    error: float
    e_n: float
    verdict: str
    state: str = msgspec.field(name="as")
    accuracy: str
    chart: _Chart
    findings: list[str] = []
    note: str = ""
    finding_kinds: list[str] = []  # older entries lack this and the fields below
    standard_half_width: float | None = None


class _ComparedMeter(msgspec.Struct):
    value: float = 0.0
    accuracy: str = ""
    resolution: float = 0.0
    response: str = ""


class _ComparedPair(msgspec.Struct):
    first: str
    second: str
    difference: float = 0.0
    expanded_uncertainty: float = 0.0
    e_n: float = 0.0
    scatter: float = 0.0


class _Crosscheck(msgspec.Struct):
    """Details of a comparison of meters, from which later readings and recalls are computed."""

    meters: dict[str, _ComparedMeter] = {}
    pairs: list[_ComparedPair] = []


class _TrueRange(msgspec.Struct):
    low: float
    high: float


class _RecalledResult(msgspec.Struct):
    entry: int
    check_id: str
    part: str
    what: str = msgspec.field(name="class")
    reason: str = ""
    holds: list[str] = []
    true_ranges: dict[str, _TrueRange] = {}


class _Recall(msgspec.Struct):
    meter: str
    function: str
    reason: str
    results: list[_RecalledResult]
    after_entry: int = 0
    to_entry: int = 0
    error: tuple[float, float] | None = None
    channel: str = ""
    range: float | None = None
    holds: list[str] = []
    passed_on_it: dict[str, str] = {}
    failed_on_it: list[int] = []


class _Repair(msgspec.Struct):
    meter: str
    reason: str


class _FoundBad(msgspec.Struct):
    meter: str
    function: str
    cause: str
    check_id: str


class _Adoption(msgspec.Struct):
    check_id: str
    revision: str
    part: str
    part_state: str
    entry: _Number
    digest: _Sha256


class _RecallUndone(msgspec.Struct):
    entry: int


class _Substitution(msgspec.Struct):
    part: str
    what: str
    reason: str
    on: date | None = None


class _Part(msgspec.Struct):
    part: str
    state: str


class _Ground(msgspec.Struct):
    check_id: str
    entry: int


class _Hold(msgspec.Struct):
    hold: str
    step: str
    by: str = ""
    rests_on: list[_Ground] = []
    practice: bool = False


class _Concession(_Hold, kw_only=True):
    reason: str
    missing: list[str]


class _Anchor(msgspec.Struct):
    entry: _Number
    digest: _Sha256
    time: _Time
    authority: str
    answer: str


class _Signature(msgspec.Struct):
    entry: _Number
    digest: _Sha256
    key: str
    signature: str


class _Plan(msgspec.Struct):
    project: str
    sha256: _Sha256
    checks: dict[str, str]


class _Expectation(msgspec.Struct):
    check_id: str
    part: str
    revision: str
    expected: str
    limits: dict[str, dict[str, Any]]


class _Skip(msgspec.Struct):
    check_id: str
    part: str
    reason: str


#: Fields that are read of each kind; a result has its own reader.
SHAPES: Mapping[str, type[msgspec.Struct]] = {
    "logbook": _Logbook,
    "migration": _Logbook,
    "clock": _Clock,
    "channel": _Channel,
    "readings": ReadingsBody,
    "capture": _Capture,
    "attachment": _Attachment,
    "supersede": _Supersede,
    "standard": _Standard,
    "recall": _Recall,
    "recall undone": _RecallUndone,
    "repair": _Repair,
    "found bad": _FoundBad,
    "adoption": _Adoption,
    "substitution": _Substitution,
    "part": _Part,
    "release": _Hold,
    "concession": _Concession,
    "step": _Hold,
    "plan": _Plan,
    "expectation": _Expectation,
    "skip": _Skip,
    "anchor": _Anchor,
    "signature": _Signature,
}


def shape_fault(kind: str, body: Mapping[str, Any]) -> str:
    """Say what is wrong with an entry's body for its kind; ``""`` if nothing, or if the kind is not one of benchlog's.

    >>> shape_fault("part", {"part": "T1"})
    "a part entry can't hold this: Object missing required field `state`"
    """
    try:
        if kind == "result":
            from benchlog.result import Result

            result = Result.from_json(body)
            if result.check == "crosscheck":
                msgspec.convert(result.details, _Crosscheck)
        elif (shape := SHAPES.get(kind)) is not None:
            msgspec.convert(body, cast("type[object]", shape))
    except (msgspec.ValidationError, AttributeError, TypeError) as error:
        return f"a {kind} entry can't hold this: {error}"
    return ""
