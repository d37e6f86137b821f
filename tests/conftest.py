"""Fixtures shared by the tests: a fresh logbook, and the services that only CI must have."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import count
from pathlib import Path

import pytest

from castlab import Logbook

IN_CI = os.environ.get("CI") == "true"


def skip_unless_ci(reason: str) -> None:
    """Skip on a user's machine; fail in CI, which must have every service."""
    if IN_CI:
        pytest.fail(f"CI must have it: {reason}")
    pytest.skip(reason)


@pytest.fixture
def clock():
    """A clock that starts at a fixed time and moves one minute at every look."""
    minutes = count()
    return lambda: datetime(2026, 3, 1, 9) + timedelta(minutes=next(minutes))


@pytest.fixture
def book(tmp_path: Path, clock) -> Iterator[Logbook]:
    with Logbook.open(tmp_path / "shop.db", who="tester", clock=clock) as opened:
        yield opened


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of Debian's chromium."""
    found = shutil.which("chromium")
    if found is None:
        skip_unless_ci("Debian's chromium is not installed")
    return str(found)


@pytest.fixture
def colour_science():
    """The reference library of colours, its import kept from changing how numpy writes numbers for everyone else."""
    import numpy as np

    options = np.get_printoptions()
    library = pytest.importorskip("colour")
    np.set_printoptions(**options)
    return library


def _postgres_tool(name: str) -> str | None:
    places = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), reverse=True)
    return str(places[0]) if places else shutil.which(name)


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[Path]:
    """A PostgreSQL server of our own on a unix socket in a temporary folder, stopped at the end."""
    initdb, pg_ctl = _postgres_tool("initdb"), _postgres_tool("pg_ctl")
    if initdb is None or pg_ctl is None:
        skip_unless_ci("no PostgreSQL server is installed")
    folder = Path(tempfile.mkdtemp(prefix="castlab-pg-"))
    as_user: list[str] = []
    if os.geteuid() == 0:  # the server refuses to run as root
        shutil.chown(folder, "postgres", "postgres")
        as_user = ["runuser", "-u", "postgres", "--"]
    data = folder / "data"
    run = {"check": True, "capture_output": True, "text": True, "cwd": folder}
    subprocess.run([*as_user, initdb, "-D", data, "-A", "trust", "-U", "castlab", "-E", "UTF8"], **run)
    options = f"-k {folder} -c listen_addresses=''"
    subprocess.run([*as_user, pg_ctl, "-D", data, "-w", "-l", folder / "log", "-o", options, "start"], **run)
    yield folder
    subprocess.run([*as_user, pg_ctl, "-D", data, "-m", "immediate", "stop"], **run)
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def postgres_url(postgres_server: Path) -> str:
    """URL of a database with nothing in it."""
    import psycopg

    name = f"shop_{os.urandom(4).hex()}"
    with psycopg.connect(host=str(postgres_server), user="castlab", dbname="postgres", autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return f"postgresql+psycopg://castlab@/{name}?host={postgres_server}"
