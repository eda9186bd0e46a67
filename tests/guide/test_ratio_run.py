"""The automatic turns-ratio run: on a circuit solve, on the simulated bench over its links, and from the command."""

from __future__ import annotations

import io
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from helpers.plan_text import check, part, plan_text
from helpers.ratio_bench import CoreBench

from benchlog.bench import read_bench
from benchlog.checks.ratio_model import RatioSetup
from benchlog.cli import build_parser, main
from benchlog.cli.context import run_command
from benchlog.clock import ManualClock
from benchlog.errors import ConfigError, UsageError
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.person import Person, Prompt
from benchlog.guide.ratio_run import RatioRun, run_ratio
from benchlog.guide.steps import measure
from benchlog.magnetics.transformer import Transformer
from benchlog.plan import Plan, read_plan
from benchlog.result import Result, Verdict
from benchlog.simulation import served_as_sim, simulated_bench

TAPE = Transformer(60, 59.3e-6, 0.201, 42.7e-6, 120e-12)
SETUP = RatioSetup(primary="L", secondary="W", range_gain=0.0)
RUN = RatioRun("C07", "SC", "SG", SETUP, 60, 61e-6, area_m2=37.5e-6, saturation_t=1.0)


def _run(bench: CoreBench, run: RatioRun = RUN) -> Result:
    return run_ratio(run, bench).result  # type: ignore[arg-type]


def test_a_sound_winding_passes_flat_swept_and_fitted() -> None:
    bench = CoreBench(TAPE, delay_s=3e-9)
    result = _run(bench)
    assert result.verdict is Verdict.PASS
    assert result.findings == ()
    assert result.details["flatness"]["flat"] is True
    sweep = result.details["sweep"]
    assert len(sweep["points"]) == 13
    model = sweep["model"]
    for name, truth in (
        ("inductance", 59.3e-6 * 3600),
        ("winding_resistance", 0.201),
        ("leakage", 42.7e-6),
        ("capacitance", 120e-12),
    ):
        assert model[name]["value"] == pytest.approx(truth, abs=1.5 * model[name]["expanded_uncertainty"])
    assert model["inductance"]["resolved"]
    assert not model["capacitance"]["resolved"]  # 50 ohm and 120 pF: only a bound
    assert result.quantities["al"].value == pytest.approx(59.3e-6, rel=0.03)


def test_a_resistor_before_the_winding_shows_its_capacitance() -> None:
    run = replace(RUN, setup=replace(SETUP, generator_ohm=1050.0))
    model = _run(CoreBench(TAPE, generator_ohm=1050.0), run).details["sweep"]["model"]
    assert model["capacitance"]["resolved"]
    assert model["capacitance"]["value"] == pytest.approx(
        120e-12, abs=1.5 * model["capacitance"]["expanded_uncertainty"]
    )


def test_ranges_are_filled_and_nothing_clips() -> None:
    for turns in (60, 61, 53, 47):
        bench = CoreBench(Transformer(turns, 59.3e-6))
        drive = _run(bench, replace(RUN, expected_turns=turns, sweep_points=0)).details["drive"]
        assert max(drive["fill"].values()) <= 0.9
        # A ratio that leaves no level within 3:1 at which both fill 70 % of a 1-2-5 range fills at least half.
        assert min(drive["fill"].values()) >= 0.5


def test_channels_on_one_range_through_a_divider_fill_70_percent() -> None:
    setup = replace(SETUP, divider=60.0)
    bench = CoreBench(TAPE)
    plain = bench.capture

    def divided(tag: str, channels: Any) -> Any:
        """The divider is in the winding's channel: same voltage as the loop's."""
        kept, bench.core = bench.core, Transformer(1, 59.3e-6 * 3600)
        try:
            capture = plain(tag, channels)
        finally:
            bench.core = kept
        for record in capture.channels:
            record.codes.flags.writeable = False
        return capture

    bench.capture = divided  # type: ignore[method-assign]
    drive = _run(bench, replace(RUN, setup=setup, sweep_points=0, swap=False)).details["drive"]
    assert min(drive["fill"].values()) >= 0.70


def test_the_output_is_off_while_hands_are_at_the_probes_and_afterwards() -> None:
    bench = CoreBench(TAPE)
    _run(bench, replace(RUN, sweep_points=0))
    assert bench.done == [("C07/swap", False)]
    assert bench.on is False


