"""The current card on a phone: large digits and three buttons, over the local network only.

A phone can lie beside the probes. `PhoneDesk` holds what the phone shows and takes its presses; `serve` serves one page
at a secret address. A press counts exactly as a key does, but only for the prompt that was on the phone's screen when it
was pressed, and only if that prompt had been there long enough to be read.
"""

from __future__ import annotations

import hmac
import ipaddress
import json
import secrets
import socket
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from socketserver import TCPServer
from typing import Any, Literal

from benchlog.clock import Clock
from benchlog.guide.person import Prompt

Button = Literal["done", "skip", "again"]
BUTTONS: tuple[Button, ...] = ("done", "skip", "again")
#: A press sooner than this after its prompt appeared was meant for the one before (judgement).
SHORTEST_LOOK_S = 0.7
_LONGEST_WAIT_S = 20.0  # of a request for updates; the page asks again
_LONGEST_BODY = 1000
_LINES = 6
_NO_READING = ("", "", False)  # meter, display, whether settled
_AFTER_A_READING = ("next", "last", "confirm")  # prompts during which the reading stays visible
_OLD_ADDRESS = (
    b"<!doctype html><meta name=viewport content='width=device-width'><title>benchlog</title>"
    b"<p style='font:22px/1.4 sans-serif;margin:2em'>This address is not that of the present run. "
    b"Scan the code that the computer shows now."
)


@dataclass(frozen=True, slots=True)
class _Line:
    """A line on the page; a drawn one is not folded there, since its columns are those of a drawing."""

    text: str
    danger: bool = False
    drawn: bool = False


