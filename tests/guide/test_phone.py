"""The card on a phone: one secret address, local machines only, and a press counts only for what was on the screen."""

from __future__ import annotations

import contextlib
import http.client
import io
import json
import os
import re
import select
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from helpers.phone_page import Phone
from helpers.systems import needs_terminals, skip_without_terminals

from benchlog.bench import Bench
from benchlog.circuits import same_points
from benchlog.cli import main
from benchlog.clock import ManualClock
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.person import DANGER, Prompt
from benchlog.guide.phone import SHORTEST_LOOK_S, PhoneDesk, _is_local, local_address, serve
from benchlog.guide.terminal import Terminal
from benchlog.reading import Function

HOOKUP = Prompt("hookup", "power off, connect 15 ohm, power on", "C04/load")


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def desk(clock: ManualClock) -> PhoneDesk:
    return PhoneDesk(clock)


@pytest.fixture
def phone(desk: PhoneDesk) -> Iterator[Phone]:
    with serve(desk, "127.0.0.1") as url:
        yield Phone(url)


def test_a_press_counts_once_its_prompt_could_be_read(
    desk: PhoneDesk, phone: Phone, clock: ManualClock
) -> None:
    desk.ask(HOOKUP)
    assert not phone.press(1)  # nobody has seen it yet
    number = phone.see()
    assert not phone.press(number)  # too soon: meant for what was there before
    clock.advance(SHORTEST_LOOK_S)
    assert phone.press(number)
    assert desk.pressed() == "done"
    assert desk.pressed() is None


def test_a_press_for_the_prompt_before_is_never_an_answer(
    desk: PhoneDesk, phone: Phone, clock: ManualClock
) -> None:
    """The finger was on its way while the step changed."""
    desk.ask(HOOKUP)
    old = phone.see()
    clock.advance(5)
    assert phone.press(old)
    desk.ask(Prompt("hookup", "power off, take 15 ohm away", "C04/off"))
    assert desk.pressed() is None  # what was pressed before is dropped with its prompt
    assert not phone.press(old)
    desk.answered()
    assert not phone.press(old + 1)


@pytest.mark.parametrize(
    ("prompt", "word", "button", "taken"),
    [
        (Prompt("next", "C01: pass."), "Go on", "done", True),
        (Prompt("next", "C01: fail.", choices=("again", "diagnose")), "", "done", False),
        (Prompt("next", "C01: fail.", choices=("again", "diagnose")), "", "skip", True),
        (Prompt("last", "Finished."), "Close", "done", True),
        (Prompt("display", "what does it show?"), "", "done", False),
    ],
)
def test_the_large_button_passes_no_result_by_that_is_not_a_pass(
    prompt: Prompt, word: str, button: str, taken: bool, desk: PhoneDesk, phone: Phone, clock: ManualClock
) -> None:
    desk.ask(prompt)
    number = phone.see()
    clock.advance(SHORTEST_LOOK_S)
    assert phone.state()["prompt"]["done"] == word
    assert phone.press(number, button) is taken


def test_hammering_confirms_nothing_that_was_not_on_the_screen(
    desk: PhoneDesk, phone: Phone, clock: ManualClock
) -> None:
    """Ten presses a second through twenty prompts: each counts at most once, and only after its look."""
    for _ in range(20):
        desk.ask(HOOKUP)
        number = phone.see()
        taken = 0
        for tenth in range(7):
            clock.advance(0.1)
            if phone.press(number):
                taken += 1
                assert tenth >= 6
        assert taken <= 1
        desk.answered()


@pytest.mark.parametrize("kind", ["display", "quantity", "confirm", "choice", "text"])
def test_done_answers_a_hookup_alone(desk: PhoneDesk, phone: Phone, clock: ManualClock, kind: Any) -> None:
    """A value is typed at the keyboard; skipping works wherever s is not an answer like any other."""
    desk.ask(Prompt(kind, "MA-01 shows", "C03/no_load"))
    number = phone.see()
    clock.advance(5)
    assert not phone.press(number)
    assert phone.press(number, "skip") == (kind != "text")
    assert desk.pressed() == (None if kind == "text" else "skip")


def test_news_reaches_the_phone_at_once(desk: PhoneDesk, phone: Phone) -> None:
    known = phone.state()["serial"]
    got: list[dict[str, Any]] = []
    waiting = threading.Thread(target=lambda: got.append(phone.state(known)))
    waiting.start()
    time.sleep(0.05)
    desk.show_reading("27.75 V ac", settled=True)
    waiting.join(5)
    assert got[0]["reading"] == {"meter": "", "text": "27.75 V ac", "settled": True}
    for line in range(9):
        desk.show(f"line {line}")
    assert phone.state()["lines"][0]["text"] == "line 3"


