"""Ratios of the logbook against the bare tools it stands on, side by side in one run.

Run: python tests/benchmarks/bench_logbook.py
"""

from __future__ import annotations

import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pandas as pd
from tqdm import tqdm

from castlab import Batch, Logbook, Material, Mold, Trial
from castlab.records.tables import CURRENT

TRIALS = 20_000
ADDS = 400


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def report(name: str, ours: list[float], bare: list[float], bar: float) -> None:
    ratio = statistics.median(ours) / statistics.median(bare)
    print(
        f"{name}: {ratio:.2f} times the bare one (bar {bar}); medians {statistics.median(ours):.4g} s "
        f"and {statistics.median(bare):.4g} s over {len(ours)} runs each"
    )


def imports() -> None:
    def run(module: str) -> float:
        return seconds(lambda: subprocess.run([sys.executable, "-c", f"import {module}"], check=True))

    pairs = [(run("castlab"), run("pandas")) for _ in range(5)]
    report("import castlab against import pandas", [p[0] for p in pairs], [p[1] for p in pairs], 1.3)
    code = "castlab.records"
    pairs = [(run(code), run("pandas")) for _ in range(5)]
    report("import castlab.records (from castlab import Logbook)", [p[0] for p in pairs], [p[1] for p in pairs], 1.3)


def fill(book: Logbook) -> None:
    """20,000 castings in 5,000 batches, two scores each, written in bulk."""
    now = datetime(2026, 1, 1)
    who = {"version": 1, "logged_at": now, "logged_by": "bench"}
    with book._writing() as connection:
        batches, trials, scores = [], [], []
        for b in tqdm(range(1, TRIALS // 4 + 1), desc="filling", file=sys.stderr):
            extra = {"spin_rpm": 600.0 + b % 3}
            row = {"id": f"B-{b:03d}", "seq": b, "extra": extra, "mixed_at": now + timedelta(hours=b), "resin_g": 100.0}
            batches.append({**who, **row, "hardener_g": 28.0, "resin_c": 20.0 + b % 9, "resin_id": "R-01"})
            for t in range(1, 5):
                row = {"id": f"T-{b:03d}.{t}", "seq": t, "batch_id": f"B-{b:03d}", "mold_id": "M-01", "extra": {}}
                trials.append({**who, **row, "product": "pod block", "pour_method": "ladle", "poured_at": now})
                for s in (1, 2):
                    row = {"id": f"S-{b:03d}.{t}.{s}", "seq": s, "trial_id": f"T-{b:03d}.{t}", "bubbles": (b + t) % 7}
                    scores.append({**who, **row, "scorer": f"scorer {s}", "clarity_grade": t % 5})
        for kind, rows in (("batch", batches), ("trial", trials), ("score", scores)):
            connection.execute(CURRENT[kind].insert(), rows)


def frames(folder: Path) -> None:
    book = Logbook.open(folder / "large.db", who="bench")
    book.add(Material(name="clear", target_phr=28))
    book.add(Mold(name="block 1"))
    book.add(Batch(extra={"spin_rpm": 1.0}))
    with book._writing() as connection:
        connection.execute(CURRENT["batch"].delete())
    fill(book)
    query = "SELECT * FROM trial JOIN batch ON trial.batch_id = batch.id JOIN score ON score.trial_id = trial.id"
    joined = "SELECT * FROM trial JOIN batch ON trial.batch_id = batch.id"
    bare_connection = sqlite3.connect(folder / "large.db")
    book.frame()
    ours, bare, bare_scores = [], [], []
    for _ in range(5):
        ours.append(seconds(book.frame))
        bare.append(seconds(lambda: pd.read_sql_query(joined, bare_connection)))
        bare_scores.append(seconds(lambda: pd.read_sql_query(query, bare_connection)))
    report(f"frame of {TRIALS} castings against a bare read of batch and trial joined", ours, bare, 3)
    report("the same against a bare read of batch, trial and scores joined", ours, bare_scores, 3)


def adds(folder: Path) -> None:
    book = Logbook.open(folder / "adds.db", who="bench")
    book.add(Material(name="clear", target_phr=28))
    book.add(Mold(name="block 1"))
    cup = book.add(Batch(resin_id="R-01", resin_g=100, hardener_g=28, resin_c=22, room_c=21, stir_min=3))
    casting = Trial(batch_id=str(cup.id), mold_id="M-01", product="pod block", pour_method="ladle", depth_mm=20)
    row = {c.name: None for c in CURRENT["trial"].c} | {
        "version": 1,
        "logged_at": "2026-01-01 00:00:00",
        "logged_by": "bench",
        "extra": "{}",
        **casting.model_dump(exclude_none=True, exclude={"extra"}),
    }
    bare = sqlite3.connect(folder / "bare.db", isolation_level=None)
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
        bare.execute(f"PRAGMA {pragma}")
    for (sql,) in book._engine.connect().exec_driver_sql("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL"):
        if not sql.startswith("CREATE TABLE sqlite_"):
            bare.execute(sql)
    bare.execute("INSERT INTO mold (id, version, logged_at, logged_by, name, seq) VALUES ('M-01', 1, '', '', 'a', 1)")
    bare.execute(
        "INSERT INTO batch (id, version, logged_at, logged_by, extra, seq) VALUES ('B-001', 1, '', '', '{}', 1)"
    )
    names = ", ".join('"' + n + '"' for n in row)
    statement = f"INSERT INTO trial ({names}) VALUES ({', '.join(':' + n for n in row)})"

    def bare_add(seq: int) -> None:
        bare.execute("BEGIN IMMEDIATE")
        bare.execute(statement, {**row, "id": f"T-001.{seq}", "seq": seq})
        bare.execute("COMMIT")

    ours, theirs = [], []
    for seq in range(1, ADDS + 1):
        ours.append(seconds(lambda: book.add(casting)))
        theirs.append(seconds(lambda seq=seq: bare_add(seq)))
    report("one add against a bare insert with the same durability", ours, theirs, 3)


if __name__ == "__main__":
    imports()
    with tempfile.TemporaryDirectory() as name:
        frames(Path(name))
        adds(Path(name))
