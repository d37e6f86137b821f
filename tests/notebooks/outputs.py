"""The outputs that the shipped notebooks are held to: kept apart in expected/, so that the notebooks stay clean in git.

Text and tables only. A picture is held to its text alternative.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import nbformat
from nbformat import NotebookNode

from castlab import shipped

HERE = Path(__file__).resolve().parent
EXPECTED = HERE / "expected"
SANITISE = HERE / "sanitise.cfg"
NOTEBOOKS = sorted(shipped.path("notebooks").glob("*.ipynb"))
ON_ITS_OWN = "raises-exception"
"""Jupyter's tag of a cell whose failing does not keep the others from running: a part that needs more castings says so."""
WIDGET = "application/vnd.jupyter.widget-view+json"
ROOT = NOTEBOOKS[0].parent.parent


def environment() -> dict[str, str]:
    """So that kernels find castlab in a checkout that is not installed."""
    paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}


def code_cells(notebook: NotebookNode) -> list[NotebookNode]:
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def execute(path: Path) -> NotebookNode:
    """Run a notebook of a workspace in its folder."""
    from nbclient import NotebookClient

    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(notebook, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}})
    return client.execute(env=environment())


def keep(notebook: NotebookNode) -> list[list[dict]]:
    """What is kept of an executed notebook: per code cell its outputs, sanitised, without pictures."""
    return [[_kept(output) for output in cell.outputs] for cell in code_cells(notebook)]


def _kept(output: NotebookNode) -> dict:
    if output.output_type == "stream":
        return {"output_type": "stream", "name": output.name, "text": sanitise(output.text).splitlines(keepends=True)}
    data = {
        mime: sanitise(value).splitlines(keepends=True)
        for mime, value in sorted(output.data.items())
        if not mime.startswith("image/") and mime != WIDGET  # a form is held to its line of text
    }
    return {"output_type": output.output_type, "data": data}


def sanitise(text: str) -> str:
    """As nbval does it with the same file."""
    patterns = re.findall("^regex: (.*)$\n^replace: (.*)$", SANITISE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    for pattern, replacement in patterns:
        text = re.sub(pattern, replacement, text)
    return text


def write(name: str, kept: list[list[dict]]) -> None:
    text = json.dumps(kept, indent=1, ensure_ascii=False)
    (EXPECTED / f"{name}.json").write_text(text + "\n", encoding="utf-8")


def read(name: str) -> list[list[dict]]:
    return json.loads((EXPECTED / f"{name}.json").read_text(encoding="utf-8"))


def merge(path: Path, expected: list[list[dict]]) -> None:
    """Put the expected outputs into a copy of a notebook, as nbval wants to find them."""
    notebook = nbformat.read(path, as_version=4)
    for number, (cell, outputs) in enumerate(zip(code_cells(notebook), expected, strict=True), start=1):
        cell.execution_count = number  # nbval compares only cells that count as run
        cell.outputs = [nbformat.from_dict(_restored(output, number)) for output in outputs]
    nbformat.write(notebook, path)


def _restored(output: dict, number: int) -> dict:
    if output["output_type"] == "stream":
        return {**output, "text": "".join(output["text"])}
    data = {mime: "".join(lines) for mime, lines in output["data"].items()}
    count = {"execution_count": number} if output["output_type"] == "execute_result" else {}
    return {**output, "data": data, "metadata": {}, **count}


def nbval(path: Path) -> subprocess.CompletedProcess[str]:
    """Run pytest with nbval on one notebook of a workspace, away from this checkout's settings."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--rootdir", str(path.parent)]
    command += ["--nbval", "--nbval-current-env", "--nbval-sanitize-with", str(SANITISE), "--color=no", str(path)]
    return subprocess.run(command, cwd=path.parent, env=environment(), capture_output=True, text=True, check=False)
