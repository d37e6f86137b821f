"""The network that judges circles, while it is taught and once it is."""

from __future__ import annotations

import network
import numpy as np
import pytest

from castlab.scoring import judging, views
from castlab.scoring.profiles import MEASURES


@pytest.mark.parametrize("far", [True, False])
def test_a_size_that_is_far_off_pulls_only_where_it_is_to(far) -> None:
    rng = np.random.default_rng(1)
    net = network.blank(6, 2, rng)
    view, known = rng.normal(size=(4, 8, 6)).astype(np.float32), np.zeros((4, 2), np.float32)
    size = net(view, known)[:, 1] + 0.6
    shown = network.Examples(view, known, np.ones(4), size, np.ones(4), np.ones(4))
    _, slopes = network._steps(net, shown, far)
    assert (slopes[-1][1] != 0) == far


def test_what_two_networks_say_is_the_mean_of_their_log_odds() -> None:
    rng = np.random.default_rng(2)
    view = rng.normal(size=(5, views.RAYS, views.CHANNELS)).astype(np.float32)
    claims = np.zeros((5, views.RAYS, len(views.REACH)), np.float32)
    measures = np.tile(judging._taught()["centre"], (5, 1))
    assert measures.shape[1] == len(MEASURES)
    seen = np.concatenate([view, claims], axis=2)
    each = [
        judging.Network(*(judging._taught()[name][n] for name in judging.Network._fields))(seen, 0 * measures)[:, 0]
        for n in range(2)
    ]
    sure, _ = judging.judge(view, claims, measures)
    assert np.log(sure / (1 - sure)) == pytest.approx(np.mean(each, axis=0), abs=1e-3)
