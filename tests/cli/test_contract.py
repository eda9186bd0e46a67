"""The contract scripts rely on: JSON, exit codes, and one clear error with a hint for bad input."""

from __future__ import annotations

import json
import math
import socket
import wave

import pytest
from helpers.field_edits import alter

from benchlog.cli import COMMANDS, main

SUPPLY = (
    "supply",
    "--nameplate",
    "24 V ac 40 VA",
    "--mains",
    "236 V",
    "--mains-nominal",
    "230 V",
    "--reading",
    "27.75 V ac",
    "--accuracy",
    "1 % + 5",
)


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    """Every command runs in a folder of its own."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def call(capsys):
    """Run a command line with --json; returns exit code and the object printed."""

    def run(*words):
        code = main([*words, "--json"])
        return code, json.loads(capsys.readouterr().out)

    return run


def finite(value):
    """No NaN, no infinity anywhere in a JSON value."""
    if isinstance(value, dict):
        return all(finite(v) for v in value.values())
    if isinstance(value, list):
        return all(finite(v) for v in value)
    return not isinstance(value, float) or math.isfinite(value)


def test_supply_with_a_capacitor_too_small(call):
    """U 0.38 V, peak 38.5 V, worst 41.4 V; verdict pass, design check failed, exit 1."""
    code, result = call(*SUPPLY, "--capacitor", "35 V")
    quantities = result["quantities"]
    assert code == 1
    assert result["schema"] == "benchlog.result/1"
    assert result["verdict"] == "pass"
    assert quantities["no_load_voltage"]["expanded_uncertainty"] == pytest.approx(0.38, abs=0.005)
    assert quantities["rectified_peak"]["value"] == pytest.approx(38.5, abs=0.05)
    assert quantities["rectified_peak_worst"]["value"] == pytest.approx(41.4, abs=0.05)
    assert result["design_checks"][0]["verdict"] == "fail"
    assert result["design_checks"][0]["limit"] == 35
    assert result["record"]["digest"].startswith("sha256:")
    assert finite(result)


def test_crosscheck_of_two_meters(call):
    """E_n 2.67 for 5.19 V (0.8 % + 2) on 5.000 V (0.05 %): fail."""
    code, result = call(
        "crosscheck",
        *("--reading", "A=5.19 V dc", "--reading", "B=5.000 V dc"),
        *("--accuracy", "A=0.8 % + 2", "--accuracy", "B=0.05 % + 0"),
        *("--resolution", "A=0.01 V", "--resolution", "B=1 uV"),
    )
    assert abs(result["quantities"]["e_n"]["value"]) == pytest.approx(2.67, abs=0.005)
    assert code == 1


def test_continuity_that_can_not_be_resolved(call):
    """0.2 ohm on a 0.1 ohm digit: indeterminate, four-wire advised, exit 3."""
    code, result = call(
        "continuity",
        *("--reading", "0.2 ohm", "--accuracy", "1 % + 5", "--resolution", "0.1 ohm"),
        *("--wire", "AWG 24", "--length", "2.4 m"),
    )
    assert code == 3
    assert result["verdict"] == "indeterminate"
    assert "four wires" in result["reason"]


def test_ratio_of_motor_currents(call, datasets):
    """Real currents of two phases: ratio 0.9934, phase -120.9 degrees, 59.982 Hz (open data, computed independently)."""
    _, result = call(
        "ratio",
        *(
            "--capture",
            str(datasets / "motor_3phase_current_60hz_headerless.csv"),
            "--sample-interval",
            "1 ms",
        ),
        *("--columns", "A,B,C", "--primary", "A", "--secondary", "B", "--expect", "1"),
    )
    quantities = result["quantities"]
    assert quantities["turns_ratio"]["value"] == pytest.approx(0.9934, abs=0.002)
    assert quantities["phase"]["value"] == pytest.approx(-120.9, abs=0.1)
    assert quantities["frequency"]["value"] == pytest.approx(59.982, abs=0.002)


def test_typed_limits_are_marked(call):
    """Limits typed with the reading can't release a hold."""
    assert call(*SUPPLY)[1]["limits_set"] == "typed"


def test_no_record_writes_nothing(call, own_folder):
    """--no-record leaves the folder empty and the result without a place."""
    _, result = call(*SUPPLY, "--no-record")
    assert "record" not in result
    assert list(own_folder.iterdir()) == []


def test_logbook_from_the_environment(call, own_folder, monkeypatch):
    """BENCHLOG_LOGBOOK names the file where --logbook does not."""
    monkeypatch.setenv("BENCHLOG_LOGBOOK", str(own_folder / "other.logbook"))
    call(*SUPPLY)
    assert (own_folder / "other.logbook").exists()


def test_evidence_is_recorded_with_the_result(call):
    """The typed reading is in the logbook, as displayed, and the result points to it."""
    _, result = call(*SUPPLY)
    import benchlog

    with benchlog.open("bench.logbook") as book:
        readings = book.readings()
    assert list(readings["displayed"]) == ["27.75 V ac"]
    assert result["evidence"] == [f"readings:{result['record']['entry'] - 1}"]


