"""Every notebook run in a copy of a workspace of its own, to its end or to the cell where it stops.

    python tests/notebooks/walk.py WORKSPACE [notebook ...]

prints, as JSON, notebook -> what was shown, the messages of cells that stand on their own (tag raises-exception) and what
stopped it. One process runs them all, so that the libraries load once: a kernel for each takes minutes.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

import nbformat
from IPython.core.interactiveshell import InteractiveShell
from IPython.utils.capture import capture_output
from outputs import ON_ITS_OWN, code_cells


def walk(notebook: Path) -> dict[str, Any]:
    """Run the cells of a notebook in its folder, until one fails that others rest on."""
    shell = InteractiveShell.instance()
    shell.reset()
    os.chdir(notebook.parent)
    shown: list[str] = []
    refused: list[str] = []
    stopped = None
    for cell in code_cells(nbformat.read(notebook, as_version=4)):
        with capture_output() as seen:
            done = shell.run_cell(cell.source)
        shown += [seen.stdout, *(str(output.data.get("text/html", output.data["text/plain"])) for output in seen.outputs)]
        if (failed := done.error_before_exec or done.error_in_exec) is not None:
            said = f"{type(failed).__name__}: {failed}"
            if ON_ITS_OWN not in cell.metadata.get("tags", []):
                stopped = said
                break
            refused.append(said)
    return {"shown": "\n".join(shown), "refused": refused, "stopped": stopped}


def main(workspace: Path, names: list[str]) -> None:
    found = {}
    with tempfile.TemporaryDirectory() as scratch:
        for notebook in sorted(workspace.glob("[0-9]*.ipynb")):
            if not names or notebook.stem in names:
                copy = Path(shutil.copytree(workspace, Path(scratch) / notebook.stem))
                found[notebook.stem] = walk(copy / notebook.name)
        os.chdir(workspace)
    print(json.dumps(found))


if __name__ == "__main__":
    main(Path(sys.argv[1]).resolve(), sys.argv[2:])
