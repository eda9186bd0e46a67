"""The sound card as scope and generator, against a made-up audio library, and against a null sink where there is one."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
from collections.abc import Iterator
from importlib.machinery import ModuleSpec
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from benchlog.clock import ManualClock
from benchlog.errors import (
    AdapterUnavailableError,
    AnalysisError,
    BadFrameError,
    InstrumentError,
    LinkLostError,
    OpenError,
    OpenReason,
    UsageError,
)
from benchlog.registry import Registry, make_adapter
from benchlog.testing import check_adapter

INPUT_FULL_SCALE_V = 1.82


class FakeAudio(ModuleType):
    """What is used of python-sounddevice; the input hears a 1 kHz sine, the right channel a tenth of the left."""

    def __init__(self) -> None:
        super().__init__("sounddevice")
        self.__spec__ = ModuleSpec("sounddevice", None)
        self.level = 0.5
        self.overflow_at: int | None = None
        self.fail_read = False
        self.open_streams = 0
        fake = self

        class PortAudioError(Exception):
            __module__ = "sounddevice"

        class _Stream:
            def __init__(self, device: str | None, samplerate: float, **settings: Any) -> None:
                if device == "none such":
                    raise ValueError("No input device matching 'none such'")
                if device == "broken":
                    raise PortAudioError("Device unavailable")
                self.rate, self.settings, self.position = samplerate, settings, 0
                self.running = False
                fake.open_streams += 1
                fake.latest = self

            def start(self) -> None:
                self.running = True

            def stop(self) -> None:
                self.running = False

            def close(self) -> None:
                fake.open_streams -= 1

        class InputStream(_Stream):
            def read(self, frames: int) -> tuple[np.ndarray, bool]:
                if fake.fail_read:
                    raise PortAudioError("Unanticipated host error")
                t = (self.position + np.arange(frames)) / self.rate
                left = fake.level * np.sin(2 * np.pi * 1000 * t)
                both = np.stack([left, left / 10], axis=1)
                before, self.position = self.position, self.position + frames
                lost = fake.overflow_at is not None and before <= fake.overflow_at < self.position
                if self.settings["dtype"] == "int16":
                    return np.clip(np.round(both * 32768), -32768, 32767).astype(np.int16), lost
                return both.astype(np.float32), lost

        class OutputStream(_Stream):
            def play(self, frames: int, block: int = 480) -> np.ndarray:
                parts = []
                for _ in range(frames // block):
                    out = np.zeros((block, 2), dtype=np.float32)
                    self.settings["callback"](out, block, None, None)
                    parts.append(out)
                return np.concatenate(parts)

        self.InputStream, self.OutputStream, self.PortAudioError = InputStream, OutputStream, PortAudioError
        self.latest: Any = None


@pytest.fixture
def audio(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeAudio]:
    fake = FakeAudio()
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    yield fake
    assert fake.open_streams == 0, "a stream was left open"


@pytest.fixture
def card(audio: FakeAudio) -> ModuleType:
    return importlib.import_module("benchlog_soundcard.scope")


@pytest.mark.parametrize(("samples", "dtype"), [("int16", np.int16), ("float32", np.float32)])
def test_a_capture_has_both_channels_and_the_ratio(card: ModuleType, samples: str, dtype: type) -> None:
    """Two channels of one moment, raw as delivered, marked AC coupled; the ratio holds without calibration."""
    address = f"soundcard:?samples={samples}&span=0.1"
    with make_adapter(address, "SC", kind="scope", clock=ManualClock(10**18)) as scope:
        capture = scope.capture(["L", "R"])  # type: ignore[attr-defined]
    left, right = capture.channel("L"), capture.channel("R")
    assert capture.n_samples == 4800
    assert capture.interval_s == pytest.approx(1 / 48000)
    assert left.codes.dtype == dtype
    assert (left.unit, left.coupling) == ("1", "ac")
    assert np.std(left.values()) / np.std(right.values()) == pytest.approx(10, rel=1e-3)
    assert "20 Hz to 21600 Hz" in capture.settings["usable band"]


def test_one_reading_calibrates_the_input(audio: FakeAudio, card: ModuleType) -> None:
    """Full scale from a capture and a meter's reading, then volts come out right at another level."""
    with card.SoundCardScope("SC", "", card.ScopeOptions(span=0.1)) as scope:
        record = scope.capture(["L"]).channel("L")
    reading_v = 0.5 * INPUT_FULL_SCALE_V / np.sqrt(2)
    full_scale = card.full_scale_from(record, reading_v)
    assert full_scale == pytest.approx(INPUT_FULL_SCALE_V, rel=1e-4)
    audio.level = 0.2
    with make_adapter(f"soundcard:?full_scale={full_scale}&span=0.1", "SC", kind="scope") as adapter:
        record = adapter.capture(["L"]).channel("L")  # type: ignore[attr-defined]
    assert record.unit == "V"
    assert record.range_max == pytest.approx(full_scale)
    assert np.std(record.values()) == pytest.approx(0.2 * INPUT_FULL_SCALE_V / np.sqrt(2), rel=1e-3)


