"""The shop as it is now: what cures, what waits for a score, what changed lately, what was planned, what to try next.

Facts only; `castlab.reporting.glance` shows them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd

from castlab import labels
from castlab.analysis import Watch, watch, what_is_confounded, words
from castlab.analysis.production import alarms
from castlab.errors import FitError, InputError, NotFoundError
from castlab.records import Logbook, Material, Mold
from castlab.records.models import Photo, Plan
from castlab.records.waiting import is_out
from castlab.reporting import evidence

WATCHED = ("bubbles", "passed", "haze_pct", "size_error_mm", "shore_d")
"""What is watched of each product, where it was scored."""
WATCHED_PRODUCTS = 2
WATCHED_BATCHES = 40
"""Batches of a product that a chart goes back."""
LATELY = 5
"""Batches of a product within which a change counts as news; older ones are history."""
LATEST = 6
NEXT_CASTINGS = 4
STEP = "a step of the level"
"""The rule of an alarm that says from when on the level was another."""
NEAR_LIFE = 0.8
"""Share of the shortest life of a worn-out mold from which one still in use is named (common practice, no source)."""


@dataclass(frozen=True)
class Curing:
    """A casting in its mold. `ready_at` is None where the pour or the cure time is not known."""

    trial_id: str
    mold: str | None
    product: str | None
    poured_at: datetime | None
    cure_h: float | None
    """Hours from the pour to demolding."""
    by: str
    """Where the cure time comes from, in words."""
    ready_at: datetime | None


@dataclass(frozen=True)
class Cast:
    """One of the last castings, and what came of it."""

    trial_id: str
    mold: str | None
    product: str | None
    made_at: datetime | None
    outcome: str
    photo: Photo | None


@dataclass(frozen=True)
class Change:
    """Something that changed lately, or a mold near its end."""

    when: datetime | None
    what: str
    how_sure: str


@dataclass(frozen=True)
class OpenPlan:
    """A plan of which not all castings are made and scored."""

    plan: Plan
    made: int
    scored: int


@dataclass(frozen=True)
class Shop:
    """What `look` saw. `remarks` says what could not be watched and why."""

    now: datetime
    product: str | None
    castings: int
    curing: tuple[Curing, ...]
    to_score: tuple[Cast, ...]
    latest: tuple[Cast, ...]
    changes: tuple[Change, ...]
    charts: dict[str, list[str]]
    """Product -> the outcomes whose charts were looked at, in words."""
    by_chance: float
    """How many of these charts would hold an alarm, of any age, if nothing ever changed."""
    pump: str
    molds: str
    plans: tuple[OpenPlan, ...]
    next_castings: pd.DataFrame | None
    next_product: str | None
    remarks: tuple[str, ...]
    thumbnails: dict[str, bytes]
    """Photo id -> a small JPEG."""

    def _repr_html_(self) -> str:
        from castlab.reporting import glance

        return glance.page(self)

    def __repr__(self) -> str:
        from castlab.reporting import glance

        return glance.lines(self)


def look(logbook: str | Path, *, product: str | None = None, now: datetime | str | None = None) -> Shop:
    """The shop as it is at this moment.

    Parameters
    ----------
    logbook
        Path or database URL of a logbook that exists.
    product
        Only this product; None for all.
    now
        The moment, by the shop's clock ("2026-08-04 09:00"); None takes the computer's clock.

    Raises
    ------
    NotFoundError
        If there is no such logbook, or castings but none of this product.
    InputError
        If the moment cannot be read.

    Examples
    --------
    >>> import tempfile, os
    >>> from castlab import Batch, Logbook, Trial
    >>> place = os.path.join(tempfile.mkdtemp(), "shop.db")
    >>> book = Logbook.open(place, who="Ada")
    >>> cup = book.add(Batch(resin_c=24))
    >>> casting = book.add(Trial(batch_id=cup.id, poured_at="2026-08-03 09:45", cure_h=24))
    >>> look(place, now="2026-08-04 08:45").curing[0].ready_at
    datetime.datetime(2026, 8, 4, 9, 45)
    """
    moment = _moment(now)
    with Logbook.open(logbook, must_exist=True) as book:
        frame = _in_order(book.frame(product=product))
        out = is_out(frame["demold_h"].notna(), frame["scores"])
        waiting = frame[~out].iloc[::-1]
        unscored = frame[out & (frame["scores"] == 0)]
        photos = _photos(book)
        latest = _casts(frame.tail(LATEST).iloc[::-1], photos)
        shown = [cast.photo for cast in latest if cast.photo is not None]
        thumbnails, unseen = _thumbnails(book, shown)
        materials = {m.id: m for m in book.records("material") if isinstance(m, Material)}
        molds = [m for m in book.records("mold") if isinstance(m, Mold)]
        plans = _open_plans([p for p in book.records("plan") if isinstance(p, Plan)], frame)
    charts, told, chances, pump, remarks = _watched(frame)
    worn, usual = _molds(frame, molds)
    of, runs = (None, None) if plans else _next(logbook, frame)
    return Shop(
        now=moment, product=product, castings=len(frame),
        curing=tuple(_curing(row, materials) for row in waiting.itertuples()), to_score=_casts(unscored, photos),
        latest=latest, changes=tuple(told + worn), charts=charts, by_chance=chances, pump=pump, molds=usual,
        plans=plans, next_castings=runs, next_product=of, remarks=tuple(remarks + unseen), thumbnails=thumbnails,
    )  # fmt: skip


def _moment(now: datetime | str | None) -> datetime:
    if now is None:
        return datetime.now().replace(microsecond=0)
    try:
        return now if isinstance(now, datetime) else datetime.fromisoformat(now.strip())
    except ValueError:
        raise InputError(f'now is {now!r}; accepted: a date and time such as "2026-08-04 09:00"') from None


def _in_order(frame: pd.DataFrame) -> pd.DataFrame:
    made = frame["poured_at"].fillna(frame["mixed_at"])
    return frame.assign(made_at=made).sort_values("made_at", kind="stable", na_position="first")


def _plain(value: Any) -> Any:
    return None if pd.isna(value) else value


def _when(value: Any) -> datetime | None:
    return None if pd.isna(value) else pd.Timestamp(value).to_pydatetime()


def _curing(row: Any, materials: dict[str | None, Material]) -> Curing:
    material = materials.get(_plain(row.resin_id))
    hours, by = _plain(row.cure_h), "as logged"
    if hours is None and material is not None and material.cure_h is not None:
        hours, by = material.cure_h, f"{material.name}, at 25 °C"
    if hours is None:
        by = ""
    begin = _when(row.made_at)
    ready = None if hours is None or begin is None else begin + pd.Timedelta(hours=hours).to_pytimedelta()
    return Curing(row.trial_id, _plain(row.mold), _plain(row.product), begin, hours, by, ready)


def _casts(rows: pd.DataFrame, photos: dict[str, Photo]) -> tuple[Cast, ...]:
    return tuple(
        Cast(
            row.trial_id, _plain(row.mold), _plain(row.product), _when(row.made_at), _outcome(row),
            photos.get(row.trial_id),
        )
        for row in rows.itertuples()
    )  # fmt: skip


def _outcome(row: Any) -> str:
    """ "3 bubbles, good enough to sell"."""
    if row.scores == 0:
        return "not scored yet" if not pd.isna(row.demold_h) else "in its mold"
    said = [] if pd.isna(row.bubbles) else [words.count(int(row.bubbles), "bubble")]
    if not pd.isna(row.passed):
        said.append("good enough to sell" if row.passed else "not good enough to sell")
    return ", ".join(said) or "scored"


def _photos(book: Logbook) -> dict[str, Photo]:
    """The last photo of each casting."""
    return {photo.trial_id: photo for photo in book.photos()}


def _thumbnails(book: Logbook, photos: Sequence[Photo]) -> tuple[dict[str, bytes], list[str]]:
    from castlab.errors import CastlabError

    found, remarks = {}, []
    for photo in photos:
        try:
            found[str(photo.id)] = book.thumbnail(str(photo.id), 240).read_bytes()
        except CastlabError as error:
            remarks.append(words.sentence(f"{error}."))
    return found, remarks


# --- what changed --------------------------------------------------------------------------------------------


def _watched(frame: pd.DataFrame) -> tuple[dict[str, list[str]], list[Change], float, str, list[str]]:
    """Charts that were looked at, what changed lately, alarms to expect by chance, the pump, what could not be watched."""
    charts: dict[str, list[str]] = {}
    remarks: list[str] = []
    changes: dict[tuple[str, str, str], Change] = {}
    chances, pump = 0.0, _last_of_pump(frame)
    products = frame["product"].iloc[::-1].dropna().unique()[:WATCHED_PRODUCTS]
    for product in products:
        own = frame[frame["product"] == product]
        batches = own["batch_id"].drop_duplicates()
        own = own[own["batch_id"].isin(batches.tail(WATCHED_BATCHES))].drop(columns="made_at")
        since = frame.loc[frame["batch_id"].isin(batches.tail(LATELY)), "made_at"].min()
        refused = ""
        few = []
        for response in WATCHED:
            if own[response].notna().sum() == 0:
                continue
            try:
                seen = _steady_part(own, response, since)
            except (FitError, InputError) as error:
                few.append(labels.name(response))
                refused = refused or str(error)
                continue
            charts.setdefault(str(product), []).append(labels.name(response))
            chances += seen.false_alarm
            for about, change in _lately(seen, since).items():
                if about == "pump":
                    changes["", "", about] = change
                else:
                    what = f"{words.sentence(str(product))}: {_lower(change.what)}"
                    changes[str(product), response, about] = replace(change, what=what)
            if seen.pump is not None:
                pump = f"Pump base pressure: {alarms.pump_words(seen.pump.iloc[0])}."
        if few:
            remarks.append(f"Not watched of {product}: {words.listing(few)} ({refused}).")
    told = sorted(changes.values(), key=lambda change: change.when or datetime.min, reverse=True)
    return charts, told, chances, pump, remarks


def _steady_part(own: pd.DataFrame, response: str, since: pd.Timestamp) -> Watch:
    """The chart of a product, begun anew where its level once stepped: what came before that sets no limits today."""
    when = "poured_at" if own["poured_at"].notna().all() else None
    seen = watch(own, response, when=when)
    steps = seen.alarms[seen.alarms["rule"] == STEP]
    if when is None or not len(steps) or steps["when"].iloc[0] >= since:
        return seen
    return _steady_part(own[own[when] >= steps["when"].iloc[0]], response, since)


def _lately(seen: Watch, since: pd.Timestamp) -> dict[str, Change]:
    """The newest change of each sort; a step of the level says more than the points that lie beyond it."""
    found: dict[str, Any] = {}
    for row in seen.alarms.itertuples():
        old = found.get(str(row.about))
        if (pd.isna(since) or not isinstance(row.when, pd.Timestamp) or row.when >= since) and not (
            old is not None and old.rule == STEP
        ):
            found[str(row.about)] = row
    return {
        about: Change(_when(row.when) if isinstance(row.when, pd.Timestamp) else None, row.what, row.how_sure)
        for about, row in found.items()
    }


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def _last_of_pump(frame: pd.DataFrame) -> str:
    known = frame.dropna(subset=["pump_base_kpa"])
    if not len(known):
        return "Pump base pressure: never logged, so a pump that tires would not be seen here."
    row = known.iloc[-1]
    return f"Pump base pressure: {row['pump_base_kpa']:.3g} kPa absolute with batch {row['batch_id']}."


def _molds(frame: pd.DataFrame, molds: Sequence[Mold]) -> tuple[list[Change], str]:
    """Molds near the shortest life of a worn-out one for the same product, and what is known of lives at all."""
    pulls = frame.groupby("mold_id")["mold_pull"].max() if len(frame) else pd.Series(dtype=float)
    worn = [m for m in molds if m.retired_on is not None and m.id in pulls.index]
    used = [m for m in molds if m.retired_on is None and m.id in pulls.index]
    near = []
    for mold in used:
        lives = {m.name: int(pulls[m.id]) for m in worn if m.product == mold.product}
        if lives and pulls[mold.id] >= NEAR_LIFE * min(lives.values()):
            ended = words.listing([f"{name} after {life}" for name, life in lives.items()])
            what = f"Mold {mold.name} has {words.count(int(pulls[mold.id]), 'pull')}; taken out of use: {ended}."
            near.append(Change(None, what, "lives of molds scatter widely, so look at its surface"))
    most = words.listing([f"{m.name} {int(pulls[m.id])}" for m in used])
    said = f"Pulls of the molds in use: {most}." if used else ""
    if used and not worn:
        said += " None was ever logged as worn out, so their usual life is not known."
    return near, said


# --- what next -----------------------------------------------------------------------------------------------


def _open_plans(plans: Sequence[Plan], frame: pd.DataFrame) -> tuple[OpenPlan, ...]:
    found = []
    for plan in plans:
        own = frame[frame["plan"] == plan.name]
        scored = int((own["scores"] > 0).sum())
        if plan.castings is not None and scored < plan.castings:
            found.append(OpenPlan(plan, len(own), scored))
    return tuple(found)


def _next(logbook: str | Path, frame: pd.DataFrame) -> tuple[str | None, pd.DataFrame | None]:
    """The castings that would tell most about what is still open, for the product that was cast last."""
    products = frame["product"].dropna()
    product = str(products.iloc[-1]) if len(products) else None
    usual = products.value_counts()
    if product is not None and usual[product] < usual.iloc[0] / 2:
        product = str(usual.index[0])
    try:
        one = evidence.read(logbook, product=product, response="scores")
        runs = what_is_confounded(one.frame, list(one.factors)).next_runs(NEXT_CASTINGS)
    except (FitError, InputError, NotFoundError):
        return product, None
    return product, runs
