"""The USBTMC/USB488 interface of an emulated instrument: transfers, aborts, device clear, status byte, faults."""

from __future__ import annotations

import queue
import struct
import threading
import time

from usbip_device import FULL_SPEED, Device, InPipe, Stall


class UsbtmcInstrument(Device):
    """USBTMC 1.0 with the USB488 subclass before an instrument; `how` switches faults on."""

    device_class = (0, 0, 0)
    subclass_protocol = 1
    capable_ren = True

    def __init__(self, name: str, idn: str, busid: str, serial: str, speed: int) -> None:
        super().__init__()
        self.busid, self.speed = busid, speed
        self.strings = {1: "Bench", 2: name, 3: serial}
        self.packet = 64 if speed == FULL_SPEED else 512
        self.pipes = {0x82: InPipe(self.packet), 0x83: InPipe(8)}
        self.how = {
            "idn": f"simulated,{idn},{serial},1.0", "delay_s": 0.0, "drop_after": 0, "stall_in_after": 0,
            "mute": False, "pad": True, "max_transfer": 0, "pause_after": 0, "pause_s": 0.0, "alt": False, "stall_out": 0,
            "rate": 0, "indefinite": False, "refuse": "", "strict_488": True, "zlp": True,
            "no_abort": False, "mav_stays": False, "srq": False,
        }  # fmt: skip
        self.reset()
        self.errors: list[str] = []
        self.bytes_in = 0
        self.spoken: list[str] = []
        self.inbox: queue.SimpleQueue[tuple[str, int]] = queue.SimpleQueue()
        threading.Thread(target=self._listen, daemon=True).start()

    def reset(self) -> None:
        self.incoming = bytearray()
        self.message = bytearray()
        self.answer = bytearray()
        self.request: tuple[int, int] | None = None
        self.last_tag = 0
        self.sending = 0
        self.epoch = getattr(self, "epoch", 0) + 1  # what belongs to an older one is cut off
        if hasattr(self, "cleared"):
            self.cleared.set()
        self.cleared = threading.Event()
        self.in_tag = 0  # of the last request for data
        self.trickling: object = None  # the transfer that is being sent piece by piece

    def interfaces(self):
        return [(0xFE, 3, self.subclass_protocol)]

    def config_body(self) -> bytes:
        out = b""
        for alt in range(2 if self.how["alt"] else 1):
            out += (
                struct.pack("<BBBBBBBBB", 9, 4, 0, alt, 3, 0xFE, 3, self.subclass_protocol, 0)
                + struct.pack("<BBBBHB", 7, 5, 0x01, 2, self.packet, 0)
                + struct.pack("<BBBBHB", 7, 5, 0x82, 2, self.packet, 0)
                + struct.pack("<BBBBHB", 7, 5, 0x83, 3, 8, 9)
            )
        return out

    def attached(self) -> None:
        self.reset()
        self.bytes_in = 0

    def class_request(self, setup, data):
        _kind, request, value, _index, length = setup
        if request == 7:
            caps = bytearray(24)
            caps[0] = 1
            struct.pack_into("<H", caps, 2, 0x0100)
            struct.pack_into("<H", caps, 12, 0x0100)
            caps[14] = 4 | (2 if self.capable_ren else 0)
            caps[15] = 0
            return bytes(caps)[:length]
        if request in (160, 161, 162):
            self.note("ren", request=request, value=value)
            return b"\x01"
        if request == 128:
            return self._status_byte(value & 255)
        if request == 3:
            return self._abort_in(value & 255)
        if request == 4:
            return struct.pack("<BBHI", 1, 0, 0, self.sending)
        if request == 1:
            return bytes([0x81, value & 255])
        if request == 2:
            return struct.pack("<BBHI", 1, 0, 0, 0)
        if request == 5:
            self.note("initiate_clear")
            self.reset()
            pipe = self.pipes[0x82]
            pipe.transfers.clear()
            self.pipes[0x83].transfers.clear()
            self.out_halted.add(1)  # USBTMC 4.2.1.6: the Bulk-OUT endpoint is halted until the host clears it
            return b"\x01"
        if request == 6:
            return b"\x01\x00"
        raise Stall

    def _status_byte(self, tag: int) -> bytes:
        """READ_STATUS_BYTE (USB488 1.0, 4.3.1): with an interrupt endpoint, the byte comes there."""
        if not 2 <= tag <= 127:
            self.note("violation", why=f"status tag {tag}")
        waits = bool(self.answer or self.pipes[0x82].transfers) or self.how["mav_stays"]
        byte = (0x10 if waits else 0) | (0x04 if self.errors else 0)
        self.note("status_byte", byte=byte)
        if self.how["srq"]:
            self.push(0x83, bytes([0x81, 0x40 | byte]))
        self.push(0x83, bytes([0x80 | tag, byte]))
        return bytes([1, tag, 0])

    def _abort_in(self, tag: int) -> bytes:
        """INITIATE_ABORT_BULK_IN (USBTMC 1.0, 4.2.1.4): ends the transfer, not the message behind it."""
        pipe = self.pipes[0x82]
        self.note("abort_in", tag=tag, request=self.request, queued=len(pipe.transfers))
        if self.how["no_abort"]:
            raise Stall
        if tag != self.in_tag or not (self.request or pipe.transfers or self.trickling):
            return bytes([0x81, tag])
        self.request = self.trickling = None
        pipe.transfers.clear()
        pipe.put(b"")  # a short packet ends the transfer
        self.pump(0x82)
        return bytes([1, tag])

    def out(self, endpoint, data):
        if self.how["stall_out"]:
            self.how["stall_out"] -= 1
            self.out_halted.add(endpoint)
            raise Stall
        self.incoming += data
        while len(self.incoming) >= 12:
            kind, tag, inverse = self.incoming[0], self.incoming[1], self.incoming[2]
            size, attributes = struct.unpack_from("<IB", self.incoming, 4)
            if tag ^ inverse != 255 or not tag:
                self.note("violation", why=f"bTag {tag} {inverse}")
                self.incoming.clear()
                self.out_halted.add(endpoint)
                raise Stall
            if tag == self.last_tag:
                self.note("violation", why=f"bTag {tag} twice")
            self.last_tag = tag
            if kind == 1:
                whole = 12 + (size + 3) // 4 * 4
                if len(self.incoming) < whole:
                    if len(data) % self.packet:
                        self.note("violation", why=f"short message {len(self.incoming)} of {whole}")
                    return
                self.message += self.incoming[12 : 12 + size]
                del self.incoming[:whole]
                if attributes & 1:
                    text = bytes(self.message).decode("latin-1")
                    self.message.clear()
                    self.inbox.put((text, self.epoch))
            elif kind == 2:
                del self.incoming[:12]
                self.request, self.in_tag = (tag, size), tag
                self._respond()
            else:
                self.note("violation", why=f"MsgID {kind}")
                self.incoming.clear()
                self.out_halted.add(endpoint)
                raise Stall

    def _listen(self) -> None:
        """Work off messages in the order in which they came; a device clear throws away those that wait."""
        while True:
            text, epoch = self.inbox.get()
            with self.lock:
                if epoch != self.epoch:
                    continue
                if self.answer:  # IEEE 488.2, 6.3.2.3: a new message before the answer was read whole
                    self.note("interrupted", unread=len(self.answer), by=text.strip()[:40])
                    self.answer.clear()
                    self.request = None
                    if self.how["strict_488"]:
                        self.errors.append('-410,"Query INTERRUPTED"')
            for line in text.split("\n"):
                for unit in filter(None, (u.strip() for u in line.split(";"))):
                    self._unit(unit, epoch)

    def _unit(self, unit: str, epoch: int) -> None:
        if epoch != self.epoch:
            return
        self.spoken.append(unit)
        if self.how["refuse"] and unit.upper().startswith(self.how["refuse"].upper()):
            self.errors.append('-113,"Undefined header"')
            return
        answer = self.scpi(unit)
        if answer is None or self.how["mute"]:
            return
        if self.how["delay_s"]:
            self.cleared.wait(self.how["delay_s"])
        with self.lock:
            if epoch != self.epoch:
                return
            self.answer += answer + b"\n"
            self._respond()

    def _respond(self) -> None:
        """Send what is asked for, at most that, once there is something to say."""
        if self.request is None or not self.answer:
            return
        (tag, size), self.request = self.request, None
        if self.how["max_transfer"]:
            size = min(size, self.how["max_transfer"])
        part = bytes(self.answer[:size])
        del self.answer[:size]
        data = struct.pack("<BBBxIBxxx", 2, tag, tag ^ 255, len(part), 0 if self.answer else 1) + part
        if self.how["pad"]:
            data += b"\0" * (-len(data) % 4)
        pause, rate = self.how["pause_after"] // self.packet * self.packet, self.how["rate"]
        if (pause and len(data) > pause) or (rate and len(data) > 4096):
            self.trickling = object()
            threading.Thread(
                target=self._trickle, args=(data, pause, rate, self.trickling), daemon=True
            ).start()
            return
        drop, stall = self.how["drop_after"], self.how["stall_in_after"]
        if drop and len(data) > drop:
            self.pipes[0x82].put(data[: drop // self.packet * self.packet], empty_packet=False)
            self.pump(0x82)
            threading.Timer(0.2, self.unplug).start()
            return
        if stall and len(data) > stall:
            self.how["stall_in_after"] = 0
            pipe = self.pipes[0x82]
            pipe.put(data[: stall // self.packet * self.packet], empty_packet=False)
            self.pump(0x82)
            pipe.transfers.clear()
            self.answer.clear()
            pipe.halted = True
            self.note("stalled")
            self.pump(0x82)
            return
        self.pipes[0x82].put(data, empty_packet=self.how["zlp"])
        self.pump(0x82)

    def _trickle(self, data: bytes, pause: int, rate: float, transfer: object) -> None:
        """Send with one pause, or at a byte rate; the last part ends the transfer."""
        step = pause or max(self.packet, int(rate * 0.05) // self.packet * self.packet)
        for at in range(0, len(data), step):
            last = at + step >= len(data) or (pause and at > 0)
            part = data[at:] if last else data[at : at + step]
            with self.lock:
                if transfer is not self.trickling or self.connection is None:
                    return
                self.push(0x82, part, empty_packet=bool(last))
                if last:
                    self.trickling = None
            if last:
                return
            time.sleep(self.how["pause_s"] if pause else step / rate)

    def sent(self, endpoint, count):
        self.bytes_in += count
        self.sending = count

    def scpi(self, unit: str) -> bytes | None:
        head, _, rest = unit.partition(" ")
        up = head.upper().lstrip(":")
        try:
            found = self._scpi(up, rest.strip())
        except (KeyError, ValueError, IndexError):
            self.errors.append('-113,"Undefined header"')
            return None
        return found.encode() if isinstance(found, str) else found

    def _scpi(self, head: str, value: str):
        """What every instrument here knows; `KeyError` for the rest."""
        if head == "*IDN?":
            return self.how["idn"]
        if head == "*CLS":
            self.errors.clear()
            return None
        if head == "SYSTEM:ERROR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        raise KeyError(head)