def test_records_are_started_by_the_channel_on_the_winding() -> None:
    bench = CoreBench(TAPE)
    _run(bench, replace(RUN, sweep_points=0, swap=False))
    assert bench.trigger == ("W", 0.0)
    _run(bench, replace(RUN, sweep_points=0))
    assert bench.trigger == ("L", 0.0)


def test_flux_stays_below_a_fifth_of_saturation_all_the_way_down_the_sweep() -> None:
    bench = CoreBench(TAPE)
    result = _run(bench)
    assert bench.flux_seen_t <= 0.2 * 1.01
    frequencies = [p["frequency_hz"] for p in result.details["sweep"]["points"]]
    assert frequencies == sorted(frequencies)
    assert frequencies[0] < result.details["drive"]["frequency_hz"] / 10


def test_a_frequency_that_is_asked_for_lowers_the_level_to_the_flux_limit() -> None:
    bench = CoreBench(TAPE)
    result = _run(bench, replace(RUN, frequency_hz=1000.0, sweep_points=0))
    assert result.details["drive"]["frequency_hz"] == 1000.0
    assert result.details["drive"]["amplitude_vpp"] < 5
    assert bench.flux_seen_t <= 0.2 * 1.01


def test_a_core_that_gives_out_at_full_level_is_not_flat_and_nothing_passes() -> None:
    bench = CoreBench(TAPE, ratio_of_flux=lambda flux: 1 + 0.02 * (flux > 0.05))
    result = _run(bench, replace(RUN, sweep_points=0))
    assert result.verdict is Verdict.INDETERMINATE
    assert "not flat" in result.reason
    assert "not flat" in result.findings[0]
    assert result.details["flatness"]["flat"] is False


def test_a_shorted_turn_is_not_flat_and_fits_no_sound_winding() -> None:
    result = _run(CoreBench(replace(TAPE, shorted_turn_ohm=2.8e-3, shorted_turn_h=40e-9)))
    assert result.verdict is Verdict.INDETERMINATE
    assert any("not flat" in finding for finding in result.findings)
    assert any("shorted turn" in finding for finding in result.findings)
    assert result.details["sweep"]["fits"] is False
    assert "inductance" not in result.quantities


def test_another_core_than_planned_is_named_by_its_inductance() -> None:
    result = _run(CoreBench(replace(TAPE, al_h=10e-6)))
    assert any("another core" in finding for finding in result.findings)


def test_a_miscount_fails_although_all_is_flat() -> None:
    result = _run(CoreBench(replace(TAPE, turns=61)), replace(RUN, expected_turns=60, sweep_points=0))
    assert result.details["flatness"]["flat"] is True
    assert result.verdict is Verdict.FAIL
    assert "61 turns" in result.reason


def test_a_sense_loop_without_signal_proves_nothing() -> None:
    bench = CoreBench(TAPE, gain={"W": 1.0, "L": 1e-9})
    result = _run(bench)
    assert result.verdict is Verdict.INDETERMINATE
    assert "sweep" not in result.details
    assert any("could not prove that the ratio is flat" in finding for finding in result.findings)


def test_series_opposition_has_no_automatic_run() -> None:
    with pytest.raises(UsageError, match="sense loop beside"):
        _run(CoreBench(TAPE), replace(RUN, setup=replace(SETUP, opposed_turns=50)))


# ---- on the simulated bench, over its links ----

#: What makes a ratio check run by itself.
AUTOMATIC = {"al": "61 uH", "area": "37.5 mm2", "saturation": "1 T"}


def core_plan(folder: Path, **fields: str | int) -> Plan:
    """A plan of one ratio check, with these additional fields."""
    check_text = check(
        "C07", "ratio", part="CT1", scope="SC-03", generator="SG-04", primary="CH1", secondary="CH2",
        expect="60", divider="60:1", divider_tolerance="0.2 %", **fields,
    )  # fmt: skip
    path = folder / "plan.toml"
    path.write_text(plan_text(part("CT1"), check_text), encoding="utf-8")
    return read_plan(path)


class Swapper(Person):
    """Swaps the probes when asked."""

    def __init__(self, bench: Any) -> None:
        self.bench = bench

    def show(self, text: str = "", *, style: str = "") -> None:
        pass

    def answer(self, prompt: Prompt) -> str:
        assert prompt.key == "C07/swap"
        swap_probes(self.bench)
        return ""


