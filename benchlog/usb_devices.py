"""USB instruments (USBTMC) plugged into this computer: what they are, whether this user may open them, what to do if not.

On Linux the kernel's own list (sysfs) is read: it needs neither PyUSB nor permission. Elsewhere PyUSB is asked.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from benchlog.errors import AdapterUnavailableError

if TYPE_CHECKING:
    from usb.backend import IBackend

SYSFS = Path("/sys/bus/usb/devices")
INSTALL_HINT = "pip install pyusb libusb-package"
_RULES_FILE = "/etc/udev/rules.d/70-benchlog-usb.rules"
#: USB base class and subclass of test and measurement instruments.
TMC_CLASS = (0xFE, 0x03)


@dataclass(frozen=True, slots=True)
class UsbInstrument:
    """One USB interface of the test and measurement class."""

    #: vendor, product: USB identification.
    vendor: int
    product: int
    serial: str  #: Serial number; empty when the instrument has none, or none that this user may read.
    interface: int  #: Number of its USB interface.
    description: str = ""  #: Maker and product in the device's own words.
    access: Literal["ok", "no permission"] = "ok"  #: Whether this user may open it.

    @property
    def resource(self) -> str:
        """VISA resource name; ``0`` is used for an unknown serial number."""
        return (
            f"USB0::0x{self.vendor:04X}::0x{self.product:04X}::{self.serial or '0'}::{self.interface}::INSTR"
        )

    @property
    def permission_hint(self) -> str:
        """How the user at this computer gets access: on Linux by one udev rule, and how to install it."""
        if sys.platform == "win32":
            return (
                "give it its maker's driver (install the maker's VISA library) or a WinUSB one, and close other"
                " programs that use it"
            )
        if sys.platform == "darwin":
            return "close other programs that use it, and plug it in again"
        rule = (
            f'SUBSYSTEM=="usb", ATTR{{idVendor}}=="{self.vendor:04x}", ATTR{{idProduct}}=="{self.product:04x}",'
            ' MODE="0660", GROUP="plugdev", TAG+="uaccess"'
        )
        return (
            f"give access by a udev rule: echo '{rule}' | sudo tee -a {_RULES_FILE}"
            " && sudo udevadm control --reload, then plug it in again"
            " (not at the computer itself, as over ssh: be in the group plugdev too)"
        )


def list_usb_instruments(sysfs: Path | None = None) -> tuple[UsbInstrument, ...]:
    """USB instruments there are, with what this user may do; opens none of them on Linux.

    Raises
    ------
    AdapterUnavailableError
        Elsewhere than on Linux, when PyUSB or libusb is missing.
    """
    if sysfs is not None or sys.platform.startswith("linux"):
        return tuple(_from_sysfs(sysfs or SYSFS))
    return tuple(_from_pyusb())


def usb_backend() -> IBackend:
    """PyUSB's way to libusb: the system's library, else the one of the distribution libusb-package.

    Raises
    ------
    AdapterUnavailableError
        When PyUSB or libusb is missing; the message says which.
    """
    try:
        import usb.backend.libusb1
    except ImportError:
        raise AdapterUnavailableError(
            "PyUSB is not installed; USB instruments need it", hint=INSTALL_HINT
        ) from None
    backend = usb.backend.libusb1.get_backend()
    if backend is None:
        with contextlib.suppress(ImportError):
            import libusb_package

            backend = usb.backend.libusb1.get_backend(find_library=libusb_package.find_library)
    if backend is None:
        raise AdapterUnavailableError(
            "PyUSB is installed, but the library libusb is missing",
            hint="pip install libusb-package"
            + (", or the system's own: sudo apt install libusb-1.0-0" if sys.platform == "linux" else ""),
        )
    return backend


def _from_sysfs(root: Path) -> Iterator[UsbInstrument]:
    for interface in sorted(root.glob("*:*")):
        with contextlib.suppress(OSError, ValueError):  # unplugged while it was read
            if (_hex(interface, "bInterfaceClass"), _hex(interface, "bInterfaceSubClass")) != TMC_CLASS:
                continue
            device = root / interface.name.partition(":")[0]
            node = f"/dev/bus/usb/{int(_text(device, 'busnum')):03d}/{int(_text(device, 'devnum')):03d}"
            yield UsbInstrument(
                _hex(device, "idVendor"),
                _hex(device, "idProduct"),
                _text(device, "serial"),
                _hex(interface, "bInterfaceNumber"),
                " ".join(filter(None, (_text(device, "manufacturer"), _text(device, "product")))),
                "ok" if os.access(node, os.R_OK | os.W_OK) else "no permission",
            )


def _text(folder: Path, name: str) -> str:
    try:
        return (folder / name).read_text(encoding="utf-8", errors="replace").strip()
    except FileNotFoundError:  # a text that this device does not have
        return ""


def _hex(folder: Path, name: str) -> int:
    return int(_text(folder, name), 16)


def _from_pyusb() -> Iterator[UsbInstrument]:
    backend = usb_backend()
    import usb.core

    for device in usb.core.find(find_all=True, backend=backend):
        try:
            found = {
                i.bInterfaceNumber
                for configuration in device
                for i in configuration
                if (i.bInterfaceClass, i.bInterfaceSubClass) == TMC_CLASS
            }
        except usb.core.USBError:
            continue
        access: Literal["ok", "no permission"] = "ok"
        texts = ["", "", ""]
        try:
            texts = [
                usb.util.get_string(device, index) or "" if index else ""
                for index in (device.iSerialNumber, device.iManufacturer, device.iProduct)
            ]
        except (usb.core.USBError, ValueError, NotImplementedError):
            access = "no permission"
        for number in sorted(found):
            yield UsbInstrument(
                device.idVendor, device.idProduct, texts[0], number, " ".join(filter(None, texts[1:])), access
            )
