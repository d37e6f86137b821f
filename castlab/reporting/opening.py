"""The first screen of a report: what it is about, what to do, and what made the difference."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from castlab import labels
from castlab.analysis import verdicts, words
from castlab.analysis.recommending import goals
from castlab.figures import castings as pictures
from castlab.reporting import care
from castlab.reporting.markup import Markup, bullets, measured, paragraph, short, summary, text

if TYPE_CHECKING:
    from castlab.reporting.story import Story

MOST_FINDINGS = 6
ALWAYS = ", which always changed with it"


def first_screen(story: Story) -> Markup:
    """Title, size, what to do, what made the difference."""
    return Markup(
        f"<h1>{text(story.title)}</h1>{paragraph(what(story), 'what')}{_in_numbers(story)}"
        f'<div class="first"><section class="next"><h2>What to do</h2>{care.beside(story.evidence.frame, _advised(story))}'
        f"{_keep(story)}{bullets(find_out(story))}</section>"
        f"<section><h2>What made the difference</h2>{_findings(story)}</section></div>"
    )


def what(story: Story) -> str:
    """What the report is about, in a sentence or two."""
    one = story.evidence
    size = words.count(len(one.scored), "casting")
    size += f" of {one.product}" if one.product else ""
    if one.batch:
        size += f" in {words.count(one.scored[one.batch].nunique(), 'batch')}"
    if one.mold:
        size += f" and {words.count(one.scored[one.mold].nunique(), 'mold')}"
    whole = ""
    if story.fit is not None and story.fit.n < len(one.scored):
        whole = f" {story.fit.n} of them have every judged setting written down; the effects rest on those."
    return f"{size}{_dates(story)}, judged by “{labels.label(one.response)}”.{whole}"


def find_out(story: Story) -> list[str]:
    """What is still open, and how to settle it."""
    steps = []
    likely = [_named(story, name) for name in story.factors("likely")]
    if likely:
        them = "it" if len(likely) == 1 else "them"
        steps.append(f"Confirm {words.listing(likely)} with further castings before relying on {them}.")
    for group in _together(story):
        both = words.listing([labels.name(name) for name in group])
        steps.append(f"Change {both} apart from each other: so far they always changed together.")
    return [*steps, "Make the castings under “What to try next”: they answer most of what is open."]


def _together(story: Story) -> list[list[str]]:
    """Settings that always changed together, each group once."""
    groups = [[name, *others] for name in story.evidence.factors if (others := story.changed_with(name))]
    return [group for place, group in enumerate(groups) if set(group) not in map(set, groups[:place])]


def _advised(story: Story) -> list[str]:
    """The settings that the reader is told to choose or to try."""
    named = [name for strength in ("clear", "likely") for name in story.factors(strength)]
    return [*named, *(name for group in _together(story) for name in group)]


def _named(story: Story, name: str, why: str = "") -> str:
    """A setting, and beside it those whose effect it cannot be told from."""
    others = words.listing([labels.name(other) for other in story.changed_with(name)], "or")
    return f"{labels.name(name)} (or {others}{why})" if others else labels.name(name)


def _findings(story: Story) -> Markup:
    if story.fit is None:
        return paragraph(story.why_not)
    clear, likely = story.rows("clear")[:MOST_FINDINGS], story.rows("likely")[:MOST_FINDINGS]
    said = bullets(_effect(story, row) for row in clear)
    if not clear:
        said = paragraph("No setting made a clear difference in these castings.")
    if likely:
        said = Markup(said + paragraph("Likely, not yet sure:") + bullets(_effect(story, row) for row in likely))
    shown = story.factors("clear") + story.factors("likely")
    open_still = [_named(story, name) for name in story.factors("not shown") if name not in shown]
    said = Markup(said + (paragraph(f"Not shown: {words.listing(open_still)}.", "note") if open_still else ""))
    return Markup(said + (paragraph(_looks(story), "note") if clear or likely else ""))


def _looks(story: Story) -> str:
    """Whether these findings were planned, in one short sentence."""
    if story.plan.factors is None:
        return story.plan.said
    exploring = [n for n in story.factors("clear") + story.factors("likely") if n not in story.plan.factors]
    if not exploring:
        return f"{story.plan.said} All of this was to be judged before the castings were made."
    names = words.listing([labels.name(name) for name in exploring])
    return f"{story.plan.said} Found by exploring, so a hint to confirm: {names}."


def _effect(story: Story, row: Any) -> str:
    assert story.fit is not None
    fit = story.fit
    size = verdicts.size(row.estimate, row.low, row.high, fit.scale, fit.response, fit.kind)
    return f"{words.sentence(_named(story, row.factor, ALWAYS))}, {row.contrast}: {size}"


def _keep(story: Story) -> Markup:
    """What to do about each setting that made a clear difference."""
    clear = [name for name in story.factors("clear") if name != "product"]
    if story.fit is None or not clear:
        return Markup("")
    response = story.evidence.response
    if goals.known_aim(response) is None:
        said = [
            f"Choose {_named(story, name, ALWAYS)} for the {labels.name(response)} you want: {_by_level(story, name)}."
            for name in clear
        ]
        return Markup(bullets(said) + "<h3>To find out</h3>")
    said = []
    for name in clear:
        expected = story.expected(name).sort_values("expected", ascending=goals.known_aim(response) == "fewer")
        keep, not_this = (measured(short(expected["level"].iloc[end]), name) for end in (0, -1))
        said.append(f"{words.sentence(_named(story, name, ALWAYS))}: {keep}, not {not_this}.")
    return Markup(bullets(said, ordered=True) + paragraph(_outlook(story, len(clear)), "note") + "<h3>To find out</h3>")


def _outlook(story: Story, changes: int) -> str:
    """What to expect of the settings to use next, as the mean of many castings and of a single one."""
    found, fit = story.recommended, story.fit
    assert found is not None
    assert fit is not None
    row = found.expected.iloc[0]
    size, low, high = (_said(story, row[end], row["high"] - row["low"]) for end in ("expected", "low", "high"))
    name = labels.name(fit.response)
    what = f"{size} {name}" if fit.kind in ("count", "pass") else f"{name} of {measured(size, fit.response)}"
    interval = f"(95% interval {low} to {measured(high, fit.response)})"
    many = "among many castings" if fit.kind == "pass" else "as the mean of many castings"
    others = ", everything else as usual" if len(found.settings) > changes else ""
    note = f"With {'all of these' if changes > 1 else 'this'}, expect {what} {interval} {many}{others}."
    if fit.kind == "pass":
        return note
    first, last = (_said(story, row[end], row["next_high"] - row["next_low"]) for end in ("next_low", "next_high"))
    return f"{note} A single casting may have {first} to {measured(last, fit.response)}."


def _by_level(story: Story, name: str) -> str:
    """What to expect at each level of a setting; of many, at the lowest and the highest."""
    expected = story.expected(name)
    many = len(expected) > pictures.MAX_LEVELS
    rows = expected.sort_values("expected", kind="stable").iloc[[0, -1]] if many else expected
    return words.listing(
        [
            f"{_said(story, row.expected, row.high - row.low)} at {measured(short(row.level), name)}"
            for row in rows.itertuples()
        ]
    )


def _said(story: Story, value: float, width: float) -> str:
    """What the fit expects, in two digits: of a measure, two digits of the width of its interval."""
    assert story.fit is not None
    if story.fit.kind == "pass":
        return words.share(value)
    return words.rounded(value, width) if story.fit.scale == "difference" else labels.level(float(f"{value:.2g}"))


def _in_numbers(story: Story) -> Markup:
    one = story.evidence
    values = one.scored[one.response]
    shown = [(str(len(values)), "castings judged")]
    if one.batch:
        shown.append((str(one.scored[one.batch].nunique()), "batches"))
    if one.response != "passed":
        middle, half = summary(values)[1:3]
        shown.append((middle, f"middle casting, {labels.name(one.response)}"))
        shown.append((half, "middle half of the castings"))
    if "passed" in one.frame and one.frame["passed"].notna().any():
        shown.append((words.share(float(one.frame["passed"].mean())), "good enough to sell"))
    return Markup(
        '<ul class="numbers">'
        + "".join(f"<li><strong>{text(value)}</strong> <span>{text(name)}</span></li>" for value, name in shown)
        + "</ul>"
    )


def _dates(story: Story) -> str:
    frame = story.evidence.frame
    if "poured_at" not in frame or "mixed_at" not in frame:
        return ""
    made = frame["poured_at"].fillna(frame["mixed_at"]).dropna()
    return f", {_day(made.min())} to {_day(made.max())}" if len(made) else ""


def _day(when: pd.Timestamp) -> str:
    return f"{when.day} {when:%B %Y}"
