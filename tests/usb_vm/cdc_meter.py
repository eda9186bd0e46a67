"""Emulated serial meter on a USB cable (CDC-ACM): 14-byte LCD frames at 2400 baud, 8N1, while DTR is on."""

from __future__ import annotations

import struct
import threading
import time

from usbip_device import FULL_SPEED, Device, InPipe, Stall

# Segment codes of the digits, seven bits, from the layout table of the project's decoder.
DIGIT = dict(
    zip("0123456789L ", (0x7D, 0x05, 0x5B, 0x1F, 0x27, 0x3E, 0x7E, 0x15, 0x7F, 0x3F, 0x68, 0x00), strict=True)
)


def lcd_frame(counts: int, point_after: int = 1, minus: bool = False) -> bytes:
    """Volts dc, auto: four digits with the point after digit `point_after`."""
    low = [0] * 15
    low[1] = 0b0111  # DC, AUTO, link on
    low[13] = 0b0100  # volt
    for k, char in enumerate(f"{counts:04d}"):
        code = DIGIT[char]
        first, second = code >> 4, code & 15
        if k == 0 and minus:
            first |= 8
        if k > 0 and k == point_after:
            first |= 8
        low[2 + 2 * k], low[3 + 2 * k] = first, second
    return bytes((i << 4) | low[i] for i in range(1, 15))


class Meter(Device):
    """Counts up by one with every frame, so that a lost, doubled or invented reading shows in its value."""

    busid = "1-1"
    speed = FULL_SPEED
    device_class = (2, 0, 0)
    product = 0x0011

    def __init__(
        self, busid: str = "1-1", serial: str = "M0001", rate_hz: float = 3.0, counts: int = 0
    ) -> None:
        super().__init__()
        self.busid, self.rate_hz = busid, rate_hz
        self.strings = {1: "Bench", 2: "Serial meter cable", 3: serial}
        self.counts = counts
        self.line = struct.pack("<IBBB", 9600, 0, 0, 8)
        self.dtr = self.rts = False
        self.held = False
        self.pipes = {0x81: InPipe(64), 0x83: InPipe(16)}
        threading.Thread(target=self._talk, daemon=True).start()

    def interfaces(self):
        return [(2, 2, 1), (10, 0, 0)]

    def config_body(self) -> bytes:
        return (
            struct.pack("<BBBBBBBBB", 9, 4, 0, 0, 1, 2, 2, 1, 0)
            + bytes([5, 0x24, 0, 0x10, 0x01, 5, 0x24, 1, 0, 1, 4, 0x24, 2, 2, 5, 0x24, 6, 0, 1])
            + struct.pack("<BBBBHB", 7, 5, 0x83, 3, 16, 16)
            + struct.pack("<BBBBBBBBB", 9, 4, 1, 0, 2, 10, 0, 0, 0)
            + struct.pack("<BBBBHB", 7, 5, 0x02, 2, 64, 0)
            + struct.pack("<BBBBHB", 7, 5, 0x81, 2, 64, 0)
        )

    def attached(self) -> None:
        self.dtr = self.rts = False

    def class_request(self, setup, data):
        _, request, value, _, length = setup
        if request == 0x20:
            self.line = bytes(data)
            self.note("line", baud=struct.unpack("<I", data[:4])[0], fmt=list(data[4:7]))
            return b""
        if request == 0x21:
            return self.line[:length]
        if request == 0x22:
            self.dtr, self.rts = bool(value & 1), bool(value & 2)
            self.note("control_lines", dtr=self.dtr, rts=self.rts)
            return b""
        if request == 0x23:
            return b""
        raise Stall

    def out(self, endpoint, data):
        self.note("received", data=data.hex())

    def _talk(self) -> None:
        """A frame takes 14 x 10 bits at 2400 baud; the cable's chip hands bytes over as they come."""
        due = time.monotonic()
        while True:
            due += 1 / self.rate_hz
            time.sleep(max(0.0, due - time.monotonic()))
            if not self.held:
                self.counts = (self.counts + 1) % 10000
            frame = lcd_frame(self.counts)
            on = self.dtr and self.connection is not None
            right = self.line == struct.pack("<IBBB", 2400, 0, 0, 8)
            if not right:
                frame = bytes((b * 73 + 41) & 255 for b in frame[:9])  # what another baud rate makes of it
            sent = 0
            for at in range(0, len(frame), 3):
                time.sleep(3 * 10 / 2400)
                if self.dtr and self.connection is not None:
                    self.push(0x81, frame[at : at + 3])
                    sent += len(frame[at : at + 3])
            self.note("frame", counts=self.counts, whole=on and right and sent == 14)
