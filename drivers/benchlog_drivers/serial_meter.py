"""Handheld meters on a serial line: one adapter for all frame families, over a tty or a port on the network.

Addresses: ``serial:/dev/ttyUSB0?frames=segment14``, ``serial:socket://127.0.0.1:5021?frames=digitcode14``,
``serial:rfc2217://192.168.1.9:2217?frames=digitcode14``, and by
identity, whatever name the port got this time: ``serial:usb?serial=NUMBER&frames=...`` or
``serial:usb?description=TEXT&frames=...``.
"""

from __future__ import annotations

import contextlib
from collections import Counter, deque
from collections.abc import Callable, Iterable
from dataclasses import replace as dataclass_replace
from typing import Any, Literal

import serial

from benchlog.adapter import Reader
from benchlog.clock import Clock
from benchlog.errors import AdapterUnavailableError, BadFrameError, ConfigError, OpenError, OpenReason
from benchlog.reading import Reading
from benchlog.serial_ports import PortInfo, listed_ports
from benchlog_drivers import _lines
from benchlog_drivers._line_errors import FOREIGN_ERRORS, link_lost
from benchlog_drivers.decoders import SEVEN_BITS, FrameOptions, LineSettings, make_decoder, recognise
from benchlog_drivers.wiretap import Wiretap

# Longest single wait: limits a pause inside a frame and the delay until an ended link is noticed.
SLICE_S = 0.1
ANSWER_S = 1.0  # after this time without an answer a polled meter is asked again
GARBAGE_BYTES = 48  # this many bytes without a frame are not an accident
_TEXT = frozenset(b"\t\r\n" + bytes(range(0x20, 0x7F)))


class SerialOptions(FrameOptions, frozen=True, kw_only=True):
    """Options of a serial meter."""

    #: baud, stop, dtr, rts: Where this meter's line differs from its family's.
    baud: int | None = None
    stop: Literal["1", "1.5", "2"] | None = None
    dtr: bool | None = None
    rts: bool | None = None
    #: What to send to get a frame, with ``\\r`` and ``\\n`` for the control characters.
    request: str | None = None
    every: float = 0.0  #: Least time between requests, second.
    #: serial, description: USB serial number, or text in the port's description, to find the port by.
    serial: str = ""
    description: str = ""


