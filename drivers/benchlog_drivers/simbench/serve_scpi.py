"""SCPI on the instrument's side: dialogues of the simulated scope, generator and bench meter.

Headers in long and short form, an error queue, lines in and answers out.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable

from benchlog.reading import Function
from benchlog_drivers.simbench.generator import SineGenerator
from benchlog_drivers.simbench.loopback import Connection
from benchlog_drivers.simbench.meter import MeterUpdates
from benchlog_drivers.simbench.scene import Scene
from benchlog_drivers.simbench.scope import CODES_PER_DIVISION, ZERO_CODE, Scope, ScopeChannel

Answer = str | bytes | None
_QUEUE = 20


class ScpiError(Exception):
    """An error for the instrument's queue."""

    def __init__(self, number: int, text: str) -> None:
        super().__init__(text)
        self.number = number
        self.text = text


def header_pattern(spec: str) -> re.Pattern[str]:
    """Pattern of a command such as ``"SOURce{n}:FREQuency"``: short or long form of each word, ``{n}`` a number.

    A trailing ``?`` makes it a query. Anything after a space is the parameter.
    """
    words = []
    for word in spec.removesuffix("?").split(":"):
        numbered = word.endswith("{n}")
        word = word.removesuffix("{n}")
        short = "".join(c for c in word if not c.islower())
        rest = word[len(short) :]
        words.append(
            re.escape(short) + (f"(?:{re.escape(rest)})?" if rest else "") + (r"(\d*)" if numbered else "")
        )
    tail = r"\?" if spec.endswith("?") else ""
    return re.compile(":?" + ":".join(words) + tail + r"(?:\s+(.*))?", re.IGNORECASE)


def block(payload: bytes) -> bytes:
    """Definite-length block with a nine-digit count (IEEE 488.2, 8.7.9)."""
    return b"#9%09d" % len(payload) + payload


class ScpiEndpoint:
    """Answers lines; see `Endpoint`.

    Parameters
    ----------
    identity : str
        Answer to ``*IDN?``.
    commands : dict of str to callable
        Header spec to handler. A handler gets the numbers in the header and the parameter, as texts, and returns
        the answer of a query (None for a command), or raises `ScpiError`.
    """

    def __init__(self, identity: str, commands: dict[str, Callable[..., Answer]]) -> None:
        self._identity = identity
        self._commands = [(header_pattern(spec), handler) for spec, handler in commands.items()]
        self._errors: deque[tuple[int, str]] = deque()
        self._buffers: dict[int, bytearray] = {}

    def opened(self, connection: Connection) -> None:
        self._buffers[id(connection)] = bytearray()

    def closed(self, connection: Connection) -> None:
        self._buffers.pop(id(connection), None)

    def due(self) -> float:
        """See `Endpoint.due`; an instrument only answers."""
        return 0.5

    def received(self, connection: Connection, data: bytes) -> None:
        buffer = self._buffers.setdefault(id(connection), bytearray())
        buffer += data
        while (end := buffer.find(b"\n")) >= 0:
            line = bytes(buffer[:end]).decode("ascii", "replace").strip()
            del buffer[: end + 1]
            answers = [a for a in map(self.answer, line.split(";")) if a is not None]
            if answers:
                connection.send(b";".join(answers) + b"\n")

    def answer(self, message: str) -> bytes | None:
        """Answer one message unit."""
        message = message.strip()
        if not message:
            return None
        common = message.upper()
        if common == "*IDN?":
            return self._identity.encode("ascii")
        if common == "*CLS":
            self._errors.clear()
            return None
        if common in ("*OPC?", "*ESR?"):
            return b"1" if common == "*OPC?" else b"0"
        if re.fullmatch(r":?SYST(EM)?:ERR(OR)?(:NEXT)?\?", common):
            number, text = self._errors.popleft() if self._errors else (0, "No error")
            return f'{number},"{text}"'.encode("ascii")
        try:
            return self._dispatch(message)
        except ScpiError as error:
            self.note(error.number, error.text)
        return None

    def note(self, number: int, text: str) -> None:
        """Put an error into the queue; a full queue ends in an overflow entry."""
        if len(self._errors) >= _QUEUE:
            self._errors[-1] = (-350, "Queue overflow")
        else:
            self._errors.append((number, text))

    def _dispatch(self, message: str) -> bytes | None:
        for pattern, handler in self._commands:
            match = pattern.fullmatch(message)
            if match:
                *numbers, parameter = match.groups()
                try:
                    found = handler(*numbers, (parameter or "").strip())
                except ValueError as error:
                    raise ScpiError(-104, "Data type error") from error
                return found.encode("ascii") if isinstance(found, str) else found
        raise ScpiError(-113, "Undefined header")


