"""Printing of a page to PDF by a browser installed on this computer."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

from benchlog.errors import AdapterUnavailableError, UsageError
from benchlog.files import write_whole

_NAMES = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "microsoft-edge",
    "chrome",
    "msedge",
)
# Browsers installed for a person are often not on the path: the usual places of each system (common practice, no source).
_WINDOWS_FOLDERS = ("PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA")
_WINDOWS_PROGRAMS = (
    r"Google\Chrome\Application\chrome.exe",
    r"Chromium\Application\chrome.exe",
    r"Microsoft\Edge\Application\msedge.exe",
)
_MAC_PROGRAMS = tuple(
    f"/Applications/{name}.app/Contents/MacOS/{name}"
    for name in ("Chromium", "Google Chrome", "Microsoft Edge")
)


def find_browser(
    system: str = sys.platform,
    *,
    which: Callable[[str], str | None] = shutil.which,
    is_file: Callable[[str], bool] = os.path.isfile,
    environ: Mapping[str, str] = os.environ,
) -> str | None:
    """Return the path of a browser that prints pages, None if there is none.

    Parameters
    ----------
    system : str
        As `sys.platform` names it.
    which, is_file, environ
        How programs and files are found; tests pass their own.
    """
    for name in _NAMES:
        if found := which(name):
            return found
    places: tuple[str, ...] = ()
    if system == "win32":
        folders = [environ[name] for name in _WINDOWS_FOLDERS if environ.get(name)]
        places = tuple(f"{folder}\\{program}" for program in _WINDOWS_PROGRAMS for folder in folders)
    elif system == "darwin":
        places = (*_MAC_PROGRAMS, *(f"{environ.get('HOME', '')}{program}" for program in _MAC_PROGRAMS))
    return next((place for place in places if is_file(place)), None)


def print_pdf(page: str, target: Path) -> None:
    """Print an HTML page to a PDF file, by an installed browser; an older one stays where that fails.

    Raises
    ------
    AdapterUnavailableError
        If no browser that can do it is found.
    UsageError
        If the browser does not print the page.
    """
    browser = find_browser()
    if browser is None:
        raise AdapterUnavailableError(
            f"{target} is not written: no browser that can print to PDF was found",
            hint="print the page (--out FILE.html) from any browser, or install Chromium",
        )
    # In the target's folder: a sandboxed browser may not see hidden or temporary folders.
    with (
        tempfile.TemporaryDirectory(dir=target.parent, prefix="printing-") as folder,
        tempfile.TemporaryDirectory() as profile,
    ):
        path, printed = Path(folder) / "page.html", Path(folder) / "page.pdf"
        write_whole(path, page)
        try:
            done = _browse(browser, path, printed, profile)
        except subprocess.TimeoutExpired:
            raise UsageError(
                f"{browser} did not print {target} within 120 s", hint="print the page from a browser by hand"
            ) from None
        if done.returncode != 0 or not printed.exists():
            tail = re.sub(r"\s+", " ", done.stderr)[-200:]
            raise UsageError(
                f"{browser} could not print {target}: {tail}", hint="print the page from a browser by hand"
            )
        write_whole(target, printed.read_bytes())


def _browse(browser: str, path: Path, printed: Path, profile: str) -> subprocess.CompletedProcess[str]:
    sandbox = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    return subprocess.run(  # noqa: S603 - a browser found on the path, arguments of our own
        [
            browser,
            "--headless",
            *sandbox,
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            f"--user-data-dir={profile}",
            "--no-pdf-header-footer",
            f"--print-to-pdf={printed.resolve()}",
            path.resolve().as_uri(),
        ],
        check=False,
        capture_output=True,
        text=True,
        timeout=120,
    )
