"""The lines of `benchlog manual python` run as a real notebook; the checks by name agree with the commands."""

from __future__ import annotations

import ast
import json
import re
import textwrap
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

import benchlog as bl
from benchlog.cli import main
from benchlog.errors import BenchlogError, UsageError
from benchlog.result import Result, Verdict

ROOT = Path(__file__).parents[1]
CAPTURE = ROOT / "sample_captures" / "ct2_101_turns_divider.npz"
SWAPPED = ROOT / "sample_captures" / "ct2_101_turns_divider_swapped.npz"


@pytest.fixture
def recorded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Path:
    """A logbook with a supply check, a copy of it that was withdrawn, and the captures of a toroid beside it."""
    monkeypatch.chdir(tmp_path)
    supply = (
        *(
            "supply",
            "--nameplate",
            "24 V ac 40 VA",
            "--mains",
            "236 V",
            "--mains-nominal",
            "230 V",
            "--part",
            "T1",
        ),
        *("--reading", "27.75 V ac", "--load", "15 ohm", "--loaded", "24.70 V ac", "--meter", "MA-01"),
    )
    Path("bench.toml").write_text(
        '[[instrument]]\ntag = "MA-01"\ncounts = 4000\naccuracy = [{ function = "V~", statement = "1 % + 5" }]\n',
        encoding="utf-8",
    )
    assert main([*supply, "--json"]) == 0
    entry = json.loads(capsys.readouterr().out)["record"]["entry"]
    assert main([*supply, "--json"]) == 0
    assert main(["record", "supersede", str(entry), "--reason", "leads swapped"]) == 0
    capsys.readouterr()
    return tmp_path


def _cells(*, with_logbook: bool) -> list[str]:
    """Statements of `benchlog manual python`, one a cell."""
    page = files("benchlog").joinpath("notebook.txt").read_text(encoding="utf-8")
    checks, logbook = page.split("Open a logbook")
    code = textwrap.dedent("".join(re.findall(r"^    .*\n", checks + logbook * with_logbook, re.MULTILINE)))
    return [ast.unparse(statement) for statement in ast.parse(code).body]


def test_the_page_runs_as_a_notebook(recorded: Path) -> None:
    """Each statement is a cell; every cell that ends in a value shows it, results and tables as HTML."""
    nbclient = pytest.importorskip("nbclient")
    nbformat = pytest.importorskip("nbformat")
    (recorded / "sample_captures").mkdir()
    for path in (CAPTURE, SWAPPED):
        (recorded / "sample_captures" / path.name).write_bytes(path.read_bytes())
    cells = [nbformat.v4.new_code_cell(cell) for cell in _cells(with_logbook=True)]
    notebook = nbformat.v4.new_notebook(cells=cells)
    client = nbclient.NotebookClient(notebook, timeout=120, resources={"metadata": {"path": str(recorded)}})
    client.execute()
    shown = [output.data for cell in notebook.cells for output in cell.outputs if "data" in output]
    assert sum("text/html" in data for data in shown) >= 4
    assert any("101 turns, not 100" in data.get("text/html", "") for data in shown)


def test_the_page_s_checks_run_where_nothing_was_recorded_yet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    names: dict[str, object] = {}
    exec("\n".join(_cells(with_logbook=False)), names)
    assert isinstance(names["ratio"], Result)


def test_withdrawn_readings_are_shown_only_when_asked_for(recorded: Path) -> None:
    with bl.open("bench.logbook") as book:
        assert len(book.readings()) == 2
        assert len(book.readings(withdrawn=True)) == 4
        assert len(book.readings(part="T1", check="supply")) == 2
        assert len(book.readings(part="CT1")) == 0
        assert book.results()["superseded_by"].dtype == "Int64"


def test_every_reading_has_the_uncertainty_of_its_meter(recorded: Path) -> None:
    """By hand: 1 % of 27.75 V and 5 counts of 10 mV are 0.3275 V; as a uniform half-width, k = 2: 0.378 V."""
    with bl.open("bench.logbook") as book:
        readings = book.readings()
        np.testing.assert_allclose(readings["expanded_uncertainty"], [0.37816, 0.34295], rtol=1e-4)


