"""The command line: thin, every command one call into the library. Errors are one line on stderr, exit code 1."""

from __future__ import annotations

import sys
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from castlab import __version__
from castlab.errors import CastlabError, CastlabWarning, InputError

if TYPE_CHECKING:
    from castlab.workspace import Workspace


_show_warning = warnings.showwarning


class _Commands(TyperGroup):
    def invoke(self, ctx: Any) -> Any:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("always", CastlabWarning)
                warnings.showwarning = _say_warning
                return super().invoke(ctx)
        except CastlabError as exc:
            _fail(str(exc))
        except OSError as exc:
            _fail(f"{exc.filename}: {exc.strerror}" if exc.filename else str(exc))


def _say_warning(message: Warning | str, category: type[Warning], *place: Any, **options: Any) -> None:
    if issubclass(category, CastlabWarning):
        typer.echo(f"Note: {message}", err=True)
    else:
        _show_warning(message, category, *place, **options)


def _fail(message: str) -> None:
    typer.echo(f"castlab: {' '.join(message.split())}", err=True)
    raise typer.Exit(1)


app = typer.Typer(
    cls=_Commands,
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Log resin and silicone castings, compare runs, see which settings made the difference.",
)
LogbookOption = Annotated[str, typer.Option(help="The logbook: a file, or a database URL.")]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"castlab {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", help="Say the version.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    pass


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="The workspace to make.")] = Path("castlab-demo"),
) -> None:
    """Make a workspace with invented castings, and their report."""
    from castlab import reports, workspace

    made = workspace.make(folder, demo=True)
    _say_kept(made)
    files = reports.report(made.logbook, "pod block", made.folder / "report", progress=sys.stderr.isatty())
    typer.echo(f"Demo workspace: {made.folder} (an invented workshop; no real castings)")
    typer.echo(f"Report:         {files.page}")
    typer.echo("Open the page in a browser. To work with the notebooks:")
    typer.echo(f"    castlab lab {_quoted(made.folder)}")


@app.command()
def new(folder: Annotated[Path, typer.Argument(help="The workspace to make.")]) -> None:
    """Make a workspace: the notebooks and an empty logbook."""
    from castlab import workspace

    made = workspace.make(folder)
    _say_kept(made)
    typer.echo(f"Workspace: {made.folder}, logbook {made.logbook.name}")
    typer.echo(f"    castlab lab {_quoted(made.folder)}")


@app.command(context_settings={"ignore_unknown_options": True, "allow_extra_args": True})
def lab(
    ctx: typer.Context,
    folder: Annotated[
        str | None,
        typer.Argument(
            help="The workspace; this folder if not given. Options that are not castlab's go to JupyterLab, after it.",
        ),
    ] = None,
    browser: Annotated[bool, typer.Option(help="Open a browser window.")] = True,
    port: Annotated[int | None, typer.Option(help="Port of this computer to serve on.", min=1, max=65535)] = None,
) -> None:
    """Open JupyterLab on a workspace."""
    from castlab import workspace

    given = [*([] if folder is None else [folder]), *ctx.args]
    named = given[:1] if given and not given[0].startswith("-") else []
    options = [] if browser else ["--no-browser"]
    options += [] if port is None else [f"--port={port}"]
    workspace.find(*named).serve([*options, *given[len(named) :]])


@app.command()
def check(
    where: Annotated[
        str | None,
        typer.Argument(help="A workspace, or a logbook (a file or a database URL); this folder if not given."),
    ] = None,
) -> None:
    """Say whether all that castlab needs is healthy.

    The installation, the notebook kernel, the logbook and the disk.
    """
    from castlab import health

    faults = 0
    for finding in health.check(where):
        typer.echo(str(finding))
        faults += finding.state == "fault"
    if faults:
        raise typer.Exit(1)


SinceOption = Annotated[str | None, typer.Option(help="Only castings from this day on, such as 2026-03-01.")]
UntilOption = Annotated[str | None, typer.Option(help="Only castings up to and with this day.")]
PdfOption = Annotated[bool, typer.Option("--pdf", help="Print the page to report.pdf too, by an installed browser.")]
SourceOption = Annotated[str, typer.Option(help="A logbook (a file, or a database URL), or a CSV table.")]
BatchOption = Annotated[str | None, typer.Option(help="Of a CSV table: the column of the mixed cup.")]
TitleOption = Annotated[str | None, typer.Option(help="Heading of the report.")]


@app.command()
def report(
    logbook: SourceOption,
    out: Annotated[Path, typer.Option(help="Folder for the report.")],
    product: Annotated[str | None, typer.Option(help="Only this product; all in one report if not given.")] = None,
    every_product: Annotated[
        bool, typer.Option("--every-product", help="A report of each product, in folders of its own.")
    ] = False,
    response: Annotated[str, typer.Option(help="What came out: the column to explain.")] = "bubbles",
    factor: Annotated[
        list[str] | None, typer.Option(help="A setting to judge; repeat for more. Chosen if not given.")
    ] = None,
    kind: Annotated[
        str | None, typer.Option(help="What the response is: count, measure, grade or pass; judged if not given.")
    ] = None,
    batch: BatchOption = None,
    title: TitleOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    pdf: PdfOption = False,
) -> None:
    """Write the report of a logbook or of a CSV table.

    The table has a row per casting. The report is one page and opens offline.
    """
    from castlab import reports

    options: dict[str, Any] = {
        "response": response, "factors": factor, "kind": kind, "batch": batch, "title": title, "since": since,
        "until": until, "pdf": pdf, "progress": sys.stderr.isatty(),
    }  # fmt: skip
    if every_product:
        if product is not None:
            raise InputError("--product and --every-product were both given; accepted: one of them")
        done = reports.report_products(logbook, out, **options)
        typer.echo(str(done))
        if done.failed:
            raise CastlabError(f"{len(done.failed)} of {len(done.failed) + len(done.made)} reports failed")
        return
    files = reports.report(logbook, product, out, **options)
    typer.echo(str(files.pdf or files.page))


