"""A SCPI conversation: connect, learn who answers, pick the dialect, send commands and check the error queue."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Generic, Literal, TypeVar

import msgspec

from benchlog.adapter import Adapter
from benchlog.clock import Clock
from benchlog.errors import (
    BadFrameError,
    ConfigError,
    InstrumentError,
    LinkLostError,
    OpenError,
    OpenReason,
    ReadTimeoutError,
)
from benchlog_drivers._patterns import search
from benchlog_drivers._scpi import ErrorReply, parse_error, refusal
from benchlog_drivers._visa import VisaLink
from benchlog_drivers.dialects import Dialect, Probe, by_identity, load_dialects

_TERMINATIONS = {"lf": b"\n", "crlf": b"\r\n", "cr": b"\r"}
_MAX_ERRORS = 20
#: Time-out of a probe: this many times as long as ``*IDN?`` took, at least this long, at most the normal time-out.
_PROBE_TIMES = 20
_PROBE_S = 0.5
D = TypeVar("D", bound=Dialect)


class LinkOptions(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Options of every ``visa:`` address."""

    dialect: str = ""  #: Name of the dialect; picked by ``*IDN?`` where empty.
    dialects: str = "dialects"  #: Folder of the project's own dialect files.
    timeout_s: float = 2.0  #: Longest silence while waiting for an answer, second.
    #: VISA library in PyVISA's spelling, such as ``@ivi`` or the path of a vendor's; if empty that of the
    #: environment variable ``PYVISA_LIBRARY``, else benchlog's choice.
    library: str = ""
    #: baud, data_bits, parity, stop_bits: Line setting of ``ASRL`` resources.
    baud: int = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    termination: Literal["", "lf", "crlf", "cr"] = ""  #: End of a command; the dialect's if empty.


