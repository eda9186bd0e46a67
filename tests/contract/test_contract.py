"""The contract of adapters, over every adapter: real pseudo-terminals for meters, loopback sockets for the rest."""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import msgspec
import pytest
from helpers.frames import EXAMPLES
from helpers.pty_meter import PtyMeter
from helpers.systems import needs_open_files

from benchlog.adapter import Adapter, Reader
from benchlog.clock import ManualClock
from benchlog.errors import OpenError
from benchlog.reading import Function, Reading
from benchlog.registry import Registry, make_adapter
from benchlog.testing import ScriptedReader, check_adapter
from benchlog_drivers.decoders import FAMILIES
from benchlog_drivers.manual_entry import ManualReader
from benchlog_drivers.replay import ReplayReader

OUTSIDE = Path(__file__).parent / "outside"
DESCRIBED = {
    "frames": "pattern",
    "pattern": r"(?P<function>\w+) (?P<value>\S+) (?P<unit>\S+)",
    "functions": {"ACV": "V~"},
}
LINE = b"ACV 27.75 V\n"


@contextmanager
def meter_of(family: str) -> Iterator[PtyMeter]:
    frame = LINE if family == "pattern" else EXAMPLES[family][0]
    answers = {FAMILIES[family].line.request: frame}
    with PtyMeter(answers=answers) if FAMILIES[family].line.request else PtyMeter(frame) as meter:
        yield meter


def _serial(path: str, family: str) -> Adapter:
    options = DESCRIBED if family == "pattern" else {"frames": family}
    return make_adapter(f"serial:{path}", "MA-01", options=options)


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_serial_meter_over_a_terminal(family: str) -> None:
    with meter_of(family) as meter:
        report = check_adapter(
            lambda: _serial(meter.path, family), make_unreachable=lambda: _serial("/dev/no-such-port", family)
        )
    assert {r.displayed for r in report.readings} == {"27.75 V" if family != "digitcode14" else "2.775 V"}


def test_tapped_meter(tmp_path: Path) -> None:
    names = (tmp_path / f"{k}.tap" for k in range(100))
    with meter_of("segment14") as meter:
        check_adapter(
            lambda: make_adapter(f"tap:{next(names)}:serial:{meter.path}?frames=segment14", "MA-01"),
            make_unreachable=lambda: make_adapter(
                f"tap:{next(names)}:serial:/dev/no-such-port?frames=segment14", "MA-01"
            ),
        )


def _recording(folder: Path, kind: str) -> str:
    if kind == "tap":
        file = folder / "recorded.tap"
        with meter_of("segment14") as meter:
            tapped = make_adapter(f"tap:{file}:serial:{meter.path}?frames=segment14", "MA-01")
            assert isinstance(tapped, Reader)
            with tapped:
                for _ in range(5):
                    assert tapped.read(1) is not None
        return f"replay:{file}"
    if kind == "bytes":
        file = folder / "recorded.bin"
        file.write_bytes(EXAMPLES["digitcode14"][0] * 5)
        return f"replay:{file}?frames=digitcode14"
    file = folder / "recorded.jsonl"
    reading = Reading(Function.AC_VOLTS, 27.75, 0.01, "27.75 V", utc_ns=10**18)
    file.write_bytes(
        b"\n".join(msgspec.json.encode(msgspec.structs.replace(reading, mono_ns=k)) for k in range(5))
    )
    return f"replay:{file}"


@pytest.mark.parametrize("kind", ["tap", "bytes", "json lines"])
def test_replay(kind: str, tmp_path: Path) -> None:
    address = _recording(tmp_path, kind)
    clock = ManualClock(10**18)
    check_adapter(
        lambda: make_adapter(address, "MA-01", clock=clock),
        make_unreachable=lambda: make_adapter(f"replay:{tmp_path}/nothing", "MA-01"),
    )


def test_typed_readings() -> None:
    with ExitStack() as stack:
        near, far = os.pipe()
        stream = stack.enter_context(os.fdopen(near))
        stack.callback(os.close, far)
        os.write(far, b"27.75 V ac\n" * 50)
        check_adapter(lambda: ManualReader("MB-02", stream=stream))


def test_simulated_meter() -> None:
    check_adapter(lambda: make_adapter("sim:MA-01", "MA-01"))


