"""Finding SCPI instruments: USB, resources named by the user, and the local network when asked to."""

from __future__ import annotations

import contextlib
import importlib.util
import warnings
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from benchlog.discovery import Found, Kind, Report, Request, Unrecognised
from benchlog.errors import AdapterUnavailableError, BenchlogError
from benchlog.usb_devices import INSTALL_HINT, UsbInstrument, list_usb_instruments, usb_backend
from benchlog_drivers._session import LinkOptions, ScpiSession
from benchlog_drivers._visa_ports import visa_library
from benchlog_drivers.dialects import (
    Dialect,
    GeneratorDialect,
    MeterDialect,
    ScopeDialect,
    by_identity,
    load_dialects,
)
from benchlog_drivers.visa_meter import MeterOptions, VisaMeter

_KINDS: dict[Kind, type[Dialect]] = {
    "scope": ScopeDialect,
    "generator": GeneratorDialect,
    "meter": MeterDialect,
}
_READING_S = 5.0


def find(request: Request) -> Report:
    """Ask USB instruments, named resources and, only when wanted, the local network; see `benchlog.discovery`."""
    looked, advice = ["USB instruments (USBTMC)"], []
    resources = [p for p in request.places if "::" in p]
    usb, unrecognised = usb_instruments()
    if importlib.util.find_spec("usb") is None:
        looked[0] = f"USB instruments (USBTMC), as listed by the system; to read them: {INSTALL_HINT}"
    resources += usb
    if request.lan:
        looked.append("instruments on the local network (VXI-11 broadcast; HiSLIP if zeroconf is installed)")
        resources += _on_lan()
        advice.append(
            "an instrument with a plain SCPI socket does not answer a broadcast:"
            " look up its IP address in its menu and give --at TCPIP::ADDRESS::5025::SOCKET"
        )
    else:
        advice.append("the local network was not searched: --lan does that, with a broadcast")
    names = list(dict.fromkeys(resources))
    with ThreadPoolExecutor(max_workers=min(16, len(names) or 1)) as pool:
        results = list(pool.map(recognise, names))
    found = [r for r in results if isinstance(r, Found)]
    unrecognised += [r for r in results if isinstance(r, Unrecognised)]
    return Report(tuple(looked), tuple(found), tuple(unrecognised), tuple(advice))


def recognise(resource: str, *, options: str = "", timeout_s: float = 2.0) -> Found | Unrecognised:
    """Ask one resource ``*IDN?`` and pick the dialect; of a meter take a reading as it is set.

    Parameters
    ----------
    options : str
        Address options that belong to it, such as ``baud=115200``.
    timeout_s : float
        Deadline of one answer, second.
    """
    address = f"visa:{resource}" + (f"?{options}" if options else "")
    settings = dict(item.split("=", 1) for item in options.split("&") if item)
    link_options = LinkOptions(timeout_s=timeout_s, baud=int(settings.get("baud", 9600)))
    session: ScpiSession[Dialect] = ScpiSession(resource, Dialect, link_options)
    try:
        kinds = {kind: load_dialects(table, Path("dialects")) for kind, table in _KINDS.items()}
        try:
            identity = session.identify()
            kind, dialect, named = _pick(session, kinds, identity)
        finally:
            session.close()  # before a meter is read: some instruments serve one connection
    except BenchlogError as error:
        return Unrecognised(resource, error.message.removeprefix(f"{resource}: "), error.hint)
    if kind is None or dialect is None:
        return Unrecognised(
            resource,
            f"answers {identity!r}, which matches no known SCPI dialect",
            "write a dialect file into dialects/ with `extends` and an `idn` pattern for it",
            answered=True,
        )
    if not named:
        address += f"{'&' if options else '?'}dialect={dialect.name}"
    return _found(kind, address, resource, dialect.name, identity, link_options)


def _pick(
    session: ScpiSession[Dialect], kinds: Mapping[Kind, Mapping[str, Dialect]], identity: str
) -> tuple[Kind | None, Dialect | None, bool]:
    """Kind and dialect, and whether the identity named it; else the first whose probe question is answered."""
    for kind, dialects in kinds.items():
        if (dialect := by_identity(dialects, identity)) is not None:
            return kind, dialect, True
    try:
        for kind, dialects in kinds.items():
            if (dialect := session.first_answered(dialects)) is not None:
                return kind, dialect, False
    finally:
        session.forget_probes()
    return None, None, False


def _found(
    kind: Kind, address: str, resource: str, family: str, identity: str, options: LinkOptions
) -> Found:
    reading = None
    if kind == "meter":
        chosen = MeterOptions(dialect=family, baud=options.baud, timeout_s=options.timeout_s)
        with contextlib.suppress(BenchlogError), VisaMeter("found", resource, chosen) as meter:
            reading = meter.read(_READING_S)
    return Found(kind, address, resource, family, identity, reading)


def usb_instruments() -> tuple[list[str], list[Unrecognised]]:
    """Resource names of the USB instruments that can be asked; for the others, what prevents that."""
    library = visa_library("USB")
    if library != "@py":
        return _listed_by(library)
    there: tuple[UsbInstrument, ...] = ()
    try:
        there = list_usb_instruments()
        if there:
            usb_backend()
    except AdapterUnavailableError as error:
        names = ", ".join(i.description or i.resource for i in there) if there else "USB instruments"
        return [], [Unrecognised("USB", f"{error.message}: {names}", error.hint)]
    closed = [i for i in there if i.access != "ok"]
    return [i.resource for i in there if i.access == "ok"], [
        Unrecognised(
            i.resource, f"{i.description or 'a USB instrument'}: no permission to open it", i.permission_hint
        )
        for i in closed
    ]


def _listed_by(library: str) -> tuple[list[str], list[Unrecognised]]:
    """USB instruments as a vendor's VISA library lists them; its errors are reported and stop nothing."""
    import pyvisa

    try:
        return list(pyvisa.ResourceManager(library).list_resources("USB?*INSTR")), []
    except (OSError, ValueError, pyvisa.Error) as error:
        return [], [
            Unrecognised(
                "USB",
                f"the VISA library {library!r} can't list USB instruments: {' '.join(str(error).split())}",
                "install it again, or name another with PYVISA_LIBRARY (@py is benchlog's default)",
            )
        ]


def _on_lan() -> list[str]:
    """Resources that answer a broadcast; warnings about sockets that the library leaves open are ignored."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            from pyvisa_py.tcpip import TCPIPInstrSession

            return list(TCPIPInstrSession.list_resources())
        except OSError:
            return []
