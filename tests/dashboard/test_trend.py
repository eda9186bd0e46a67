"""The last minutes of a meter: laid on a grid of seconds, drawn as a line, told in words."""

from __future__ import annotations

import pytest

from benchlog.dashboard.trend import TRACE_S, Trace, graph, strip, trace

S = 10**9


def test_gaps_stay_empty_and_slow_meters_do_not_look_like_gaps() -> None:
    times = [0, 1, 2, 3, 30, 31, 32]
    points = trace([(t * S, 1.0 + t) for t in times], 32 * S, 0.1, "V").points
    assert len(points) == 33
    assert points[3] is not None
    assert points[10:30] == (None,) * 20
    slow = trace([(t * S, 1.0 + t) for t in range(0, 60, 5)], 59 * S, 0.1, "V").points
    assert None not in slow


def test_only_the_last_minutes_are_kept() -> None:
    found = trace([(t * S, float(t)) for t in range(400)], 399 * S, 0.1, "V")
    assert len(found.points) == TRACE_S
    assert found.words == "220.0 V to 399.0 V in 180 s"
    assert found.points[0] == 0
    assert found.points[-1] == 1


@pytest.mark.parametrize(
    ("wiggle", "words"),
    [(0.0, "27.75 V, unchanged for 60 s"), (0.01, "27.75 V to 27.76 V in 60 s, one count")],
)
def test_a_display_that_stands_is_a_line_in_the_middle_with_its_span_in_words(
    wiggle: float, words: str
) -> None:
    found = trace([(t * S, 27.75 + wiggle * (t % 2)) for t in range(60)], 59 * S, 0.01, "V")
    assert found.flat
    assert found.words == words
    rows = graph(found, 80, 5)
    assert [("─" * 60 in row) for row in rows] == [False, False, True, False, False]
    assert strip(found, 20) == "─" * 20


def test_a_graph_has_its_scale_at_its_ends_and_fits() -> None:
    found = trace([(t * S, 20.0 + t / 10) for t in range(100)], 99 * S, 0.01, "V")
    for width in (30, 80, 200):
        rows = graph(found, width, 7)
        assert len(rows) == 7
        assert max(map(len, rows)) <= width
        assert rows[0].startswith("29.90 V ┤")
        assert rows[-1].startswith("20.00 V ┤")
        assert rows[0].rstrip()[-1] in "─╭"
        assert rows[-1][9] == "─"


def test_nothing_is_drawn_of_a_single_value() -> None:
    assert trace([(0, 1.0)], 0, 0.1, "V") == Trace()
    assert trace([], 0, 0.1, "V") == Trace()


def test_zero_and_temperature_have_scales_too() -> None:
    assert trace([(0, 0.0), (S, 0.0)], S, 0.01, "V").words == "0 V, unchanged for 2 s"
    assert trace([(0, 22.0), (S, 26.0)], S, 1.0, "degC").words == "22 °C to 26 °C in 2 s"
