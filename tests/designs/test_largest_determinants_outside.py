"""Plans with as many effects as castings allow, against the largest determinants of matrices of plus and minus one.

Sources: even orders n = 2v, v odd: the bound of Ehlich 2^v (2v - 1) (v - 1)^(v - 1), as given by Djokovic and Kotsireas,
"New results on D-optimal matrices" (arXiv 1103.3626); it is attained at 6, 10, 14 and 18 (from memory). Order 15:
105 x 3^5 x 2^14, Orrick, "The maximal {-1, 1}-determinant of order 15". Order 19: 2^30 x 7^2 x 17, Brent, Orrick, Osborn
and Zimmermann (arXiv 1112.4160). Order 13: the bound of Barba, sqrt(2n - 1) (n - 1)^((n - 1) / 2), attained there (from
memory).
"""

from __future__ import annotations

import pytest

from castlab.designs import Factor, plan_trials


def ehlich(n: int) -> int:
    v = n // 2
    return 2**v * (2 * v - 1) * (v - 1) ** (v - 1)


def share_of_the_largest(n: int, determinant: int) -> float:
    plan = plan_trials([Factor(f"x{j}", 0, 1) for j in range(n - 1)], n)
    return plan.d_efficiency / (determinant ** (2 / n) / n)


@pytest.mark.parametrize(
    ("n", "determinant"),
    [(6, ehlich(6)), (10, ehlich(10)), (13, 5 * 12**6), (14, ehlich(14)), (15, 105 * 3**5 * 2**14)],
)
def test_up_to_15_castings_the_plan_has_the_largest_determinant_there_is(n, determinant):
    assert share_of_the_largest(n, determinant) == pytest.approx(1, abs=2e-4)


@pytest.mark.parametrize(("n", "determinant"), [(18, ehlich(18)), (19, 2**30 * 7**2 * 17)])
def test_beyond_them_the_plan_comes_within_two_hundredths(n, determinant):
    assert 0.98 < share_of_the_largest(n, determinant) < 1.0002
