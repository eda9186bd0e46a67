"""Serial ports of this computer: which there are, whether this user may open them, what to do where not.

What helps differs from system to system; `port_advice` is where that is written down.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from benchlog.errors import AdapterUnavailableError

_SERVED = ("socket://", "rfc2217://")


class PortInfo(Protocol):
    """Properties of a port from pyserial's port list."""

    device: str
    description: str
    serial_number: str | None


@dataclass(frozen=True, slots=True)
class Port:
    """One serial port of this computer."""

    #: device, description: Its name, and what the USB device says of itself.
    device: str
    description: str = ""
    serial_number: str = ""  #: Of the USB device; empty when it gives none.
    access: Literal["ok", "no permission", "gone"] = "ok"  #: Whether this user may open it.
    group: str = ""  #: Group that owns the device file.


@dataclass(frozen=True, slots=True)
class PortAdvice:
    """What to do about a serial port, by system."""

    example: str  #: How the name of a port looks.
    #: missing, busy, denied: What to do where there is no such port, where another program has it, and where
    #: this user may not open it; in the last, ``{group}`` stands for the group that owns the port.
    missing: str
    busy: str
    denied: str


_LINUX = PortAdvice(
    example="/dev/ttyUSB0",
    missing="plug the meter's cable in; its port name may have changed, `benchlog find` lists them",
    busy="close that program",
    denied="join the group {group}: sudo usermod -aG {group} $USER, then log in again",
)
_MACOS = PortAdvice(
    example="/dev/cu.usbserial-110",
    missing="plug the meter's cable in; ports are named /dev/cu.usbserial-... or /dev/cu.usbmodem...,"
    " and the name changes with the USB socket: `benchlog find` lists them",
    busy="close that program; a port is named /dev/cu..., since /dev/tty... waits for a modem",
    denied="every user may open the /dev/cu... name of a USB cable: is this one? ls -l shows who owns it",
)
_WINDOWS = PortAdvice(
    example="COM5",
    missing="plug the meter's cable in; its COM number changes with the USB socket: Device Manager shows it"
    " under Ports (COM & LPT), and so does `benchlog find`",
    busy="close that program, often the meter's own; if there is none, unplug the cable and plug it in again",
    denied="start benchlog as the user who installed the cable's driver; Device Manager shows the port"
    " under Ports (COM & LPT)",
)
#: Where nobody is in the group that owns the port. Nobody is ever advised to join root's.
_UDEV_RULE = (
    'give access by a udev rule: echo \'SUBSYSTEM=="tty", KERNEL=="ttyUSB*|ttyACM*", MODE="0660",'
    ' TAG+="uaccess"\' | sudo tee /etc/udev/rules.d/70-benchlog-serial.rules'
    " && sudo udevadm control --reload, then plug it in again"
)


def port_advice(system: str = sys.platform) -> PortAdvice:
    """Return what to do about serial ports on a system, named as `sys.platform` does."""
    return {"win32": _WINDOWS, "darwin": _MACOS}.get(system, _LINUX)


def access_hint(group: str, system: str = sys.platform) -> str:
    """Say what gives the user a serial port.

    Parameters
    ----------
    group : str
        Group that owns it, where the system has groups and it is known.
    system : str
        As `sys.platform` names it.
    """
    advice = port_advice(system)
    if advice is _LINUX and group in ("root", "wheel"):
        return _UDEV_RULE
    return advice.denied.format(group=group or "dialout")


def is_port_name(place: str) -> bool:
    """Tell whether a text names a serial port, of this computer or served over the network.

    >>> [is_port_name(p) for p in ("/dev/ttyUSB0", "com5", "socket://127.0.0.1:5021", "TCPIP::10.0.0.2::INSTR")]
    [True, True, True, False]
    """
    return place.startswith(("/dev/", *_SERVED)) or re.fullmatch(r"COM\d+", place, re.IGNORECASE) is not None


def listed_ports() -> Sequence[PortInfo]:
    """Ports as pyserial's list has them; opens none of them.

    Raises
    ------
    AdapterUnavailableError
        Where the list can't be made: it needs functions of the system that not every one has.
    """
    try:
        from serial.tools.list_ports import comports

        return comports()
    except (ImportError, AttributeError, OSError) as error:
        raise AdapterUnavailableError(
            f"serial ports can't be listed: {error}",
            hint=f"name the port in the bench file, as in serial:{port_advice().example}",
        ) from error


def list_ports() -> tuple[Port, ...]:
    """Serial ports there are, with what this user may do; opens none of them.

    Raises
    ------
    AdapterUnavailableError
        See `listed_ports`.
    """
    return tuple(
        Port(
            info.device,
            "" if info.description in (None, "n/a") else info.description,
            info.serial_number or "",
            _access(info.device),
            group_of(info.device),
        )
        for info in sorted(listed_ports(), key=lambda p: p.device)
    )


def group_of(device: str) -> str:
    """Name of the group that owns a device file; empty where there are no such groups."""
    try:
        import grp

        return grp.getgrgid(os.stat(device).st_gid).gr_name
    except (ImportError, OSError, KeyError):
        return ""


def _access(device: str) -> Literal["ok", "no permission", "gone"]:
    if os.name != "posix":
        return "ok"
    if not os.path.exists(device):
        return "gone"
    return "ok" if os.access(device, os.R_OK | os.W_OK) else "no permission"