@pytest.mark.parametrize("base", ["/", "/wrong/", "//", "/%00/", "/" + "x" * 5000 + "/"])
def test_without_the_secret_there_is_nothing(phone: Phone, base: str) -> None:
    status, body, _ = phone.ask("GET", "state", base=base)
    assert status in (404, 414)
    assert b"prompt" not in (body if isinstance(body, bytes) else b"")
    assert phone.ask("POST", "press", {"number": 1, "button": "done"}, base=base)[0] in (404, 414)


@pytest.mark.parametrize("body", ["", "[]", '{"number": "x"}', "{" * 500, "x" * 5000, '{"number": 1e999}'])
def test_bad_requests_are_refused(desk: PhoneDesk, phone: Phone, body: str) -> None:
    desk.ask(HOOKUP)
    assert phone.ask("POST", "press", body)[0] == 400
    assert phone.ask("GET", "elsewhere")[0] == 404
    assert phone.ask("POST", "elsewhere", {"number": 1})[0] == 404
    assert phone.state()["prompt"]["number"] == 1


def test_the_page_asks_nothing_of_anybody_else(phone: Phone) -> None:
    status, page, headers = phone.ask("GET", "")
    text = page.decode()
    assert status == 200
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert headers["Referrer-Policy"] == "no-referrer"
    assert not any(word in text for word in ("http:", "https:", "//cdn", "@import", "url("))


@pytest.mark.parametrize(
    ("address", "local"),
    [
        ("127.0.0.1", True),
        ("192.168.1.20", True),
        ("10.0.0.7", True),
        ("fe80::1%eth0", True),
        ("::ffff:192.168.1.20", True),
        ("8.8.8.8", False),
        ("::ffff:8.8.8.8", False),
        ("2606:4700::1111", False),
        ("host", False),
    ],
)
def test_only_machines_of_the_local_network_are_served(address: str, local: bool) -> None:
    """Private, loopback and link-local ranges (RFC 1918, RFC 4193, RFC 3927)."""
    assert _is_local(address) is local
    assert _is_local(local_address())


def test_the_run_ends_and_the_page_knows(desk: PhoneDesk) -> None:
    with serve(desk, "127.0.0.1") as url:
        phone = Phone(url)
        desk.ask(HOOKUP)
    assert desk.state()["ended"]
    with pytest.raises(OSError, match="refused"):
        phone.state()


def test_a_run_is_confirmed_from_the_phone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody presses a key: every hook-up of the check is answered by the phone's button, and the check passes."""
    skip_without_terminals()
    monkeypatch.chdir(tmp_path)
    assert main(["new", "box"]) == 0
    words = ("run", "plan.toml", "--no-cards", "--no-standards", "--phone", "--check", "C01")
    ours, theirs = os.openpty()
    child = subprocess.Popen(
        [sys.executable, "-m", "benchlog", *words],
        cwd=tmp_path / "box",
        env=os.environ | {"TERM": "dumb", "COLUMNS": "160"},
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
    )
    os.close(theirs)
    seen, presses, phone, end_s = "", 0, None, time.monotonic() + 90
    last = -1
    while child.poll() is None and time.monotonic() < end_s:
        if select.select([ours], [], [], 0.2)[0]:
            with contextlib.suppress(OSError):
                seen += os.read(ours, 1 << 16).decode("utf-8", "replace")
        if phone is None and (found := re.search(r"On the phone:\s+(http://\S+)\s", seen)):
            phone = Phone(found[1])
        if phone is None:
            continue
        with contextlib.suppress(OSError, http.client.HTTPException):
            state = phone.state()
            prompt = state["prompt"]
            if prompt is None or prompt["number"] == last:
                continue
            last = prompt["number"]
            if prompt["done"]:
                phone.see()
                time.sleep(SHORTEST_LOOK_S + 0.05)
                presses += phone.press(last)
            else:
                typed = {
                    "text": b"nothing\n",
                    "quantity": b"233 V\n",
                }  # the mains, without which nothing passes
                os.write(ours, typed.get(prompt["kind"], b"\n"))
    with child:
        child.kill()
    os.close(ours)
    assert presses >= 2, seen[-3000:]
    assert re.search(r"● PASS  C01", seen), seen[-3000:]


def test_the_card_of_the_check_stays_on_the_phone(tmp_path: Path, desk: PhoneDesk) -> None:
    """Dangers, marked as such, and the wiring of both meters in lines that fit; later lines don't push them off."""
    terminal = Terminal(out=io.StringIO(), source=io.StringIO(), phone=desk)
    wiring = same_points("T1", ["MA-01", "MB-02"], Function.AC_VOLTS)
    terminal.new_check()
    terminal.show("  ! case stays closed", style=DANGER)
    terminal.show("  expected: 27.1 V")
    with Acquisition(Bench([]), terminal, ManualClock()) as acquisition:
        acquisition.cards = True
        acquisition.show_hookup(wiring)
    desk.ask(HOOKUP)
    for line in range(9):
        terminal.show(f"line {line}")
    state = desk.state()
    assert state["cautions"][0] == "! case stays closed"  # outside what scrolls
    card = state["card"]
    assert [line["text"] for line in card if not line["drawn"]] == ["  expected: 27.1 V"]
    drawn = [line["text"] for line in card if line["drawn"]]
    assert all(any(f"{tag}: dial V~" in line for line in drawn) for tag in ("MA-01", "MB-02"))
    assert max(map(len, drawn)) <= 44
    terminal.new_check()
    assert desk.state()["card"] == []
    assert desk.state()["cautions"] == []