@app.command()
def compare(
    logbook: SourceOption,
    group: Annotated[str, typer.Option(help="The column that tells the two recipes apart: plan, pour_method, ...")],
    out: Annotated[Path, typer.Option(help="Folder for the report.")],
    level: Annotated[
        list[str] | None,
        typer.Option(help="A recipe, the present one first; give two. The most frequent if not given."),
    ] = None,
    product: Annotated[str | None, typer.Option(help="Only this product.")] = None,
    response: Annotated[
        list[str] | None, typer.Option(help="An outcome to compare, the main one first; repeat. All if not given.")
    ] = None,
    batch: BatchOption = None,
    title: TitleOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    pdf: PdfOption = False,
) -> None:
    """Write a report that sets two recipes side by side.

    It is one page and opens offline.
    """
    from castlab import reports

    files = reports.report_recipes(
        logbook, group, out, levels=level, product=product, responses=response, batch=batch, title=title, since=since,
        until=until, pdf=pdf, progress=sys.stderr.isatty(),
    )  # fmt: skip
    typer.echo(str(files.pdf or files.page))


@app.command("import")
def import_(
    sheet: Annotated[Path, typer.Argument(help="A .csv or .xlsx sheet that was kept by hand.")],
    logbook: LogbookOption,
    mapping: Annotated[
        Path | None, typer.Option(help="What its columns mean; beside the sheet, as SHEET.mapping.json, if not given.")
    ] = None,
    name: Annotated[
        str | None, typer.Option(help="By which the sheet's rows are known again; its file name if not given.")
    ] = None,
    altitude_m: Annotated[
        float | None,
        typer.Option(help="Height of the shop above sea level, m, for gauge readings; the logbook remembers it."),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Import without asking.")] = False,
) -> None:
    """Import a sheet that was kept by hand.

    Rows that cannot be used are listed, and the exit code is then 1.
    """
    from castlab.records import Logbook
    from castlab.records.sheets import Mapping, import_sheet, propose_mapping

    file = mapping or sheet.with_name(f"{sheet.name}.mapping.json")
    with Logbook.open(logbook, altitude_m=altitude_m, must_exist=True) as book:
        if mapping is not None or file.exists():
            meaning = Mapping.load(file)
        else:
            meaning = propose_mapping(sheet, book=book)
            meaning.save(file)
        typer.echo(f"{meaning}\n\nThese meanings are in {file}: change them there, or in the import notebook.")
        if book.altitude_m is not None and (altitude_m is not None or meaning.altitude_m is None):
            meaning = meaning.at(book.altitude_m)
        if meaning.unsettled:
            raise InputError(
                f"nothing was imported: {len(meaning.unsettled)} of the meanings above must be settled first"
            )
        if not yes and not typer.confirm("Import?"):
            raise InputError("nothing was imported")
        result = import_sheet(book, sheet, meaning, name=name)
    typer.echo(str(result))
    for row in result.rejected.itertuples():
        typer.echo(f"  row {row.row}, {row.column}: {row.value!r}: {row.reason}")
    if out := result.rejected["row"].nunique():
        every = result.added + result.already_there + out
        raise CastlabError(
            f"{out} of {every} rows not imported: put right in the sheet what is listed above, and import it again"
        )


@app.command()
def export(
    logbook: LogbookOption,
    out: Annotated[Path, typer.Option(help="Folder to write; an earlier export there is replaced.")],
) -> None:
    """Write everything in a logbook to a folder of CSV files."""
    from castlab.records import Logbook

    with Logbook.open(logbook, must_exist=True) as book:
        typer.echo(f"Written: {book.export(out)}")


@app.command()
def restore(
    folder: Annotated[Path, typer.Argument(help="An exported folder.")],
    to: Annotated[str, typer.Option(help="The new logbook.")],
    photo_folder: Annotated[
        Path | None, typer.Option(help="Folder for its photos, if the new logbook is on a database server.")
    ] = None,
) -> None:
    """Make a new logbook from an exported folder."""
    from castlab.records import Logbook

    with Logbook.restore(folder, to=to, photo_folder=photo_folder) as book:
        typer.echo(f"Restored {len(book.frame())} castings to {to}")


def _say_kept(made: Workspace) -> None:
    for note in made.kept:
        typer.echo(f"Note: {note}", err=True)


def _quoted(path: Path) -> str:
    import shlex

    return shlex.quote(str(path))


def main() -> None:
    """The `castlab` command."""
    app(prog_name="castlab")


if __name__ == "__main__":
    main()