class ScpiSession(Generic[D]):
    """One instrument's link and dialect.

    Parameters
    ----------
    kind : type
        Which dialects fit: `ScopeDialect`, `GeneratorDialect` or `MeterDialect`.
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
            library=options.library,
        )
        self._dialect: D | None = None
        self._prepared = 0
        self._probe_s = options.timeout_s
        #: Called after the link has reopened itself: settings may be lost.
        self.on_reopened: Callable[[], None] = lambda: None

    @property
    def identity(self) -> str:
        """Answer to ``*IDN?``."""
        return self.link.identity

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
            When no instrument is there, none answers, or no dialect fits; `reason` says which.
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
        identity = self._ask_identity()
        if not named:
            self._use(by_identity(dialects, identity) or self._probe(dialects))
        self._begin()

    def identify(self) -> str:
        """Connect and ask ``*IDN?`` only, for one who looks for the dialect; raises as `open` does."""
        self.link.open()
        return self._ask_identity()

    def close(self) -> None:
        """Close the link; safe to repeat."""
        self.link.close()

    def send(self, commands: tuple[str, ...], **values: object) -> None:
        """Fill in and send commands that have no answer, then check the error queue.

        Raises
        ------
        InstrumentRefusedError
            When the instrument put anything into its error queue.
        """
        with self.link.exclusive():
            sent = self.write(commands, **values)
            self.check(sent)

    def prepare(self) -> None:
        """Get ready to ask: in step, open, set up, and with no error left over from an answer that failed."""
        with self.link.exclusive():
            was_in_step = self.link.in_step
            self.link.prepare()
            if self.link.openings != self._prepared:
                self._begin()
                self.on_reopened()
            elif not was_in_step and self.dialect.errors.clear:
                self.link.write(self.dialect.errors.clear)

    def _begin(self) -> None:
        self._prepared = self.link.openings
        if self.dialect.errors.clear:
            self.link.write(self.dialect.errors.clear)
        for command in self.dialect.start.set:
            self.link.write(command)

    def write(self, commands: tuple[str, ...], **values: object) -> str:
        """Fill in and send commands without reading the error queue; returns them for a message."""
        filled = [command.format(**values) for command in commands]
        self.prepare()
        for command in filled:
            self.link.write(command)
        return "; ".join(filled)

    def check(self, sent: str) -> None:
        """Read the error queue until it is empty; raise what was in it."""
        errors = self._queued_errors()
        if errors:
            raise refusal(errors, sent)

    def _queued_errors(
        self, dialect: Dialect | None = None, timeout_s: float | None = None
    ) -> list[ErrorReply]:
        errors: list[ErrorReply] = []
        rules = (dialect or self.dialect).errors
        with self.link.exclusive():
            while len(errors) < _MAX_ERRORS:
                if rules.before:
                    self.link.query(rules.before, timeout_s)
                reply = parse_error(self.link.query(rules.query, timeout_s))
                if reply.number in rules.no_error:
                    break
                errors.append(reply)
        return errors

    def ask(self, question: str, **values: object) -> str:
        """Fill in a question and return its answer; silence with an error in the queue is a refusal."""
        filled = question.format(**values)
        self.prepare()
        try:
            return self.link.query(filled)
        except ReadTimeoutError:
            self.explain_silence(filled)
            raise

    def explain_silence(self, question: str) -> None:
        """After a question without an answer: raise the refusal if the error queue reports one.

        A query error reports the time-out itself and is not a refusal.
        """
        try:
            self.link.clear()
            errors = [e for e in self._queued_errors() if not e.about_exchange]
        except (ReadTimeoutError, BadFrameError, LinkLostError):
            return  # no answer at all: report the first time-out
        if errors:
            raise refusal(errors, question)

    def _use(self, dialect: D) -> None:
        self._dialect = dialect
        if not self._options.termination:
            self.link.termination = _TERMINATIONS[dialect.termination]

    def _ask_identity(self) -> str:
        start = time.monotonic()
        try:
            return self.link.identify()
        except ReadTimeoutError:
            raise OpenError(
                f"{self.link.resource}: connected, but no answer to *IDN? within {self.link.timeout_s:g} s",
                hint="is this the instrument, is its remote control on, is the line setting (baud=) right?",
                reason=OpenReason.WRONG_DEVICE,
            ) from None
        finally:
            took = time.monotonic() - start
            self._probe_s = min(max(_PROBE_S, _PROBE_TIMES * took), self.link.timeout_s)

    def _probe(self, dialects: dict[str, D]) -> D:
        found = self.first_answered(dialects)
        if found is not None:
            return found
        self.forget_probes()
        kind = self._kind.__struct_config__.tag
        raise OpenError(
            f"{self.link.resource}: {self.identity!r} matches no {kind} dialect",
            hint=f"choose one with dialect= ({', '.join(dialects)}), or write one into {self._options.dialects}/",
            reason=OpenReason.WRONG_DEVICE,
        )

    def first_answered(self, dialects: Mapping[str, D]) -> D | None:
        """Ask each dialect's probe question; return the first dialect whose question is answered as it should be."""
        return next((dialect for dialect in dialects.values() if self._answers(dialect)), None)

    def _answers(self, dialect: Dialect) -> bool:
        if dialect.probe is None:
            return False
        try:
            reply = self.link.query(dialect.probe.query, self._probe_s)
        except ReadTimeoutError:
            return bool(dialect.probe.errors) and self._knows_probe(dialect, dialect.probe)
        except BadFrameError:
            return False
        return search(dialect.probe.reply, reply) is not None

    def _knows_probe(self, dialect: Dialect, probe: Probe) -> bool:
        """Whether the error queue says that the question was understood and only can't be answered now."""
        try:
            errors = self._queued_errors(dialect, self._probe_s)
        except (ReadTimeoutError, BadFrameError):
            return False
        return any(e.number in probe.errors for e in errors)

    def forget_probes(self) -> None:
        """Clear the error queue of what probing with unknown questions left in it (``*CLS`` of IEEE 488.2)."""
        with contextlib.suppress(InstrumentError):
            self.link.write("*CLS")


class ScpiInstrument(Adapter, Generic[D]):
    """What the adapters of all SCPI instruments share; `rest` is the VISA resource name."""

    Options: type[LinkOptions] = LinkOptions
    #: Which dialects fit.
    _kind: type[D]

    def __init__(
        self, instrument: str, rest: str, options: LinkOptions | None = None, *, clock: Clock | None = None
    ) -> None:
        super().__init__(instrument, clock=clock)
        self._session = ScpiSession(rest, self._kind, options or self.Options())

    def _open(self) -> None:
        self._session.open()

    def _close(self) -> None:
        self._session.close()

    def identity(self) -> str:
        """Answer to ``*IDN?`` at opening, with the dialect in use."""
        return f"{self._session.identity} ({self._session.dialect.name})" if self._session.identity else ""