def test_what_can_not_calibrate_is_refused(audio: FakeAudio, card: ModuleType) -> None:
    """A clipped record, a whisper and a zero reading give no full scale."""
    scope = card.SoundCardScope("SC", "", card.ScopeOptions(span=0.05))
    for level, reading, said in (
        (1.5, 1.0, "clipped"),
        (1e-3, 1.0, "only"),
        (0.5, 0.0, "can.t calibrate"),
    ):
        audio.level = level
        with scope:
            record = scope.capture(["L"]).channel("L")
        with pytest.raises(AnalysisError, match=said):
            card.full_scale_from(record, reading)


def test_lost_samples_are_an_error_not_a_gap(audio: FakeAudio, card: ModuleType) -> None:
    """An overflow inside the record is refused; one while the input settles does not matter."""
    with card.SoundCardScope("SC", "", card.ScopeOptions(span=0.2)) as scope:
        audio.overflow_at = 12000
        with pytest.raises(BadFrameError, match="lost samples"):
            scope.capture(["L"])
    with card.SoundCardScope("SC", "", card.ScopeOptions(span=0.2)) as scope:
        audio.overflow_at = 100
        assert scope.capture(["L"]).n_samples == 9600


def test_nonsense_is_refused(card: ModuleType) -> None:
    """Unknown channels and impossible record lengths."""
    with card.SoundCardScope("SC", "") as scope:
        with pytest.raises(UsageError, match="CH1"):
            scope.capture(["CH1"])
        with pytest.raises(UsageError):
            scope.capture([])
        with pytest.raises(UsageError):
            scope.set_timebase(n_samples=100, span_s=0.0)
        scope.set_timebase(n_samples=4800, interval_s=1 / 48000)
        assert scope.capture(["R"]).n_samples == 4800


def test_the_contract_is_kept(card: ModuleType) -> None:
    """Both kinds; an unknown device is missing, a busy one can't be opened."""
    check_adapter(
        lambda: make_adapter("soundcard:?span=0.05", "SC", kind="scope"),
        channels=["L", "R"],
        make_unreachable=lambda: make_adapter("soundcard:none such", "SC", kind="scope"),
    )
    check_adapter(
        lambda: make_adapter("soundcard:?full_scale_vpp=2", "SG", kind="generator"),
        make_unreachable=lambda: make_adapter("soundcard:broken", "SG", kind="generator"),
    )
    with pytest.raises(OpenError) as caught:
        make_adapter("soundcard:none such", "SC", kind="scope").open()
    assert caught.value.reason is OpenReason.MISSING


def test_an_unplugged_card_is_a_lost_link(audio: FakeAudio, card: ModuleType) -> None:
    """The library's own exception stops at the adapter."""
    with card.SoundCardScope("SC", "") as scope:
        audio.fail_read = True
        with pytest.raises(LinkLostError):
            scope.capture(["L"])


