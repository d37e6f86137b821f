"""The cautions cover what can hurt someone, and always defer to the data sheets."""

from __future__ import annotations

import pytest

from castlab import cautions
from castlab.errors import InputError


@pytest.mark.parametrize(
    ("activity", "word"),
    [
        ("vacuum", "crazing"),
        ("pressure", "relief valve"),
        ("epoxy", "sensitisers"),
        ("isocyanate", "airways"),
        ("styrene", "never mix promoter"),
        ("exotherm", "ignite"),
        ("silicone", "inhibited"),
        ("dust", "respirator"),
        ("oven", "food"),
        ("pump", "exhaust"),
        ("electrical", "mains"),
    ],
)
def test_each_hazard_has_its_usual_caution_and_defers(activity, word):
    texts = cautions.about(activity)
    assert word in texts[0]
    assert texts[-1] == cautions.DEFER


def test_cautions_show_as_a_labelled_list_and_keep_one_order():
    assert cautions.about("dust", "vacuum") == cautions.about("vacuum", "dust")
    html = cautions.show("dust")._repr_html_()
    assert html.count("<li>") == 2
    assert "aria-label" in html


def test_an_unknown_activity_names_the_known_ones():
    with pytest.raises(InputError, match="accepted: vacuum"):
        cautions.about("juggling")


def test_no_activity_means_no_list():
    assert cautions.about() == ()
