"""Waveforms of a capture in the short answer: two periods, cut tops visible, ASCII where nothing else can be shown."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchlog.capture import Capture, ChannelRecord
from benchlog.cli import main
from benchlog.cli.thumbnail import Waveforms, thumbnail

N, STEP_S, HZ = 2000, 1e-5, 500.0
T = np.arange(N) * STEP_S


def sine(volt: float = 6.0, top: float = 99.0, phase: float = 0.0) -> np.ndarray:
    """A sine in steps of 50 mV, cut at `top`."""
    return np.clip(np.round(volt * np.sin(2 * np.pi * HZ * T + phase) / 0.05) * 0.05, -top, top)


def waveforms(*values: np.ndarray, scale: float = 1.0) -> Waveforms:
    """Channels CH1, CH2 of one capture."""
    channels = tuple(ChannelRecord(f"CH{k}", v, scale=scale) for k, v in enumerate(values, start=1))
    return Waveforms(Capture(channels, STEP_S), [c.name for c in channels], HZ)


def dots(row: str) -> int:
    """Dots of a row of braille signs."""
    return sum((ord(sign) - 0x2800).bit_count() for sign in row if sign != " ")


def test_two_periods_of_each_channel_side_by_side() -> None:
    head, top, bottom = thumbnail(waveforms(sine(0.5), sine()), 60)
    assert head.split() == ["CH1", "1.00", "V", "p-p", "CH2", "12.0", "V", "p-p"]
    assert max(map(len, (head, top, bottom))) <= 60
    left = top[:24]
    assert len(left.split()) == 3  # two positive half waves, and the third begins
    # A sine is as often above as below its middle.
    assert abs(dots(top) - dots(bottom)) < 0.2 * dots(top)


def test_a_cut_top_is_a_bar_above_and_a_word() -> None:
    clean = thumbnail(waveforms(sine()), 40, clipped=True)
    assert "clipped" not in clean[0]
    cut = thumbnail(waveforms(sine(top=5.2)), 40, clipped=True)
    assert cut[0].startswith("CH1 clipped")
    assert cut[1].count("▔") >= 6
    assert cut[2].count("▁") >= 6
    values = np.maximum(sine(), -5.2)
    below = thumbnail(waveforms(values), 40, clipped=True)
    assert "▔" not in below[1]
    assert "▁" in below[2]
    turned = thumbnail(waveforms(values, scale=-1.0), 40, clipped=True)
    assert "▔" in turned[1]
    assert "▁" not in turned[2]


def test_ascii_signs_show_it_too() -> None:
    lines = thumbnail(waveforms(sine(top=5.2), sine()), 60, clipped=True, plain=True)
    assert all(line.isascii() for line in lines)
    assert "^^" in lines[1]
    assert "vv" in lines[2]


def test_no_room_draws_nothing_and_a_flat_line_is_a_line() -> None:
    assert thumbnail(waveforms(sine(), sine()), 20) == []
    flat = thumbnail(waveforms(np.zeros(N)), 40)
    assert dots(flat[1]) + dots(flat[2]) == 2 * 24


def test_the_answer_has_it_and_a_clipped_record_shows_no_value(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    g = np.random.default_rng(1)
    rows = zip(T, sine(0.1) + g.normal(0, 1e-4, N), sine(top=5.2), strict=True)
    text = "".join(f"{t:.6f},{a:.6f},{b:.4f}\n" for t, a, b in rows)
    Path("clip.csv").write_text("time_s,CH1_V,CH2_V\n" + text, encoding="utf-8")
    words = ["--capture", "clip.csv", "--no-record"]
    assert main(["ratio", *words, "--primary", "CH1", "--secondary", "CH2", "--expect", "60"]) == 3
    shown = capsys.readouterr().out
    assert "CH2 clipped" in shown
    assert "±" not in shown
    assert "larger range" in shown
    assert main(["supply", "--nameplate", "4 V ac 1 A", *words, "--channel", "CH2"]) == 3
    assert "▔▔" in capsys.readouterr().out