def test_the_generator_plays_an_unbroken_sine(audio: FakeAudio, card: ModuleType) -> None:
    """Frequency and amplitude as asked, the same on both channels, without a step between blocks."""
    with make_adapter("soundcard:?full_scale_vpp=4", "SG", kind="generator") as source:
        source.set_sine(1234.5, 1.0)  # type: ignore[attr-defined]
        source.set_output(True)  # type: ignore[attr-defined]
        assert audio.latest.running
        out = audio.latest.play(9600)
        source.set_output(False)  # type: ignore[attr-defined]
        assert not audio.latest.running
    wanted = 0.25 * np.sin(2 * np.pi * 1234.5 * np.arange(9600) / 48000)
    assert np.max(np.abs(out - wanted[:, None])) < 1e-6


def test_volts_need_a_calibrated_output(card: ModuleType) -> None:
    """Without it only parts of full scale can be set; frequencies outside the usable band are refused."""
    with make_adapter("soundcard:", "SG", kind="generator") as source:
        with pytest.raises(UsageError, match="not calibrated"):
            source.set_sine(1000.0, 1.0)  # type: ignore[attr-defined]
        source.set_level(1000.0, 0.5)  # type: ignore[attr-defined]
        for frequency, level in ((5.0, 0.5), (23000.0, 0.5), (1000.0, 0.0), (1000.0, 1.1)):
            with pytest.raises(UsageError):
                source.set_level(frequency, level)  # type: ignore[attr-defined]
    with (
        make_adapter("soundcard:?full_scale_vpp=2", "SG", kind="generator") as source,
        pytest.raises(UsageError),
    ):
        source.set_sine(1000.0, 2.5)  # type: ignore[attr-defined]


def test_a_missing_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without python-sounddevice the adapter is unavailable, with the package to install, and the rest works."""
    for module in ("library", "scope", "generator"):
        monkeypatch.delitem(sys.modules, f"benchlog_soundcard.{module}", raising=False)
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, package=None: None)
    with pytest.raises(AdapterUnavailableError) as caught:
        make_adapter("soundcard:", "SC", kind="scope")
    assert "sounddevice" in caught.value.message
    assert "pip install sounddevice" in caught.value.hint
    assert isinstance(caught.value, InstrumentError)
    assert Registry().schemes()["soundcard"] == "benchlog"  # the plug-in's distribution


_NULL_SINK = """
pcm.!default { type null }
ctl.!default { type null }
pcm.benchnull { type null hint { show on description "null sink" } }
"""


def test_against_a_null_sink(tmp_path: Path) -> None:
    """The real audio library opens, captures and plays on a sink that hears and says nothing."""
    if find_spec("sounddevice") is None:
        pytest.skip("python-sounddevice is not installed (extra soundcard)")
    if sys.platform != "linux":
        pytest.skip("only ALSA has a null sink")
    configuration = tmp_path / "asound.conf"
    configuration.write_text(_NULL_SINK, encoding="utf-8")
    probe = subprocess.run(
        [sys.executable, "-c", "import sounddevice as s; s.query_devices('benchnull')"],
        env=os.environ | {"ALSA_CONFIG_PATH": str(configuration)},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    if probe.returncode:
        pytest.skip(f"no null sink can be started: {probe.stderr.strip().splitlines()[-1]}")
    program = (
        "from benchlog.registry import make_adapter\n"
        "with make_adapter('soundcard:benchnull?span=0.1', 'SC', kind='scope') as s:\n"
        "    print(s.capture(['L', 'R']).n_samples)\n"
        "with make_adapter('soundcard:benchnull?full_scale_vpp=2', 'SG', kind='generator') as g:\n"
        "    g.set_sine(1000.0, 1.0); g.set_output(True); g.set_output(False)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        env=os.environ | {"ALSA_CONFIG_PATH": str(configuration)},
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    assert done.stdout.strip() == "4800"