@pytest.mark.parametrize(
    ("words", "code", "said", "hinted"),
    [
        (("supply", "--nameplate", "24"), 2, "nameplate", "24 V ac 40 VA"),
        (("supply", "--nameplate", "24 V ac"), 2, "no reading", "--reading"),
        ((*SUPPLY, "--load", "15 ohm"), 2, "go together", "--loaded"),
        ((*SUPPLY[:-4], "--reading", "0.1 V dc"), 2, "V=", "V~"),
        ((*SUPPLY[:-2], "--meter", "XX-99"), 0, None, None),
        (("continuity", "--reading", "0.2 ohm", "--wire", "AWG 24"), 2, "go together", "--length"),
        (("continuity", "--reading", "1,234 ohm"), 2, "could be", "without a comma"),
        (
            ("ratio", "--capture", "none.csv", "--primary", "A", "--secondary", "B", "--expect", "60"),
            2,
            "none.csv",
            None,
        ),
        (("status", "none.toml"), 2, "does not exist", "benchlog new"),
        (("record", "list"), 2, "bench.logbook", None),
    ],
)
def test_bad_input_is_one_clear_error(call, words, code, said, hinted):
    """Message with the value, hint with what to do, the right exit code, no traceback."""
    got, answer = call(*words)
    assert got == code
    if said is not None:
        assert answer["schema"] == "benchlog.error/1"
        assert said in answer["error"]
        assert answer["exit_code"] == code
        if hinted is not None:
            assert hinted in answer["hint"]


def test_picture_as_capture(call, own_folder):
    """A PNG is named for what it is."""
    picture = own_folder / "scope.csv"
    picture.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(64))
    code, answer = call(
        "ratio", "--capture", str(picture), "--primary", "A", "--secondary", "B", "--expect", "60"
    )
    assert code == 2
    assert "PNG" in answer["error"] + answer["hint"]


def test_text_file_as_logbook(call, own_folder):
    """A text file is not a logbook, and stays as it is."""
    text = own_folder / "bench.logbook"
    text.write_text("shopping list\n", encoding="utf-8")
    for words in (("record", "list"), SUPPLY):
        code, answer = call(*words)
        assert code == 5
        assert "logbook" in answer["error"]
    assert text.read_text(encoding="utf-8") == "shopping list\n"


def test_closed_port(call, own_folder):
    """A meter at a port nobody serves: instrument trouble, with a hint."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    (own_folder / "bench.toml").write_text(
        f'[[instrument]]\ntag = "MA-01"\naddress = "serial:socket://127.0.0.1:{port}?frames=segment14"\n',
        encoding="utf-8",
    )
    code, answer = call("supply", "--nameplate", "24 V ac 40 VA", "--meter", "MA-01")
    assert code == 4
    assert "MA-01" in answer["error"]
    assert answer["hint"]


def test_two_waves_in_a_wav_file(call, own_folder):
    """Any capture format goes through the same check: a stereo WAV of 60 to 1."""
    rate, n = 48_000, 9_600
    frames = bytearray()
    for i in range(n):
        phase = 2 * math.pi * 1000 * i / rate
        for amplitude in (500, 30_000):
            frames += round(amplitude * math.sin(phase)).to_bytes(2, "little", signed=True)
    with wave.open(str(own_folder / "pair.wav"), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes(bytes(frames))
    _, result = call(
        *("ratio", "--capture", "pair.wav", "--columns", "loop,winding", "--primary", "loop"),
        *("--secondary", "winding", "--expect", "60"),
    )
    assert result["quantities"]["turns_ratio"]["value"] == pytest.approx(60, rel=2e-3)
    assert result["verdict"] == "indeterminate"  # one capture, 3 % gains: 60 can't be distinguished from 61
    assert result["turns"]["most_likely"] == 60


def test_every_command_explains_itself(capsys):
    """Each command has help with its own options, and the common ones."""
    for command in COMMANDS:
        with pytest.raises(SystemExit) as stopped:
            main([command, "--help"])
        out = capsys.readouterr().out
        assert stopped.value.code == 0
        assert "usage: benchlog " + command in out
        assert len(out.splitlines()) > 5


def test_no_command_prints_help(capsys):
    """benchlog alone shows what there is and counts as bad use."""
    assert main([]) == 2
    assert "supply" in capsys.readouterr().out


def test_json_errors_stay_json(call):
    """With --json an error is one object on standard output."""
    code, answer = call("release", "none.toml", "H1")
    assert (code, answer["exit_code"]) == (2, 2)


def test_any_changed_field_of_a_recorded_result_is_found(call, own_folder):
    """Edit one digit of a stored result: verify names the entry and exits 5."""
    _, result = call(*SUPPLY)
    seq = result["record"]["entry"]
    statement = "UPDATE entry SET text = replace(text, '27.75', '27.85') WHERE seq = ?"
    alter(own_folder / "bench.logbook", statement, (seq,))
    code, answer = call("record", "verify")
    assert code == 5
    assert f"entry {seq}" in json.dumps(answer)