def test_a_folded_caution_is_shown_whole_and_outside_what_scrolls(desk: PhoneDesk) -> None:
    """Its second half can turn its sense around."""
    desk.new_check()
    desk.show_wiring(
        [("  ! attach clips with the power", True), ("    off, power on", True), ("  plan", False)]
    )
    state = desk.state()
    assert state["cautions"] == ["! attach clips with the power off, power on"]
    assert [line["text"] for line in state["card"]] == ["  plan"]


def test_skip_is_not_an_answer_where_words_are_asked_for(
    desk: PhoneDesk, phone: Phone, clock: ManualClock
) -> None:
    desk.ask(Prompt("text", "next action?", "close/next"))
    number = phone.see()
    clock.advance(2 * SHORTEST_LOOK_S)
    assert phone.state()["prompt"]["skip"] == ""
    assert not phone.press(number, "skip")
    desk.ask(Prompt("quantity", "mains voltage now?", "C01/mains"))
    number = phone.see()
    clock.advance(2 * SHORTEST_LOOK_S)
    assert phone.press(number, "skip")


@needs_terminals
def test_skip_answers_a_typed_prompt_whatever_is_half_typed(clock: ManualClock) -> None:
    """It is s with its Enter, not a loose letter in the line."""
    desk = PhoneDesk(clock)
    ours, theirs = os.openpty()

    def press() -> None:
        while desk.state(timeout_s=0)["prompt"] is None:
            time.sleep(0.02)
        time.sleep(0.1)
        os.write(ours, b"23")
        time.sleep(0.2)
        desk.seen(1)
        clock.advance(1)
        desk.press(1, "skip")

    with (
        os.fdopen(os.dup(theirs), "w") as out,
        os.fdopen(os.dup(theirs)) as source,
        Terminal(out=out, source=source, phone=desk) as terminal,
    ):
        presser = threading.Thread(target=press, daemon=True)
        presser.start()
        assert terminal.answer(Prompt("quantity", "mains?", "C01/mains")) == "s"
        presser.join(5)
    os.close(theirs)
    os.close(ours)


def test_a_caution_is_large_until_the_next_answer(desk: PhoneDesk) -> None:
    """What must be done at once is neither one line of many nor gone before somebody has answered."""
    out = io.StringIO()
    terminal = Terminal(out=out, source=io.StringIO(), phone=desk)
    terminal.caution("unplug it now, before a lead is moved")
    desk.ask(Prompt("next", "C01: pass."))
    assert desk.state()["cautions"] == ["unplug it now, before a lead is moved"]
    assert "! unplug it now" in out.getvalue()
    desk.answered()
    assert desk.state()["cautions"] == []


def test_a_reading_goes_when_the_next_step_begins(desk: PhoneDesk) -> None:
    """27.15 V above a hook-up would be read as that of what is unplugged."""
    for begins in (lambda: desk.ask(HOOKUP), desk.new_check, desk.end):
        desk.show_reading("27.15 V", settled=True, meter="MA-01")
        desk.ask(Prompt("next", "C01: pass."))
        assert desk.state()["reading"]["text"] == "27.15 V"
        begins()
        assert desk.state()["reading"]["text"] == ""


def test_a_pass_has_one_button(desk: PhoneDesk) -> None:
    desk.ask(Prompt("next", "C01: pass."))
    assert (desk.state()["prompt"]["done"], desk.state()["prompt"]["skip"]) == ("Go on", "")


def test_another_sites_page_presses_nothing(desk: PhoneDesk, phone: Phone, clock: ManualClock) -> None:
    """A browser names the page that sends a press."""
    desk.ask(HOOKUP)
    number = phone.see()
    clock.advance(5)
    ours = f"http://{phone.host}:{phone.port}"
    for origin, status in (("http://elsewhere.example", 403), ("null", 403), (ours, 200)):
        link = http.client.HTTPConnection(phone.host, phone.port, timeout=10)
        body = json.dumps({"number": number, "button": "done"})
        link.request("POST", phone.base + "press", body, {"Origin": origin})
        assert link.getresponse().status == status
        link.close()
    assert desk.pressed() == "done"


def test_an_old_address_says_where_the_new_one_is(phone: Phone) -> None:
    status, page, _ = phone.ask("GET", "", base="/old/")
    assert status == 404
    assert b"Scan the code" in page
