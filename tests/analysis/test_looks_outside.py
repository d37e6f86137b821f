"""Adjusting for many looks against published values: the fifteen p-values of Benjamini and Hochberg, JRSS B 57, 1995,
289-300, section 4 (a comparison of treatments after myocardial infarction): Bonferroni-type procedures reject three
hypotheses, the false discovery rate four; and `multipletests` of statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from castlab.analysis.looks import adjusted

P = [
    0.0001,
    0.0004,
    0.0019,
    0.0095,
    0.0201,
    0.0278,
    0.0298,
    0.0344,
    0.0459,
    0.3240,
    0.4262,
    0.5719,
    0.6528,
    0.7590,
    1.0,
]


def test_the_published_numbers_of_findings():
    assert np.sum(adjusted(P, "holm") < 0.05) == 3
    assert np.sum(adjusted(P, "bh") < 0.05) == 4


@pytest.mark.parametrize(("ours", "theirs"), [("holm", "holm"), ("bh", "fdr_bh")])
def test_the_adjusted_values_are_those_of_statsmodels(ours, theirs):
    assert adjusted(P, ours) == pytest.approx(multipletests(P, method=theirs)[1])
