"""Forms for the bench: each is one call in one cell, filled in with few keystrokes, and keeps what is typed.

No computation and no storage here: rules come from the record models, `castlab.bench` and `castlab.scoring`; what is
typed is kept by `castlab.records.drafts`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from castlab.forms.batch import BatchForm, last_batch
from castlab.forms.castings import CastingsForm
from castlab.forms.finish import FinishForm
from castlab.forms.marking import mark_bubbles
from castlab.forms.score import ScoreForm
from castlab.forms.single import CorrectionForm, MaterialForm, MoldForm

if TYPE_CHECKING:
    import pandas as pd

    from castlab.bench.sheet import RunSheet
    from castlab.records import Batch, Logbook
    from castlab.scoring.rubric import Rubric

__all__ = [
    "add_material",
    "add_mold",
    "correct_entry",
    "finish_castings",
    "log_batch",
    "log_castings",
    "mark_bubbles",
    "score_casting",
]


def log_batch(
    book: Logbook,
    plan: RunSheet | pd.DataFrame | None = None,
    *,
    same_as: str | None = None,
    molds: dict[str, str] | None = None,
) -> BatchForm:
    """A form for one mixed cup: from a plan, or the same as an earlier batch except for what differs.

    Parameters
    ----------
    book
        The logbook.
    plan
        A run sheet, or one batch of a design (`design.batch(3)`).
    same_as
        Id of the batch to start from; the last one if not given.
    molds
        For a design: mold's name in it -> id in the logbook.

    Returns
    -------
    The form, to be the last line of a cell; `.batch` is the batch once it is saved.

    Raises
    ------
    InputError, NotFoundError
        If the plan or the earlier batch cannot be used.

    Examples
    --------
    >>> import tempfile, os
    >>> from castlab import Logbook
    >>> book = Logbook.open(os.path.join(tempfile.mkdtemp(), "shop.db"), who="Ada")
    >>> log_batch(book)
    Form: the cup (fill it in in JupyterLab)
    """
    from castlab.bench.planned import planned
    from castlab.records import Batch

    last: Any = book.get(same_as) if same_as else last_batch(book.records("batch"))
    if last is not None and not isinstance(last, Batch):
        from castlab.errors import InputError

        raise InputError(f"{same_as} is no batch; accepted: an id such as B-014")
    return BatchForm(book, plan=None if plan is None else planned(plan, molds=molds), last=last)


def log_castings(book: Logbook, batch: BatchForm | Batch | str | None, *, product: str | None = None) -> CastingsForm:
    """A form for the castings of one batch: a column per mold or cavity, one for what is the same for all.

    Parameters
    ----------
    book
        The logbook.
    batch
        The form of the cup (its castings can be logged once it is saved), a batch, or its id. None: chosen in the form.
    product
        Only the molds of this product.

    Returns
    -------
    The form, to be the last line of a cell.

    Raises
    ------
    InputError, NotFoundError
        If there is no such batch.
    """
    return CastingsForm(book, batch, product=product)


def finish_castings(book: Logbook) -> FinishForm:
    """A form for hours later: the castings that are not logged as demolded, with cure and demolding to add."""
    return FinishForm(book)


def score_casting(
    book: Logbook, trial: str | None = None, *, rubric: Rubric | str | None = None, blind: bool = True
) -> ScoreForm:
    """A form for one score: the rubric's card beside its grades, the bubbles, a photo.

    Parameters
    ----------
    book
        The logbook.
    trial
        Id of the casting (T-014.3); chosen in the form if not given.
    rubric
        A rubric, or the file of one of your own; the house's if not given.
    blind
        Show neither the casting's settings nor its earlier scores.

    Returns
    -------
    The form, to be the last line of a cell.

    Raises
    ------
    InputError, NotFoundError
        If there is no such casting, or the rubric cannot be read.
    """
    from castlab.scoring import rubric as rubrics

    chosen = rubric if isinstance(rubric, rubrics.Rubric) else rubrics.load(rubric)
    return ScoreForm(book, chosen, trial_id=trial, blind=blind)


def add_material(book: Logbook) -> MaterialForm:
    """A form for a resin system, silicone or other material, with the values of its own data sheet."""
    return MaterialForm(book)


def add_mold(book: Logbook) -> MoldForm:
    """A form for a mold."""
    return MoldForm(book)


def correct_entry(book: Logbook) -> CorrectionForm:
    """A form to put right what was written down wrong: choose the entry, change it, say why."""
    return CorrectionForm(book)
