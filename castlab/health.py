"""Whether this installation, its kernel, a logbook and the disk are fit for work: `castlab check`."""

from __future__ import annotations

import asyncio
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from castlab import __version__, kernel, shipped
from castlab.errors import CastlabError

KERNEL_WAIT_S = 60
LITTLE_MB, FULL_MB = 1000, 50
"""Free disk space below which to say so, and below which entries are in danger (rules of thumb)."""
OLDEST_PYTHON = (3, 11)


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at: `state` is "ok", "look" (works, but) or "fault"."""

    what: str
    state: str
    said: str

    def __str__(self) -> str:
        return f"{self.state:6}{self.what}: {self.said}"


def check(where: str | Path | None = None) -> Iterator[Finding]:
    """Look at the installation, the kernel, the notebooks, the logbook and the disk, one after the other.

    Parameters
    ----------
    where
        A workspace folder, or a logbook (a file or a database URL); None looks in the folder where one is.

    Yields
    ------
    One `Finding` each, as soon as it is known. Nothing is changed; a logbook of an older castlab is not migrated.

    Examples
    --------
    >>> next(check()).what
    'castlab and Python'
    """
    yield _python()
    yield _libraries()
    yield _guarded("notebook kernel", _kernel)
    yield _notebooks()
    text = str(where or ".")
    if "://" in text:
        yield _guarded("logbook", lambda: _database(text))
        yield _disk(Path())
        return
    place = Path(text).expanduser()
    folder = place if place.is_dir() else place.parent
    logbook = folder / "shop.db" if place.is_dir() else place
    if logbook.is_file():
        yield _guarded("logbook", lambda: _file(logbook))
    elif where is None:
        yield Finding("logbook", "look", f"none in {folder.resolve()}; `castlab new FOLDER` makes a workspace with one")
    else:
        yield Finding(
            "logbook", "fault", f"there is no {logbook}; check the path, or make a workspace with `castlab new`"
        )
    yield _disk(folder)


def _guarded(what: str, look: Callable[[], Finding]) -> Finding:
    try:
        return look()
    except CastlabError as exc:
        return Finding(what, "fault", str(exc))
    except Exception as exc:  # whatever is broken here is what the maker wants to know
        return Finding(what, "fault", f"{type(exc).__name__}: {' '.join(str(exc).split())}")


def _python() -> Finding:
    version = ".".join(map(str, sys.version_info[:3]))
    said = f"castlab {__version__}, Python {version}"
    if sys.version_info < OLDEST_PYTHON:
        return Finding(
            "castlab and Python", "fault", f"{said}; needed: Python {'.'.join(map(str, OLDEST_PYTHON))} or newer"
        )
    if sys.prefix == sys.base_prefix:
        return Finding(
            "castlab and Python",
            "look",
            f"{said}, not in a virtual environment: other programs may change its libraries",
        )
    return Finding("castlab and Python", "ok", said)


def _libraries() -> Finding:
    """Every library that castlab asks for is there, in a version that it accepts."""
    from importlib.metadata import PackageNotFoundError, requires, version

    from packaging.requirements import Requirement

    wrong, count = [], 0
    for line in requires("castlab") or []:
        needed = Requirement(line)
        if needed.marker is not None and not needed.marker.evaluate({"extra": ""}):
            continue
        count += 1
        try:
            found = version(needed.name)
        except PackageNotFoundError:
            wrong.append(f"{needed.name} is missing")
            continue
        if not needed.specifier.contains(found, prereleases=True):
            wrong.append(f"{needed.name} is {found}, needed: {needed.specifier}")
    if wrong:
        return Finding("libraries", "fault", f"{'; '.join(wrong)}. Install castlab again, as README says")
    return Finding("libraries", "ok", f"all {count} that castlab needs")


def _kernel() -> Finding:
    """A kernel starts and loads this very castlab."""
    with ThreadPoolExecutor(1) as apart:  # a notebook's own event loop is running already
        answer = apart.submit(asyncio.run, _ask_kernel("import castlab; print(castlab.__version__)")).result()
    if answer != __version__:
        return Finding(
            "notebook kernel", "fault", f"it started, but answered {answer!r} instead of castlab {__version__}"
        )
    return Finding("notebook kernel", "ok", "starts and loads castlab")


async def _ask_kernel(code: str) -> str:
    manager: Any = kernel.manager()()
    await manager.start_kernel()
    client = manager.client()
    client.start_channels()
    said: list[str] = []
    try:
        await client.wait_for_ready(timeout=KERNEL_WAIT_S)
        await client.execute_interactive(
            code,
            timeout=KERNEL_WAIT_S,
            output_hook=lambda message: said.append(
                str(message["content"].get("text") or message["content"].get("evalue", ""))
            ),
        )
    finally:
        client.stop_channels()
        await manager.shutdown_kernel(now=True)
    return "".join(said).strip()


def _notebooks() -> Finding:
    folder = shipped.path("notebooks")
    count = len(list(folder.glob("*.ipynb")))
    if not count:
        return Finding("notebooks", "fault", f"none in {folder}; install castlab again, as README says")
    return Finding("notebooks", "ok", f"{count} templates")


def _file(path: Path) -> Finding:
    import sqlite3
    from contextlib import closing

    from castlab.records.store import EMPTY
    from castlab.records.tables import SCHEMA

    if path.stat().st_size == 0:
        return Finding("logbook", "fault", f"{path} {EMPTY}")
    address = f"{path.resolve().as_uri()}?mode=ro"
    try:
        with closing(sqlite3.connect(address, uri=True, timeout=5)) as connection:
            broken = [row[0] for row in connection.execute("PRAGMA integrity_check").fetchmany(3) if row[0] != "ok"]
            schema = connection.execute("SELECT version_num FROM alembic_version").fetchone()[0]
            castings = connection.execute("SELECT count(*) FROM trial WHERE withdrawn IS NOT TRUE").fetchone()[0]
    except sqlite3.DatabaseError as exc:
        return Finding(
            "logbook", "fault", f"{path} is no logbook, or damaged ({exc}): check the path, or restore the last export"
        )
    if broken:
        return Finding("logbook", "fault", f"{path} is damaged ({'; '.join(broken)}): restore the last export")
    said = f"{path}, {castings} castings"
    if schema > SCHEMA:
        return Finding("logbook", "fault", f"{said}, was written by a newer castlab: install the newer castlab")
    if not os.access(path, os.W_OK) or not os.access(path.parent, os.W_OK):
        return Finding(
            "logbook", "look", f"{said}, sound, but it or its folder may not be written: entries will be refused"
        )
    if schema < SCHEMA:
        return Finding(
            "logbook",
            "look",
            f"{said}, sound, of an older castlab: it is brought up to date when it is opened, a copy kept",
        )
    return Finding("logbook", "ok", f"{said}, sound")


def _database(url: str) -> Finding:
    from castlab.records import Logbook

    with Logbook.open(url, must_exist=True) as book:
        return Finding("logbook", "ok", f"{len(book.records('trial'))} castings in the database")


def _disk(folder: Path) -> Finding:
    try:
        free = shutil.disk_usage(folder).free // 1_000_000
        with tempfile.NamedTemporaryFile(dir=folder) as probe:
            probe.write(b"castlab")
            probe.flush()
            os.fsync(probe.fileno())
    except OSError as exc:
        return Finding("disk", "fault", f"{folder.resolve()} cannot be written ({exc.strerror})")
    if free < FULL_MB:
        return Finding("disk", "fault", f"{free} MB free: entries and photos will soon be refused; make space")
    if free < LITTLE_MB:
        return Finding("disk", "look", f"{free} MB free: enough for entries, not for many photos")
    return Finding("disk", "ok", f"{free / 1000:.0f} GB free, can be written")
