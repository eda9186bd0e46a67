"""The plot over time: settled values only, one scale for a group, each curve known without colour."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import pytest

from benchlog.dashboard.history import KEPT_S, History
from benchlog.dashboard.plot import SHORT_S, Plot, Series, draw, plot_of
from benchlog.displayed import parse_displayed
from benchlog.reading import Function, Reading, State

S = 10**9


def reading(value: float | None, at_s: float, function: Function = Function.AC_VOLTS) -> Reading:
    """One reading of a meter with counts of 10 mV."""
    return Reading(
        function,
        value,
        0.01,
        "OL" if value is None else f"{value:.2f} V",
        State.OVERLOAD if value is None else State.OK,
        instrument="MA-01",
        mono_ns=round(at_s * S),
    )


def kept(values: list[float | None], every_s: float = 0.25, expanded: float = 0.38) -> list[float]:
    """What a history keeps of displays that follow each other."""
    history = History()
    for k, value in enumerate(values):
        history.take(reading(value, k * every_s), expanded)
    return [value for _, value in history.values]


def test_a_display_that_settles_is_kept_from_where_it_came_to_rest() -> None:
    settling = [6.7, 18.3, 23.6, 25.9, 26.9, 27.4, 27.6, 27.68, 27.72]
    found = kept([*settling, *[27.74, 27.75, 27.75, 27.74] * 5])
    assert min(found) >= 27.74


def test_noise_turns_back_and_is_kept_although_it_never_lies_within_two_counts() -> None:
    assert kept([5.00, 5.08, 4.95, 5.06, 4.97, 5.05, 4.96, 5.07, 5.00])


def test_a_ramp_is_kept_after_ten_seconds() -> None:
    found = kept([20 + 0.05 * k for k in range(60)])
    assert found[0] == pytest.approx(22.0)


def test_a_new_level_is_kept_but_not_the_way_to_it() -> None:
    found = kept([*[27.75] * 12, 20.0, 12.0, 8.0, 6.0, 5.3, 5.1, 5.02, *[5.00] * 12])
    assert {round(v, 1) for v in found} == {27.8, 5.0}  # 27.75 rounds to even


def test_another_function_begins_again_and_overload_has_no_place() -> None:
    history = History()
    for k in range(8):
        history.take(reading(27.75, k), 0.38)
    history.take(reading(None, 8), 0.38)
    assert len(history.values) == 6
    history.take(reading(0.01, 9, Function.DC_VOLTS), 0.02)
    assert not history.values


def test_typed_readings_are_kept_as_they_come() -> None:
    history = History()
    typed = parse_displayed("27.3 V ac", instrument="MB-02").stamped("MB-02", 0, 5 * S)
    history.take(typed, 0.9)
    history.take(msgspec.structs.replace(typed, mono_ns=6 * S, value=1.0), 0.9)
    assert [v for _, v in history.values] == [27.3, 1.0]


def plotted(*series: Series, now_s: float = 59) -> Plot:
    """A plot that is there."""
    found = plot_of("T1 output", series, "V", round(now_s * S))
    assert found is not None
    return found


def text(plot: Plot, width: int = 80, height: int = 12) -> list[str]:
    """A plot as lines."""
    return ["".join(piece for piece, _ in row) for row in draw(plot, width, height)]


def test_a_value_beyond_the_scale_is_drawn_at_the_edge_with_an_arrow() -> None:
    """30 mV is not on a scale of 27.60 to 27.75 V."""
    two = Series("A", [(0, 27.75), (50 * S, 27.60)], 0.01, typed=True)
    zero = Series("B", [(30 * S, 0.03)], 0.001, typed=True, fits=False)
    drawn = text(plotted(two, zero))
    assert [row.count("b↓") for row in drawn[-3:]] == [1, 0, 0]
    held = Series("B", [(t * S, 0.03) for t in range(59)], 0.001, fits=False)
    assert "↓↓↓b↓↓↓" in "".join(text(plotted(two, held))[-3])
    assert not any("↓" in row or "↑" in row for row in text(plotted(two)))


RAMP = Series("MA-01", [(t * S, 20.0 + t / 10) for t in range(60)], 0.01)


def test_it_has_its_scale_at_its_ends_a_time_axis_and_fits() -> None:
    for width in (40, 80, 200):
        rows = text(plotted(RAMP), width)
        assert len(rows) == 12
        assert max(map(len, rows)) <= width
        assert rows[0].startswith("25.90 V │")
        assert rows[9].startswith("20.00 V │")
        assert rows[10].count("┬") == (4 if width > 50 else 2)
        assert rows[11].split()[0] == "-60"
        assert rows[11].endswith("now")


def test_the_time_axis_becomes_longer_once() -> None:
    assert plotted(RAMP).span_s == SHORT_S
    longer = replace(RAMP, values=[(t * S, 1.0) for t in range(100)])
    assert plotted(longer, now_s=99).span_s == KEPT_S


def test_gaps_stay_empty_and_slow_meters_do_not_look_like_gaps() -> None:
    times = [*range(5), *range(40, 60)]
    rows = text(plotted(Series("M", [(t * S, 1.0 + t / 100) for t in times], 0.001)), 70)
    columns = [any(row.ljust(70)[11 + x] != " " for row in rows[:-2]) for x in range(58)]
    assert not any(columns[12:35])
    assert all(columns[45:])
    slow = text(plotted(Series("M", [(t * S, 1.0) for t in range(0, 60, 5)], 0.001)), 70)
    assert any("─" * 11 in row for row in slow)


def test_two_curves_are_distinguished_without_colour_even_where_they_lie_on_each_other() -> None:
    same = [(t * S, 5.0) for t in range(60)]
    plot = plotted(Series("MA-01", same, 0.01), Series("MD-06", same, 0.01))
    assert [(c.letter, c.tag, c.words) for c in plot.curves] == [
        ("a", "MA-01", "5.00 V"),
        ("b", "MD-06", "5.00 V"),
    ]
    line = next(row for row in text(plot) if "a" in row)
    assert "b" in line


def test_a_typed_reading_is_one_point_and_one_off_scale_does_not_press_the_others_flat() -> None:
    plot = plotted(
        RAMP,
        Series("MB-02", [(30 * S, 23.0)], 0.1, typed=True),
        Series("MC-05", [(t * S, 0.003) for t in range(60)], 0.001, fits=False),
    )
    assert plot.curves[1].words == "23.0 V typed"
    assert (plot.bottom, plot.top) == ("20.00 V", "25.90 V")
    rows = text(plot)
    assert sum(row[10:].count("b") for row in rows) == 1
    assert "c" in rows[9]  # at the edge


def test_nothing_is_drawn_of_a_single_value_or_without_room() -> None:
    assert plot_of("x", [Series("M", [(0, 1.0)], 0.1)], "V", 0) is None
    assert plot_of("x", [Series("M", [], 0.1)], "V", 0) is None
    assert draw(plotted(RAMP), 12, 12) == []
    assert draw(plotted(RAMP), 80, 4) == []


def test_zero_and_temperature_have_scales_too() -> None:
    assert plotted(Series("M", [(0, 0.0), (S, 0.0)], 0.01)).curves[0].words == "0 V"
    found = plot_of("x", [Series("M", [(0, 22.0), (S, 26.0)], 1.0)], "degC", S)
    assert found is not None
    assert found.curves[0].words == "22 °C to 26 °C"
