"""Emulated USBTMC/USB488 instruments: a two-channel scope and a function generator on one bench.

Run as a program it serves them and the serial meter by USB/IP and takes one JSON object a line on 127.0.0.1:3241 (see `command`).
The scope speaks the ten-field-preamble dialogue of the project's own dialect file, written from its text alone.
"""

from __future__ import annotations

import json
import math
import queue
import socket
import struct
import threading
import time

import numpy as np
from cdc_meter import Meter
from usbip_device import FULL_SPEED, Device, InPipe, Stall, serve

CONTROL_PORT = 3241


class Scope(Device):
    """USBTMC 1.0 with the USB488 subclass; CH2 is `ratio` times CH1, both sines of `hz`."""

    busid = "1-2"
    device_class = (0, 0, 0)
    product = 0x0022
    subclass_protocol = 1
    capable_ren = True

    def __init__(self, busid: str = "1-2", serial: str = "SC0001", speed: int = 3) -> None:
        super().__init__()
        self.busid, self.speed = busid, speed
        self.strings = {1: "Bench", 2: "Two-channel scope", 3: serial}
        self.packet = 512 if speed == 3 else 64
        self.pipes = {0x82: InPipe(self.packet), 0x83: InPipe(8)}
        self.how = {
            "idn": f"simulated,SC-03,{serial},1.0", "delay_s": 0.0, "drop_after": 0, "stall_in_after": 0,
            "mute": False, "pad": True, "ratio": 60.0, "hz": 5000.0, "phase": 0.0, "max_transfer": 0,
            "pause_after": 0, "pause_s": 0.0, "alt": False, "stall_out": 0, "amplitude": 0.05,
            "rate": 0, "indefinite": False, "refuse": "", "strict_488": True, "zlp": True,
            "no_abort": False, "mav_stays": False, "srq": False,
        }  # fmt: skip
        self.reset()
        self.settings: dict[str, str] = {}
        self.errors: list[str] = []
        self.samples, self.spd = 10000, 1e-3
        self.source, self.start, self.stop = 1, 1, 0
        self.ch = {1: self._channel(), 2: self._channel()}
        self.codes: dict[int, bytes] = {}
        self.bytes_in = 0
        self.spoken: list[str] = []
        self.inbox: queue.SimpleQueue[tuple[str, int]] = queue.SimpleQueue()
        threading.Thread(target=self._listen, daemon=True).start()

    @staticmethod
    def _channel() -> dict:
        return {"probe": 1.0, "coupling": "DC", "scale": 1.0, "on": True}

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

    # -- the instrument --
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
        if head == "*IDN?":
            return self.how["idn"]
        if head == "*CLS":
            self.errors.clear()
            return None
        if head == "SYSTEM:ERROR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        if head.startswith("CHANNEL"):
            number, word = int(head[7]), head[9:]
            ch = self.ch[number]
            key = {
                "PROBE": "probe",
                "SCALE": "scale",
                "COUPLING": "coupling",
                "OFFSET": "offset",
                "DISPLAY": "on",
            }[word.rstrip("?")]
            if word.endswith("?"):
                return ch[key] if key == "coupling" else f"{ch[key]:.6e}"
            ch[key] = value if key in ("coupling", "on") else float(value)
            return None
        simple = {
            "TIMEBASE:MAIN:SCALE": lambda: setattr(self, "spd", float(value)),
            "ACQUIRE:MDEPTH": lambda: setattr(self, "samples", int(float(value))),
            "TRIGGER:EDGE:SOURCE": lambda: None,
            "TRIGGER:EDGE:SLOPE": lambda: None,
            "TRIGGER:EDGE:LEVEL": lambda: None,
            "WAVEFORM:SOURCE": lambda: setattr(self, "source", int(value[-1])),
            "WAVEFORM:MODE": lambda: None,
            "WAVEFORM:FORMAT": lambda: None,
            "WAVEFORM:START": lambda: setattr(self, "start", int(value)),
            "WAVEFORM:STOP": lambda: setattr(self, "stop", int(value)),
            "SINGLE": self._take,
        }
        if head in simple:
            simple[head]()
            return None
        if head == "TRIGGER:STATUS?":
            return "STOP"
        if head == "WAVEFORM:PREAMBLE?":
            step = self.ch[self.source]["scale"] / 25
            dt = 10 * self.spd / self.samples
            return f"0,2,{self.samples},1,{dt:.9e},{-dt * (self.samples // 2):.9e},0,{step:.9e},0,128"
        if head == "WAVEFORM:DATA?":
            part = self.codes[self.source][self.start - 1 : self.stop]
            return b"#0" + part if self.how["indefinite"] else b"#9%09d" % len(part) + part
        raise KeyError(head)

    def _take(self) -> None:
        n, how = self.samples, self.how
        t = np.arange(n) * (10 * self.spd / n)
        for number, ch in self.ch.items():
            volts = how["amplitude"] * (how["ratio"] if number == 2 else 1.0)
            wave = volts * np.sin(2 * math.pi * how["hz"] * t + (how["phase"] if number == 2 else 0.0))
            # A dither one code high, always the same, makes the record like a real converter's.
            codes = np.rint(128 + wave / (ch["scale"] / 25) + np.random.default_rng(number).random(n) - 0.5)
            self.codes[number] = np.clip(codes, 0, 255).astype(np.uint8).tobytes()


