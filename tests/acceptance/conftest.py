"""A desk with two typed meters and the kiln controller's plan; the demo's folder at its end."""

from __future__ import annotations

import shutil
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from helpers.desk import Desk

from benchlog.clock import parse_rfc3339

#: What a person would read and type on day 0 with MA-01, on a good transformer.
DAY_0 = {
    "C01": ["C01/primary: 63.4 ohm", "C01/secondary,_drop_at_0.500_A: 0.500 V"],
    "C02": ["C02/leakage: 12 mV"],
    "C03": ["C03/mains: 236 V", "C03/no_load: 27.75 V"],
    "C04": ["C04/mains: 236 V", "C04/no_load: 27.75 V", "C04/loaded: 24.70 V", "C04/unload:"],
}


class Kiln(Desk):
    """A desk with the kiln controller's plan, C03 done with MA-01."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        text = (files("benchlog.demo") / "kc1.toml").read_text(encoding="utf-8")
        # The day's story begins with MB-02 here; these tests need MA-01 on both.
        text = text.replace(
            'nameplate = "24 V ac 40 VA"\nmeter = "MB-02"', 'nameplate = "24 V ac 40 VA"\nmeter = "MA-01"'
        )
        self.plan = self.write("plan.toml", text)

    def day_0(self) -> None:
        """Standards, then C01 to C04."""
        for meter in ("MA-01", "MB-02"):
            assert self.run("standard", meter, "CS-3", "5.00 V dc").code == 0
        for check, answers in DAY_0.items():
            said = self.answer(self.plan, check, answers)
            assert said.code == 0, said.words


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """An empty logbook, two typed meters."""
    return Desk(tmp_path / "desk")


@pytest.fixture
def kiln(tmp_path: Path) -> Kiln:
    """The kiln controller's plan, nothing done yet."""
    return Kiln(tmp_path / "kiln")


@pytest.fixture
def story_end(demo: tuple[Path, dict[str, Any], float], tmp_path: Path) -> Desk:
    """A copy of the demo's folder on the evening of its last day."""
    folder = tmp_path / "kc1"
    shutil.copytree(demo[0], folder)
    desk = Desk(folder, (folder / "bench.toml").read_text(encoding="utf-8"))
    desk.logbook = folder / "kc1.logbook"
    desk.clock.set_utc_ns(parse_rfc3339("2026-08-09T18:00:00Z"))
    return desk
