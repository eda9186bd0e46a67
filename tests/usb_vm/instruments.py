"""Emulated USBTMC/USB488 instruments: a two-channel scope and a function generator on one bench.

Run as a program it serves them and the serial meter by USB/IP and takes one JSON object a line on 127.0.0.1:3241 (see `command`).
The scope speaks the ten-field-preamble dialogue of the project's own dialect file, written from its text alone.
"""

from __future__ import annotations

import json
import math
import socket

import numpy as np
from cdc_meter import Meter
from usbip_device import FULL_SPEED, HIGH_SPEED, serve
from usbtmc_instrument import UsbtmcInstrument

CONTROL_PORT = 3241


class Scope(UsbtmcInstrument):
    """CH2 is `ratio` times CH1, both sines of `hz`."""

    product = 0x0022

    def __init__(self, busid: str = "1-2", serial: str = "SC0001", speed: int = HIGH_SPEED) -> None:
        super().__init__("Two-channel scope", "SC-03", busid, serial, speed)
        self.how |= {"ratio": 60.0, "hz": 5000.0, "phase": 0.0, "amplitude": 0.05}
        self.samples, self.spd = 10000, 1e-3
        self.source, self.start, self.stop = 1, 1, 0
        self.ch = {1: self._channel(), 2: self._channel()}
        self.codes: dict[int, bytes] = {}

    @staticmethod
    def _channel() -> dict:
        return {"probe": 1.0, "coupling": "DC", "scale": 1.0, "on": True}

    def _scpi(self, head: str, value: str):
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
        return super()._scpi(head, value)

    def _take(self) -> None:
        n, how = self.samples, self.how
        t = np.arange(n) * (10 * self.spd / n)
        for number, ch in self.ch.items():
            volts = how["amplitude"] * (how["ratio"] if number == 2 else 1.0)
            wave = volts * np.sin(2 * math.pi * how["hz"] * t + (how["phase"] if number == 2 else 0.0))
            # A dither one code high, always the same, makes the record like a real converter's.
            codes = np.rint(128 + wave / (ch["scale"] / 25) + np.random.default_rng(number).random(n) - 0.5)
            self.codes[number] = np.clip(codes, 0, 255).astype(np.uint8).tobytes()


class Generator(UsbtmcInstrument):
    """A function generator on the same bench: what it is set to appears at the scope, winding on CH2, loop on CH1."""

    product = 0x0033

    def __init__(self, scope: Scope, busid: str = "1-5", serial: str = "SG0001") -> None:
        super().__init__("Function generator", "SG-04", busid, serial, FULL_SPEED)
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
        Meter("1-3", "M0002", counts=5000),  # so that its readings differ from the first one's
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
