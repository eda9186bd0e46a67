"""The notebook example of the documentation, run whole: tables, a check of one's own, a figure of each result."""

from __future__ import annotations

import doctest
from pathlib import Path

import pytest

import benchlog
from benchlog.cli import main
from benchlog.errors import UsageError

EXAMPLE = """
Open a logbook; whatever is asked of it comes as a table with units and UTC times.

>>> import benchlog
>>> book = benchlog.open("bench.logbook")
>>> readings = book.readings(instrument="MA-01")
>>> readings[["displayed", "function", "value", "unit"]].to_dict("records")
[{'displayed': '27.75 V ac', 'function': 'V~', 'value': 27.75, 'unit': 'V'}, \
{'displayed': '24.70 V ac', 'function': 'V~', 'value': 24.7, 'unit': 'V'}]
>>> results = book.results()
>>> results.loc[0, ["check", "part", "verdict"]].to_list()
['supply', 'T1', 'pass']

A figure of a result: here its load line, because it has a load point.

>>> figure = benchlog.figure(int(results.loc[0, "entry"]), book)
>>> figure.axes[0].get_xlabel()
'current / A'

The checks themselves are functions of plain values; nothing is recorded by them.

>>> from benchlog.checks.mains import Mains
>>> from benchlog.metrology.meter_reading import MeterReading
>>> from benchlog.checks.supply import check_supply
>>> from benchlog.displayed import parse_displayed
>>> from benchlog.metrology.accuracy import parse_accuracy
>>> from benchlog.nameplate import parse_nameplate
>>> reading = MeterReading(parse_displayed("27.75 V ac"), parse_accuracy("1 % + 5"))
>>> result = check_supply(parse_nameplate("24 V ac 40 VA"), reading, mains=Mains.typed("236 V"))
>>> str(result.verdict), round(result.quantities["no_load_voltage"].expanded_uncertainty, 2)
('pass', 0.38)
>>> benchlog.figure(result).axes[0].get_xlabel()
'no-load voltage 27.75 ± 0.38 V, limits 26.16 … 29.50 V (limits uncertain by ± 490 mV)  (scale / V)'
>>> book.close()
"""


@pytest.fixture(autouse=True)
def recorded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Path:
    """A logbook with one supply check and one exploratory note."""
    monkeypatch.chdir(tmp_path)
    code = main(
        [
            *("supply", "--nameplate", "24 V ac 40 VA", "--mains", "236 V", "--part", "T1"),
            *("--reading", "27.75 V ac", "--load", "15 ohm", "--loaded", "24.70 V ac"),
            *("--meter", "MA-01", "--accuracy", "1 % + 5", "--json"),
        ]
    )
    capsys.readouterr()
    assert code == 0
    return tmp_path


def test_the_example_of_the_documentation_runs() -> None:
    test = doctest.DocTestParser().get_doctest(EXAMPLE, {}, "python use", __file__, 0)
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    runner.run(test)
    assert runner.summarize(verbose=False).failed == 0


def test_a_figure_can_be_saved(recorded: Path) -> None:
    with benchlog.open("bench.logbook") as book:
        benchlog.figure(int(book.results()["entry"].iloc[0]), book).savefig(recorded / "t1.png")
    assert (recorded / "t1.png").stat().st_size > 5000


def test_what_has_no_figure_is_said() -> None:
    with benchlog.open("bench.logbook") as book:
        with pytest.raises(UsageError, match="not a result") as error:
            benchlog.figure(1, book)
        assert "book.results()" in error.value.hint
    with pytest.raises(UsageError, match="which logbook"):
        benchlog.figure(2)