class Generator(Scope):
    """A function generator on the same bench: what it is set to appears at the scope, winding on CH2, loop on CH1."""

    product = 0x0033

    def __init__(self, scope: Scope, busid: str = "1-5", serial: str = "SG0001") -> None:
        super().__init__(busid, serial, FULL_SPEED)
        self.strings[2] = "Function generator"
        self.how["idn"] = f"simulated,SG-04,{serial},1.0"
        self.scope = scope
        self.put = {"on": False, "vpp": 1.0, "hz": 1000.0}

    def _scpi(self, head: str, value: str):
        if head in ("*IDN?", "*CLS", "SYSTEM:ERROR?"):
            return super()._scpi(head, value)
        key = {
            "OUTPUT1": "on", "SOURCE1:VOLTAGE": "vpp", "SOURCE1:FREQUENCY": "hz", "OUTPUT1:LOAD": "",
            "SOURCE1:FUNCTION": "", "SOURCE1:VOLTAGE:UNIT": "", "SOURCE1:VOLTAGE:OFFSET": "",
        }[head.rstrip("?")]  # fmt: skip
        if head.endswith("?"):
            return ("1" if self.put["on"] else "0") if key == "on" else f"{self.put[key]:.9e}"
        if key:
            self.put[key] = value.upper() in ("1", "ON") if key == "on" else float(value)
            # 60 turns of A_L 61 uH behind 50 ohm: the winding's share of the open voltage.
            ratio, reactance = (
                self.scope.how["ratio"],
                2 * math.pi * self.put["hz"] * 61e-6 * self.scope.how["ratio"] ** 2,
            )
            share = reactance / math.hypot(50.2, reactance)
            volts = self.put["vpp"] / 2 * share if self.put["on"] else 0.0
            self.scope.how.update(hz=self.put["hz"], amplitude=volts / ratio)
        return None


def main() -> None:
    np.random.default_rng(0)  # a slow first import, not in the middle of a question
    meter, second, scope, slow_scope = (
        Meter(),
        Meter("1-3", "M0002", counts=5000),  # so that its readings can be told from the first one's
        Scope(),
        Scope("1-4", "SC0002", FULL_SPEED),
    )
    names = {
        "meter": meter,
        "second": second,
        "scope": scope,
        "fullspeed": slow_scope,
        "generator": Generator(scope),
    }
    serve(list(names.values()))

    def command(text: str) -> object:
        """`{"on": NAME, "do": "set"|"unplug"|"log"|"clear"|"state", ...}`."""
        asked = json.loads(text)
        device = names[asked["on"]]
        if asked["do"] == "set":
            target = getattr(device, "how", None)
            for key, value in asked["values"].items():
                if target is not None and key in target:
                    target[key] = value
                else:
                    setattr(device, key, value)
        elif asked["do"] == "unplug":
            device.unplug()
        elif asked["do"] == "clear":
            device.log.clear()
            if hasattr(device, "spoken"):
                device.spoken.clear()
        elif asked["do"] == "log":
            return device.log
        elif asked["do"] == "state":
            return {"attached": device.connection is not None, "spoken": getattr(device, "spoken", [])[-400:],
                    "bytes_in": getattr(device, "bytes_in", 0)}  # fmt: skip
        return "ok"

    listener = socket.create_server(("127.0.0.1", CONTROL_PORT))
    while True:
        connection, _ = listener.accept()
        with connection, connection.makefile("rw") as file:
            line = file.readline()
            if line:
                try:
                    answer = command(line)
                except Exception as error:  # noqa: BLE001
                    answer = {"error": repr(error)}
                file.write(json.dumps(answer) + "\n")
                file.flush()


if __name__ == "__main__":
    main()