def test_all_quantities_of_a_result_have_a_row(recorded: Path) -> None:
    with bl.open("bench.logbook") as book:
        quantities = book.quantities()
        entry = int(book.results()["entry"].iloc[-1])
        assert set(quantities["quantity"]) == set(book.result(entry).quantities)
        assert {"source_resistance", "loaded_voltage", "rectified_peak_worst"} <= set(quantities["quantity"])
        assert len(book.quantities(withdrawn=True)) == 2 * len(quantities)


def test_the_logbook_says_what_it_is(recorded: Path) -> None:
    with bl.open("bench.logbook") as book:
        assert re.fullmatch(
            r"<logbook bench.logbook: entry \d+, 2 readings, 2 result; head [0-9a-f]{12}>", repr(book)
        )
        assert "<table>" in book._repr_html_()


def test_a_supply_by_name_is_what_the_command_says(recorded: Path) -> None:
    with bl.open("bench.logbook") as book:
        command = book.result(int(book.results()["entry"].iloc[-1]))
    result = bl.supply(
        *("24 V ac 40 VA", "27.75 V ac"),
        accuracy="1 % + 5",
        mains=236,
        mains_nominal="230 V",
        load=15.0,
        loaded="24.70 V ac",
    )
    assert result.verdict is command.verdict
    for name, quantity in command.quantities.items():
        assert result.quantities[name].value == pytest.approx(quantity.value, rel=1e-12)
        assert result.quantities[name].expanded_uncertainty == pytest.approx(quantity.expanded_uncertainty)


def test_the_budget_adds_up() -> None:
    """The shares are parts of the variance: they sum to one, and the lines to the standard uncertainty."""
    result = bl.turns_ratio(
        bl.load_capture(CAPTURE),
        "CH1",
        "CH2",
        expect=100,
        divider="100:1 0.2 %",
        swapped=bl.load_capture(SWAPPED),
    )
    budget = result.budget_frame("turns_ratio")
    assert budget["share"].sum() == pytest.approx(1.0)
    u = result.quantities["turns_ratio"].standard_uncertainty
    assert float((budget["contribution"] ** 2).sum()) ** 0.5 == pytest.approx(u, rel=1e-3)
    assert result.verdict is Verdict.FAIL
    with pytest.raises(UsageError, match="no quantity 'turns'"):
        result.budget_frame("turns")


def test_a_capture_as_table_and_picture(tmp_path: Path) -> None:
    capture = bl.load_capture(CAPTURE)
    frame = capture.to_frame()
    assert list(frame.columns) == ["CH1", "CH2"]
    assert frame.index.name == "time_s"
    np.testing.assert_array_equal(frame["CH2"], capture.channel("CH2").values())
    assert "2500 samples" in repr(capture)
    assert "<table>" in capture._repr_html_()
    capture.plot().savefig(tmp_path / "capture.png")
    assert (tmp_path / "capture.png").stat().st_size > 3000


def test_a_picture_says_what_it_shows(recorded: Path) -> None:
    """Check, part, entry and verdict in the title; name, value with its unit and limits at the axis."""
    with bl.open(recorded / "bench.logbook") as book:
        numbers = book.results()["entry"]
        axis = bl.figure(int(numbers.iloc[0]), book).axes[0]
    assert re.fullmatch(r"supply T1, entry \d+: \w+", axis.get_title(loc="left"))
    ratio = bl.turns_ratio(CAPTURE, "CH1", "CH2", expect=100)
    assert ratio.plot().axes[0].get_title(loc="left") == f"turns ratio: {ratio.verdict}"


