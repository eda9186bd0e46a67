"""A tapped link replays to the readings that were read."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from helpers.frames import EXAMPLES, segment14
from helpers.pty_meter import PtyMeter
from helpers.systems import make_device_link
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.adapter import Reader
from benchlog.clock import ManualClock
from benchlog.errors import CaptureFileError, ConfigError, OpenError, OpenReason, UsageError
from benchlog.reading import Flag, Function, Origin, Reading, State
from benchlog.registry import make_adapter
from benchlog.testing import ScriptedReader
from benchlog_drivers.replay import ReplayReader
from benchlog_drivers.wiretap import MAGIC, TappedReader, WiretapWriter, open_tap, read_wiretap

FRAME, SHOWN = EXAMPLES["segment14"]


def opened(address: str, **options: object) -> Reader:
    adapter = make_adapter(address, "MA-01", options=options)
    assert isinstance(adapter, Reader)
    return adapter


def all_of(adapter: Reader) -> Iterator[Reading]:
    while (reading := adapter.read(0)) is not None:
        yield reading


@pytest.mark.parametrize("family", sorted(EXAMPLES))
def test_a_tapped_meter_replays_to_equal_readings(family: str, tmp_path: Path) -> None:
    """Equal in everything, times included, but for where they come from."""
    frame, shown = EXAMPLES[family]
    tap = tmp_path / "night.tap"
    read: list[Reading] = []
    answers = {b"D": frame} if family == "polled14" else None
    end = PtyMeter(b"" if answers else frame + b"\xff" + frame, answers=answers)
    with end, opened(f"tap:{tap}:serial:{end.path}?frames={family}") as meter:
        while len(read) < 4:
            reading = meter.read(1)
            assert reading is not None
            read.append(reading)
    with opened(f"replay:{tap}") as replay:
        again = list(all_of(replay))
    assert {r.displayed for r in read} == {shown}
    assert again[: len(read)] == [msgspec.structs.replace(r, origin=Origin.FILE) for r in read]


def test_a_pause_inside_a_frame_replays_as_one(tmp_path: Path) -> None:
    """The halves of two frames must stay halves in the replay too."""
    tap = tmp_path / "pause.tap"
    with PtyMeter() as end, opened(f"tap:{tap}:serial:{end.path}?frames=segment14") as meter:
        end.send(FRAME[:5])
        assert meter.read(0.25) is None
        end.send(segment14("13.11", "ac", "volt")[5:] + FRAME)
        reading = meter.read(0.25)
        assert reading is not None
    with opened(f"replay:{tap}") as replay:
        assert [r.displayed for r in all_of(replay)] == [SHOWN]
        assert isinstance(replay, ReplayReader)
        assert replay.decoder is not None
        assert replay.decoder.rejects["broken off"] == 1


def test_a_tap_goes_on_after_the_link_was_lost(tmp_path: Path) -> None:
    tap = tmp_path / "lost.tap"
    with PtyMeter(FRAME) as end:
        meter = opened(f"tap:{tap}:serial:{end.path}?frames=segment14")
        for _ in range(2):
            with meter:
                assert meter.read(1) is not None
    with opened(f"replay:{tap}") as replay:
        assert len(list(all_of(replay))) >= 2
    assert [r.data for r in read_wiretap(tap) if r.direction == "!"] == [b"open", b"open"]


def test_options_of_the_frames_are_kept_in_the_tap(tmp_path: Path) -> None:
    tap = tmp_path / "degrees.tap"
    frame = segment14(" 23.5", last=4)
    options = {"frames": "segment14", "annunciators": {"14.2": "degC"}, "baud": 4800}
    end = PtyMeter(frame)
    with end, opened(f"tap:{tap}:serial:{end.path}", **options) as meter:
        assert meter.read(1) is not None
    with opened(f"replay:{tap}") as replay:
        reading = replay.read(1)
    assert reading is not None
    assert reading.function is Function.TEMPERATURE


def test_a_meter_without_bytes_is_tapped_by_its_readings(tmp_path: Path) -> None:
    script = [
        Reading(Function.AC_VOLTS, 27.75, 0.01, "27.75 V", flags=frozenset({Flag.HOLD}), raw=b"\x00\xff"),
        Reading(Function.OHMS, None, 0.0, "OL", State.OVERLOAD),
    ]
    tap = tmp_path / "scripted.tap"
    tapped = open_tap("MB-02", str(tap), ScriptedReader("MB-02", script, clock=ManualClock(10**18)))
    assert isinstance(tapped, TappedReader)
    with tapped:
        assert tapped.identity() == "follows a script"
        read = list(all_of(tapped))
    with opened(f"replay:{tap}") as replay:
        again = list(all_of(replay))
    assert again == [msgspec.structs.replace(r, origin=Origin.FILE, instrument="MA-01") for r in read]


def test_a_tap_never_overwrites(tmp_path: Path) -> None:
    tap = tmp_path / "kept.tap"
    tap.write_text("kept")
    with pytest.raises(UsageError, match="already exists") as error:
        opened(f"tap:{tap}:serial:/dev/x?frames=segment14").open()
    assert error.value.hint
    assert tap.read_text() == "kept"
    with pytest.raises(UsageError, match="can't be written"):
        opened(f"tap:{tmp_path}/no/such/folder.tap:serial:/dev/x?frames=segment14").open()


def test_only_meters_are_tapped(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="not a meter"):
        make_adapter(f"tap:{tmp_path}/x.tap:visa:TCPIP::127.0.0.1::9::SOCKET?kind=scope", "SC-03")


def test_a_raw_stream_replays_through_the_named_decoder(tmp_path: Path) -> None:
    raw = tmp_path / "stream.bin"
    raw.write_bytes(b"{noise" + FRAME * 3 + FRAME[:4])
    with opened(f"replay:{raw}?frames=segment14") as replay:
        readings = list(all_of(replay))
    assert [r.displayed for r in readings] == [SHOWN] * 3
    assert all(r.utc_ns > 0 and r.origin is Origin.FILE for r in readings)


def test_json_lines_replay_those_of_one_meter(tmp_path: Path) -> None:
    file = tmp_path / "readings.jsonl"
    made = [
        Reading(Function.DC_VOLTS, float(k), 0.01, f"{k:.2f} V", instrument=tag, utc_ns=10**18 + k, mono_ns=k)
        for k in range(4)
        for tag in ("MA-01", "MB-02")
    ]
    file.write_bytes(b"\n".join(msgspec.json.encode(r) for r in made) + b"\n\n")
    with opened(f"replay:{file}?only=MB-02") as replay:
        assert [r.value for r in all_of(replay)] == [0.0, 1.0, 2.0, 3.0]
    with opened(f"replay:{file}") as replay:
        assert len(list(all_of(replay))) == 8


def _paced(tmp_path: Path, clock: ManualClock) -> ReplayReader:
    file = tmp_path / "paced.jsonl"
    lines = [
        Reading(Function.DC_VOLTS, float(k), 1.0, f"{k} V", utc_ns=10**18 + k * 10**9, mono_ns=k * 10**9)
        for k in range(3)
    ]
    file.write_bytes(b"\n".join(map(msgspec.json.encode, lines)))
    adapter = make_adapter(f"replay:{file}?pace=true", "MA-01", clock=clock)
    assert isinstance(adapter, ReplayReader)
    return adapter


def test_the_true_pace_keeps_the_recorded_distances(tmp_path: Path) -> None:
    clock = ManualClock(0)
    with _paced(tmp_path, clock) as replay:
        assert replay.read(0.4) is not None
        assert replay.read(0.4) is None
        assert clock.monotonic_ns() == pytest.approx(0.4e9)
        reading = replay.read(2)
        assert reading is not None
        assert clock.monotonic_ns() == pytest.approx(1e9)
        assert reading.utc_ns == 10**18 + 10**9
        assert replay.read(5) is not None
        assert not replay.at_end
        assert replay.read(5) is None
        assert replay.at_end
        assert clock.monotonic_ns() == pytest.approx(7e9)


def test_an_opened_replay_begins_anew(tmp_path: Path) -> None:
    replay = _paced(tmp_path, ManualClock(0))
    for _ in range(2):
        with replay:
            first = replay.read(0)
            assert first is not None
            assert first.value == 0.0


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"a,b,c\n1,2,3\n", "neither a wiretap file nor JSON lines"),
        (b'{"function":"V="}\n', "line 1: no reading"),
        (b'{"function":"V=","value":null,"resolution":0,"displayed":"x"}\n', "line 1: no reading"),
        (f"{MAGIC}\nabout [1]\n".encode(), "line 2: no JSON object"),
        (f"{MAGIC}\nabout {{\n".encode(), "line 2"),
        (f"{MAGIC}\nnothing\n".encode(), "is not a wiretap file"),
        (f"{MAGIC}\nabout {{}}\n# remark\nyesterday 1.0 < 00\n".encode(), "line 4"),
        (f"{MAGIC}\nabout {{}}\n2026-11-25T06:20:11.1Z 1.0 < 0G\n".encode(), "line 3"),
        (f"{MAGIC}\nabout {{}}\n2026-11-25T06:20:11.1Z 1.0 ? 00\n".encode(), "line 3: direction"),
        (f"{MAGIC}\nabout {{}}\n2026-11-25T06:20:11.1Z\n".encode(), "line 3"),
        (f"{MAGIC}\nabout {{}}\n2026-11-25T06:20:11.1Z 1.0 = {{}}\n".encode(), "no reading"),
    ],
)
def test_what_is_not_a_recording_is_refused_with_the_place(
    content: bytes, words: str, tmp_path: Path
) -> None:
    file = tmp_path / "file"
    file.write_bytes(content)
    adapter = opened(f"replay:{file}")
    with pytest.raises(CaptureFileError, match=words) as error:
        _read_all(adapter)
    assert error.value.hint
    adapter.close()


def _read_all(adapter: Reader) -> list[Reading]:
    return list(all_of(adapter.open()))


def test_an_unknown_frame_option_in_a_tap_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text(f'{MAGIC}\nabout {{"frames":{{"colour":1}}}}\n')
    adapter = opened(f"replay:{file}")
    with pytest.raises(ConfigError, match="colour"):
        _read_all(adapter)
    adapter.close()


def test_a_missing_recording_is_an_open_error(tmp_path: Path) -> None:
    with pytest.raises(OpenError) as error:
        opened(f"replay:{tmp_path}/nothing.tap").open()
    assert error.value.reason is OpenReason.MISSING


def test_a_tap_cut_off_in_the_middle_of_a_line_reads_up_to_there(tmp_path: Path) -> None:
    file = tmp_path / "cut.tap"
    line = f"2026-11-25T06:20:11.100000000Z 1.5 < {FRAME.hex(' ')}\n"
    file.write_text(f"{MAGIC}\nabout {{}}\n{line}{line[:-9]}")
    with opened(f"replay:{file}?frames=") as replay:
        assert list(all_of(replay)) == []
    (record,) = read_wiretap(file)
    assert (record.data, record.mono_ns) == (FRAME, 1_500_000_000)


@given(
    st.lists(
        st.tuples(st.integers(0, 2**62), st.integers(0, 2**62), st.sampled_from("<>"), st.binary(max_size=40))
    )
)
@settings(max_examples=20)
def test_what_a_wiretap_writes_it_reads(
    tmp_path_factory: pytest.TempPathFactory, chunks: list[tuple[int, int, str, bytes]]
) -> None:
    path = tmp_path_factory.mktemp("tap") / "x.tap"
    writer = WiretapWriter(path, {"instrument": "MA-01"})
    writer.open()
    for chunk in chunks:
        writer(*chunk)
    writer.close()
    assert [(r.utc_ns, r.mono_ns, r.direction, r.data) for r in read_wiretap(path)] == chunks


def test_a_full_disk_stops_the_tap_and_not_the_measurement(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """/dev/full refuses every write."""
    full = tmp_path / "full.tap"
    writer = WiretapWriter(full, {})
    writer.open()
    writer.close()
    full.unlink()
    make_device_link(full, "/dev/full")
    writer.open()
    writer(0, 0, "<", b"abc")
    writer(0, 0, "<", b"abc")
    writer.close()
    assert "stops here" in caplog.text
