"""The line of links at the foot of every notebook: the same everywhere, and complete."""

from __future__ import annotations

import json
import re

import footer
import outputs
import pytest


@pytest.mark.parametrize("path", outputs.NOTEBOOKS, ids=lambda path: path.stem)
def test_every_notebook_ends_with_the_same_line_of_links(path):
    last = json.loads(path.read_text(encoding="utf-8"))["cells"][-1]
    assert footer.split("".join(last["source"]))[1] == footer.line()


def test_the_line_leads_to_every_notebook_once_in_order():
    assert re.findall(r"\]\(([^)]+)\)", footer.line()) == [path.name for path in outputs.NOTEBOOKS]


def test_no_two_links_read_alike():
    assert len(set(footer.WORDS.values())) == len(footer.WORDS)


def test_what_stands_above_the_line_is_kept():
    text = "## What to do next\n\nCast.\n\n\n"
    assert footer.split(text + "---\n" + "[old](old.ipynb)") == (text, "[old](old.ipynb)")
    assert footer.split("Cast.") == ("Cast.\n\n\n", "")
