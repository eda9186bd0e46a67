"""A late answer is never taken for the next question; short form of `tests/performance/stale_answers.py`."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
from helpers.late_bench import INSTRUMENTS, MeterTrial, trials
from helpers.late_links import LINKS, Late

from benchlog.errors import ReadTimeoutError
from benchlog_drivers._visa import VisaLink


@pytest.mark.parametrize("link", LINKS)
def test_a_late_answer_is_never_taken_for_the_next_question(link: str) -> None:
    """Meter, scopes and generator: nothing wrong, and right at the first retry."""
    with ThreadPoolExecutor(4) as pool:
        counts = list(pool.map(lambda kind: trials(link, kind, 5, seed=7), INSTRUMENTS))
    total = sum(counts[1:], counts[0])
    assert total.late >= 15
    assert total.wrong == 0, total.notes
    assert total.at_first_retry >= 0.99 * (total.late - total.stood_still), total.notes
    assert total.stood_still <= 0.2 * total.late, total.notes


def test_what_a_program_broken_off_left_under_way_is_not_taken_for_the_identity() -> None:
    """Behind a serial bridge the old answer comes to the new connection: it is not taken for the identity."""
    instrument = Late(MeterTrial().script())
    with LINKS["serial bridge"](instrument) as resource:
        before = VisaLink(resource, timeout_s=0.1)
        before.open()
        instrument.skip, instrument.delay_s = 0, 0.5
        with pytest.raises(ReadTimeoutError):
            before.query("READ?")
        before.close()
        after = VisaLink(resource, timeout_s=1.0)
        after.open()
        try:
            assert after.identify() == "simulated,MA-01,0,1.0"
            assert after.query("CONFigure?").startswith('"VOLT')
        finally:
            after.close()
