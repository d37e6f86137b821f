"""Frames show as the kit's own tables: words to the left, numbers to the right, in a notebook and nowhere else unasked."""

from __future__ import annotations

import os
from io import StringIO
from pathlib import Path

import nbformat
import numpy as np
import pandas as pd
import pytest
from nbclient import NotebookClient

import castlab
from castlab import tables


def cells(html: str) -> list[list[str]]:
    """The table's cells as pandas reads them back, headings first."""
    (read,) = pd.read_html(StringIO(html), keep_default_na=False)
    return [list(map(str, read.columns)), *(list(map(str, row)) for row in read.to_numpy())]


def test_a_frame_shows_its_index_where_that_says_more_than_row_numbers():
    frame = pd.DataFrame({"pour": ["ladle", None], "bubbles": [3, 12]})
    assert cells(tables.framed(frame)) == [["pour", "bubbles"], ["ladle", "3"], ["–", "12"]]
    named = frame.set_axis(pd.Index(["T-001.1", "T-001.2"], name="trial_id"))
    assert cells(tables.framed(named))[:2] == [["trial_id", "pour", "bubbles"], ["T-001.1", "ladle", "3"]]
    assert cells(tables.framed(frame.set_axis(["a", "b"])))[1] == ["a", "ladle", "3"]
    counts = named.groupby(["pour", "bubbles"], dropna=False).size().to_frame("castings")
    assert cells(tables.framed(counts))[0] == ["pour", "bubbles", "castings"]


def test_numbers_go_to_the_right_and_words_to_the_left():
    html = tables.framed(pd.DataFrame({"mold": ["M-01"], "share": [0.25], "range": ["3 to 5"], "passed": [True]}))
    assert '<td style="text-align: left; white-space: nowrap">M-01</td>' in html
    assert '<td class="n">0.25</td>' in html
    assert '<td class="n" style="white-space: nowrap">3 to 5</td>' in html
    assert '<td style="text-align: left; white-space: nowrap">yes</td>' in html


@pytest.mark.parametrize("beyond", ["over 99%", "under 1%", "about 85%", "more than 50", "1.8 times"])
def test_numbers_beyond_what_is_told_go_to_the_right_too(beyond):
    html = tables.framed(pd.DataFrame({"share": [beyond, "37%"], "word": [beyond, "overcast"]}))
    assert f'<td class="n" style="white-space: nowrap">{beyond}</td>' in html
    assert f'nowrap">{beyond}</td>' in html


def test_a_large_frame_leaves_out_its_middle_and_says_how_large_it_is():
    frame = pd.DataFrame(np.arange(100 * 30).reshape(100, 30), columns=[f"c{n}" for n in range(30)])
    with pd.option_context("display.max_columns", 20):
        html = tables.framed(frame)
    rows = cells(html)
    assert len(rows) == 1 + 11
    assert rows[0][:2] + rows[0][9:12] + rows[0][-1:] == ["c0", "c1", "c9", "…", "c20", "c29"]
    assert (rows[5][0], rows[6][0], rows[7][0]) == ("120", "…", "2850")
    assert "<p>100 rows, 30 columns</p>" in html
    with pd.option_context("display.max_rows", None, "display.max_columns", None):
        assert len(cells(tables.framed(frame))) == 101


def test_a_form_of_numbers_that_was_set_with_pandas_is_kept():
    frame = pd.DataFrame({"x": [1.23456789]})
    assert cells(tables.framed(frame))[1] == ["1.235"]
    with pd.option_context("display.float_format", "{:.6f}".format):
        assert cells(tables.framed(frame))[1] == ["1.234568"]


@pytest.mark.parametrize(
    "frame",
    [
        pd.DataFrame(),
        pd.DataFrame({"x": []}),
        pd.DataFrame({"x": [np.arange(3), None]}),
        pd.DataFrame([[1, 2]], columns=["a", "a"]),
        pd.DataFrame([[1, 2]], columns=pd.MultiIndex.from_tuples([("a", "b"), ("a", "c")])),
        pd.DataFrame({"x": pd.Categorical(["a"]), "y": pd.to_datetime(["2026-03-14"]), "z": [pd.NaT], 1: [pd.NA]}),
        pd.DataFrame({"x": [1]}, index=pd.Index([7], name="x")),
    ],
)
def test_every_frame_can_be_shown(frame):
    assert tables.framed(frame).startswith("<table>")


def test_an_empty_table_says_that_there_is_nothing():
    assert '<td colspan="2" style="text-align: left">none</td>' in tables.table(pd.DataFrame({"a": [], "b": []}))


def test_markup_in_a_frame_is_shown_as_text():
    assert "<b>" not in tables.framed(pd.DataFrame({"<b>": ["<b>"]}, index=["<b>"]))


def test_a_day_without_a_time_is_a_day():
    assert tables.cell(pd.Timestamp("2026-03-14")) == "2026-03-14"
    assert tables.cell(pd.Timestamp("2026-03-14 09:05")) == "2026-03-14 09:05"


def test_a_notebook_that_was_started_shows_frames_so_and_others_as_before(monkeypatch):
    root = str(Path(castlab.__file__).parent.parent)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([root, os.environ.get("PYTHONPATH", "")]))
    show = "import pandas as pd\npd.DataFrame({'pour': ['ladle']})"
    start = "import sys\nfrom castlab.notebook import start\nstart()\n'pandas' in sys.modules"
    made = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(s) for s in (start, show)])
    made.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    NotebookClient(made).execute()
    assert made.cells[0].outputs[0].data["text/plain"] == "False"
    assert made.cells[1].outputs[0].data["text/html"] == tables.framed(pd.DataFrame({"pour": ["ladle"]}))
    made.cells[0].source = "import castlab.notebook, castlab.tables"
    NotebookClient(made).execute()
    assert 'class="dataframe"' in made.cells[1].outputs[0].data["text/html"]


def test_a_number_of_two_words_stays_on_one_line():
    html = tables.table(pd.DataFrame({"p_value": ["0.69", "< 0.001"], "low": [1.5, 2.5]}))
    assert '<td class="n" style="white-space: nowrap">&lt; 0.001</td>' in html
    assert '<td class="n">1.5</td>' in html
