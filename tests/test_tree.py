"""What the tree must not carry: machine paths, registry hosts, large files, saved outputs."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def tracked() -> list[Path]:
    done = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip("not a git checkout")
    return [ROOT / name for name in done.stdout.split("\0") if name and (ROOT / name).exists()]


def texts() -> list[tuple[Path, str]]:
    found = []
    for path in tracked():
        try:
            found.append((path, path.read_text(encoding="utf-8")))
        except UnicodeDecodeError:
            continue
    return found


def test_no_file_names_a_registry_host_or_a_path_of_a_machine():
    hosts = re.compile(r"(py" + r"pi|python" + r"hosted|npm" + r"js|deb" + r"ian)\.org|index" + r"-url")
    paths = re.compile(r"(?<![\w.~])/(work|root|home/\w+)/[\w.-]+")
    bad = [str(p.relative_to(ROOT)) for p, text in texts() if hosts.search(text) or paths.search(text)]
    assert bad == []


def test_no_tracked_file_is_over_a_megabyte():
    assert [str(p.relative_to(ROOT)) for p in tracked() if p.stat().st_size > 1_000_000] == []


def test_shipped_notebooks_hold_no_outputs_and_no_widget_state():
    for path in (ROOT / "notebooks").glob("*.ipynb"):
        book = json.loads(path.read_text(encoding="utf-8"))
        assert "widgets" not in book["metadata"], path.name
        for cell in book["cells"]:
            assert not cell.get("outputs"), path.name
            assert cell.get("execution_count") is None, path.name


def test_every_pin_is_an_exact_version():
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = [line for line in lines if line and not line.startswith("#")]
    assert len(pins) > 50
    assert [p for p in pins if not re.fullmatch(r"[A-Za-z0-9._-]+(\[\w+\])?==[\w.!+]+", p)] == []
