"""A SCPI conversation: connect, learn who answers, pick the dialect, send commands and heed the error queue."""

from __future__ import annotations

from pathlib import Path
from typing import Generic, Literal, TypeVar

import msgspec

from benchlog.adapter import Adapter
from benchlog.errors import (
    BadFrameError,
    ConfigError,
    InstrumentRefusedError,
    OpenError,
    OpenReason,
    ReadTimeoutError,
)
from benchlog_drivers._scpi import ErrorReply, parse_error, refusal
from benchlog_drivers._visa import VisaLink
from benchlog_drivers.dialects import Dialect, by_identity, load_dialects

__all__ = ["LinkOptions", "ScpiInstrument", "ScpiSession"]

_TERMINATIONS = {"lf": b"\n", "crlf": b"\r\n", "cr": b"\r"}
_PROBE_TIMEOUT_S = 0.5
_MAX_ERRORS = 20
D = TypeVar("D", bound=Dialect)


class LinkOptions(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Options of every ``visa:`` address.

    Attributes
    ----------
    dialect : str
        Name of the dialect; picked by ``*IDN?`` where empty.
    dialects : str
        Folder of the project's own dialect files.
    timeout_s : float
        Deadline of an answer, second.
    baud, data_bits, parity, stop_bits
        Line setting of ``ASRL`` resources.
    termination : {"", "lf", "crlf", "cr"}
        End of a command; the dialect's where empty.
    """

    dialect: str = ""
    dialects: str = "dialects"
    timeout_s: float = 2.0
    baud: int = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    termination: Literal["", "lf", "crlf", "cr"] = ""


class ScpiSession(Generic[D]):
    """One instrument's link and dialect.

    Parameters
    ----------
    resource : str
        VISA resource name.
    kind : type
        Which dialects fit: `ScopeDialect`, `GeneratorDialect` or `MeterDialect`.
    options : LinkOptions
        See there.
    """

    def __init__(self, resource: str, kind: type[D], options: LinkOptions) -> None:
        self._kind, self._options = kind, options
        self.link = VisaLink(
            resource,
            timeout_s=options.timeout_s,
            termination=_TERMINATIONS[options.termination or "lf"],
            serial_settings={
                "baud": options.baud,
                "data_bits": options.data_bits,
                "parity": options.parity,
                "stop_bits": options.stop_bits,
            },
        )
        self.identity = ""
        self._dialect: D | None = None

    @property
    def dialect(self) -> D:
        """The dialect in use; known once the session is open."""
        if self._dialect is None:
            raise OpenError(f"{self.link.resource} is not open", hint="open the adapter first")
        return self._dialect

    def open(self) -> None:
        """Connect, ask ``*IDN?``, pick the dialect and empty the error queue.

        Raises
        ------
        OpenError
            When nobody is there, nobody answers, or no dialect fits; `reason` tells which.
        ConfigError
            When a dialect file is wrong or the named dialect does not exist.
        """
        dialects = load_dialects(self._kind, Path(self._options.dialects))
        named = self._options.dialect
        if named and named not in dialects:
            raise ConfigError(
                f"no {self._kind.__struct_config__.tag} dialect is called {named!r}",
                hint=f"known: {', '.join(dialects)}; own ones go into {self._options.dialects}/",
            )
        self.link.open()
        if named:
            self._use(dialects[named])
        self.identity = self._ask_identity()
        if not named:
            self._use(by_identity(dialects, self.identity) or self._probe(dialects))
        if self.dialect.errors.clear:
            self.link.write(self.dialect.errors.clear)
        for command in self.dialect.start.set:
            self.link.write(command)

    def close(self) -> None:
        """Close the link; safe to repeat."""
        self.link.close()

    def send(self, commands: tuple[str, ...], **values: object) -> None:
        """Fill in and send commands that have no answer, then heed the error queue.

        Raises
        ------
        InstrumentRefusedError
            When the instrument put anything into its error queue.
        """
        with self.link.exclusive():
            sent = self.tell(commands, **values)
            self.check(sent)

    def tell(self, commands: tuple[str, ...], **values: object) -> str:
        """Fill in and send commands without reading the error queue; returns them for a message."""
        filled = [command.format(**values) for command in commands]
        for command in filled:
            self.link.write(command)
        return "; ".join(filled)

    def check(self, sent: str, timeout_s: float | None = None) -> None:
        """Read the error queue until it is empty; raise what was in it."""
        errors: list[ErrorReply] = []
        rules = self.dialect.errors
        with self.link.exclusive():
            while len(errors) < _MAX_ERRORS:
                if rules.before:
                    self.link.query(rules.before, timeout_s)
                reply = parse_error(self.link.query(rules.query, timeout_s))
                if reply.number in rules.no_error:
                    break
                errors.append(reply)
        if errors:
            raise refusal(errors, sent)

    def ask(self, question: str, **values: object) -> str:
        """Fill in a question and return its answer; silence with an error in the queue is a refusal."""
        filled = question.format(**values)
        try:
            return self.link.query(filled)
        except ReadTimeoutError:
            try:
                self.check(filled, _PROBE_TIMEOUT_S)
            except InstrumentRefusedError:
                raise
            except (ReadTimeoutError, BadFrameError):
                pass  # silent altogether: the first time-out tells more
            raise

    def _use(self, dialect: D) -> None:
        self._dialect = dialect
        if not self._options.termination:
            self.link.termination = _TERMINATIONS[dialect.termination]

    def _ask_identity(self) -> str:
        try:
            return self.link.query("*IDN?")
        except ReadTimeoutError:
            raise OpenError(
                f"{self.link.resource}: connected, but *IDN? was not answered within {self.link.timeout_s:g} s",
                hint="is this the instrument, is its remote control on, is the line setting (baud=) right?",
                reason=OpenReason.WRONG_DEVICE,
            ) from None

    def _probe(self, dialects: dict[str, D]) -> D:
        for dialect in dialects.values():
            if dialect.probe is not None and self.answers(dialect):
                return dialect
        kind = self._kind.__struct_config__.tag
        raise OpenError(
            f"{self.link.resource}: {self.identity!r} fits no {kind} dialect",
            hint=f"name one with dialect=, of {', '.join(dialects)}, or write one into {self._options.dialects}/",
            reason=OpenReason.WRONG_DEVICE,
        )

    def answers(self, dialect: Dialect) -> bool:
        """Tell whether the instrument answers a dialect's probe question as it should."""
        import re

        if dialect.probe is None:
            return False
        try:
            reply = self.link.query(dialect.probe.query, _PROBE_TIMEOUT_S)
        except (ReadTimeoutError, BadFrameError):
            return False
        return re.search(dialect.probe.reply, reply) is not None


class ScpiInstrument(Adapter, Generic[D]):
    """What the adapters of all SCPI instruments share; `_session` is made by each for its kind of dialect."""

    _session: ScpiSession[D]

    def _open(self) -> None:
        self._session.open()

    def _close(self) -> None:
        self._session.close()

    def identity(self) -> str:
        """Answer to ``*IDN?`` at opening, with the dialect in use."""
        return f"{self._session.identity} ({self._session.dialect.name})" if self._session.identity else ""
