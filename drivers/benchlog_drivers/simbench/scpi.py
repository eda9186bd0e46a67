"""The instrument's side of SCPI: headers in long and short form, an error queue, lines in and answers out."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable

from benchlog_drivers.simbench.loopback import Connection

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
        """See `Endpoint.opened`."""
        self._buffers[id(connection)] = bytearray()

    def closed(self, connection: Connection) -> None:
        """See `Endpoint.closed`."""
        self._buffers.pop(id(connection), None)

    def due(self) -> float:
        """See `Endpoint.due`; an instrument speaks only when spoken to."""
        return 0.5

    def received(self, connection: Connection, data: bytes) -> None:
        """See `Endpoint.received`."""
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
