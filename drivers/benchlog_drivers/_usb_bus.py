"""One USB interface of a test instrument through PyUSB: found by its name, claimed, and released.

PyVISA-py's own USB session is not used: it has no device clear, never clears a halted endpoint, keeps the kernel's driver
detached, drops received bytes at a time-out, and reports a missing permission as a missing instrument.
"""

from __future__ import annotations

import contextlib
import errno
from typing import TYPE_CHECKING, Any

from benchlog.errors import OpenError, OpenReason
from benchlog.usb_devices import TMC_CLASS, UsbInstrument, usb_backend

if TYPE_CHECKING:
    from collections.abc import Iterator

    import usb.core

_CONTROL_MS = 2000
_MAX_PACKET = 0x07FF  # of wMaxPacketSize; the bits above are the transactions per microframe
_TYPE, _BULK, _INTERRUPT, _IN = 0x03, 0x02, 0x03, 0x80
_USB488 = 1  # bInterfaceProtocol


class UsbInterface:
    """Bulk transfers in both directions and control requests of one claimed interface.

    Attributes
    ----------
    number : int
        Of the interface.
    packet : int
        Largest packet of Bulk-IN, byte.
    usb488 : bool
        Whether it has the USB488 subclass, which has a status byte.
    notifies : bool
        Whether it has an interrupt endpoint: then the status byte comes there.
    """

    def __init__(self, device: usb.core.Device, settings: Any) -> None:
        import usb.util

        self.number: int = settings.bInterfaceNumber
        self.usb488 = settings.bInterfaceProtocol == _USB488
        self._device = device
        self._interrupt: Any = next((e for e in settings if e.bmAttributes & _TYPE == _INTERRUPT), None)
        self.notifies = self._interrupt is not None
        bulk = [e for e in settings if e.bmAttributes & _TYPE == _BULK]
        ins = [e for e in bulk if e.bEndpointAddress & _IN]
        outs = [e for e in bulk if not e.bEndpointAddress & _IN]
        if not (ins and outs):
            raise OpenError(
                "this USB interface has no pair of bulk endpoints", hint="is this a measuring instrument?"
            )
        self._in, self._out = ins[0], outs[0]
        self.packet: int = self._in.wMaxPacketSize & _MAX_PACKET
        self._kernel_driver = False
        try:
            with contextlib.suppress(NotImplementedError):  # elsewhere than on Linux
                self._kernel_driver = device.is_kernel_driver_active(self.number)
                if self._kernel_driver:
                    device.detach_kernel_driver(self.number)
            usb.util.claim_interface(device, self.number)
            if settings.bAlternateSetting:
                device.set_interface_altsetting(self.number, settings.bAlternateSetting)
            self.clear_halts()
        except BaseException:
            self.close()
            raise

    def read(self, size: int, wait_s: float) -> bytes:
        """Read from Bulk-IN until a short packet, `size` bytes or the time is up; empty when nothing came."""
        return self._read(self._in, size, wait_s)

    def notification(self, wait_s: float) -> bytes:
        """Read one packet of the interrupt endpoint; empty when none came."""
        return self._read(self._interrupt, self._interrupt.wMaxPacketSize & _MAX_PACKET, wait_s)

    def _read(self, endpoint: Any, size: int, wait_s: float) -> bytes:
        import usb.core

        try:
            return bytes(self._device.read(endpoint, size, _milliseconds(wait_s)))
        except usb.core.USBTimeoutError:
            return b""

    def write(self, data: bytes, wait_s: float) -> None:
        """Write all of it to Bulk-OUT."""
        self._device.write(self._out, data, _milliseconds(wait_s))

    def request(self, code: int, length: int, value: int = 0, *, bulk_in: bool = False) -> bytes:
        """Send a class request to the interface, or to its Bulk-IN; return the answer, empty for one it does not know.

        An unknown request is answered by a STALL; some instruments do not answer it at all.
        """
        import usb.core

        to, index = (0xA2, self._in.bEndpointAddress) if bulk_in else (0xA1, self.number)
        try:
            return bytes(self._device.ctrl_transfer(to, code, value, index, length, _CONTROL_MS))
        except usb.core.USBTimeoutError:
            return b""
        except usb.core.USBError as error:
            if error.errno != errno.EPIPE:
                raise
            return b""

    def clear_halts(self, *, out: bool = False) -> None:
        """Clear halted endpoints; `out` clears Bulk-OUT whether it says it is halted or not."""
        import usb.control

        for endpoint in (self._in, self._out):
            halted = False
            with contextlib.suppress(_usb_error()):  # an instrument that does not answer is not halted
                halted = bool(usb.control.get_status(self._device, endpoint) & 1)
            if halted or (out and endpoint is self._out):
                self._device.clear_halt(endpoint)

    def close(self) -> None:
        """Release the interface, to the kernel's driver if that had it."""
        import usb.util

        with contextlib.suppress(_usb_error(), NotImplementedError):  # unplugged: nothing left to release
            usb.util.release_interface(self._device, self.number)
            if self._kernel_driver:
                self._device.attach_kernel_driver(self.number)
        self._kernel_driver = False
        with contextlib.suppress(_usb_error()):
            usb.util.dispose_resources(self._device)


