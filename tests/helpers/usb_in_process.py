"""Emulated USB devices as a PyUSB backend in this process: packets, short and empty packets, STALL, babble, unplugging.

The devices are those of the virtual machine in `tests/usb_vm`, which know nothing of the program; this is where
libusb, the kernel and the bus are there. What it does on a time-out follows libusb's documentation of synchronous
transfers (from memory): what had come is returned, an error is raised only where nothing had.
"""

from __future__ import annotations

import errno
import struct
import threading
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import usb.core
from usb.backend import IBackend
from usbip_device import EOVERFLOW, Device, Stall

_DEVICE = (
    "bLength bDescriptorType bcdUSB bDeviceClass bDeviceSubClass bDeviceProtocol bMaxPacketSize0 idVendor \
idProduct bcdDevice iManufacturer iProduct iSerialNumber bNumConfigurations"
)
_CONFIGURATION = "bLength bDescriptorType wTotalLength bNumInterfaces bConfigurationValue iConfiguration \
bmAttributes bMaxPower"
_INTERFACE = "bLength bDescriptorType bInterfaceNumber bAlternateSetting bNumEndpoints bInterfaceClass \
bInterfaceSubClass bInterfaceProtocol iInterface"
_ENDPOINT = "bLength bDescriptorType bEndpointAddress bmAttributes wMaxPacketSize bInterval"


def _fields(names: str, layout: str, data: bytes) -> SimpleNamespace:
    values = struct.unpack_from("<" + layout, data)
    return SimpleNamespace(**dict(zip(names.split(), values, strict=True)), extra_descriptors=[])


class _Wire:
    """Where a device sends its finished transfers: in the place of its connection to the bus."""

    def __init__(self) -> None:
        self.done: dict[int, tuple[int, bytes]] = {}
        self.news = threading.Condition()
        self.gone = False

    def sendall(self, data: bytes) -> None:
        _code, seq = struct.unpack(">II", data[:8])
        with self.news:
            self.done[seq] = (struct.unpack(">i", data[20:24])[0], data[48:])
            self.news.notify_all()

    def shutdown(self, _how: int) -> None:
        with self.news:
            self.gone = True
            self.news.notify_all()


