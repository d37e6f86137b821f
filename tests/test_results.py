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
