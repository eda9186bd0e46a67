"""For those who write adapters: the contract as one function, and a meter that follows a script.

::

    from benchlog.testing import check_adapter

    def test_my_meter_keeps_the_contract():
        with pretend_instrument() as port:
            check_adapter(lambda: MyMeter("M1", port, MyOptions()))
"""

from __future__ import annotations

import math
import os
import sys
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from benchlog.adapter import Adapter, Digitiser, Reader, Source
from benchlog.capture import Capture
from benchlog.clock import Clock, SystemClock
from benchlog.errors import InstrumentError, OpenError
from benchlog.reading import Reading, State

SLACK_S = 0.5  # how far a deadline may be overrun: link latency and a busy computer


@dataclass(frozen=True, slots=True)
class ContractReport:
    """What a contract check saw.

    Attributes
    ----------
    identity : str
        What the adapter said of the instrument.
    readings : tuple of Reading
        Of a reader.
    captures : tuple of Capture
        Of a digitiser.
    """

    identity: str
    readings: tuple[Reading, ...] = ()
    captures: tuple[Capture, ...] = field(default=())


def check_adapter(
    make_adapter: Callable[[], Adapter],
    *,
    readings: int = 3,
    timeout_s: float = 2.0,
    channels: Sequence[str] = (),
    make_unreachable: Callable[[], Adapter] | None = None,
    real_time: Clock | None = None,
) -> ContractReport:
    """Check that an adapter keeps the contract of `benchlog.adapter`.

    Parameters
    ----------
    make_adapter : callable
        Returns a new adapter, not open, of an instrument that is there and alive. Called several times.
    readings : int
        How many readings a reader must yield, each within `timeout_s`.
    timeout_s : float
        Deadline of one reading or capture, second.
    channels : sequence of str
        Channels to capture; required for a digitiser.
    make_unreachable : callable, optional
        Returns an adapter whose instrument is not there, to check how that is reported.
    real_time : Clock, optional
        Against which deadlines are checked; the computer's own by default.

    Returns
    -------
    ContractReport
        What was read, for further checks of the caller's own.

    Raises
    ------
    AssertionError
        Naming the first rule that is broken.
    """
    clock = real_time or SystemClock()
    threads = threading.active_count()
    adapter = make_adapter()
    assert isinstance(adapter, Adapter), f"make_adapter must return an Adapter, not {adapter!r}"
    assert adapter.instrument, "an adapter has the tag of its instrument"
    assert not adapter.is_open, "an adapter is made closed: making one must not touch the instrument"
    adapter.close()  # closing what is not open does no harm
    _check_refuses_closed(adapter, channels)
    assert adapter.open() is adapter, "open() returns the adapter itself"
    try:
        assert adapter.is_open, "is_open says that it is open"
        assert adapter.open() is adapter, "opening an open adapter does nothing"
        identity = adapter.identity()
        assert isinstance(identity, str), "identity() is one line of text"
        assert "\n" not in identity, "identity() is one line of text"
        report = _check_use(adapter, identity, readings, timeout_s, channels, clock)
    finally:
        adapter.close()
    assert not adapter.is_open, "is_open says that it is closed"
    adapter.close()
    # Counted after the first use: a library keeps what it opens once a process, such as its list of USB devices.
    descriptors = _open_descriptors()
    _check_refuses_closed(adapter, channels)
    _check_with_statement(make_adapter)
    _check_opens_again(adapter, timeout_s, channels)
    if make_unreachable is not None:
        _check_unreachable(make_unreachable())
    assert threading.active_count() <= threads, "threads are left running after close()"
    assert _open_descriptors() <= descriptors, "files or sockets are left open after close()"
    return report


def _check_use(
    adapter: Adapter, identity: str, readings: int, timeout_s: float, channels: Sequence[str], clock: Clock
) -> ContractReport:
    if isinstance(adapter, Reader):
        return ContractReport(identity, readings=_check_reader(adapter, readings, timeout_s, clock))
    if isinstance(adapter, Digitiser):
        assert channels, "say which channels to capture: check_adapter(..., channels=...)"
        return ContractReport(identity, captures=(_check_digitiser(adapter, channels, timeout_s),))
    assert isinstance(adapter, Source), "an adapter is a Reader, a Digitiser or a Source"
    adapter.set_output(False)
    adapter.set_sine(1000.0, 1.0)
    adapter.set_output(True)
    adapter.set_output(False)
    return ContractReport(identity)


def _check_reader(adapter: Reader, count: int, timeout_s: float, clock: Clock) -> tuple[Reading, ...]:
    start_ns = clock.monotonic_ns()
    first = adapter.read(0)
    assert (clock.monotonic_ns() - start_ns) / 1e9 < SLACK_S, "read(0) takes only what is already there"
    found = [first] if first is not None else []
    while len(found) < count:
        start_ns = clock.monotonic_ns()
        reading = adapter.read(timeout_s)
        took_s = (clock.monotonic_ns() - start_ns) / 1e9
        assert took_s < timeout_s + SLACK_S, f"read({timeout_s:g}) took {took_s:.2f} s"
        assert reading is not None, f"no reading within {timeout_s:g} s from an instrument that is alive"
        found.append(reading)
    for reading in found:
        _check_reading(reading, adapter.instrument)
    times = [r.mono_ns for r in found]
    assert times == sorted(times), "monotonic times of readings never run backwards"
    return tuple(found)