class PhoneDesk:
    """State of the phone page: what it shows, and the buttons pressed.

    Parameters
    ----------
    clock : Clock
        Times how long a prompt has been on the phone.
    """

    columns = 34  #: Characters per line of a card.

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._news = threading.Condition()
        self._serial = 0
        self._prompt: Prompt | None = None
        self._number = 0
        self._seen_ns: int | None = None
        self._pressed: Button | None = None
        self._reading = _NO_READING
        self._cautions: list[str] = []
        self._lines: list[_Line] = []
        self._heading: list[_Line] = []  # of the check: name, cautions, expectation
        self._wiring: list[_Line] = []
        self._begins = False  # the check has not asked a question yet
        self._ended = False

    # -- the guided run's side ---------------------------------------------------------------------------------

    def ask(self, prompt: Prompt) -> None:
        """Put a prompt on the phone; earlier presses are dropped."""
        with self._news:
            self._number += 1
            self._prompt, self._seen_ns, self._pressed = prompt, None, None
            self._begins = False
            if prompt.kind not in _AFTER_A_READING:
                self._reading = _NO_READING
            self._changed()

    def answered(self) -> None:
        """Remove the prompt: it was answered on the phone or at the keyboard."""
        with self._news:
            self._prompt, self._pressed = None, None
            self._cautions = []
            self._changed()

    def caution(self, text: str) -> None:
        """Show a caution in large letters until the next question is answered."""
        with self._news:
            self._cautions.append(text)
            self._changed()

    def show(self, text: str, *, danger: bool = False) -> None:
        """Add lines to the card while a check begins, later below it, where the last few are kept."""
        lines = [_Line(line, danger) for line in text.splitlines()]
        with self._news:
            if self._begins:
                self._heading += lines
            else:
                self._lines = [*self._lines, *lines][-_LINES:]
            self._changed()

    def new_check(self) -> None:
        """Begin another check's card."""
        with self._news:
            self._heading, self._wiring, self._lines, self._begins = [], [], [], True
            self._reading = _NO_READING
            self._changed()

    def show_wiring(self, lines: Iterable[tuple[str, bool]]) -> None:
        """Show how to connect, instead of the previous connection; each line with whether it is a danger."""
        with self._news:
            self._wiring = [_Line(text, danger, drawn=True) for text, danger in lines]
            self._changed()

    def show_reading(self, text: str, *, settled: bool, meter: str = "") -> None:
        """Show a value in large digits."""
        with self._news:
            if (meter, text, settled) != self._reading:
                self._reading = (meter, text, settled)
                self._changed()

    def pressed(self) -> Button | None:
        """Return the button pressed for the current prompt, once; else None."""
        with self._news:
            button, self._pressed = self._pressed, None
            return button

    def end(self) -> None:
        """Show on the phone that the run is over."""
        with self._news:
            self._ended, self._prompt, self._reading = True, None, _NO_READING
            self._changed()

    # -- the phone's side --------------------------------------------------------------------------------------

    def state(self, after: int = -1, timeout_s: float = _LONGEST_WAIT_S) -> dict[str, Any]:
        """Wait for a state newer than number `after`, and return it."""
        with self._news:
            self._news.wait_for(lambda: self._serial != after, timeout_s)
            prompt = self._prompt
            meter, shown, settled = self._reading
            return {
                "serial": self._serial,
                "prompt": None
                if prompt is None
                else {
                    "number": self._number,
                    "kind": prompt.kind,
                    "text": prompt.text,
                    "key": prompt.key,
                    "done": _done_word(prompt),
                    "skip": _skip_word(prompt),
                },
                "reading": {"meter": meter, "text": shown, "settled": settled},
                "cautions": self._all_cautions(),
                "card": [asdict(line) for line in (*self._heading, *self._wiring) if not line.danger],
                "columns": max((len(line.text) for line in self._wiring), default=0),
                "lines": [asdict(line) for line in self._lines if not line.danger],
                "ended": self._ended,
            }

    def _all_cautions(self) -> list[str]:
        """Dangers of the card and of the last lines, then what to do now: the page shows them outside what scrolls."""
        dangers: list[str] = []
        for line in (*self._heading, *self._wiring, *self._lines):
            text = line.text.strip()
            if line.danger and line.drawn and dangers and not text.startswith("!"):
                dangers[-1] += f" {text}"  # a card's danger was folded to its width
            elif line.danger:
                dangers.append(text)
        return [*dict.fromkeys(dangers), *self._cautions]

    def seen(self, number: int) -> None:
        """Note that the phone now shows the prompt of this number."""
        with self._news:
            if number == self._number and self._seen_ns is None:
                self._seen_ns = self._clock.monotonic_ns()

    def press(self, number: int, button: str) -> bool:
        """Accept a press; False if it was not for the present prompt, or came too soon after it appeared."""
        with self._news:
            if button not in BUTTONS or self._prompt is None or number != self._number:
                return False
            if button == "skip" and not _skip_word(self._prompt):
                return False
            if button == "done" and not _done_word(self._prompt):
                return False  # values are typed at the keyboard, and only a pass is confirmed by "done"
            if self._seen_ns is None or self._clock.monotonic_ns() - self._seen_ns < SHORTEST_LOOK_S * 1e9:
                return False
            self._pressed = next(b for b in BUTTONS if b == button)
            return True

    def _changed(self) -> None:
        self._serial += 1
        self._news.notify_all()


def _done_word(prompt: Prompt) -> str:
    """Label of the large button; empty if it is no answer."""
    if prompt.kind == "hookup":
        return "Done"
    if prompt.kind == "last":
        return "Close"
    return "Go on" if prompt.kind == "next" and not prompt.choices else ""


def _skip_word(prompt: Prompt) -> str:
    """Label of the skip button; empty if s is an ordinary answer."""
    if prompt.kind in ("next", "last"):  # after a pass there is nothing to leave
        return "Leave it" if prompt.choices else ""
    check, _, _ = prompt.key.partition("/")
    return "" if prompt.kind == "text" else f"Skip {check}" if check[:1].isupper() else "Skip"


