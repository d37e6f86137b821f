"""Write expected/ anew: `python tests/notebooks/refresh.py [name ...]`. Read the difference before you commit it."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import outputs

from castlab import workspace


def main(names: list[str]) -> None:
    """Execute the notebooks, each in a demo workspace of its own, and keep what they show."""
    for source in outputs.NOTEBOOKS:
        if names and source.stem not in names:
            continue
        with tempfile.TemporaryDirectory() as folder:
            workspace.make(folder, demo=True)
            outputs.write(source.stem, outputs.keep(outputs.execute(Path(folder) / source.name)))


if __name__ == "__main__":
    main(sys.argv[1:])
