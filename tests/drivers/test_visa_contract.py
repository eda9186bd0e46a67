"""SCPI adapters keep the adapter contract, over sockets of another process and over a foreign VISA library."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers.scpi_scopes import meter
from helpers.scpi_server import ScpiServer

from benchlog.adapter import Adapter
from benchlog.registry import make_adapter
from benchlog.testing import check_adapter

TESTS = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def ports() -> Iterator[list[int]]:
    """Ports of a meter, a scope of each family and a generator, served elsewhere: the check counts our descriptors."""
    program = [sys.executable, "-m", "helpers.scpi_scopes"]
    environment = os.environ | {"PYTHONPATH": str(TESTS)}
    with subprocess.Popen(
        program, cwd=TESTS, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as running:
        assert running.stdout is not None
        yield [int(word) for word in running.stdout.readline().split()]
        running.communicate()


@pytest.mark.parametrize(
    ("index", "kind", "channels"),
    [(0, "meter", ()), (1, "scope", ("CH1", "CH2")), (2, "scope", ("CH1",)), (3, "generator", ())],
)
def test_the_contract_is_kept(ports: list[int], index: int, kind: str, channels: tuple[str, ...]) -> None:
    """Open, use, close, repeat, refuse when closed, leave nothing behind, and report an absent instrument."""
    address = f"visa:TCPIP::127.0.0.1::{ports[index]}::SOCKET"
    with make_adapter(address, "warm-up", kind=kind):
        pass  # the library keeps one manager open for the process
    report = check_adapter(
        lambda: make_adapter(address, "X1", kind=kind),
        channels=channels,
        make_unreachable=lambda: make_adapter("visa:TCPIP::127.0.0.1::9::SOCKET", "X1", kind=kind),
    )
    assert report.identity.startswith("simulated,")


SIMULATED = """
spec: "1.0"
devices:
  meter:
    eom: &eom
      GPIB INSTR: { q: "\\n", r: "\\n" }
      TCPIP INSTR: { q: "\\n", r: "\\n" }
      USB INSTR: { q: "\\n", r: "\\n" }
      ASRL INSTR: { q: "\\n", r: "\\n" }
    dialogues:
      - { q: "*IDN?", r: "simulated,MA-01,0,1.0" }
      - { q: "*CLS" }
      - { q: "CONFigure?", r: "\\"VOLT:AC +1.0E+02,+1.0E-02\\"" }
      - { q: "READ?", r: "+2.775E+01" }
  scope:
    eom: *eom
    dialogues:
      - { q: "*IDN?", r: "simulated,SC-03,0,1.0" }
      - { q: "*CLS" }
      - { q: ":SINGle" }
      - { q: ":TRIGger:STATus?", r: "STOP" }
      - { q: ":CHANnel1:COUPling?", r: "DC" }
      - { q: ":CHANnel1:PROBe?", r: "1" }
      - { q: ":CHANnel1:SCALe?", r: "1.0" }
      - { q: ":WAVeform:SOURce CHANnel1" }
      - { q: ":WAVeform:MODE RAW" }
      - { q: ":WAVeform:FORMat BYTE" }
      - { q: ":WAVeform:PREamble?", r: "0,2,4,1,1e-6,0,0,4e-2,0,128" }
      - { q: ":WAVeform:STARt 1" }
      - { q: ":WAVeform:STOP 4" }
      - { q: ":WAVeform:DATA?", r: "#14ABCD" }
      - { q: ":SYSTem:ERRor?", r: "0,\\"No error\\"" }
  generator:
    eom: *eom
    dialogues:
      - { q: "*IDN?", r: "simulated,SG-04,0,1.0" }
      - { q: "*CLS" }
      - { q: "OUTPut1:LOAD INFinity" }
      - { q: "SOURce1:FUNCtion SINusoid" }
      - { q: "SOURce1:VOLTage:UNIT VPP" }
      - { q: "SOURce1:VOLTage:OFFSet 0" }
      - { q: "SOURce1:FREQuency 1000" }
      - { q: "SOURce1:VOLTage 1" }
      - { q: "OUTPut1 ON" }
      - { q: "OUTPut1 OFF" }
      - { q: "SYSTem:ERRor?", r: "0,\\"No error\\"" }
resources:
"""
GPIB = {"meter": 8, "scope": 9, "generator": 10}


@pytest.mark.parametrize("resource", ["GPIB0::{}::INSTR", "TCPIP0::10.0.0.{}::inst0::INSTR", "ASRL{}::INSTR"])
@pytest.mark.parametrize("kind", GPIB)
def test_the_contract_is_kept_over_a_foreign_library(kind: str, resource: str, tmp_path: Path) -> None:
    """GPIB by an adapter is what its VISA library gives: the same contract, here over PyVISA-sim."""
    table = tmp_path / "bench.yaml"
    names = {k: resource.format(number) for k, number in GPIB.items()}
    table.write_text(
        SIMULATED + "".join(f"  {name}: {{ device: {k} }}\n" for k, name in names.items()), encoding="utf-8"
    )

    def make(name: str) -> Adapter:
        return make_adapter(f"visa:{name}", "X1", options={"library": f"{table}@sim"}, kind=kind)

    report = check_adapter(
        lambda: make(names[kind]),
        channels=("CH1",) if kind == "scope" else (),
        make_unreachable=lambda: make(resource.format(30)),
    )
    assert report.identity.startswith("simulated,")
    assert {r.displayed for r in report.readings} <= {"27.75 V"}
    assert all(c.channels[0].codes.tobytes() == b"ABCD" for c in report.captures)


def test_a_tapped_meter_keeps_its_dialogue(tmp_path: Path) -> None:
    """`tap:` saves questions, answers and readings."""
    path = tmp_path / "meter.tap"
    with (
        ScpiServer(meter()) as server,
        make_adapter(f"tap:{path}:{server.address}", "MA-01", kind="meter") as adapter,
    ):
        assert adapter.read() is not None  # type: ignore[attr-defined]
    lines = path.read_text(encoding="utf-8")
    assert f"> {b'READ?'.hex(' ').upper()} 0A" in lines
    assert f"< {b'+2.77512345E+01'.hex(' ').upper()} 0A" in lines
    assert '= {"function":"V~"' in lines
