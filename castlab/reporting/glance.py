"""The shop as a page: `castlab.reporting.today` in words and tables, for a notebook."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from datetime import datetime, timedelta

from castlab.analysis import words
from castlab.reporting.markup import Markup, table, text, to_make
from castlab.reporting.today import LATELY, Cast, Curing, Shop

MOST_ROWS = 12
LOG, SCORE, MIX, WATCH, NEXT = (
    "01_log_a_trial.ipynb", "02_score_a_trial.ipynb", "07_plan_a_mix.ipynb", "12_watch_production.ipynb",
    "14_choose_the_next_castings.ipynb",
)  # fmt: skip
NOT_A_TEST = (
    "The clock is no test: with a gloved hand, press the overflow or what is left in the cup before you open the mold."
)

EMPTY = "The logbook is empty. Three steps to the first casting in it:"

# the class stands twice so that these rules outweigh those that a notebook has for every table and list in its outputs
_LOOK = """<style>
.castlab-today.castlab-today { max-width: 64rem; line-height: 1.45; }
.castlab-today.castlab-today .pair { display: grid; grid-template-columns: repeat(auto-fit, minmax(20rem, 1fr)); gap: 0 1.6rem; align-items: start; }
.castlab-today.castlab-today section { border-top: 2px solid currentColor; margin: 1rem 0 .4rem; min-width: 0; }
.castlab-today.castlab-today h3 { font-size: 1.08rem; font-weight: 600; margin: .45rem 0 .35rem; }
.castlab-today.castlab-today h3 b { font-weight: 600; border: 1px solid currentColor; border-radius: 1em; padding: 0 .5em; margin-left: .35em; font-size: .9em; }
.castlab-today.castlab-today p, .castlab-today.castlab-today ul { margin: .35rem 0; max-width: 46rem; }
.castlab-today.castlab-today ul { padding-left: 1.2rem; }
.castlab-today.castlab-today li { margin: .3rem 0; }
.castlab-today.castlab-today .scroll { overflow-x: auto; }
.castlab-today.castlab-today table { border-collapse: collapse; margin: .3rem 0; font-size: .95em; }
.castlab-today.castlab-today th, .castlab-today.castlab-today td { text-align: left; padding: .3rem 1.1rem .3rem 0; vertical-align: top; border-bottom: 1px solid #8a979e; background: none; }
.castlab-today.castlab-today .quiet { font-size: .92em; }
.castlab-today.castlab-today .now { font-weight: 700; }
.castlab-today.castlab-today ul.shelf { list-style: none; display: grid; grid-template-columns: repeat(auto-fill, minmax(9.5rem, 1fr)); gap: .9rem; padding: 0; margin: .3rem 0; max-width: none; }
.castlab-today.castlab-today .shelf li { margin: 0; }
.castlab-today.castlab-today .shelf img, .castlab-today.castlab-today .shelf .none { box-sizing: border-box; display: block; width: 100%; aspect-ratio: 4 / 3; border: 1px solid #8a979e; border-radius: 4px; object-fit: cover; margin: 0 0 .3rem; }
.castlab-today.castlab-today .shelf .none { display: grid; place-items: center; border-style: dashed; font-size: .9em; }
.castlab-today.castlab-today .bare .none { aspect-ratio: 5 / 1; }
.castlab-today.castlab-today .shelf strong { display: block; }
</style>"""


def page(shop: Shop) -> Markup:
    """All of it; with an empty logbook, where to begin."""
    if not shop.castings:
        return Markup(f'<div class="castlab-today"><p>{text(EMPTY)}</p>{_begin()}</div>')
    parts = [
        f'<div class="pair">{_curing(shop)}{_to_score(shop)}</div>',
        _latest(shop),
        _changes(shop),
        _next(shop),
    ]
    return Markup(f'{_LOOK}<div class="castlab-today">{"".join(parts)}</div>')


def lines(shop: Shop) -> str:
    """The same in a few plain lines."""
    if not shop.castings:
        return EMPTY
    return "\n".join(
        [
            f"In their molds: {_ids([one.trial_id for one in shop.curing])}.",
            f"Waiting for a score: {_ids([one.trial_id for one in shop.to_score])}.",
            f"Last castings: {_ids([one.trial_id for one in shop.latest])}.",
            f"Changed lately: {' '.join(one.what for one in shop.changes) or 'nothing that the charts show.'}",
            f"Open plans: {_ids([one.plan.name for one in shop.plans])}.",
        ]
    )


def moment(when: datetime, now: datetime) -> str:
    """A moment as it is said in the shop, with how far off it is.

    Examples
    --------
    >>> now = datetime(2026, 8, 4, 8, 0)
    >>> moment(datetime(2026, 8, 4, 9, 45), now), moment(datetime(2026, 8, 5, 7, 0), now)
    ('today at 09:45, in 1 h 45 min', 'tomorrow at 07:00, in 23 h')
    >>> moment(datetime(2026, 8, 3, 8, 0), now), moment(datetime(2026, 8, 9, 12, 0), now)
    ('yesterday at 08:00, 24 h ago', '2026-08-09 at 12:00, in 5 days')
    """
    days = (when.date() - now.date()).days
    day = {-1: "yesterday", 0: "today", 1: "tomorrow"}.get(days, f"{when:%Y-%m-%d}")
    apart = _span(abs(when - now))
    return f"{day} at {when:%H:%M}, {f'in {apart}' if when > now else f'{apart} ago'}"


def _span(apart: timedelta) -> str:
    minutes = round(apart.total_seconds() / 60)
    hours = minutes / 60
    if hours >= 48:
        return words.count(int(hours // 24), "day")
    if hours >= 10:
        return f"{round(hours)} h"
    whole, rest = divmod(minutes, 60)
    return " ".join([*([f"{whole} h"] if whole else []), *([f"{rest} min"] if rest or not whole else [])])


def _curing(shop: Shop) -> str:
    if not shop.curing:
        return _section("In their molds", 0, "<p>No casting is in its mold.</p>")
    far = datetime.max
    ordered = sorted(shop.curing, key=lambda one: one.ready_at or far)
    rows = "".join(
        f'<tr><th scope="row">{text(one.trial_id)}</th><td>{text(one.mold or one.product)}</td>'
        f"<td>{_ready(one, shop.now)}</td></tr>"
        for one in ordered[:MOST_ROWS]
    )
    head = '<tr><th scope="col">casting</th><th scope="col">mold</th><th scope="col">can be demolded</th></tr>'
    listed = f'<div class="scroll" tabindex="0" role="region" aria-label="In their molds"><table><thead>{head}</thead><tbody>{rows}</tbody></table></div>'
    more = _more(len(ordered))
    out = f"<p>Out already? Say so in {_link(LOG, '1. Log a trial')}.</p>"
    return _section("In their molds", len(ordered), f'{listed}{more}<p class="quiet">{NOT_A_TEST}</p>{out}')


def _ready(one: Curing, now: datetime) -> str:
    if one.ready_at is None:
        missing = "the time of the pour" if one.poured_at is None else "the cure time"
        return f"unknown: {missing} is not logged"
    how = f'<br><span class="quiet">{one.cure_h:g} h from the pour, {text(one.by)}</span>'
    when = moment(one.ready_at, now)
    return f'<span class="now">Ready</span> since {when}{how}' if one.ready_at <= now else f"{when}{how}"


def _to_score(shop: Shop) -> str:
    if not shop.to_score:
        return _section("Waiting for a score", 0, "<p>Every casting that is out of its mold has a score.</p>")
    items = "".join(f"<li>{_named(one)}, {_made(one)}</li>" for one in shop.to_score[::-1][:MOST_ROWS])
    body = f"<ul>{items}</ul>{_more(len(shop.to_score))}<p>Score them in {_link(SCORE, '2. Score a trial')}.</p>"
    return _section("Waiting for a score", len(shop.to_score), body)


def _latest(shop: Shop) -> str:
    items = "".join(
        f"<li>{_picture(one, shop)}<strong>{text(one.trial_id)}</strong>{text(one.mold or one.product)}<br>"
        f"{_made(one)}<br>{text(one.outcome)}</li>"
        for one in shop.latest
    )
    bare = "" if shop.thumbnails else " bare"
    return _section("Last castings", None, f'<ul class="shelf{bare}">{items}</ul>')


def _picture(one: Cast, shop: Shop) -> str:
    small = None if one.photo is None else shop.thumbnails.get(str(one.photo.id))
    if one.photo is None or small is None:
        return f'<span class="none">{"no photo" if one.photo is None else "photo not found"}</span>'
    view = f", {one.photo.view}" if one.photo.view else ""
    code = base64.b64encode(small).decode("ascii")
    return f'<img src="data:image/jpeg;base64,{code}" alt="{text(f"Photo of casting {one.trial_id}{view}")}">'


def _changes(shop: Shop) -> str:
    items = "".join(
        f"<li>{_day(one.when)}{text(one.what)} <span class='quiet'>({text(words.sentence(one.how_sure))}.)</span></li>"
        for one in shop.changes
    )
    body = f"<ul>{items}</ul>" if items else f"<p>{'No alarm.' if shop.charts else 'Nothing could be watched yet.'}</p>"
    notes = []
    if shop.charts:
        looked = "; ".join(f"{product}: {words.listing(names)}" for product, names in shop.charts.items())
        number = words.count(sum(map(len, shop.charts.values())), "chart")
        notes.append(
            f"{number} looked at, for changes in the last {LATELY} batches of a product ({looked}). If nothing ever "
            f"changed, about {shop.by_chance:.1f} of them would still hold an alarm somewhere."
        )
    notes += [note for note in (shop.pump, shop.molds, *shop.remarks) if note]
    said = "".join(f'<p class="quiet">{text(note)}</p>' for note in notes)
    return _section(
        "Changed lately", len(shop.changes), f"{body}{said}<p>The charts: {_link(WATCH, '12. Watch production')}.</p>"
    )


def _next(shop: Shop) -> str:
    if shop.plans:
        items = "".join(
            f"<li><strong>{text(one.plan.name)}</strong>: {one.made} of {one.plan.castings} castings made, {one.scored} scored."
            f"{'<br>' + text(one.plan.question) if one.plan.question else ''}</li>"
            for one in shop.plans
        )
        go_on = f"<p>Its run sheets: {_link(NEXT, '14. Choose the next castings')}.</p>"
        return _section("Open plans", len(shop.plans), f"<ul>{items}</ul>{go_on}")
    intro = "<p>No plan is open.</p>"
    way = f"<p>To plan a set of them: {_link(NEXT, '14. Choose the next castings')}. For the next cup: {_link(MIX, '7. Plan a mix')}.</p>"
    if shop.next_castings is None:
        why = "<p>Too little was varied so far to say which castings would tell most.</p>"
        return _section("What to try next", None, intro + why + way)
    runs = shop.next_castings
    of = f" of {text(shop.next_product)}" if shop.next_product else ""
    said = f"{intro}<p>These castings{of} would best tell apart what is still mixed up; they need not be good castings.</p>"
    return _section("What to try next", None, said + table(to_make(runs), name="What to try next") + way)


def _begin() -> str:
    steps = [
        f"Put your resin and your molds into it: {_link(LOG, '1. Log a trial')}, “Once: a resin and a mold”.",
        f"Size the first cup: {_link(MIX, '7. Plan a mix')}. Castings kept in a sheet: {_link('05_import_a_sheet.ipynb', '5. Import a sheet')}.",
        f"Pour, log it in {_link(LOG, '1. Log a trial')}, and come back here: this page says when it can be demolded.",
    ]
    return f"<ol>{''.join(f'<li>{step}</li>' for step in steps)}</ol>"


def _section(title: str, number: int | None, body: str) -> str:
    count = "" if number is None else f" <b>{number}</b>"
    return f"<section><h3>{text(title)}{count}</h3>{body}</section>"


def _link(notebook: str, title: str) -> str:
    return f'<a href="{notebook}">{text(title)}</a>'


def _named(one: Cast) -> str:
    what = one.mold or one.product
    return f"<strong>{text(one.trial_id)}</strong>{f' {text(what)}' if what else ''}"


def _made(one: Cast) -> str:
    return "date not logged" if one.made_at is None else f"cast {one.made_at:%Y-%m-%d}"


def _day(when: datetime | None) -> str:
    return "" if when is None else f"<strong>{when:%Y-%m-%d}</strong> "


def _more(number: int) -> str:
    return f"<p>and {number - MOST_ROWS} more</p>" if number > MOST_ROWS else ""


def _ids(names: Sequence[str]) -> str:
    shown = words.listing(names[:MOST_ROWS]) or "none"
    return shown if len(names) <= MOST_ROWS else f"{', '.join(names[:MOST_ROWS])} and {len(names) - MOST_ROWS} more"