def local_address() -> str:
    """Address of this computer on its local network; 127.0.0.1 if it has none. Sends nothing."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(
                ("192.0.2.1", 9)
            )  # a documentation address (RFC 5737): finds the outgoing interface, sends no packet
            address = str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"
    return address if _is_local(address) else "127.0.0.1"


def _is_local(address: str) -> bool:
    """Whether an address is on the local network."""
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(parsed, "ipv4_mapped", None)
    parsed = mapped or parsed
    return parsed.is_private or parsed.is_loopback or parsed.is_link_local


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False

    def __init__(self, address: tuple[str, int], desk: PhoneDesk, token: str) -> None:
        self.desk, self.token = desk, token
        super().__init__(address, _Handler)

    def handle_error(self, request: object, client_address: object) -> None:
        """Ignore phones that disconnect in the middle of a reply."""

    def server_bind(self) -> None:
        """Bind without the base class's query of a name server for this computer's name."""
        TCPServer.server_bind(self)
        self.server_name, self.server_port = str(self.server_address[0]), int(self.server_address[1])


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    server_version, sys_version = "benchlog", ""
    protocol_version = "HTTP/1.1"
    timeout = _LONGEST_WAIT_S + 10

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the base class's word
        """Log nothing: the terminal belongs to the guided run."""

    def do_GET(self) -> None:
        """Serve the page, or its updates."""
        path, _, query = self._allowed_path()
        if path == "":
            page = files("benchlog.guide").joinpath("phone_page.html").read_bytes()
            self._send(HTTPStatus.OK, page, "text/html; charset=utf-8")
        elif path == "state":
            after = query.removeprefix("after=")
            known = int(after) if after.lstrip("-").isdecimal() and len(after) < 12 else -1
            self._json(self.server.desk.state(known))
        elif path is not None:
            self._send(HTTPStatus.NOT_FOUND, b"", "text/plain")

    def do_POST(self) -> None:
        """Accept a press, or the message that a prompt is on the screen."""
        path, _, _ = self._allowed_path()
        if path is None:
            return
        host, port = self.server.server_address[:2]
        if self.headers.get("Origin", "") not in ("", f"http://{host!s}:{port}"):
            self._send(HTTPStatus.FORBIDDEN, b"", "text/plain", close=True)  # another site's page sent it
            return
        length = self.headers.get("Content-Length", "")
        if not length.isdecimal() or int(length) > _LONGEST_BODY:
            self._send(HTTPStatus.BAD_REQUEST, b"", "text/plain", close=True)
            return
        try:
            body = json.loads(self.rfile.read(int(length)))
            number = int(body["number"])
            button = str(body.get("button", ""))
        except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
            self._send(HTTPStatus.BAD_REQUEST, b"", "text/plain", close=True)
            return
        if path == "seen":
            self.server.desk.seen(number)
            self._json({"taken": True})
        elif path == "press":
            self._json({"taken": self.server.desk.press(number, button)})
        else:
            self._send(HTTPStatus.NOT_FOUND, b"", "text/plain")

    def _allowed_path(self) -> tuple[str | None, str, str]:
        """Return the path after the secret part, and the query; None after refusing a request."""
        target, _, query = self.path.partition("?")
        _, token, *rest = [*target.split("/", 2), ""][:3]
        ours = hmac.compare_digest(token.encode(), self.server.token.encode())
        if not (ours and _is_local(self.client_address[0])):
            self._send(HTTPStatus.NOT_FOUND, _OLD_ADDRESS, "text/html; charset=utf-8", close=True)
            return None, "", ""
        return (rest[0] if rest else ""), token, query

    def _json(self, answer: dict[str, Any]) -> None:
        self._send(HTTPStatus.OK, json.dumps(answer).encode(), "application/json")

    def _send(self, status: HTTPStatus, body: bytes, kind: str, *, close: bool = False) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("Referrer-Policy", "no-referrer")
        self.send_header("X-Content-Type-Options", "nosniff")
        # The page contains its style and script and loads nothing else.
        policy = (
            "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; connect-src 'self'"
        )
        self.send_header("Content-Security-Policy", f"{policy}; frame-ancestors 'none'; base-uri 'none'")
        if close:
            self.send_header("Connection", "close")
            self.close_connection = True
        self.end_headers()
        self.wfile.write(body)


@contextmanager
def serve(desk: PhoneDesk, address: str = "", port: int = 0) -> Iterator[str]:
    """Serve the page to phones on the local network while the block runs; yields its secret address.

    Parameters
    ----------
    address : str
        Of this computer; found by itself if not given.
    port : int
        0 for any free port.

    Raises
    ------
    OSError
        If the address can't be used.
    """
    host = address or local_address()
    token = secrets.token_urlsafe(16)
    server = _Server((host, port), desk, token)
    thread = threading.Thread(
        target=server.serve_forever, kwargs={"poll_interval": 0.1}, name="phone page", daemon=True
    )
    thread.start()
    try:
        yield f"http://{host}:{server.server_address[1]}/{token}/"
    finally:
        desk.end()
        server.shutdown()
        server.server_close()
        thread.join()
