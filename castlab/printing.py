"""A page as PDF, printed by a browser that is installed on this machine."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from castlab.errors import CastlabError, NotFoundError

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
"""Programs that print a page without a window, in the order they are looked for."""
BROWSER_VARIABLE = "CASTLAB_BROWSER"
WAIT_S = 120


def find_browser() -> str:
    """Path of the browser: the one that CASTLAB_BROWSER names, else the first of `BROWSERS`.

    Raises
    ------
    NotFoundError
        If there is none; it says how to get the PDF by hand.
    """
    named = os.environ.get(BROWSER_VARIABLE)
    found = next((path for name in ([named] if named else BROWSERS) if (path := shutil.which(name))), None)
    if found is None:
        raise NotFoundError(
            f"no browser was found to print with (looked for {named or ', '.join(BROWSERS)}); name one in the environment "
            f"variable {BROWSER_VARIABLE}, or open the page in any browser and print it to a PDF file"
        )
    return found


def to_pdf(page: str | Path, pdf: str | Path) -> Path:
    """Print an HTML file to PDF; returns the PDF's path. An earlier file is replaced only when the new one is whole.

    Raises
    ------
    NotFoundError
        If there is no browser, or no such page.
    CastlabError
        If the browser does not print it.
    """
    source, target = Path(page), Path(pdf)
    if not source.is_file():
        raise NotFoundError(f"there is no page {source} to print")
    browser = find_browser()
    with tempfile.TemporaryDirectory() as scratch:
        made = Path(scratch) / "page.pdf"
        command = [
            browser, "--headless", "--disable-gpu", "--disable-background-networking", "--no-first-run",
            f"--user-data-dir={scratch}/profile", "--no-pdf-header-footer", f"--print-to-pdf={made}",
            source.resolve().as_uri(),
        ]  # fmt: skip
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # the browser refuses to run as root otherwise
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=WAIT_S, check=False)
        except subprocess.TimeoutExpired:
            raise CastlabError(f"{browser} did not print {source} within {WAIT_S} s; print the page by hand") from None
        if not made.is_file() or made.stat().st_size == 0:
            reason = done.stderr.strip().splitlines()[-1:] or ["it gave no reason"]
            raise CastlabError(f"{browser} did not print {source} ({reason[0]}); print the page by hand")
        staged = target.with_name(f".{target.name}.new")
        shutil.copyfile(made, staged)
        staged.replace(target)
    return target