def test_continuity_and_crosscheck_take_numbers() -> None:
    """E_n by hand: 0.190 / sqrt(U_A^2 + U_B^2) with U from 0.8 % + 2 counts of 10 mV and 0.05 %: 2.67."""
    assert bl.continuity(0.4, lead_null=0.2, max="5 ohm", resolution=0.1).verdict is Verdict.PASS
    accuracy = {"A": "0.8 % + 2", "B": "0.05 % + 0"}
    typed = bl.crosscheck({"A": "5.19 V dc", "B": "5.000000 V dc"}, accuracy)
    assert typed.quantities["e_n"].value == pytest.approx(2.67, abs=0.01)
    assert typed.verdict is Verdict.FAIL
    with pytest.raises(UsageError, match="which function"):
        bl.crosscheck({"A": 5.19, "B": 5.0}, accuracy)
    assert bl.crosscheck({"A": 5.01, "B": 5.0}, accuracy, function="V=").verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"load": "15 ohm"}, "go together"),
        ({"tolerance": "0 %"}, "above zero"),
        ({"mains": "-230 V"}, "above zero"),
    ],
)
def test_bad_words_are_one_clear_error(words: dict[str, str], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        bl.supply("24 V ac 40 VA", "27.75 V ac", **words)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: bl.open("nowhere.logbook"), "no logbook nowhere.logbook"),
        (lambda: bl.turns_ratio("nowhere.csv", "CH1", "CH2", expect=100), "no file 'nowhere.csv'"),
        (lambda: bl.turns_ratio(7, "CH1", "CH2", expect=100), "capture is 7"),  # type: ignore[arg-type]
        (lambda: bl.turns_ratio(CAPTURE, "CH1", "CH2", expect=-3), "expect -3 must be above zero"),
        (lambda: bl.turns_ratio(CAPTURE, "CH1", "CH2", expect=100, loop_turns=1.5), "not a whole number"),
        (lambda: bl.turns_ratio(CAPTURE, "CH1", "CH2", expect=100, divider=100), "divider 100 is not text"),  # type: ignore[arg-type]
        (lambda: bl.supply("24 V ac", "4k7"), "'4k7' has no unit"),
        (lambda: bl.supply("24 V ac", None), "reading None is not a number"),  # type: ignore[arg-type]
        (lambda: bl.supply("24 V ac", float("nan")), "reading nan is not a number"),
        (lambda: bl.supply(24, "27 V ac"), "nameplate 24 is not text"),  # type: ignore[arg-type]
        (lambda: bl.supply("24 V ac", "27 V ac", accuracy=0.01), "accuracy 0.01 is not text"),  # type: ignore[arg-type]
        (lambda: bl.crosscheck(["5 V dc"], {}), "a dict with one value per meter"),  # type: ignore[arg-type]
        (lambda: bl.crosscheck({"A": 5.0, "B": 5.1}, {}, function="volts"), "not a function of a meter"),
        (lambda: bl.crosscheck({"A": 5.0, "B": 5.1}, {"X": "1 %"}), "accuracy of X, but no reading"),
    ],
)
def test_a_wrong_argument_is_an_error_with_a_hint_for_python(call: Callable[[], object], said: str) -> None:
    with pytest.raises(BenchlogError, match=said) as caught:
        call()
    assert caught.value.hint
    assert "--" not in caught.value.hint


def test_text_and_files_do_for_numbers_and_captures() -> None:
    ratio = bl.turns_ratio(
        str(CAPTURE), "CH1", "CH2", expect="100", swapped=SWAPPED, divider="100:1 0.2 %", loop_turns="1"
    )
    assert ratio.verdict is Verdict.FAIL
    assert bl.continuity("4k7", max="7 kohm").quantities["resistance"].value == 4700.0


def test_a_length_of_time_is_read_also_where_no_reading_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["record", "note", "bench wiped down"]) == 0
    capsys.readouterr()
    with bl.open("bench.logbook") as book:
        assert len(book.readings(last="10 min")) == 0
        for wrong in ("ten min", 10):
            with pytest.raises(UsageError, match="not a length of time"):
                book.readings(last=wrong)  # type: ignore[arg-type]


def test_a_result_prints_as_a_few_lines() -> None:
    """Value and uncertainty as in `test_every_reading_has_the_uncertainty_of_its_meter`."""
    result = bl.supply("24 V ac 40 VA", "27.75 V ac", accuracy="1 % + 5", capacitor="35 V")
    assert repr(result) == "<Result supply: fail; no load voltage 27.75 ± 0.38 V>"
    first, *rest = str(result).splitlines()
    assert first.startswith("supply: fail: ")
    assert any(line.startswith("  no load voltage 27.75 ± 0.38 V   allowed ") for line in rest)
    assert len(str(result)) < 1000


def test_names_are_listed_and_unknown_ones_refused() -> None:
    assert {"supply", "continuity", "turns_ratio", "crosscheck", "load_capture", "open"} <= set(dir(bl))
    with pytest.raises(AttributeError, match="no attribute 'suply'"):
        _ = bl.suply  # type: ignore[attr-defined]
