"""Check the installation: libraries, adapters, ports, logbook."""

from __future__ import annotations

import argparse
import os
import platform
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from benchlog.errors import AdapterUnavailableError, BenchlogError
from benchlog.files import folder_writable

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.text import Text

    from benchlog.cli.context import Context
    from benchlog.registry import Unavailable
    from benchlog.serial_ports import Port
    from benchlog.usb_devices import UsbInstrument

#: Distribution, and what it is for if it is optional.
CORE = (
    "numpy", "scipy", "pandas", "pyserial", "PyVISA", "PyVISA-py", "rich", "msgspec", "GTC",
    "Jinja2", "matplotlib", "rfc8785", "segno", "pillow", "shtab", "argparse-manpage", "regex", "rfc3161-client",
)  # fmt: skip
OPTIONAL = {
    "pyarrow": "Parquet export",
    "pyusb": "USB scopes and generators (USBTMC)",
    "zeroconf": "finding HiSLIP instruments on the network",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options: it has none."""


def run(args: argparse.Namespace, ctx: Context) -> int:
    """Check everything, show it, and report whether benchlog is ready to use."""
    from benchlog.registry import Registry

    registry = Registry()
    report: dict[str, Any] = {
        "versions": _versions(),
        "schemes": registry.schemes(),
        "unavailable": registry.unavailable(),
        **_ports(),
        "usb": _usb(),
        "logbook": _logbook(ctx.logbook_path),
        "bench": _bench(ctx),
    }
    missing = [name for name in CORE if report["versions"][name] is None]
    if ctx.json:
        ctx.print_json(_as_json(report, missing))
    else:
        _show(ctx, report, missing)
    return _exit_code(report, missing)


def _exit_code(report: dict[str, Any], missing: list[str]) -> int:
    if missing:
        return 4
    if not report["logbook"]["writable"]:
        return 5
    return 2 if report["bench"]["problem"] else 0


def _versions() -> dict[str, str | None]:
    from importlib.metadata import PackageNotFoundError, version

    found: dict[str, str | None] = {}
    for name in (*CORE, *OPTIONAL):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = None
    return found


def _ports() -> dict[str, Any]:
    """Serial ports, and what prevents listing them."""
    from benchlog.serial_ports import list_ports

    try:
        return {"ports": list_ports(), "ports_problem": ""}
    except AdapterUnavailableError as error:
        return {"ports": (), "ports_problem": f"{error.message}; {error.hint}"}


def _usb() -> dict[str, Any]:
    """USB instruments found, and what prevents using any of them."""
    from benchlog.usb_devices import list_usb_instruments, usb_backend

    found: dict[str, Any] = {"instruments": (), "problem": "", "hint": ""}
    try:
        found["instruments"] = list_usb_instruments()
        usb_backend()
    except AdapterUnavailableError as error:
        found |= {"problem": error.message, "hint": error.hint}
    return found


def _logbook(path: Path) -> dict[str, Any]:
    """Check whether the logbook can be written or created; nothing is created."""
    folder = path.absolute().parent
    there = path.exists()
    problem = ""
    if not folder.is_dir():
        problem = f"the folder {folder} does not exist"
    elif not folder_writable(folder):
        problem = f"you may not write to the folder {folder}"
    elif there and not os.access(path, os.R_OK | os.W_OK):
        problem = f"you may not write to {path}"
    free = shutil.disk_usage(folder).free if folder.is_dir() else 0
    if not problem and free < 10_000_000:
        problem = f"the disk of {folder} has only {free / 1e6:.1f} MB left"
    return {
        "path": str(path),
        "exists": there,
        "writable": not problem,
        "problem": problem,
        "free_bytes": free,
    }


def _bench(ctx: Context) -> dict[str, Any]:
    """Whether the bench file and the project's own SCPI descriptions can be read."""
    try:
        bench = ctx.bench()
        bench.refuse_unserved()
    except BenchlogError as error:
        return {"source": str(ctx.args.bench or ""), "instruments": [], "problem": str(error)}
    return {"source": bench.source, "instruments": list(bench.instruments), "problem": ""}


def _as_json(report: dict[str, Any], missing: list[str]) -> dict[str, Any]:
    from benchlog import __version__

    return {
        "schema": "benchlog.doctor/1",
        "benchlog": __version__,
        "python": platform.python_version(),
        "platform": platform.platform(),
        "usable": _exit_code(report, missing) == 0,
        "versions": report["versions"],
        "adapters": report["schemes"],
        "unavailable": msgspec.to_builtins(report["unavailable"]),
        "ports": msgspec.to_builtins(report["ports"]),
        "ports_problem": report["ports_problem"],
        "usb": {
            "problem": report["usb"]["problem"],
            "hint": report["usb"]["hint"],
            "instruments": [
                {
                    "resource": i.resource,
                    "description": i.description,
                    "serial_number": i.serial,
                    "access": i.access,
                }
                for i in report["usb"]["instruments"]
            ],
        },
        "logbook": report["logbook"],
        "bench": report["bench"],
    }


def _bench_text(bench: dict[str, Any]) -> str | Text:
    if bench["problem"]:
        return _marked(bench["problem"])
    if not bench["source"]:
        return "none here (benchlog find --write makes one)"
    return f"{bench['source']}: {', '.join(bench['instruments']) or 'no instruments'}"


def _logbook_text(book: dict[str, Any]) -> str | Text:
    if book["problem"]:
        return _marked(book["problem"])
    state = "exists" if book["exists"] else "not created yet"
    return f"{book['path']}: {state}, writable, {book['free_bytes'] / 1e9:.1f} GB free"


def _marked(problem: str) -> Text:
    from rich.text import Text

    return Text.assemble(("▲ ", "red"), problem)


def _show(ctx: Context, report: dict[str, Any], missing: list[str]) -> None:
    from rich.table import Table
    from rich.text import Text

    from benchlog import __version__

    versions = report["versions"]
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    table.add_column(style="bold", no_wrap=True)
    table.add_column(overflow="fold")
    table.add_row("benchlog", f"{__version__} on {platform.platform()}")
    table.add_row("Python", f"{platform.python_version()}, {sys.executable}")
    table.add_row("libraries", ", ".join(f"{n} {v}" for n, v in versions.items() if n in CORE and v))
    for name in missing:
        table.add_row("", Text.assemble(("▲ missing ", "red"), f"{name}: pip install {name}"))
    for number, row in enumerate(_optional_rows(versions, report["usb"])):
        table.add_row("" if number else "optional", row)
    table.add_row("adapters", ", ".join(_adapters(report["schemes"], report["unavailable"])))
    # Adapters of one scheme that fail for the same reason share a line.
    for item in {(u.name.partition(".")[0], u.hint): u for u in reversed(report["unavailable"])}.values():
        table.add_row("", _unavailable_text(item))
    for label, line in (
        *_port_rows(report["ports"], report["ports_problem"]),
        *_usb_rows(report["usb"]["instruments"]),
    ):
        table.add_row(label, line)
    table.add_row("bench file", _bench_text(report["bench"]))
    table.add_row("logbook", _logbook_text(report["logbook"]))
    ctx.console.print(table)
    ctx.console.print(
        Text("▲ not ready: see the lines marked ▲", style="bold red")
        if _exit_code(report, missing)
        else Text("● ready to use", style="bold green")
    )


def _optional_rows(versions: dict[str, str | None], usb: dict[str, Any]) -> list[Text]:
    from rich.text import Text

    rows = []
    for name, purpose in OPTIONAL.items():
        problem, hint = ("", "") if name != "pyusb" else (usb["problem"], usb["hint"])
        if versions[name] and not problem:
            rows.append(Text(f"{name} {versions[name]}: {purpose}"))
        elif versions[name]:
            rows.append(Text.assemble(("▲ ", "red"), f"{name} {versions[name]}: {problem}; {hint}"))
        else:
            how = hint or f"pip install {name}"
            rows.append(Text.assemble(("○ without ", "yellow"), f"{name}: no {purpose}; {how}"))
    return rows


def _usb_rows(instruments: tuple[UsbInstrument, ...]) -> list[tuple[str, Text]]:
    from rich.text import Text

    rows = []
    for item in instruments:
        about = f"{item.resource}  {item.description}".rstrip()
        if item.access == "ok":
            rows.append(Text(f"{about}  can be opened"))
        else:
            rows.append(Text.assemble(("▲ ", "red"), f"{about}  no permission; {item.permission_hint}"))
    return [("" if i else "USB instruments", row) for i, row in enumerate(rows)]


def _adapters(schemes: dict[str, str], unavailable: Iterable[Unavailable]) -> list[str]:
    broken = {u.name.partition(".")[0] for u in unavailable}
    return [
        name + ("" if origin == "built-in" else f" (from {origin})")
        for name, origin in sorted(schemes.items())
        if name not in broken
    ]


def _unavailable_text(item: Unavailable) -> Text:
    from rich.text import Text

    origin = "" if item.origin == "built-in" else f" (from {item.origin})"
    name = item.name.partition(".")[0]
    reason = item.reason.removeprefix(f"adapter {item.name!r} ")
    text = Text.assemble(("○ unavailable ", "yellow"), f"{name}{origin}: {reason}")
    if item.hint:
        text.append(f"; {item.hint}", style="dim")
    return text


def _port_rows(ports: tuple[Port, ...], problem: str) -> list[tuple[str, Text]]:
    from rich.text import Text

    from benchlog.serial_ports import access_hint

    if problem:
        return [("serial ports", Text.assemble(("▲ ", "red"), problem))]
    if not ports:
        return [("serial ports", Text("none found"))]
    rows = []
    for port in ports:
        about = f"{port.device}  {port.description}".rstrip()
        if port.serial_number:
            about += f"  (serial number {port.serial_number})"
        if port.access == "ok":
            rows.append(Text(f"{about}  can be opened"))
        elif port.access == "gone":
            rows.append(Text(f"{about}  was unplugged"))
        else:
            rows.append(Text.assemble(("▲ ", "red"), f"{about}  no permission; {access_hint(port.group)}"))
    return [("serial ports" if i == 0 else "", row) for i, row in enumerate(rows)]
