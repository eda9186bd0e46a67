"""Dialect tables: the shipped ones, the project's own, and what a wrong file says."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from benchlog.errors import ConfigError
from benchlog_drivers.dialects import (
    GeneratorDialect,
    MeterDialect,
    ScopeDialect,
    by_identity,
    load_dialects,
)

OWN = 'name = "mine"\nextends = "preamble_ten"\nidn = ["^ACME,S1"]\n'


def test_shipped_dialects_are_read() -> None:
    """Two scope families, a generator and a meter."""
    assert set(load_dialects(ScopeDialect)) == {"preamble_ten", "field_queries"}
    assert set(load_dialects(GeneratorDialect)) == {"scpi_generator"}
    assert set(load_dialects(MeterDialect)) == {"scpi_meter"}


def test_an_own_dialect_says_only_what_differs(tmp_path: Path) -> None:
    """Everything else comes from the dialect it extends, key by key."""
    (tmp_path / "mine.toml").write_text(OWN + "[waveform]\nchunk_samples = 1000\n", encoding="utf-8")
    found = load_dialects(ScopeDialect, tmp_path)
    mine, base = found["mine"], found["preamble_ten"]
    assert mine.waveform.chunk_samples == 1000
    assert mine.waveform.data == base.waveform.data
    assert mine.vertical == base.vertical


def test_the_identity_picks_and_the_project_goes_first(tmp_path: Path) -> None:
    """A project's pattern wins over a shipped one that matches as well."""
    (tmp_path / "mine.toml").write_text(OWN.replace("^ACME,S1", "SC-03"), encoding="utf-8")
    found = load_dialects(ScopeDialect, tmp_path)
    picked = by_identity(found, "simulated,SC-03,0,1.0")
    assert picked is not None
    assert picked.name == "mine"
    assert by_identity(found, "nobody,X") is None


def test_a_project_may_replace_a_shipped_dialect_under_its_name(tmp_path: Path) -> None:
    """A file of the same name that extends it changes it for this project only."""
    (tmp_path / "x.toml").write_text(
        'name = "preamble_ten"\nextends = "preamble_ten"\nidn = ["^ACME"]\n', encoding="utf-8"
    )
    assert load_dialects(ScopeDialect, tmp_path)["preamble_ten"].idn == ("^ACME",)
    assert load_dialects(ScopeDialect)["preamble_ten"].idn != ("^ACME",)


LOADED_AT_ONCE = """
import sys, threading
from benchlog_drivers.dialects import GeneratorDialect, MeterDialect, ScopeDialect, load_dialects
sys.setswitchinterval(1e-6)
together = threading.Barrier(4)
def load(kind):
    together.wait()
    load_dialects(kind)
threads = [threading.Thread(target=load, args=(k,)) for k in (ScopeDialect, GeneratorDialect, MeterDialect, ScopeDialect)]
for thread in threads: thread.start()
for thread in threads: thread.join()
"""


def test_several_instruments_may_be_opened_at_once() -> None:
    """Threads that load dialects at the same moment: without a lock, a crash in every third new process (12 of 40)."""
    for _ in range(12):
        done = subprocess.run([sys.executable, "-c", LOADED_AT_ONCE], capture_output=True, check=False)
        assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ('name = "x', "not valid TOML"),
        ('extends = "preamble_ten"\n', "name"),
        ('name = "has space"\n', "name"),
        ('name = "x"\n', "kind"),
        ('name = "x"\nkind = "toaster"\n', "toaster"),
        ('name = "x"\nextends = "nothing"\n', "no dialect 'nothing'"),
        ('name = "x"\nextends = "x"\n', "no dialect 'x'"),
        (OWN + "idn2 = []\n", "line 4: idn2"),
        (OWN + "[waveform]\nchunk_sample = 1000\n", "line 5: waveform.chunk_sample"),
        (OWN + '[waveform]\ncode_type = "int9"\n', "line 5: waveform.code_type"),
        (OWN + '[waveform]\nscale = "yinc"\n', "no field 'yinc'"),
        (OWN + '[trigger]\nset = [":TRIG {chanel}"]\n', "trigger.set"),
        (OWN + '[acquisition]\ndone = "("\n', "acquisition.done"),
        (OWN + '[vertical]\nset = [":S {scale:d}"]\n', "vertical.set"),
    ],
)
def test_a_wrong_file_is_named_with_its_key(tmp_path: Path, text: str, where: str) -> None:
    """File, and line or key, are in the message."""
    (tmp_path / "wrong.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        load_dialects(ScopeDialect, tmp_path)
    assert "wrong.toml" in str(caught.value)
    assert where in str(caught.value)


def test_two_files_of_one_name_are_refused(tmp_path: Path) -> None:
    """Which one holds must not depend on the order of a folder."""
    for name in ("a.toml", "b.toml"):
        (tmp_path / name).write_text(OWN, encoding="utf-8")
    with pytest.raises(ConfigError, match=r"a\.toml"):
        load_dialects(ScopeDialect, tmp_path)


def test_dialects_that_extend_each_other_are_refused(tmp_path: Path) -> None:
    """A circle ends in an error, not in a hang."""
    (tmp_path / "a.toml").write_text('name = "a"\nextends = "b"\n', encoding="utf-8")
    (tmp_path / "b.toml").write_text('name = "b"\nextends = "a"\n', encoding="utf-8")
    with pytest.raises(ConfigError, match="extends"):
        load_dialects(ScopeDialect, tmp_path)
