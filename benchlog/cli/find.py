"""Look for instruments on this computer, show what each one reads, and write bench file entries.

It listens on serial ports with the settings of every known kind of meter, and sends *IDN? to silent ports and to USB
instruments, which changes nothing on them. It uses the local network only with --lan.
"""

from __future__ import annotations

import argparse
from os.path import normcase
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from benchlog.cli.context import DEFAULT_BENCH
from benchlog.discovery import (
    Report,
    Request,
    Unrecognised,
    append_entries,
    bench_entry,
    search,
    tags_for,
)
from benchlog.errors import AdapterUnavailableError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from benchlog.bench import Bench
    from benchlog.cli.context import Context
    from benchlog.discovery import Found
    from benchlog.reading import Reading
    from benchlog.serial_ports import Port


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--lan",
        action="store_true",
        help="also search the local network (sends a broadcast)",
    )
    parser.add_argument(
        "--at",
        metavar="PLACE",
        action="append",
        default=[],
        help="also look there: a port, socket://HOST:PORT, rfc2217://HOST:PORT, or TCPIP::HOST::5025::SOCKET; repeat for more",
    )
    parser.add_argument("--write", action="store_true", help="append the proposed entries to the bench file")


def run(args: argparse.Namespace, ctx: Context) -> int:
    """Look, show, and write if asked; finding nothing is not an error."""
    from benchlog.bench import Bench, read_bench
    from benchlog.serial_ports import is_port_name, list_ports, port_advice

    wrong = next((place for place in args.at if not ("::" in place or is_port_name(place))), None)
    if wrong is not None:
        raise UsageError(
            f"--at {wrong!r} is not an address",
            hint=f"write it like {port_advice().example}, socket://127.0.0.1:5021 or TCPIP::192.168.1.20::5025::SOCKET",
        )
    path = Path(args.bench or DEFAULT_BENCH)
    bench = read_bench(path) if path.exists() else Bench()
    ports: tuple[Port, ...] = ()
    report = Report()
    try:
        ports = list_ports()
    except AdapterUnavailableError as error:
        report = Report(unrecognised=(Unrecognised("serial ports", error.message, error.hint),))
    if not ctx.json:
        ctx.console.print(_announcement(ports, args.lan, args.at), style="dim", markup=False)
    report += search(Request(ports=ports, places=tuple(args.at), lan=args.lan, clock=ctx.clock))
    # On Windows com5 and COM5 are the same port.
    known = {normcase(i.address): i.tag for i in bench.instruments.values()}
    entries = _entries(report, bench, known)
    written = bool(args.write and entries)
    if written:
        append_entries(path, list(entries.values()))
    if ctx.json:
        ctx.print_json(_as_json(report, ports, entries, known, str(path) if written else None))
    else:
        _show(ctx, report, entries, known, path, written)
    return 0


def _entries(report: Report, bench: Bench, known: Mapping[str, str]) -> dict[str, str]:
    """Bench file entries for instruments whose address it does not have yet."""
    new = [f for f in report.found if normcase(f.address) not in known]
    tags = tags_for(new, bench.instruments)
    return {f.address: bench_entry(f, tag) for f, tag in zip(new, tags, strict=True)}


def _announcement(ports: tuple[Port, ...], lan: bool, at: list[str]) -> str:
    where = [f"{len(ports)} serial port{'s' * (len(ports) != 1)}", "USB instruments"]
    if at:
        where.append(f"{len(at)} named place{'s' * (len(at) != 1)}")
    if lan:
        where.append("the local network")
    places = f"{', '.join(where[:-1])} and {where[-1]}"
    return f"Looking at {places}, up to ten seconds.\nSwitch on the meters and their data output.\n"


def _show(
    ctx: Context, report: Report, entries: dict[str, str], known: dict[str, str], path: Path, written: bool
) -> None:
    from rich.text import Text

    from benchlog.cli.show import show_line

    console = ctx.console

    def more(*parts: str | tuple[str, str]) -> None:
        show_line(console, *parts, indent=4)

    for found in report.found:
        console.print(Text.assemble(("● ", "green"), (found.place, "bold"), f"  {_what(found)}"))
        for parts in _about(found, known):
            more(*parts)
    for other in report.unrecognised:
        console.print(Text.assemble(("○ ", "yellow"), (other.place, "bold"), f"  {other.seen}"))
        if other.hint:
            more(f"try: {other.hint}")
    if not report.found:
        if report.unrecognised:
            console.print()
        console.print(Text("No instrument was found. Looked for:", style="bold"))
        for line in report.looked_for:
            more(line)
    if report.advice:
        console.print(Text("\nNote:"))
        for line in report.advice:
            more(line)
    if written:
        console.print(
            Text(f"\nAppended {len(entries)} to {path}. Give the instruments their own tags there.")
        )
    elif entries:
        console.print(Text(f"\nFor {path} (find --write appends this):\n"))
        for entry in entries.values():
            console.print(Text(entry), soft_wrap=True)
    elif ctx.args.write:
        console.print(Text(f"\nNo new instruments were found; {path} was not changed."))


def _about(found: Found, known: dict[str, str]) -> Iterator[list[str | tuple[str, str]]]:
    if found.identity:
        yield [f"answers {found.identity}"]
    if found.reading is not None:
        yield ["reads now ", (_reading_text(found.reading), "bold"), ": is that what its display shows?"]
    if tag := known.get(normcase(found.address)):
        yield [(f"already on the bench as {tag}", "dim")]


def _what(found: Found) -> str:
    return f"{found.kind}, {'dialect ' + found.family if found.identity else found.family + ' frames'}"


def _reading_text(reading: Reading) -> str:
    flags = f" ({', '.join(sorted(flag.value for flag in reading.flags))})" if reading.flags else ""
    return f"{reading.displayed} {_mode(reading)}".rstrip() + flags


def _mode(reading: Reading) -> str:
    """AC or DC, which the displayed text does not say."""
    return {"~": "ac", "=": "dc", "~=": "ac+dc"}.get(reading.function.value.lstrip("VA"), "")


def _as_json(
    report: Report,
    ports: tuple[Port, ...],
    entries: dict[str, str],
    known: dict[str, str],
    written: str | None,
) -> dict[str, Any]:
    return {
        "schema": "benchlog.find/1",
        "looked_for": list(report.looked_for),
        "ports": msgspec.to_builtins(ports),
        "found": [
            {
                "kind": f.kind,
                "place": f.place,
                "address": f.address,
                "family": f.family,
                "identity": f.identity,
                "reading": None if f.reading is None else _reading_json(f.reading),
                "on_bench": known.get(f.address),
                "entry": entries.get(f.address),
            }
            for f in report.found
        ],
        "unrecognised": [{"place": u.place, "seen": u.seen, "hint": u.hint} for u in report.unrecognised],
        "advice": list(report.advice),
        "written": written,
    }


def _reading_json(reading: Reading) -> dict[str, Any]:
    return {
        "function": reading.function.value,
        "value": reading.value,
        "unit": reading.unit,
        "state": reading.state.value,
        "displayed": reading.displayed,
        "flags": sorted(flag.value for flag in reading.flags),
    }