def open_interface(name: str) -> UsbInterface:
    """Find the instrument of a VISA name (``USB0::0x1209::0x0022::SERIAL::INSTR``) and claim its interface.

    Raises
    ------
    OpenError
        When it is not plugged in, may not be opened, or is in use; `reason` says which.
    AdapterUnavailableError
        When PyUSB or libusb is missing.
    """
    from pyvisa.rname import USBInstr, parse_resource_name

    parsed = parse_resource_name(name)
    if not isinstance(parsed, USBInstr):
        raise OpenError(
            f"{name} is not a USB instrument", hint="names look like USB0::0x1209::0x0022::SERIAL::INSTR"
        )
    backend = usb_backend()
    import usb.core

    vendor, product = int(parsed.manufacturer_id, 0), int(parsed.model_code, 0)
    wanted, number = parsed.serial_number, int(parsed.usb_interface_number)
    fitting, denied = [], False
    for device in usb.core.find(find_all=True, idVendor=vendor, idProduct=product, backend=backend):
        try:
            serial = _serial_number(device)
        except usb.core.USBError as error:
            if error.errno not in (errno.EACCES, errno.EPERM):
                raise
            denied = True
            continue
        if wanted == serial or (not serial and wanted == "0"):
            fitting.append(device)
        else:
            usb.util.dispose_resources(device)
    if len(fitting) == 1:
        return UsbInterface(fitting[0], _settings(fitting[0], number, name))
    for device in fitting:
        usb.util.dispose_resources(device)
    if fitting:
        raise OpenError(f"{len(fitting)} instruments answer to {name}", hint="unplug all but the right one")
    if denied:
        raise OpenError(
            f"{name}: permission denied: it is plugged in, but your user may not open it",
            hint=UsbInstrument(vendor, product, wanted, number).permission_hint,
            reason=OpenReason.PERMISSION,
        )
    raise OpenError(
        f"{name}: no such instrument is plugged in",
        hint="is it switched on, with the cable in its USB device port? benchlog find lists the instruments",
        reason=OpenReason.MISSING,
    )


def _serial_number(device: usb.core.Device) -> str:
    """Serial number, empty if it has none; opens the device."""
    import usb.core
    import usb.util

    try:
        device.get_active_configuration()
    except usb.core.USBError as error:
        if error.errno is not None:
            raise
        device.set_configuration()  # it is not configured yet
    try:
        return usb.util.get_string(device, device.iSerialNumber) or "" if device.iSerialNumber else ""
    except ValueError:  # it reports no language for its texts
        return ""


def _settings(device: usb.core.Device, number: int, name: str) -> Any:
    """The interface's first alternate setting that has bulk endpoints in both directions."""
    found = [
        i
        for i in device.get_active_configuration()
        if i.bInterfaceNumber == number and (i.bInterfaceClass, i.bInterfaceSubClass) == TMC_CLASS
    ]
    if not found:
        raise OpenError(
            f"{name}: it is plugged in, but its USB interface {number} does not belong to a measuring instrument",
            hint="is there a USB mode in its menu? Set it to USBTMC, sometimes called Computer",
            reason=OpenReason.WRONG_DEVICE,
        )
    return next((i for i in found if len(list(_bulk(i))) >= 2), found[0])


def _bulk(settings: Any) -> Iterator[Any]:
    return (e for e in settings if e.bmAttributes & _TYPE == _BULK)


def _milliseconds(wait_s: float) -> int:
    return max(1, round(wait_s * 1000))  # zero means no limit for libusb


def _usb_error() -> type[OSError]:
    import usb.core

    error: type[OSError] = usb.core.USBError
    return error
