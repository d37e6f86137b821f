"""Execute a report's notebook and make one page of it that opens anywhere, offline; for one product, a period, two recipes,
or every product of a logbook.

What the report says is assembled in `castlab.reporting`; how the page looks is in castlab/reporting/page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from castlab import __version__, given, kernel, printing, shipped
from castlab.errors import CastlabError

if TYPE_CHECKING:
    from nbformat import NotebookNode

NOTEBOOK = ("notebooks", "06_report.ipynb")
RECIPES_NOTEBOOK = ("notebooks", "16_report_two_recipes.ipynb")
TEMPLATES = Path(__file__).resolve().parent / "reporting"


@dataclass(frozen=True)
class ReportFiles:
    """Where a report was written: the executed notebook, the page, and the PDF if one was asked for."""

    notebook: Path
    page: Path
    pdf: Path | None = None


@dataclass(frozen=True)
class ReportsOfProducts:
    """The reports of every product: product -> files, and product -> why there is none or an unfinished one."""

    made: dict[str, ReportFiles]
    failed: dict[str, str]

    def __str__(self) -> str:
        lines = [f"{product}: {files.page}" for product, files in self.made.items()]
        return "\n".join([*lines, *(f"{product}: FAILED: {why}" for product, why in self.failed.items())])


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
    since: str | None = None,
    until: str | None = None,
    pdf: bool = False,
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
    since, until
        Only castings of a logbook made from this day on, and up to and with that day ("2026-03-01").
    pdf
        Print the page to report.pdf as well, by a browser of this machine (`castlab.printing`).
    progress
        Show a bar while the notebook runs.

    Returns
    -------
    The paths of the notebook, of the page and of the PDF.

    Raises
    ------
    InputError, NotFoundError
        If the logbook, product, period or a column is not there, or no browser to print with; nothing is written.
    CastlabError
        If a step of the report fails; what was done before it is in the page.
    """
    from castlab import reporting
    from castlab.analysis.reading import kinds
    from castlab.reporting.story import heading

    if kind is not None:
        given.one_of("kind", kind, kinds.KINDS)
    castings = reporting.read(
        logbook, product=product, response=response, factors=factors, batch=batch, since=since, until=until
    )
    kinds.read(castings.frame[response], kind)  # refuses a response that does not fit its kind
    parameters = {
        "logbook": castings.source, "product": product, "response": response,
        "factors": None if factors is None else list(factors), "kind": kind, "batch": batch, "title": title,
        "since": since, "until": until,
    }  # fmt: skip
    return _write(Path(out), NOTEBOOK, parameters, title or heading(product, response), pdf=pdf, progress=progress)


def report_recipes(
    logbook: str | Path,
    group: str,
    out: str | Path,
    *,
    levels: Sequence[str] | None = None,
    product: str | None = None,
    responses: Sequence[str] | None = None,
    batch: str | None = None,
    title: str | None = None,
    since: str | None = None,
    until: str | None = None,
    pdf: bool = False,
    progress: bool = False,
) -> ReportFiles:
    """Write a report that sets two recipes side by side; arguments as `castlab.reporting.compare_recipes` and `report`.

    Raises
    ------
    InputError, NotFoundError
        If the logbook, product, column or one of the levels is not there; nothing is written.
    CastlabError
        If a step of the report fails; what was done before it is in the page.
    """
    from castlab import reporting

    known = reporting.compare_recipes(
        logbook, group, levels=levels, product=product, responses=responses, batch=batch, title=title, since=since,
        until=until,
    )  # fmt: skip
    parameters = {
        "logbook": known.evidence.source, "group": group, "levels": list(known.pair), "product": product,
        "responses": list(known.responses), "batch": batch, "title": title, "since": since, "until": until,
    }  # fmt: skip
    return _write(Path(out), RECIPES_NOTEBOOK, parameters, known.title, pdf=pdf, progress=progress)


def report_products(
    logbook: str | Path, out: str | Path, *, pdf: bool = False, progress: bool = False, **options: Any
) -> ReportsOfProducts:
    """Write the report of every product of a logbook, each to a folder of its own; one that fails does not stop the others.

    Parameters
    ----------
    logbook
        Path or database URL of a logbook, or a CSV file with a column `product`.
    out
        Folder for the folders.
    pdf, options
        As `report`.
    progress
        Show a bar over the products.

    Raises
    ------
    InputError, NotFoundError
        If there is no such logbook, or it names no product; nothing is written.
    """
    import re

    from tqdm import tqdm

    from castlab.reporting.evidence import products

    names = products(logbook)
    made: dict[str, ReportFiles] = {}
    failed: dict[str, str] = {}
    for name in tqdm(names, desc="reports", unit="product", disable=not progress):
        folder = Path(out).expanduser() / (re.sub(r"[^\w-]+", "-", name).strip("-") or "product")
        try:
            made[name] = report(logbook, name, folder, pdf=pdf, **options)
        except CastlabError as exc:
            failed[name] = str(exc)
    return ReportsOfProducts(made, failed)


def _write(
    folder: Path, notebook: tuple[str, str], parameters: dict[str, Any], title: str, *, pdf: bool, progress: bool
) -> ReportFiles:
    """Execute the notebook into the folder and print what it shows."""
    if pdf:
        printing.find_browser()  # before the work, so that nothing is half done
    folder = given.folder(folder.expanduser(), "the report")
    files = ReportFiles(folder / "report.ipynb", folder / "report.html", folder / "report.pdf" if pdf else None)
    executed, failed = _execute(shipped.path(*notebook), files.notebook, parameters, progress=progress)
    files.page.write_text(page(executed, title=title, failed=failed), encoding="utf-8")
    if files.pdf is not None:
        printing.to_pdf(files.page, files.pdf)
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


def _execute(
    source: Path, target: Path, parameters: dict[str, Any], *, progress: bool
) -> tuple[NotebookNode, str | None]:
    """Run a report's notebook with these parameters; the executed notebook and, if it failed, why."""
    import nbformat
    import papermill
    from nbclient.exceptions import DeadKernelError
    from papermill.exceptions import PapermillExecutionError

    failed = None
    try:
        papermill.execute_notebook(
            str(source),
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