_MIN_DIVISION_V, _MAX_DIVISION_V = 1e-3, 10.0
_MAX_SAMPLES = 10_000_000


def _number(text: str, low: float, high: float) -> float:
    value = float(text)
    if not low * (1 - 1e-9) <= value <= high * (1 + 1e-9):
        raise ScpiError(-222, "Data out of range")
    return value


def _word(text: str, choices: dict[str, str]) -> str:
    """Return the value of the choice that `text` abbreviates or spells out."""
    for word, value in choices.items():
        short = "".join(c for c in word if not c.islower())
        if text.upper() in (short.upper(), word.upper()):
            return value
    raise ScpiError(-224, "Illegal parameter value")


def _only(*words: str) -> Callable[..., Answer]:
    """Handler of a setting with a few possible words, which this instrument ignores."""

    def check(*parameters: str) -> None:
        _word(parameters[-1], {word: word for word in words})

    return check


_ON_OFF = {"ON": "1", "OFF": "0", "1": "1", "0": "0"}


def scope_endpoint(scope: Scope, scene: Scene) -> ScpiEndpoint:
    """Ten-field-preamble dialogue of a scope."""
    shown = {"source": "CH1"}
    window = {"start": 1, "stop": 0}

    def channel(number: str) -> ScopeChannel:
        name = f"CH{number}"
        if name not in scope.channels:
            raise ScpiError(-114, "Header suffix out of range")
        return scope.channels[name]

    def source(text: str) -> str:
        return _word(text, {f"CHANnel{n[2:]}": n for n in scope.channels})

    def scale(number: str, text: str) -> None:
        c = channel(number)
        c.volts_per_division = _number(text, _MIN_DIVISION_V * c.probe, _MAX_DIVISION_V * c.probe)

    def single(_: str) -> None:
        with scene.lock:
            scope.acquire(scene)
        window.update(start=1, stop=scope.samples)

    def preamble(_: str) -> str:
        step = scope.channels[shown["source"]].volts_per_division / CODES_PER_DIVISION
        n, dt = scope.samples, scope.interval_s
        return f"0,2,{n},1,{dt:.9e},{-dt * (n // 2):.9e},0,{step:.9e},0,{ZERO_CODE}"

    def data(_: str) -> bytes:
        codes = scope.codes.get(shown["source"])
        if codes is None:
            raise ScpiError(-230, "Data corrupt or stale")
        return block(codes[window["start"] - 1 : window["stop"]].tobytes())

    commands: dict[str, Callable[..., Answer]] = {
        "CHANnel{n}:DISPlay": lambda n, p: setattr(channel(n), "on", _word(p, _ON_OFF) == "1"),
        "CHANnel{n}:PROBe": lambda n, p: _told_probe(channel(n), _number(p, 0.01, 1000)),
        "CHANnel{n}:PROBe?": lambda n, p: f"{channel(n).probe:g}",
        "CHANnel{n}:COUPling": lambda n, p: setattr(
            channel(n), "coupling", _word(p, {"DC": "DC", "AC": "AC"})
        ),
        "CHANnel{n}:COUPling?": lambda n, p: channel(n).coupling,
        "CHANnel{n}:OFFSet": _only("0"),
        "CHANnel{n}:SCALe": scale,
        "CHANnel{n}:SCALe?": lambda n, p: f"{channel(n).volts_per_division:.6e}",
        "TIMebase:MAIN:SCALe": lambda p: setattr(scope, "seconds_per_division", _number(p, 5e-9, 50.0)),
        "TIMebase:MAIN:SCALe?": lambda p: f"{scope.seconds_per_division:.6e}",
        "ACQuire:MDEPth": lambda p: setattr(scope, "samples", int(_number(p, 2, _MAX_SAMPLES))),
        "ACQuire:MDEPth?": lambda p: f"{scope.samples}",
        "TRIGger:EDGe:SOURce": lambda p: setattr(scope, "trigger_channel", source(p)),
        "TRIGger:EDGe:SLOPe": _only("POSitive"),
        "TRIGger:EDGe:LEVel": lambda p: setattr(scope, "trigger_level_v", _number(p, -1e4, 1e4)),
        "TRIGger:STATus?": lambda p: "STOP",
        "SINGle": single,
        "WAVeform:SOURce": lambda p: shown.update(source=source(p)),
        "WAVeform:MODE": _only("RAW"),
        "WAVeform:FORMat": _only("BYTE"),
        "WAVeform:PREamble?": preamble,
        "WAVeform:STARt": lambda p: window.update(start=int(_number(p, 1, _MAX_SAMPLES))),
        "WAVeform:STOP": lambda p: window.update(stop=int(_number(p, 1, _MAX_SAMPLES))),
        "WAVeform:DATA?": data,
    }
    return ScpiEndpoint(f"simulated,{scope.tag},0,1.0", commands)