def swap_probes(bench: Any) -> None:
    with bench.scene.change():
        first, second = bench.scope.channels.values()
        first.clip, second.clip = second.clip, first.clip


def test_a_plan_with_al_runs_by_itself_over_the_links(tmp_path: Path) -> None:
    clock = ManualClock()
    sim = simulated_bench(3, clock)
    (tmp_path / "bench.toml").write_text(sim.bench_toml(), encoding="utf-8")
    plan = core_plan(tmp_path, **AUTOMATIC, sweep=9)
    with sim, served_as_sim(sim):
        sim.hookups.ratio("CT1", divided=True)
        with Acquisition(read_bench(tmp_path / "bench.toml"), Swapper(sim), clock) as acquisition:
            measured = measure(plan.check("C07"), plan, acquisition)
        assert sim.generator.on is False
        truth = sim.scene.parts["K1"].al_h
    result = measured.result
    assert result.verdict is Verdict.PASS
    assert result.quantities["al"].value == pytest.approx(
        truth, abs=1.5 * result.quantities["al"].expanded_uncertainty
    )
    assert min(result.details["drive"]["fill"].values()) >= 0.70
    assert len(result.details["sweep"]["points"]) == 9
    assert len(measured.captures) == 5  # as connected, swapped, and three of the flatness proof
    assert Result.from_json(json.loads(json.dumps(result.to_json()))) == result


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"area": "37.5 mm2"}, "is for the automatic run"),
        ({"al": "61 uH", "area": "37.5 mm2"}, "area and saturation go together"),
        (AUTOMATIC | {"area": "37.5 mm"}, "area"),
        (AUTOMATIC | {"sweep": 3}, "a sweep can't have 3 points"),
        (AUTOMATIC | {"opposed_turns": 50}, "series opposition"),
        ({"sweep": 9}, "is for the automatic run"),
    ],
)
def test_a_plan_that_mixes_up_the_automatic_run_is_refused(
    fields: dict[str, str | int], words: str, tmp_path: Path
) -> None:
    with pytest.raises(ConfigError, match=words):
        core_plan(tmp_path, **fields)


def test_the_command_measures_live_and_asks_for_the_swap_on_standard_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    clock = ManualClock()
    sim = simulated_bench(3, clock)
    (tmp_path / "bench.toml").write_text(sim.bench_toml(), encoding="utf-8")
    monkeypatch.chdir(tmp_path)

    class Keyboard(io.StringIO):
        def readline(self, size: int | None = -1, /) -> str:
            swap_probes(sim)
            return "\n"

    monkeypatch.setattr(sys, "stdin", Keyboard())
    channels = ("--primary", "CH1", "--secondary", "CH2", "--scope", "SC-03", "--generator", "SG-04")
    divider = ("--divider", "60:1", "--divider-tolerance", "0.2 %")
    drive = ("--al", "61 uH", "--area", "37.5 mm2", "--saturation", "1 T", "--sweep", "5")
    with sim, served_as_sim(sim):
        sim.hookups.ratio("CT1", divided=True)
        words = ["ratio", "--json", "--expect", "60", *divider, *channels, *drive]
        code = run_command(build_parser("ratio").parse_args(words), clock=clock)
    shown = capsys.readouterr()
    result = json.loads(shown.out)
    assert code == 0
    assert "swap: move each probe" in shown.err
    assert result["turns"]["most_likely"] == 60
    assert len(result["details"]["sweep"]["points"]) == 5
    assert result["record"]["logbook"] == "bench.logbook"


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((), "give a capture"),
        (("--generator", "SG-04"), "no scope"),
        (("--generator", "SG-04", "--scope", "SC-03"), "AL"),
        (("--generator", "SG-04", "--capture", "x.csv"), "used together"),
        (
            ("--generator", "SG-04", "--scope", "SC-03", "--al", "61 uH", "--sweep", "2"),
            "a sweep of '2' points",
        ),
    ],
)
def test_a_live_run_that_lacks_something_says_what(
    options: tuple[str, ...],
    words: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.toml").write_text(
        '[[instrument]]\ntag = "SC-03"\nkind = "scope"\naddress = "sim:SC-03"\n'
        if "--scope" in options
        else "",
        encoding="utf-8",
    )
    code = main(["ratio", "--primary", "CH1", "--secondary", "CH2", "--expect", "60", *options])
    assert code == 2
    assert words in capsys.readouterr().err