class SerialMeter(Reader):
    """A meter that sends frames over a serial line.

    Parameters
    ----------
    port : str
        Device, ``socket://`` or ``rfc2217://`` URL, or ``usb`` with an identity in the options.
    ports : callable, optional
        Lists the serial ports there are; the computer's own by default.

    Attributes
    ----------
    wiretap : Wiretap or None
        Gets every byte, for recording.
    """

    Options = SerialOptions

    def __init__(
        self,
        instrument: str,
        port: str,
        options: SerialOptions,
        *,
        clock: Clock | None = None,
        ports: Callable[[], Iterable[PortInfo]] = listed_ports,
    ) -> None:
        super().__init__(instrument, clock=clock)
        self.decoder = make_decoder(options)
        self.wiretap: Wiretap | None = None
        self._wanted = port
        self._options = options
        self._settings = _line_settings(self.decoder.line, options)
        if self.decoder.checks_parity and self._settings.bits == 7 and self._settings.parity != "N":
            self._port_settings = dataclass_replace(self._settings, bits=8, parity="N")
        else:
            self._port_settings = self._settings
        self._request = _request(self.decoder.request, options)
        self._ports = ports
        self._port = port
        self._usb_identity: tuple[str, str] | None = None
        self._link: serial.Serial | None = None
        self._ready: deque[Reading] = deque()
        self._asked_ns: int | None = None
        self._waiting = False
        self._garbage = b""
        self._idle_s = 0.0
        self._last_data_ns = 0

    @property
    def rejects(self) -> Counter[str]:
        return self.decoder.rejects

    @property
    def port(self) -> str:
        """Port in use now."""
        return self._port

    def identity(self) -> str:
        return f"{self.decoder.family} frames on {self._port}"

    def _open(self) -> None:
        self._ready.clear()
        self._asked_ns, self._waiting = None, False
        self._garbage = b""
        self._port = self._find()
        self._link = _lines.open_port(self._port, self._port_settings)
        try:
            self._check_identity()
        except OpenError:
            self._close()
            raise
        self._note("!", b"open")

    def _close(self) -> None:
        if self._link is not None:
            _lines.close_port(self._link)
            self._link = None
        self.decoder.abandon()

    def _find(self) -> str:
        """Present name of the meter's port.

        A port that was open before is found by its USB identity: after unplugging, its old name may belong to
        another meter, whose readings must not come in under this one's tag.
        """
        if self._wanted == "usb":
            return _lines.find_port(self._options.serial, self._options.description, ports=self._ports).device
        if self._usb_identity is None:
            return self._wanted
        seen = list(self._ports())
        same = [p.device for p in seen if (p.serial_number, p.description) == self._usb_identity]
        if len(same) == 1:
            return same[0]
        if self._wanted in same:
            return self._wanted
        # Don't try while the device is away: another one may take the name at any moment.
        raise self._other_device(self._wanted, taken=any(p.device == self._wanted for p in seen))

    def _check_identity(self) -> None:
        """Check that the open port is the same USB device as before: the name may have gone to another one meanwhile."""
        if "://" in self._port:
            return
        now = None
        with contextlib.suppress(AdapterUnavailableError):  # if ports can't be listed, only the name counts
            for port in self._ports():
                if port.device == self._port and port.serial_number:
                    now = (port.serial_number, port.description)
        if self._usb_identity is None:
            self._usb_identity = now
        elif now != self._usb_identity:
            raise self._other_device(self._port)

    def _other_device(self, name: str, *, taken: bool = True) -> OpenError:
        serial_number, description = self._usb_identity or ("", "")
        why = f"{name} is another device now; " if taken else f"{name}: "
        return OpenError(
            f"{why}{description} {serial_number} is not plugged in",
            hint="plug the meter's own cable in again",
            reason=OpenReason.MISSING,
        )

    def _note(self, direction: str, data: bytes) -> None:
        if self.wiretap is not None:
            self.wiretap(self.clock.utc_ns(), self.clock.monotonic_ns(), direction, data)

    def _open_link(self) -> serial.Serial:
        if self._link is None:
            raise OpenError(f"{self._port} is not open", hint="open the adapter first")
        return self._link

    def _read(self, timeout_s: float) -> Reading | None:
        link = self._open_link()  # raises if closed: no readings are given out after that
        end_ns = self.clock.monotonic_ns() + round(timeout_s * 1e9)
        waited_s = 0.0  # real waiting time, for manual clocks
        while not self._ready:
            left_s = min((end_ns - self.clock.monotonic_ns()) / 1e9, timeout_s - waited_s)
            if self._request:
                self._ask()
            wait_s = min(SLICE_S, max(0.0, left_s))
            data = self._receive(link, wait_s)
            if data and (left_s > 0 or self._ready):  # endless data must not hold up the caller
                continue
            self._drop_stale_frame(wait_s)
            waited_s += wait_s
            if left_s <= SLICE_S:
                self._complain()
                return None
        return self._ready.popleft()

    def _drop_stale_frame(self, waited_s: float) -> None:
        """Drop an unfinished frame after a pause, however short the single reads are."""
        self._idle_s += waited_s
        since_s = (self.clock.monotonic_ns() - self._last_data_ns) / 1e9
        if self.decoder.pending and max(self._idle_s, since_s) >= self.decoder.pause_s:
            self.decoder.abandon()
            self._note("!", b"pause")

    def _receive(self, link: serial.Serial, wait_s: float) -> bytes:
        try:
            data = _lines.read_available(link, wait_s)
        except FOREIGN_ERRORS as error:
            if isinstance(error, (TypeError, AttributeError)) and self._link is link and link.is_open:
                raise
            raise link_lost(self._port, error) from error
        if data:
            times = self.clock.utc_ns(), self.clock.monotonic_ns()
            self._idle_s, self._last_data_ns = 0.0, times[1]
            if self.wiretap is not None:
                self.wiretap(*times, "<", data)
            readings = self.decoder.feed(data)
            self._garbage = b"" if readings else (self._garbage + data)[-4096:]
            if readings:
                self._waiting = False
            for reading in readings:
                self._ready.append(reading.stamped(self.instrument, *times))
        return data

    def _ask(self) -> None:
        """Send the request unless one is pending."""
        link = self._open_link()
        now_ns = self.clock.monotonic_ns()
        if self._asked_ns is not None:
            pause_s = max(ANSWER_S, self._options.every) if self._waiting else self._options.every
            if now_ns - self._asked_ns < pause_s * 1e9:
                return
        try:
            link.write(self._request)
        except FOREIGN_ERRORS as error:
            raise link_lost(self._port, error) from error
        self._asked_ns, self._waiting = now_ns, True
        self._note(">", self._request)

    def _complain(self) -> None:
        """Raise if many bytes give no frame, with the likely cause."""
        if len(self._garbage) >= GARBAGE_BYTES:
            data, self._garbage = self._garbage, b""
            message, hint = explain_garbage(
                data, self.decoder.family, self._settings, self.decoder.explain_reject()
            )
            raise BadFrameError(message, hint, raw=data)


