"""A result shows its verdict, tables and cautions, escaped, and prints nothing."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, dataclass

import pandas as pd
import pytest

from castlab.results import Result


@dataclass(frozen=True, kw_only=True)
class Sample(Result):
    table: pd.DataFrame

    def tables(self):
        return {"Effects <all>": self.table}


def test_a_result_reads_as_verdict_tables_and_limits(capsys):
    result = Sample(
        verdict="a < b", cautions=("few castings",), table=pd.DataFrame({"x": [1.5, None], "depth_mm": [1, 2]})
    )
    html = result._repr_html_()
    assert "a &lt; b" in html
    assert "Effects &lt;all&gt;" in html
    assert ">depth (mm)</th>" in html
    assert "<li>few castings</li>" in html
    assert str(result) == "a < b\n- few castings"
    assert capsys.readouterr().out == ""
    with pytest.raises(FrozenInstanceError):
        result.verdict = "better"


def test_a_table_names_settings_as_the_bench_does():
    rows = pd.DataFrame({"factor": ["resin_c", "rest_min x pour_method"], "estimate": [0.5, 2.0]})
    html = Sample(verdict="", table=rows)._repr_html_()
    assert ">resin temperature<" in html
    assert ">rest x pour method<" in html
    assert ">1.5<" in Sample(verdict="", table=pd.DataFrame({"factor": [1.5]}))._repr_html_()  # a number so called
