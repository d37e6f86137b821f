"""JupyterLab as `castlab lab` starts it, and a person at its page whose keystrokes and clicks are counted."""

from __future__ import annotations

import json
import os
import secrets
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from castlab import shipped, workspace

ROOT = shipped.path("notebooks").parent
PATIENCE_MS = 60_000
LEAST_TARGET_PX = 44
"""For gloved hands: the enhanced target size of WCAG 2.2, success criterion 2.5.5."""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Lab:
    """A server of our own on a workspace of our own."""

    def __init__(self, folder: Path, settings: Path) -> None:
        self.folder = folder
        self.token = secrets.token_hex(8)
        self.url = f"http://127.0.0.1:{free_port()}"
        settings.mkdir()
        options = {"allow_root": True, "ip": "127.0.0.1"}  # a test machine may have no other user
        (settings / "jupyter_server_config.json").write_text(json.dumps({"ServerApp": options}), encoding="utf-8")
        environment = {
            **os.environ,
            "JUPYTER_CONFIG_DIR": str(settings),
            "JUPYTER_DATA_DIR": str(settings / "data"),
            "JUPYTER_TOKEN": self.token,
            "PYTHONPATH": os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]),
        }
        self.log = settings / "log"
        command = [
            sys.executable,
            "-m",
            "castlab.cli",
            "lab",
            str(folder),
            "--no-browser",
            "--port",
            self.url.rpartition(":")[2],
        ]
        with self.log.open("w") as log:
            self.server = subprocess.Popen(command, env=environment, stdout=log, stderr=subprocess.STDOUT)
        self._wait()

    def _wait(self) -> None:
        until = time.monotonic() + PATIENCE_MS / 1000
        while time.monotonic() < until and self.server.poll() is None:
            try:
                with urllib.request.urlopen(f"{self.url}/api?token={self.token}"):
                    return
            except OSError:
                time.sleep(0.2)
        self.stop()
        pytest.fail(f"JupyterLab did not start:\n{self.log.read_text()[-2000:]}")

    def address(self, notebook: str | None = None) -> str:
        """The page that opens first, or a notebook's in a window of its own."""
        if notebook is None:
            return f"{self.url}/?token={self.token}"
        return f"{self.url}/lab/workspaces/{secrets.token_hex(4)}/tree/{notebook}?token={self.token}"

    def place(self, *, demo: bool = False) -> Path:
        """One more workspace under the server."""
        return workspace.make(self.folder / secrets.token_hex(4), demo=demo).folder

    def stop(self) -> None:
        self.server.terminate()
        try:
            self.server.wait(20)
        except subprocess.TimeoutExpired:
            self.server.kill()
            self.server.wait(5)


@pytest.fixture(scope="session")
def lab(tmp_path_factory) -> Iterator[Lab]:
    folder = workspace.make(tmp_path_factory.mktemp("lab") / "workspace").folder
    started = Lab(folder, tmp_path_factory.mktemp("jupyter") / "settings")
    yield started
    started.stop()
    shutil.rmtree(folder, ignore_errors=True)


class Person:
    """Someone at the bench. What they type as a value is free; every other key and every click counts."""

    def __init__(self, page) -> None:
        self.page = page
        self.effort = 0

    def type(self, value: str) -> None:
        self.page.keyboard.type(value)

    def press(self, keys: str) -> None:
        self.effort += len(keys.split("+"))
        self.page.keyboard.press(keys)

    def click(self, target) -> None:
        self.effort += 1
        target.click()

    def field(self, label: str, form: str = "The cup"):
        return self.form(form).get_by_label(label, exact=True)

    def form(self, title: str):
        return self.page.locator(".castlab-form", has=self.page.get_by_role("heading", name=title, exact=True)).last

    def focused(self, label: str) -> None:
        """Wait until the cursor is in the field of this label."""
        self.page.wait_for_function(
            """label => { const e = document.activeElement; if (!e) return false;
               const name = e.getAttribute('aria-label') || (e.labels && e.labels[0] && e.labels[0].textContent) || e.textContent;
               return name === label }""",
            arg=label,
        )

    def open(self, address: str) -> None:
        self.page.goto(address)
        self.ready()

    def ready(self) -> None:
        self.page.get_by_text("| Idle").wait_for()

    def run_all(self, last_form: str = "A mold") -> None:
        self.click(self.page.get_by_role("menuitem", name="Run", exact=True))
        self.click(self.page.get_by_role("menuitem", name="Run All Cells", exact=True))
        self.form(last_form).wait_for()

    def findings(self) -> list[tuple[str, str]]:
        """Serious findings of the accessibility check in the forms, all folds open, and targets that are too small."""
        axe = pytest.importorskip("axe_playwright_python.sync_playwright")
        self.page.evaluate("document.querySelectorAll('.castlab-form details').forEach(fold => { fold.open = true })")
        found = axe.Axe().run(self.page, context=".castlab-form").response["violations"]
        serious = [(v["id"], v["nodes"][0]["html"]) for v in found if v["impact"] in ("serious", "critical")]
        small = self.page.evaluate(
            """least => [...document.querySelectorAll('.castlab-form :is(input:not([type=radio]):not([type=checkbox]),"""
            """ select, textarea, button, summary, .radio)')].filter(e => e.offsetParent !== null)
               .filter(e => Math.min(e.getBoundingClientRect().height, e.getBoundingClientRect().width) < least)
               .map(e => e.outerHTML.slice(0, 120))""",
            LEAST_TARGET_PX,
        )
        return serious + [("too small", one) for one in small]

    def said(self, words: str, form: str = "The cup") -> None:
        self.form(form).locator(".said").get_by_text(words).wait_for()


@pytest.fixture(scope="package")
def browser(chromium):
    """Closed after these tests: its event loop would stand in the way of others."""
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture
def person(browser) -> Iterator[Callable[[], Person]]:
    """Makes a person with a window of their own, who notices when the page breaks."""
    contexts = []
    broken: list[str] = []

    def sit_down() -> Person:
        context = browser.new_context(viewport={"width": 1280, "height": 900}, reduced_motion="reduce")
        context.set_default_timeout(PATIENCE_MS)
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: broken.append(str(error)))
        return Person(page)

    yield sit_down
    for context in contexts:
        context.close()
    assert [error for error in broken if "castlab" in error or "panel" in error] == []