def explain_garbage(
    data: bytes, family: str, settings: LineSettings, last_reject: tuple[str, str] | None
) -> tuple[str, str]:
    """Return message and hint for bytes that gave no frame at all."""
    what = f"{len(data)} bytes came, but no {family} frame"
    if family == "pattern" and last_reject and last_reject[0] != "broken off":
        return (
            f"{what}: {last_reject[1]}",
            "correct that part of the pattern, or the table it uses, in the bench file",
        )
    others = recognise(data)
    if others:
        best = max(others, key=lambda name: others[name])
        if best == family:
            return f"{what} with this parity setting", "leave out parity= and bits="
        return f"{what}; they are {best} frames", f"set frames={best}"
    others = recognise(data.translate(SEVEN_BITS))
    if others:
        best = max(others, key=lambda name: others[name])
        return (
            f"{what}; without the top bit they are {best} frames, so the parity setting is wrong",
            f"set frames={best}, bits=7 and parity=E (or O)",
        )
    if last_reject and last_reject[0] not in ("index", "length", "format", "broken off"):
        return (
            f"{what} matches the table: {last_reject[1]}",
            "compare the frame with the display, then correct the table",
        )
    if sum(byte in _TEXT for byte in data) > 0.95 * len(data):
        line = max(data.splitlines(), key=len)[:60].decode("ascii", "replace")
        return (
            f"{what}; text came, such as {line!r}",
            "correct the pattern, or describe these lines with frames=pattern",
        )
    return (
        f"{what}; the baud rate is probably not {settings}",
        "try another baud=, or another meter family with frames=; `benchlog find` tries them all",
    )


def _line_settings(family: LineSettings, options: SerialOptions) -> LineSettings:
    changes: dict[str, Any] = {
        "baud": options.baud,
        "bits": options.bits,
        "parity": options.parity,
        "stop_bits": None if options.stop is None else float(options.stop),
        "dtr": options.dtr,
        "rts": options.rts,
    }
    return dataclass_replace(family, **{k: v for k, v in changes.items() if v is not None})


def _request(family: bytes, options: SerialOptions) -> bytes:
    if options.request is None:
        return family
    text = options.request.replace("\\r", "\r").replace("\\n", "\n")
    if not text.isascii():
        raise ConfigError(f"request {options.request!r} has characters that can't be sent to a serial meter")
    return text.encode("ascii")
