"""How long plans take on one core, and how near they come to the best of a long search, side by side in one run.

Run: python tests/benchmarks/bench_designs.py
"""

from __future__ import annotations

import time

import numpy as np

from castlab.designs import Factor, exchange, plan_trials, space


def numbers(k: int) -> list[Factor]:
    return [Factor(f"x{j}", -1, 1) for j in range(k)]


def planned(title: str, factors: list[Factor], runs: int, longer: int = 0, **options: object) -> None:
    start = time.process_time()
    plan = plan_trials(factors, runs, **options)
    took = time.process_time() - start
    text = f"{title}: {plan.kind}, D-efficiency {plan.d_efficiency:.4f}, {took:.2f} s of processor time"
    if longer:
        done = plan._runs
        start = time.process_time()
        best = max(
            exchange.search(
                done.space, space.moves(done.space), done.X[:0], done.plan, None, 500, np.random.default_rng(seed)
            )[1][0]
            for seed in range(longer)
        )
        ours = float(exchange.worth(done.X, done.plan.A, None))
        ratio = np.exp((ours - best) / done.space.p)
        text += f"; {ratio:.4f} of the best of {500 * longer} starts ({time.process_time() - start:.1f} s)"
    print(text)


if __name__ == "__main__":
    mixed = [
        *numbers(3),
        Factor("a", list("uvw")),
        Factor("b", list("klmn")),
        Factor.on_off("c"),
        Factor("d", [1, 2, 4]),
    ]
    split = [*numbers(4), Factor("w", 0, 1, per_batch=True), Factor("v", list("uvw"), per_batch=True)]
    planned("12 castings, 11 factors (bar 1.000)", numbers(11), 12, goal="screen")
    planned("14 castings, 3 factors, bends (bar 0.99 of the best)", numbers(3), 14, longer=4, goal="curve")
    planned("20 castings, 7 factors of mixed levels (bar 5 s)", mixed, 20, longer=4)
    planned("24 castings in 6 batches, 6 factors", split, 24, longer=2, batch_size=4)
    planned("40 castings, 7 factors, bends", numbers(7), 40, goal="curve")
