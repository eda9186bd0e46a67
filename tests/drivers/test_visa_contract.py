"""SCPI adapters keep the adapter contract, over sockets of another process."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers.scpi_scopes import meter
from helpers.scpi_server import ScpiServer

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
    """Open, use, close, repeat, refuse when closed, leave nothing behind, and tell an absent instrument."""
    address = f"visa:TCPIP::127.0.0.1::{ports[index]}::SOCKET"
    with make_adapter(address, "warm-up", kind=kind):
        pass  # the library keeps one manager open for the process
    report = check_adapter(
        lambda: make_adapter(address, "X1", kind=kind),
        channels=channels,
        make_unreachable=lambda: make_adapter("visa:TCPIP::127.0.0.1::9::SOCKET", "X1", kind=kind),
    )
    assert report.identity.startswith("simulated,")


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
