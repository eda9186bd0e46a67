"""Finding meters on serial ports: listen at every family's line setting, then ask, then report what was found."""

from __future__ import annotations

import re
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

from benchlog.discovery import Found, Report, Request, Unrecognised
from benchlog.errors import OpenError
from benchlog.reading import Reading
from benchlog.serial_ports import Port, is_port_name
from benchlog_drivers import _lines
from benchlog_drivers._line_errors import FOREIGN_ERRORS
from benchlog_drivers.decoders import FAMILIES, FrameOptions, LineSettings
from benchlog_drivers.decoders.pattern import PatternLine

#: Longest pause between frames of meters that send by themselves: two frames a second, some slower.
_LISTEN_S = 1.3
_ANSWER_S = 0.6
_FRAMES = 2
_SLICE_S = 0.05
_LABELLED = re.compile(
    r"(?P<label>[^0-9+-]*)[-+]?[0-9]+(?:[.,][0-9]+)?(?:[eE][-+]?[0-9]{1,3})?"
    r"\s*[pnu\u00b5\u03bcmkMG]?(?P<unit>V|A|F|Hz|[Oo]hm|\u03a9|\u2126)(?P<rest>(?:\W.*)?)"
)
_FUNCTIONS = {"F": "F", "Hz": "Hz", "ohm": "ohm", "Ohm": "ohm", "\u03a9": "ohm", "\u2126": "ohm"}
#: Baud rates at which a text question is tried: the two most common of instruments and of USB boards.
_TEXT_BAUDS = (9600, 115200)


@dataclass(frozen=True, slots=True)
class Candidate:
    """One line setting, the families that use it, and what to send."""

    settings: LineSettings
    families: tuple[str, ...]
    request: bytes = b""


def candidates() -> list[Candidate]:
    """Line settings to try, those that only listen first; polled families at their second baud rate too."""
    groups: dict[LineSettings, list[str]] = {}
    for name, kind in FAMILIES.items():
        if name != "pattern":
            groups.setdefault(kind.line, []).append(name)
    found = [Candidate(line, tuple(names), line.request) for line, names in groups.items()]
    slower = [
        replace(c, settings=replace(c.settings, baud=600))
        for c in found
        if c.request and c.settings.baud == 1200
    ]
    return sorted([*found, *slower], key=lambda c: bool(c.request))


def find(request: Request) -> Report:
    """Listen at the serial ports of a request, all at once; see `benchlog.discovery`."""
    named = [p for p in request.places if is_port_name(p)]
    ports = [*request.ports, *(Port(p) for p in named if p not in {q.device for q in request.ports})]
    settings = ", ".join(dict.fromkeys(str(c.settings) for c in candidates()))
    names = ", ".join(name for name in FAMILIES if name != "pattern")
    with ThreadPoolExecutor(max_workers=16) as pool:
        results = list(pool.map(lambda p: _look(p, ports), ports))
    seen = [r for r in results if not isinstance(r, OpenError)]
    plural = "s" * (len(seen) != 1)
    looked = f"meters on {len(seen)} serial port{plural}: frames {names} at {settings}; *IDN? on silent ports"
    found = tuple(r for r in seen if isinstance(r, Found))
    rest = tuple(_no_meter(p, r) for p, r in zip(ports, results, strict=True) if not isinstance(r, Found))
    return Report((looked,), found, rest, tuple(_port_advice(ports)))


def _no_meter(port: Port, result: Unrecognised | OpenError) -> Unrecognised:
    """A port without a meter that was recognised, or that could not be opened."""
    if isinstance(result, Unrecognised):
        return result
    return Unrecognised(port.device, result.message.removeprefix(f"{port.device}: "), result.hint)


def _port_advice(ports: Sequence[Port]) -> Iterator[str]:
    if not ports:
        yield (
            "no serial port found: plug in the meter's USB cable; a cable with an infrared head shows as a port even if"
            " the meter is off"
        )
    numbered = [p.serial_number for p in ports if p.serial_number]
    if len(set(numbered)) < len(numbered):
        yield "some cables have the same serial number: they are addressed by port name, which may change"


def _look(port: Port, ports: Iterable[Port]) -> Found | Unrecognised | OpenError:
    try:
        return listen(port, address=_address(port, ports))
    except OpenError as error:
        return error


def _address(port: Port, ports: Iterable[Port]) -> str:
    """Address without options; by serial number where that is unique, since port names change."""
    same = [p for p in ports if p.serial_number == port.serial_number]
    return (
        f"serial:usb?serial={port.serial_number}"
        if port.serial_number and len(same) == 1 and re.fullmatch(r"[\w.:-]+", port.serial_number)
        else f"serial:{port.device}"
    )