def _check_reading(reading: Reading, tag: str) -> None:
    assert isinstance(reading, Reading), f"a reader yields readings, not {reading!r}"
    assert reading.instrument == tag, "a reading carries the tag of its instrument"
    assert reading.utc_ns > 0, "a reading has a wall time"
    assert reading.displayed, "a reading shows what the display showed"
    assert reading.resolution >= 0, "a resolution is not negative"
    assert math.isfinite(reading.resolution), "a resolution is finite; 0 is unknown"
    if reading.state is State.OK:
        assert reading.value is not None, "a reading with state ok has a value"
        assert math.isfinite(reading.value), (
            "overload and the like are states, never inf, nan or a magic number"
        )
        assert abs(reading.value) < 1e30, f"{reading.value!r} looks like a magic number for overload"


def _check_digitiser(adapter: Digitiser, channels: Sequence[str], timeout_s: float) -> Capture:
    capture = adapter.capture(channels, timeout_s)
    assert isinstance(capture, Capture), f"a digitiser yields captures, not {capture!r}"
    assert capture.instrument == adapter.instrument, "a capture carries the tag of its instrument"
    assert set(capture.names) == set(channels), "a capture has the channels that were asked for"
    assert capture.n_samples > 1, "a capture has samples"
    assert capture.utc_ns > 0, "a capture has a wall time"
    return capture


def _use(adapter: Adapter, channels: Sequence[str], timeout_s: float) -> None:
    if isinstance(adapter, Reader):
        adapter.read(timeout_s)
    elif isinstance(adapter, Digitiser):
        adapter.capture(channels, timeout_s)
    elif isinstance(adapter, Source):
        adapter.set_output(False)


def _check_refuses_closed(adapter: Adapter, channels: Sequence[str]) -> None:
    try:
        _use(adapter, channels, 0)
    except InstrumentError:
        return
    except Exception as error:
        raise AssertionError(
            f"using a closed adapter must raise an InstrumentError, not {type(error).__name__}: {error}"
        ) from error
    raise AssertionError("using a closed adapter must raise an InstrumentError")


class _PlantedError(Exception):
    pass


def _check_with_statement(make_adapter: Callable[[], Adapter]) -> None:
    adapter = make_adapter()
    try:
        with adapter:
            raise _PlantedError
    except _PlantedError:
        pass
    assert not adapter.is_open, "leaving a with statement by an exception closes the adapter"


def _check_opens_again(adapter: Adapter, timeout_s: float, channels: Sequence[str]) -> None:
    with adapter:
        _use(adapter, channels, timeout_s)
    assert not adapter.is_open, "an adapter that was opened again closes again"


def _check_unreachable(adapter: Adapter) -> None:
    seen: Exception | None = None
    try:
        adapter.open()
    except Exception as error:  # noqa: BLE001 - which exception it is, is what is checked
        seen = error
    else:
        adapter.close()
    assert seen is not None, "opening a missing instrument must fail"
    assert isinstance(seen, OpenError), (
        f"a missing instrument is an OpenError, not {type(seen).__name__}: {seen}"
    )
    assert seen.hint, "the hint says what to do next"
    assert seen.instrument == adapter.instrument, "an error carries the tag of its instrument"
    assert not adapter.is_open, "an adapter that failed to open is closed"
    adapter.close()


def _open_descriptors() -> int:
    return len(os.listdir("/proc/self/fd")) if sys.platform == "linux" else 0  # only Linux lists them


class ScriptedReader(Reader):
    """A meter that follows a script: for tests of whatever reads meters.

    Parameters
    ----------
    script : iterable
        Of `Reading` (yielded), exceptions (raised), None (one deadline passes in silence) and numbers (that many
        seconds pass on the clock before what follows; a deadline in between ends in None).
    clock : Clock, optional
        Give it a `benchlog.clock.ManualClock`, and nothing waits.
    open_errors : iterable of exceptions, optional
        Raised one by one by the next openings.

    Attributes
    ----------
    at_end : bool
        The script is done; reads then return None at their deadline.
    opened : int
        How often it was opened.
    """

    def __init__(
        self,
        instrument: str,
        script: Iterable[Reading | BaseException | float | None],
        *,
        clock: Clock | None = None,
        open_errors: Iterable[BaseException] = (),
    ) -> None:
        super().__init__(instrument, clock=clock)
        self._script = iter(script)
        self._open_errors = iter(open_errors)
        self._left_s = 0.0
        self.at_end = False
        self.opened = 0

    def identity(self) -> str:
        return "follows a script"

    def _open(self) -> None:
        if (error := next(self._open_errors, None)) is not None:
            raise error
        self.opened += 1

    def _close(self) -> None:
        pass

    def _read(self, timeout_s: float) -> Reading | None:
        if not self.is_open:
            raise OpenError("the script is not open", hint="open the adapter first")
        while True:
            if self._left_s > 0:
                step_s = min(self._left_s, timeout_s)
                self.clock.sleep(step_s)
                self._left_s -= step_s
                timeout_s -= step_s
                if self._left_s > 0:
                    return None
            item = next(self._script, _END)
            if isinstance(item, BaseException):
                raise item
            if isinstance(item, Reading):
                return item
            if item is None or item is _END:
                self.at_end = item is _END
                self.clock.sleep(timeout_s)
                return None
            self._left_s = float(item)  # type: ignore[arg-type]  # what is neither end nor None is a wait


_END = object()
