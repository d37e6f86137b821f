"""README's Python runs as printed, and gives what it says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from castlab import Logbook, shipped

README = Path(__file__).parents[1] / "README.md"


def test_the_examples_run_as_printed_and_the_verdict_is_the_one_that_is_quoted(tmp_path, monkeypatch, capsys):
    text = README.read_text(encoding="utf-8")
    blocks = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    quoted = re.search(r'# "\.\.\. (Pour method .*?) \.\.\."', text)
    if not blocks or quoted is None:
        pytest.fail("README has no Python, or quotes no verdict")
    (tmp_path / "castlab-demo").mkdir()
    Logbook.restore(shipped.path("data", "demo"), to=tmp_path / "castlab-demo" / "shop.db").close()
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    for block in blocks:
        exec(block, names)
    assert quoted[1] in capsys.readouterr().out
    assert len(names["book"].history("B-001")) == 2


def test_the_counts_of_the_demo_are_right(tmp_path):
    frame = Logbook.restore(shipped.path("data", "demo"), to=tmp_path / "shop.db").frame()
    assert f"{len(frame)} castings in {frame['batch_id'].nunique()} batches" in README.read_text(encoding="utf-8")
