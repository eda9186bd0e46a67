"""Records of a million samples over every link, 8 and 16 bit, both byte orders, from scopes by the letter of IEEE 488.2."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from helpers.late_links import LINKS, Late
from helpers.scpi_scopes import FieldScope
from helpers.scpi_server import Answer

from benchlog_drivers._session import LinkOptions
from benchlog_drivers.visa_scope import VisaScope

SAMPLES = 1_000_000
CODES = {
    "uint8": ("uint8", "little", "[0, 255]"),
    "int8": ("int8", "little", "[-128, 127]"),
    "int16, high byte first": ("int16", "big", "[-32768, 32767]"),
    "int16, low byte first": ("int16", "little", "[-32768, 32767]"),
    "uint16, low byte first": ("uint16", "little", "[0, 65535]"),
    "text": ("ascii", "little", "[]"),
}


class _LongScope(FieldScope):
    """Sends fixed random codes: every byte value occurs, newlines and `#` among them."""

    def __init__(self, dtype: np.dtype[np.generic]) -> None:
        super().__init__()
        self.busy_polls, self.text = 0, b""
        if dtype.kind == "f":  # volts with four digits and an exponent, as scopes print them
            cycle = [f"{k * 1e-4:.3E}" for k in range(10_000)]
            self.sent = np.resize(np.array(cycle, dtype=float), SAMPLES)
            self.text = ",".join(cycle * (SAMPLES // 10_000)).encode() + b"\n"
            return
        limits = np.iinfo(dtype)
        rng = np.random.default_rng(3)
        self.sent = rng.integers(limits.min, limits.max + 1, SAMPLES, dtype=dtype.newbyteorder("="))
        self.dtype = dtype

    def _data(self) -> Answer:
        if self.text:
            return self.text
        payload = self.sent[self.first - 1 : self.last].astype(self.dtype).tobytes()
        return b"#9%09d" % len(payload) + payload + b"\n"


@pytest.mark.parametrize("codes", CODES)
@pytest.mark.parametrize("link", [name for name in LINKS if name != "serial bridge"])
def test_a_million_samples_come_as_they_were_sent(link: str, codes: str, tmp_path: Path) -> None:
    """Each code right, and no error left in the queue of an instrument that is strict about unread answers."""
    kind, order, limits = CODES[codes]
    (tmp_path / "long.toml").write_text(
        f'name = "long"\nextends = "field_queries"\n[waveform]\ncode_type = "{kind}"\nbyte_order = "{order}"\n'
        f"code_limits = {limits}\n",
        encoding="utf-8",
    )
    dtype = np.dtype("f8" if kind == "ascii" else kind)
    model = _LongScope(dtype.newbyteorder("<" if order == "little" else ">"))
    instrument = Late(model.instrument())
    options = LinkOptions(dialect="long", dialects=str(tmp_path))
    with LINKS[link](instrument) as resource, VisaScope("S", resource, options) as scope:
        scope.set_timebase(n_samples=SAMPLES, span_s=0.01)
        record = scope.capture(["CH1"], timeout_s=5).channels[0]
        assert np.array_equal(record.codes, model.sent)
        assert instrument.errors == []
        scope.set_timebase(n_samples=1000, span_s=0.01)  # question and answer are in step afterwards
