"""Execute the report's notebook and make one page of it that opens anywhere, offline.

What the report says is assembled in `castlab.reporting`; how the page looks is in castlab/reporting/page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from castlab import __version__, kernel, shipped
from castlab.errors import CastlabError, InputError

if TYPE_CHECKING:
    from nbformat import NotebookNode

NOTEBOOK = ("notebooks", "06_report.ipynb")
TEMPLATES = Path(__file__).resolve().parent / "reporting"


@dataclass(frozen=True)
class ReportFiles:
    """Where a report was written: the executed notebook and the page."""

    notebook: Path
    page: Path


def report(
    logbook: str | Path,
    product: str | None,
    out: str | Path,
    *,
    response: str = "bubbles",
    factors: Sequence[str] | None = None,
    kind: str | None = None,
    batch: str | None = None,
    title: str | None = None,
    progress: bool = False,
) -> ReportFiles:
    """Write a report of a logbook, or of any table of castings, to a folder.

    Parameters
    ----------
    logbook
        Path or database URL of a logbook, or a CSV file with one row per casting.
    product
        Only this product's castings; None for all.
    out
        Folder for report.ipynb and report.html; made if it is missing, an earlier report in it is replaced.
    response
        Column with what came out (bubbles, haze_pct, passed, ...).
    factors
        Columns with the settings to judge; None chooses them from what varied and says so.
    kind
        What the response is: "count", "measure", "grade" or "pass"; None infers it and says so.
    batch
        Batch column of a CSV file, if castings share a cup; a logbook's batches are known.
    title
        Heading of the report; None makes one.
    progress
        Show a bar while the notebook runs.

    Returns
    -------
    The paths of the notebook and of the page.

    Raises
    ------
    InputError, NotFoundError
        If the logbook, product or a column is not there; nothing is written.
    CastlabError
        If a step of the report fails; what was done before it is in the page.
    """
    from castlab import reporting
    from castlab.analysis import kinds
    from castlab.reporting.story import heading

    castings = reporting.read(logbook, product=product, response=response, factors=factors, batch=batch)
    kinds.read(castings.frame[response], kind)  # refuses a response that does not fit its kind
    folder = Path(out).expanduser()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise InputError(f"{folder} is a file; accepted: a folder for the report") from None
    files = ReportFiles(folder / "report.ipynb", folder / "report.html")
    shown = title or heading(product, response)
    notebook, failed = _execute(
        files.notebook,
        {
            "logbook": castings.source,
            "product": product,
            "response": response,
            "factors": None if factors is None else list(factors),
            "kind": kind,
            "batch": batch,
            "title": title,
        },
        progress=progress,
    )
    files.page.write_text(page(notebook, title=shown, failed=failed), encoding="utf-8")
    if failed:
        raise CastlabError(f"{failed} What was worked out before that is in {files.page}")
    return files


def page(notebook: NotebookNode, *, title: str, failed: str | None = None) -> str:
    """One self-contained HTML page of what an executed notebook shows: no code, nothing to load from elsewhere.

    Parameters
    ----------
    notebook
        An executed notebook.
    title
        Title of the page.
    failed
        What went wrong, if the notebook did not run to its end; shown first.
    """
    from nbconvert.exporters import HTMLExporter

    exporter = HTMLExporter(
        template_name="page",
        extra_template_basedirs=[str(TEMPLATES)],
        exclude_anchor_links=True,
    )
    about = {"title": title, "failed": failed, "version": __version__, "written": f"{date.today():%-d %B %Y}"}
    text, _ = exporter.from_notebook_node(notebook, resources={"castlab": about})
    return str(text)


def _execute(target: Path, parameters: dict[str, Any], *, progress: bool) -> tuple[NotebookNode, str | None]:
    """Run the report's notebook with these parameters; the executed notebook and, if it failed, why."""
    import nbformat
    import papermill
    from nbclient.exceptions import DeadKernelError
    from papermill.exceptions import PapermillExecutionError

    failed = None
    try:
        papermill.execute_notebook(
            str(shipped.path(*NOTEBOOK)),
            str(target),
            parameters=parameters,
            kernel_name="python3",
            language="python",
            progress_bar={"desc": "report", "unit": "step"} if progress else False,
            kernel_manager_class=kernel.manager(),
        )
    except PapermillExecutionError as exc:
        failed = _sentence(exc.ename, exc.evalue)
    except DeadKernelError:
        failed = "The notebook's Python process ended before the report was done."
    notebook = nbformat.read(target, as_version=4)
    if failed is None and notebook.metadata.get("papermill", {}).get("exception"):
        failed = "A step of the report failed."
    return notebook, failed


def _sentence(name: str, value: str) -> str:
    from castlab import errors

    known = isinstance(getattr(errors, name, None), type)
    text = value.strip() if known else f"{name}: {value.strip()}"
    return f"A step of the report failed: {text.rstrip('.')}."
