"""The registry: built-in table, outside plug-ins, and reasons for what is unavailable."""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

import benchlog_drivers
from benchlog.bench import read_bench
from benchlog.errors import AdapterUnavailableError, ConfigError
from benchlog.registry import GROUP, Registry, make_adapter, unavailable
from benchlog_drivers.serial_meter import SerialMeter


def _point(name: str, value: str) -> EntryPoint:
    return EntryPoint(name, value, GROUP)


def test_an_address_gives_an_adapter_that_is_not_open() -> None:
    adapter = make_adapter("serial:/dev/none?frames=segment14", "MA-01")
    assert isinstance(adapter, SerialMeter)
    assert (adapter.instrument, adapter.is_open) == ("MA-01", False)


def test_every_row_of_the_built_in_table_is_there() -> None:
    """The table holds strings; each must name what exists, or a library that is missing."""
    registry = Registry(plug_ins=())
    for name in benchlog_drivers.BUILT_IN:
        scheme, _, kind = name.partition(".")
        missing = [u for u in registry.unavailable() if u.name == name]
        if missing:
            assert "needs the library" in missing[0].reason
        else:
            assert callable(registry.factory(scheme, kind))


def test_the_table_alone_loads_no_hardware_library() -> None:
    code = (
        "import sys, benchlog.registry, benchlog_drivers; "
        "assert not {'serial', 'pyvisa', 'numpy.random'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_an_unknown_scheme_lists_the_known_ones() -> None:
    with pytest.raises(AdapterUnavailableError, match="'teleport'") as error:
        make_adapter("teleport:x", "MA-01")
    assert "serial" in error.value.hint


def test_an_unknown_option_lists_the_known_ones() -> None:
    with pytest.raises(ConfigError, match="unknown option 'colour'") as error:
        make_adapter("serial:x?frames=segment14&colour=red", "MA-01")
    assert "frames" in error.value.hint
    assert error.value.instrument == "MA-01"


def test_address_and_bench_file_may_not_contradict_each_other() -> None:
    with pytest.raises(ConfigError, match=r"2400.*4800"):
        make_adapter("serial:x?frames=segment14&baud=2400", "MA-01", options={"baud": 4800})
    make_adapter("serial:x?frames=segment14&baud=2400", "MA-01", options={"baud": 2400})


def test_a_kind_that_a_scheme_does_not_have_lists_those_it_has() -> None:
    registry = Registry({"dummy.scope": "benchlog_drivers.manual_entry:ManualReader"}, ())
    with pytest.raises(AdapterUnavailableError, match="no kind 'meter'") as error:
        registry.make("dummy:y", "A")
    assert "scope" in error.value.hint
    with pytest.raises(ConfigError, match="kind 'toaster'"):
        registry.make("dummy:y?kind=toaster", "A")
    assert registry.make("dummy:y?kind=scope", "A").instrument == "A"


def test_an_outside_plug_in_can_not_take_a_built_in_name() -> None:
    registry = Registry(
        {"serial": "benchlog_drivers.serial_meter:SerialMeter"}, [_point("serial", "thief:Meter")]
    )
    assert registry.factory("serial") is SerialMeter
    (refused,) = registry.unavailable()
    assert (refused.name, refused.origin) == ("serial", "thief:Meter")
    assert "built-in" in refused.reason


def test_two_plug_ins_of_one_name_keep_the_first_and_name_the_second() -> None:
    points = [_point("probe", "json:JSONDecoder"), _point("probe", "other:Meter")]
    refused = Registry({}, points).unavailable()
    assert [u.origin for u in refused if "wants a name" in u.reason] == ["other:Meter"]


def test_a_broken_plug_in_does_not_stop_the_others(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "broken_plug_in.py").write_text("raise RuntimeError('meant to fail')\n")
    (tmp_path / "hungry_plug_in.py").write_text("import library_that_nobody_has\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    points = [
        _point("broken", "broken_plug_in:Meter"),
        _point("hungry", "hungry_plug_in:Meter"),
        _point("gone", "module_that_is_not_there:Meter"),
        _point("empty", "json:loads"),
        _point("bare", "json:no_such_name"),
    ]
    registry = Registry({"typed": "benchlog_drivers.manual_entry:ManualReader"}, points)
    reasons = {u.name: (u.reason, u.hint) for u in registry.unavailable()}
    assert set(reasons) == {"broken", "hungry", "gone", "empty", "bare"}
    assert "meant to fail" in reasons["broken"][0]
    assert "library_that_nobody_has" in reasons["hungry"][0]
    assert reasons["hungry"][1] == "install it: pip install library_that_nobody_has"
    assert all(hint for _, hint in reasons.values())
    assert registry.make("typed:", "MB-02").instrument == "MB-02"
    with pytest.raises(AdapterUnavailableError, match="meant to fail"):
        registry.make("broken:x", "A")


def test_a_missing_library_is_named_with_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "benchlog_drivers.serial_meter", raising=False)
    monkeypatch.delitem(sys.modules, "benchlog_drivers._lines", raising=False)
    for name in [m for m in sys.modules if m == "serial" or m.startswith("serial.")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "serial", None)
    registry = Registry({"serial": "benchlog_drivers.serial_meter:SerialMeter"}, ())
    with pytest.raises(AdapterUnavailableError, match="needs the library serial") as error:
        registry.factory("serial")
    assert error.value.hint == "install it: pip install pyserial"


def test_a_fault_in_a_built_in_adapter_is_not_taken_for_a_missing_library() -> None:
    registry = Registry({"x": "benchlog_drivers.no_such_module:Meter"}, ())
    with pytest.raises(ModuleNotFoundError, match="no_such_module"):
        registry.factory("x")


def test_here_nothing_built_in_is_unavailable_but_for_a_library() -> None:
    assert all("needs the library" in u.reason for u in unavailable() if u.origin == "built-in")


def test_a_bench_file_with_a_mistyped_address_is_refused(tmp_path: Path) -> None:
    """Found before a run, not when the meter is first asked; the hint has the name that was meant.

    Whoever only reads the record does without the plug-in of a link.
    """
    file = tmp_path / "bench.toml"
    file.write_text('[[instrument]]\ntag = "DM-1"\naddress = "typd:"\n', encoding="utf-8")
    bench = read_bench(file)
    with pytest.raises(ConfigError, match="typd") as caught:
        bench.refuse_unserved()
    assert caught.value.hint == "did you mean typed?"
    file.write_text('[[instrument]]\ntag = "DM-1"\naddress = "tap:a.tap:typed:"\n', encoding="utf-8")
    read_bench(file).refuse_unserved()
