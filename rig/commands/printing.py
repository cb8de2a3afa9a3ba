"""A page as PDF: printed by a browser that is on the computer anyway."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Literal

from rig.commands.draw import write_bytes, write_text
from rig.errors import CallError

ENVIRONMENT = "BLANKBENCH_BROWSER"
"""Environment variable that names the browser."""
_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
_PLACES = (
    r"%ProgramFiles%\Google\Chrome\Application\chrome.exe",
    r"%ProgramFiles(x86)%\Google\Chrome\Application\chrome.exe",
    r"%ProgramFiles(x86)%\Microsoft\Edge\Application\msedge.exe",
    r"%ProgramFiles%\Microsoft\Edge\Application\msedge.exe",
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
)
_PATIENCE_S = 120


def find_browser() -> str | None:
    """Give a browser that prints by itself: the one named in the environment, on the path, or installed."""
    named = os.environ.get(ENVIRONMENT)
    if named:
        return shutil.which(named) or named
    found = next(filter(None, map(shutil.which, _NAMES)), None)
    return found or next((p for p in map(os.path.expandvars, _PLACES) if Path(p).is_file()), None)


def check_page_name(path: Path, option: str = "--into") -> None:
    """Refuse a page's name that ends neither in .html nor in .pdf.

    Raises
    ------
    CallError
    """
    if path.suffix.lower() not in (".html", ".htm", ".pdf"):
        raise CallError(f"{option} {path} is neither .html nor .pdf", "give a name such as page.pdf")


def save_page(html: str, path: Path, paper: Literal["a4", "letter"]) -> Path:
    """Write a page as it is, or as PDF where its name ends so.

    Raises
    ------
    CallError, FileError
        As `print_page`.
    """
    return print_page(html, path, paper) if path.suffix.lower() == ".pdf" else write_text(path, html)


def print_page(html: str, path: Path, paper: Literal["a4", "letter"]) -> Path:
    """Print a page, which needs nothing from outside, to a PDF file.

    Parameters
    ----------
    html : str
        The page; its own ``@page`` rule keeps its margins and gets the paper's size.
    path : Path
        The file to write.
    paper : {"a4", "letter"}
        Upright.

    Raises
    ------
    CallError
        If no browser is there, or it does not print.
    FileError
        If the file cannot be written.
    """
    instead = "write an .html file, open it in any browser and print it from there"
    browser = find_browser()
    if browser is None:
        raise CallError(f"{path}: no browser was found that could print it", instead)
    with tempfile.TemporaryDirectory(prefix="blankbench-", ignore_cleanup_errors=True) as name:
        page, printed = Path(name) / "page.html", Path(name) / "page.pdf"
        sized = html.replace("@page {", f"@page {{ size: {'A4' if paper == 'a4' else 'letter'};", 1)
        page.write_text(sized, encoding="utf-8")
        command = [
            browser, "--headless", "--disable-gpu", "--no-first-run", "--no-pdf-header-footer",
            f"--user-data-dir={Path(name) / 'profile'}", f"--print-to-pdf={printed}",
            *(["--no-sandbox"] if _as_root() else []),
            page.as_uri(),
        ]  # fmt: skip
        try:
            subprocess.run(command, check=True, timeout=_PATIENCE_S, capture_output=True)
            data = printed.read_bytes()
        except (OSError, subprocess.SubprocessError) as error:
            raise CallError(f"{path}: {Path(browser).name} did not print it", instead) from error
    return write_bytes(path, data)


def _as_root() -> bool:
    """Tell whether the browser would refuse its sandbox, as it does for the administrator of a Unix."""
    return sys.platform != "win32" and os.geteuid() == 0