def test_simulated_scope() -> None:
    report = check_adapter(lambda: make_adapter("sim:SC-03", "SC-03"), channels=("CH1", "CH2"), timeout_s=5)
    assert report.captures[0].names == ("CH1", "CH2")


def test_simulated_generator() -> None:
    check_adapter(lambda: make_adapter("sim:SG-04", "SG-04"))


def test_outside_plug_in_found_through_its_entry_point(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.syspath_prepend(str(OUTSIDE))
    importlib.invalidate_caches()
    sensor = tmp_path / "temp1_input"
    sensor.write_text("23456\n")
    registry = Registry()
    assert registry.schemes()["probe"] == "example-probe"
    report = check_adapter(
        lambda: registry.make(f"probe:{sensor}", "TH-1"),
        make_unreachable=lambda: registry.make(f"probe:{tmp_path}/gone", "TH-1"),
    )
    assert {(r.value, r.instrument) for r in report.readings} == {(23.456, "TH-1")}


READING = Reading(Function.AC_VOLTS, 27.75, 0.01, "27.75 V")


def _scripted() -> Adapter:
    return ScriptedReader("MA-01", [READING] * 20, clock=ManualClock(1))


def test_scripted_meter() -> None:
    check_adapter(_scripted, real_time=None)


class _Careless(ScriptedReader):
    def __init__(self) -> None:
        super().__init__("MA-01", [READING] * 20, clock=ManualClock(1))


class _UsableWhenClosed(_Careless):
    def _read(self, timeout_s: float) -> Reading | None:
        return READING


class _ForeignWhenClosed(_Careless):
    def _read(self, timeout_s: float) -> Reading | None:
        if not self.is_open:
            raise AttributeError("'NoneType' object has no attribute 'read'")
        return READING


class _MagicNumber(_Careless):
    def _read(self, timeout_s: float) -> Reading | None:
        if not self.is_open:
            raise OpenError("closed", hint="open it")
        return msgspec.structs.replace(READING, value=9.9e37)


class _Dumb(_Careless):
    def _read(self, timeout_s: float) -> Reading | None:
        if not self.is_open:
            raise OpenError("closed", hint="open it")
        return None


class _OpensAtOnce(_Careless):
    def __init__(self) -> None:
        super().__init__()
        self.open()


class _Leaks(_Careless):
    def _open(self) -> None:
        self.kept = [*getattr(self, "kept", []), os.open(os.devnull, os.O_RDONLY)]


@pytest.mark.parametrize(
    ("broken", "words"),
    [
        (_UsableWhenClosed, "using a closed adapter must raise"),
        (_ForeignWhenClosed, "not AttributeError"),
        (_MagicNumber, "magic number"),
        (_Dumb, "no reading within"),
        (_OpensAtOnce, "made closed"),
        pytest.param(_Leaks, "left open after close", marks=needs_open_files),
    ],
)
def test_the_check_names_the_rule_that_is_broken(broken: Callable[[], _Careless], words: str) -> None:
    made: list[_Careless] = []

    def make() -> Adapter:
        made.append(broken())
        return made[-1]

    with pytest.raises(AssertionError, match=words):
        check_adapter(make)
    for adapter in made:
        adapter.close()
        for descriptor in getattr(adapter, "kept", []):
            os.close(descriptor)


def test_a_missing_instrument_must_be_reported_as_one() -> None:
    def unreachable(error: BaseException) -> Callable[[], Adapter]:
        return lambda: ScriptedReader("MA-01", [], open_errors=[error])

    check_adapter(_scripted, make_unreachable=unreachable(OpenError("no", hint="plug it in")))
    for error, words in [
        (OpenError("no"), "the hint says what to do"),
        (FileNotFoundError("no"), "a missing instrument is an OpenError"),
    ]:
        with pytest.raises(AssertionError, match=words):
            check_adapter(_scripted, make_unreachable=unreachable(error))
    with pytest.raises(AssertionError, match="must fail"):
        check_adapter(_scripted, make_unreachable=_scripted)


def test_replay_is_a_reader() -> None:
    """The classes named in the table are those imported here, not second copies of them."""
    assert Registry(plug_ins=()).factory("replay") is ReplayReader
