"""What a report costs beyond executing its notebook and converting it.

    python tests/benchmarks/bench_reports.py [rounds]

`castlab.reports.report` on the demo, against bare papermill plus nbconvert's own HTML exporter on the same notebook with the
same parameters, in turns in one run. Bar: 1.15. And how long each shipped notebook takes on the demo (bar: 20 s each).
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tqdm import tqdm

from castlab import kernel, reports, shipped, workspace


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def bare(logbook: Path, folder: Path) -> None:
    """The same notebook by papermill and nbconvert alone."""
    import nbformat
    import papermill
    from nbconvert.exporters import HTMLExporter

    folder.mkdir(exist_ok=True)
    papermill.execute_notebook(
        str(shipped.path(*reports.NOTEBOOK)), str(folder / "bare.ipynb"),
        parameters={"logbook": str(logbook), "product": "pod block"}, kernel_name="python3", language="python",
        progress_bar=False, kernel_manager_class=kernel.manager(),
    )  # fmt: skip
    text, _ = HTMLExporter().from_notebook_node(nbformat.read(folder / "bare.ipynb", as_version=4))
    (folder / "bare.html").write_text(text, encoding="utf-8")


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    with tempfile.TemporaryDirectory() as scratch:
        place = workspace.make(Path(scratch) / "shop", demo=True)
        ours, theirs = [], []
        bare(place.logbook, Path(scratch) / "warm")
        for _ in tqdm(range(rounds), desc="rounds", disable=not sys.stderr.isatty()):
            ours.append(seconds(lambda: reports.report(place.logbook, "pod block", Path(scratch) / "ours")))
            theirs.append(seconds(lambda: bare(place.logbook, Path(scratch) / "bare")))
        ratios = [a / b for a, b in zip(ours, theirs, strict=True)]
        print(
            f"castlab report: {statistics.median(ours):.1f} s; bare papermill + nbconvert: {statistics.median(theirs):.1f} s"
        )
        print(f"ratio, median of {rounds} rounds: {statistics.median(ratios):.2f} (bar 1.15)")
    for path in workspace.shipped_files():
        if path.suffix == ".ipynb":
            print(f"{path.stem}: {executed(path.name):.1f} s (bar 20 s)")


def executed(name: str) -> float:
    """Seconds that a notebook takes in a demo workspace of its own, so that what another one logged plays no part."""
    import papermill

    with tempfile.TemporaryDirectory() as scratch:
        folder = workspace.make(Path(scratch) / "shop", demo=True).folder
        start = time.perf_counter()
        papermill.execute_notebook(
            str(folder / name), str(folder / "done.ipynb"), cwd=str(folder), kernel_name="python3", progress_bar=False,
            kernel_manager_class=kernel.manager(),
        )  # fmt: skip
        return time.perf_counter() - start


if __name__ == "__main__":
    main()
