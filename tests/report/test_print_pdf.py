"""Browsers are found on the path, and where each system usually has them."""

from __future__ import annotations

import pytest

from benchlog.report.print_pdf import find_browser


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