def _told_probe(channel: ScopeChannel, factor: float) -> None:
    """Set another probe factor: the range at the input stays, the shown volts change."""
    channel.volts_per_division *= factor / channel.probe
    channel.probe = factor


def generator_endpoint(source: SineGenerator, scene: Scene) -> ScpiEndpoint:
    """Dialogue of a function generator, sine only."""

    def put(name: str, value: object) -> None:
        with scene.change():
            setattr(source, name, value)

    def load(text: str) -> None:
        put("load_ohm", None if text.upper() in ("INF", "INFINITY") else _number(text, 1.0, 10e3))

    def amplitude(text: str) -> None:
        # With a load setting, the shown amplitude is that at the load.
        factor = 1.0 if source.load_ohm is None else 1 + source.output_ohm / source.load_ohm
        put("amplitude_vpp", factor * _number(text, 1e-3 / factor, source.max_vpp / factor))

    commands: dict[str, Callable[..., Answer]] = {
        "OUTPut{n}:LOAD": lambda n, p: load(p),
        "OUTPut{n}": lambda n, p: put("on", _word(p, _ON_OFF) == "1"),
        "OUTPut{n}?": lambda n, p: "1" if source.on else "0",
        "SOURce{n}:FUNCtion": _only("SINusoid"),
        "SOURce{n}:VOLTage:UNIT": _only("VPP"),
        "SOURce{n}:VOLTage:OFFSet": lambda n, p: put("offset_v", _number(p, -5.0, 5.0)),
        "SOURce{n}:VOLTage": lambda n, p: amplitude(p),
        "SOURce{n}:VOLTage?": lambda n, p: f"{source.amplitude_vpp:.6e}",
        "SOURce{n}:FREQuency": lambda n, p: put("frequency_hz", _number(p, 1e-3, source.max_hz)),
        "SOURce{n}:FREQuency?": lambda n, p: f"{source.frequency_hz:.9e}",
    }
    return ScpiEndpoint(f"simulated,{source.tag},0,1.0", commands)


_CONFIGURE = {
    "VOLTage:DC": (Function.DC_VOLTS, "VOLT"),
    "VOLTage:AC": (Function.AC_VOLTS, "VOLT:AC"),
    "CURRent:DC": (Function.DC_CURRENT, "CURR"),
    "CURRent:AC": (Function.AC_CURRENT, "CURR:AC"),
    "RESistance": (Function.OHMS, "RES"),
    "CONTinuity": (Function.CONTINUITY, "CONT"),
    "FREQuency": (Function.FREQUENCY, "FREQ"),
}


def meter_endpoint(updates: MeterUpdates) -> ScpiEndpoint:
    """Dialogue of a bench meter: CONFigure, READ?, FETCh?, MEASure."""
    meter, scene = updates.meter, updates.scene

    def configure(function: Function) -> None:
        with scene.change():
            meter.turn_dial(function)

    def read(_: str) -> str:
        shown = updates.next(ahead_s=10 * meter.spec.settle_s)
        if shown.counts is None:
            return "+9.90000000E+37"
        return f"{shown.counts * shown.resolution:+.8E}"

    def setter(function: Function) -> Callable[..., Answer]:
        return lambda p: configure(function)

    def measure(function: Function) -> Callable[..., Answer]:
        def answer(p: str) -> str:
            configure(function)
            return read(p)

        return answer

    commands: dict[str, Callable[..., Answer]] = {"READ?": read, "FETCh?": read}
    for header, (function, _) in _CONFIGURE.items():
        if function in meter.spec.functions:
            commands[f"CONFigure:{header}"] = setter(function)
            commands[f"MEASure:{header}?"] = measure(function)
    names = dict(_CONFIGURE.values())

    def setting(_: str) -> str:
        shown = updates.next(ahead_s=10 * meter.spec.settle_s)
        return f'"{names[meter.function]} {shown.top:+.8E},{shown.resolution:+.8E}"'

    commands["CONFigure?"] = setting
    commands["SENSe:FUNCtion?"] = lambda p: f'"{names[meter.function]}"'
    return ScpiEndpoint(f"simulated,{meter.tag},0,1.0", commands)