class InProcessUsb(IBackend):
    """A bus with these devices on it.

    `denied` holds the devices this user may not open, `kernel_driver` those the kernel has a driver for,
    `claimed` those in use.
    """

    def __init__(self, *devices: Device) -> None:
        self.devices = list(devices)
        self.denied: set[Device] = set()
        self.kernel_driver: set[Device] = set()
        self.claimed: dict[Device, object] = {}
        self._seq = 0
        for device in devices:
            self.plug_in(device)

    def plug_in(self, device: Device) -> None:
        """Put a device on the bus, or back on it."""
        device.connection = _Wire()  # type: ignore[assignment]
        device.out_halted.clear()
        for pipe in device.pipes.values():
            pipe.transfers.clear()
            pipe.urbs.clear()
            pipe.halted = False
        device.attached()
        self.claimed.pop(device, None)

    # -- descriptors --

    def enumerate_devices(self) -> Iterator[Device]:
        return (d for d in self.devices if not self._wire(d).gone)

    def get_device_descriptor(self, dev: Device) -> Any:
        found = _fields(_DEVICE, "BBHBBBBHHHBBBB", dev.device_descriptor())
        vars(found).update(address=1, bus=1, port_number=1, port_numbers=(1,), speed=dev.speed)
        return found

    def get_configuration_descriptor(self, dev: Device, config: int) -> Any:
        if config:
            raise IndexError(config)
        return _fields(_CONFIGURATION, "BBHBBBBB", dev.config_descriptor())

    def _interfaces(self, dev: Device) -> list[list[tuple[Any, list[Any]]]]:
        """Alternate settings by interface, each with its endpoints."""
        found: dict[int, list[tuple[Any, list[Any]]]] = {}
        data = dev.config_body()
        while data:
            part, data = data[: data[0]], data[data[0] :]
            if part[1] == 4:
                interface = _fields(_INTERFACE, "BBBBBBBBB", part)
                found.setdefault(interface.bInterfaceNumber, []).append((interface, []))
            elif part[1] == 5:
                endpoint = _fields(_ENDPOINT, "BBBBHB", part)
                endpoint.bRefresh = endpoint.bSynchAddress = 0
                found[interface.bInterfaceNumber][-1][1].append(endpoint)
        return list(found.values())

    def get_interface_descriptor(self, dev: Device, intf: int, alt: int, config: int) -> Any:
        return self._interfaces(dev)[intf][alt][0]

    def get_endpoint_descriptor(self, dev: Device, ep: int, intf: int, alt: int, config: int) -> Any:
        return self._interfaces(dev)[intf][alt][1][ep]

    # -- opening --

    def open_device(self, dev: Device) -> tuple[Device, object]:
        if dev in self.denied:
            raise usb.core.USBError("Access denied (insufficient permissions)", -3, errno.EACCES)
        return dev, object()

    def close_device(self, dev_handle: Any) -> None:
        pass

    def get_configuration(self, dev_handle: Any) -> int:
        return 1

    def set_interface_altsetting(self, dev_handle: Any, intf: int, altsetting: int) -> None:
        pass

    def claim_interface(self, dev_handle: Any, intf: int) -> None:
        if dev_handle[0] in self.kernel_driver or dev_handle[0] in self.claimed:
            raise usb.core.USBError("Resource busy", -6, errno.EBUSY)
        self.claimed[dev_handle[0]] = dev_handle[1]

    def release_interface(self, dev_handle: Any, intf: int) -> None:
        self.claimed.pop(dev_handle[0], None)

    def is_kernel_driver_active(self, dev_handle: Any, intf: int) -> bool:
        return dev_handle[0] in self.kernel_driver

    def detach_kernel_driver(self, dev_handle: Any, intf: int) -> None:
        self.kernel_driver.discard(dev_handle[0])

    def attach_kernel_driver(self, dev_handle: Any, intf: int) -> None:
        self.kernel_driver.add(dev_handle[0])

    # -- transfers --

    def ctrl_transfer(
        self,
        dev_handle: Any,
        bmRequestType: int,
        bRequest: int,
        wValue: int,
        wIndex: int,
        data: Any,
        timeout: int,
    ) -> int:
        device = dev_handle[0]
        self._present(device)
        try:
            with device.lock:
                answer = device.control((bmRequestType, bRequest, wValue, wIndex, len(data)), data.tobytes())
        except Stall:
            raise usb.core.USBError("Pipe error", -9, errno.EPIPE) from None
        if not bmRequestType & 0x80:
            return len(data)
        for at, byte in enumerate(answer):
            data[at] = byte
        return len(answer)

    def clear_halt(self, dev_handle: Any, ep: int) -> None:
        self._present(dev_handle[0])
        with dev_handle[0].lock:
            dev_handle[0].control((2, 1, 0, ep, 0), b"")

    def bulk_write(self, dev_handle: Any, ep: int, intf: int, data: Any, timeout: int) -> int:
        self._transfer(dev_handle[0], ep, 0, data.tobytes(), timeout)
        return len(data)

    def bulk_read(self, dev_handle: Any, ep: int, intf: int, buff: Any, timeout: int) -> int:
        data = self._transfer(dev_handle[0], ep, len(buff), b"", timeout)
        memoryview(buff).cast("B")[: len(data)] = data
        return len(data)

    intr_read = bulk_read

    def _transfer(self, device: Device, ep: int, length: int, data: bytes, timeout: int) -> bytes:
        self._present(device)
        self._seq += 1
        seq, wire = self._seq, self._wire(device)
        with device.lock:
            device._submit(seq, int(bool(ep & 0x80)), ep & 15, 0, length, (0,) * 5, data)
        with wire.news:
            came = wire.news.wait_for(lambda: seq in wire.done or wire.gone, timeout / 1000)
        if came:
            self._present(device)
            status, got = wire.done.pop(seq)
        else:
            status, got = self._cut_off(device, ep, seq)
        if status == -errno.EPIPE:
            raise usb.core.USBError("Pipe error", -9, errno.EPIPE)
        if status == -EOVERFLOW:
            raise usb.core.USBError("Overflow", -8, errno.EOVERFLOW)
        if length and not came and not got:
            raise usb.core.USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)
        return got

    def _cut_off(self, device: Device, ep: int, seq: int) -> tuple[int, bytes]:
        with device.lock:
            pipe = device.pipes[ep]
            for urb in list(pipe.urbs):
                if urb.seq == seq:
                    pipe.urbs.remove(urb)
                    return 0, bytes(urb.got)
        return self._wire(device).done.pop(seq)  # it came in the last moment

    def _wire(self, device: Device) -> _Wire:
        wire: Any = device.connection
        return wire

    def _present(self, device: Device) -> None:
        if self._wire(device).gone:
            raise usb.core.USBError("No such device (it may have been disconnected)", -4, errno.ENODEV)
