"""Browsers are found on the path, and where each system usually has them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from benchlog.errors import UsageError
from benchlog.report.print_pdf import find_browser, print_pdf


def nowhere(name: str) -> None:
    """No program is on the path."""


@pytest.mark.parametrize(
    ("system", "environ", "there"),
    [
        (
            "win32",
            {"PROGRAMFILES": r"C:\Program Files"},
            r"C:\Program Files\Microsoft\Edge\Application\msedge.exe",
        ),
        (
            "win32",
            {"PROGRAMFILES": r"C:\Program Files", "LOCALAPPDATA": r"C:\Users\me\AppData\Local"},
            r"C:\Users\me\AppData\Local\Google\Chrome\Application\chrome.exe",
        ),
        ("darwin", {"HOME": "/Users/me"}, "/Users/me/Applications/Chromium.app/Contents/MacOS/Chromium"),
        ("darwin", {}, "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome"),
    ],
)
def test_a_browser_off_the_path_is_found(system: str, environ: dict[str, str], there: str) -> None:
    assert find_browser(system, which=nowhere, is_file=lambda path: path == there, environ=environ) == there
    assert find_browser(system, which=nowhere, is_file=lambda path: False, environ=environ) is None


def test_the_path_comes_first() -> None:
    def which(name: str) -> str | None:
        return "/usr/bin/chromium" if name == "chromium" else None

    assert find_browser("linux", which=which) == "/usr/bin/chromium"
    assert find_browser("linux", which=nowhere, is_file=lambda path: True) is None


@pytest.mark.skipif(os.name == "nt", reason="the browser here is a shell script")
def test_an_older_print_stays_where_printing_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whole or not at all, and nothing else left in the folder."""
    target, browser = tmp_path / "c.pdf", tmp_path / "bin" / "chromium"
    browser.parent.mkdir()
    monkeypatch.setenv("PATH", str(browser.parent), prepend=os.pathsep)
    to = "for a; do case $a in --print-to-pdf=*) f=${a#*=};; esac; done; "
    for act, shown in (("printf new > $f", "new"), ("printf half > $f; exit 1", "new"), ("exit 0", "new")):
        browser.write_text(f"#!/bin/sh\n{to}{act}\n")
        browser.chmod(0o755)
        if act.endswith("$f"):
            print_pdf("<p>page</p>", target)
        else:
            with pytest.raises(UsageError, match="could not print"):
                print_pdf("<p>page</p>", target)
        assert target.read_text() == shown
        assert {p.name for p in tmp_path.iterdir()} == {"c.pdf", "bin"}