def listen(port: Port, *, address: str) -> Found | Unrecognised:
    """Try every line setting at one port.

    Two frames accepted by one family are enough; the user still has to compare the reading with the display.

    Raises
    ------
    OpenError
        If the port can't be opened.
    """
    heard, guess = b"", None
    for candidate in candidates():
        data = _receive(port.device, candidate)
        match = _recognised(data, candidate)
        if match is not None:
            family, reading = match
            options = f"frames={family}"
            if candidate.settings.baud != FAMILIES[family].line.baud:
                options += f"&baud={candidate.settings.baud}"
            joiner = "&" if "?" in address else "?"
            return Found("meter", f"{address}{joiner}{options}", port.device, family, reading=reading)
        if not candidate.request:
            heard = max(heard, data, key=len)
            guess = guess or _guessed_pattern(port, address, data, candidate.settings.baud)
    if heard:
        return guess or _unknown_talk(port, heard)
    return _ask_identity(port)


def _receive(device: str, candidate: Candidate) -> bytes:
    """Open, send the request if any, and collect until two frames are there or the time is up."""
    link = _lines.open_port(device, candidate.settings)
    data = b""
    try:
        wait_s = _ANSWER_S if candidate.request else _LISTEN_S
        for _ in range(_FRAMES if candidate.request else 1):
            if candidate.request:
                link.write(candidate.request)
            # The line is outside the program: real time, whatever clock is used elsewhere.
            end = time.monotonic() + wait_s
            before = len(data)
            while time.monotonic() < end:
                data += _lines.read_available(link, _SLICE_S)
                if _recognised(data, candidate) is not None or len(data) > 4096:
                    return data
                if candidate.request and data[before:].endswith((b"\r", b"\n")):
                    break
            if len(data) == before:
                break
    except FOREIGN_ERRORS:
        return data  # unplugged while listening: use what came before
    finally:
        _lines.close_port(link)
    return data


def _recognised(data: bytes, candidate: Candidate) -> tuple[str, Reading] | None:
    best: tuple[int, str, Reading] | None = None
    for name in candidate.families:
        readings = FAMILIES[name](FrameOptions()).feed(data)
        if len(readings) >= _FRAMES and (best is None or len(readings) > best[0]):
            best = (len(readings), name, readings[-1])
    return best[1:] if best is not None else None


def _guessed_pattern(port: Port, address: str, data: bytes, baud: int) -> Found | None:
    """A pattern for text lines that all have the same words before a number and a unit; None if they don't."""
    lines = [line.strip() for line in re.split(r"[\r\n]+", data.decode("utf-8", "replace"))[1:-1]]
    matches = [_LABELLED.fullmatch(line) for line in lines if line]
    labels = {m["label"] for m in matches if m is not None}
    if len(matches) < _FRAMES or None in matches or len(labels) != 1:
        return None
    first = matches[0]
    assert first is not None
    words = f"{first['label']} {first['rest']}"
    alternating = re.search(r"\bac\b|~", words, re.IGNORECASE) is not None
    function = _FUNCTIONS.get(first["unit"], first["unit"] + ("~" if alternating else "="))
    options = {
        "pattern": re.escape(first["label"]) + r"(?P<value>[-+0-9.,eE]+)\s*(?P<unit>\S+).*",
        "function": function,
        "end": "\\n" if b"\n" in data else "\\r",
    }
    decoder = PatternLine(
        FrameOptions(frames="pattern", pattern=options["pattern"], function=function, end=options["end"])
    )
    readings = decoder.feed(data)
    if len(readings) < _FRAMES:
        return None
    joiner = "&" if "?" in address else "?"
    full = f"{address}{joiner}frames=pattern&baud={baud}"
    return Found("meter", full, port.device, "pattern", reading=readings[-1], options=options)


def _unknown_talk(port: Port, data: bytes) -> Unrecognised:
    shown = data[:14].hex(" ").upper()
    text = data.decode("ascii", "replace")
    lines = [line.strip() for line in re.split(r"[\r\n]+", text) if line.strip()]
    if len(lines) > 1 and all(line.isprintable() and "\ufffd" not in line for line in lines[1:-1] or lines):
        return Unrecognised(
            port.device,
            f"sends text lines such as {lines[min(1, len(lines) - 1)]!r}",
            "describe them in the bench file by a pattern: see benchlog manual pattern",
        )
    return Unrecognised(
        port.device,
        f"sends {len(data)} bytes that fit no known frames, such as {shown}",
        "another baud rate, or an unknown kind of meter: try the address options baud=, bits=, parity=",
    )


def _ask_identity(port: Port) -> Found | Unrecognised:
    """A silent port: ask ``*IDN?``, which changes nothing by IEEE 488.2."""
    from benchlog_drivers._find_visa import recognise

    if "://" not in port.device:
        for baud in _TEXT_BAUDS:
            found = recognise(f"ASRL{port.device}::INSTR", options=f"baud={baud}", timeout_s=0.5)
            if isinstance(found, Found) or found.answered:
                return found
    return Unrecognised(
        port.device,
        "nothing received at any setting",
        "switch on the meter and its data output (often a long press on a key marked RS232, USB or PC)",
    )
