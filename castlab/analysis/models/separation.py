"""Do the settings tell the outcomes apart so completely that an effect has no finite estimate?

Found exactly by linear programming: a direction of the coefficients along which every casting fits better or as well
(Albert and Anderson, Biometrika 71, 1984, 1-10; Konis, thesis, Oxford 2007, for the linear program).
"""

from __future__ import annotations

import numpy as np
from scipy import optimize


def direction(X: np.ndarray, y: np.ndarray, kind: str) -> np.ndarray | None:
    """The separating direction of the coefficients of X (intercept first), or None where there is none.

    Parameters
    ----------
    X : (n, p) design matrix
    y : (n,) passes 0 and 1, counts (separated where some settings gave no count at all), or grades 0, 1, ...
    kind : {"pass", "count", "grade"}

    Examples
    --------
    >>> X = np.column_stack([np.ones(6), [0, 0, 0, 1, 1, 1]])
    >>> direction(X, np.array([0, 1, 0, 1, 1, 1]), "pass") is None
    False
    >>> direction(X, np.array([0, 1, 0, 1, 0, 1]), "pass") is None
    True
    """
    if kind == "count":
        better, alike = -X[y == 0], X[y > 0]
    elif kind == "grade":
        cuts = int(y.max())
        signs = [np.where(y > cut, 1.0, -1.0) for cut in range(cuts)]
        own = [np.eye(cuts)[np.full(len(y), cut)] for cut in range(cuts)]
        better = np.vstack([s[:, None] * np.hstack([o, X[:, 1:]]) for s, o in zip(signs, own, strict=True)])
        alike = np.zeros((0, better.shape[1]))
    else:
        better, alike = np.where(y > 0, 1.0, -1.0)[:, None] * X, np.zeros((0, X.shape[1]))
    if not len(better):
        return None
    found = optimize.linprog(
        -better.sum(axis=0), A_ub=-better, b_ub=np.zeros(len(better)),
        A_eq=alike if len(alike) else None, b_eq=np.zeros(len(alike)) if len(alike) else None, bounds=(-1, 1),
    )  # fmt: skip
    if found.status != 0 or -found.fun < 1e-6:
        return None
    own_cuts = int(y.max()) if kind == "grade" else 1
    return np.concatenate([[found.x[0]], found.x[own_cuts:]])
