"""Two recipes side by side on everything that was scored: the parts of the comparison report."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from castlab import labels
from castlab.analysis import Comparison, Confounding, compare_runs, verdicts, what_is_confounded, words
from castlab.analysis.recommending import goals
from castlab.errors import FitError, InputError
from castlab.figures import castings as pictures
from castlab.figures.style import Picture
from castlab.given import nearest
from castlab.records.columns import own_grades
from castlab.records.models import READINGS
from castlab.reporting import care, footer
from castlab.reporting.evidence import Evidence, read
from castlab.reporting.markup import Markup, bullets, paragraph, plain, short, summary, table, text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MAIN = "bubbles"
"""The outcome by which a logbook is read; which ones are compared is decided afterwards."""


def compare_recipes(
    logbook: str | Path,
    group: str,
    *,
    levels: Sequence[str] | None = None,
    product: str | None = None,
    responses: Sequence[str] | None = None,
    batch: str | None = None,
    title: str | None = None,
    since: str | None = None,
    until: str | None = None,
) -> Recipes:
    """Compare two recipes (two levels of one column) on one or several outcomes.

    Parameters
    ----------
    logbook
        Path or database URL of a logbook, or a CSV file with one row per casting.
    group
        The column that tells the recipes apart (plan, pour_method, resin_lot, ...).
    levels
        The two recipes, the present one first; None takes the two with the most castings.
    responses
        Outcomes to compare, the main one first; None takes all that both recipes have scores of.
    product, batch, since, until
        As `castlab.reporting.evidence.read`.

    Raises
    ------
    InputError, NotFoundError
        If a column, a level or castings of it are not there.
    """
    asked = list(responses or ())
    if not asked and str(logbook).lower().endswith(".csv"):
        raise InputError("name the outcomes to compare in a table (responses=, --response on the command line)")
    one = read(
        logbook,
        product=product,
        response=asked[0] if asked else MAIN,
        factors=[group],
        batch=batch,
        since=since,
        until=until,
    )
    pair = _pair(one.frame[group], group, levels)
    told = one.frame[group].map(labels.level, na_action="ignore")
    frame = one.frame[told.isin(pair)].reset_index(drop=True)
    frame[group] = pd.Categorical(frame[group].map(labels.level), list(pair))
    known = [name for name in READINGS if name in frame] + own_grades(frame)
    chosen = asked or [name for name in known if _comparable(frame, name, group)]
    for name in chosen:
        if name not in frame.columns:
            raise InputError(f"there is no column {name!r}{nearest(name, frame)}")
    if not chosen:
        raise InputError(f"no outcome was scored for castings of both {pair[0]} and {pair[1]}; score some of each")
    kept = Evidence(
        source=one.source, frame=frame, response=chosen[0], product=product, factors=(group,), together={}, left_out={},
        chosen=False, batch=one.batch, mold=one.mold, remarks=one.remarks, plans=one.plans,
    )  # fmt: skip
    name = f"{pair[1]} against {pair[0]}"
    return Recipes(kept, group, pair, tuple(chosen), title or words.sentence(f"{product}: {name}" if product else name))


def _comparable(frame: pd.DataFrame, name: str, group: str) -> bool:
    scored = frame[frame[name].notna()]
    return scored[group].nunique() == 2 and scored[name].nunique() > 1


def _pair(column: pd.Series, group: str, levels: Sequence[str] | None) -> tuple[str, str]:
    counts = column.dropna().map(labels.level).astype(object).value_counts()
    known = ", ".join(f"{level} ({number})" for level, number in counts.items()) or "none"
    if levels is None:
        if len(counts) < 2:
            raise InputError(
                f"{group} has {words.count(len(counts), 'level')} so far ({known}); accepted: a column with two or more, or "
                "castings of both recipes"
            )
        return str(counts.index[0]), str(counts.index[1])
    wanted = [labels.level(level) for level in levels]
    if len(wanted) != 2 or wanted[0] == wanted[1]:
        raise InputError(f"levels are {list(levels)!r}; accepted: two different levels of {group}: {known}")
    missing = [level for level in wanted if level not in counts.index]
    if missing:
        raise InputError(
            f"no casting has {group} {missing[0]!r}; so far: {known}. Name two of these, or make castings of both recipes"
        )
    return wanted[0], wanted[1]


@dataclass(frozen=True)
class Recipes:
    """Everything that one comparison report says; `pair` is the present recipe and the other one."""

    evidence: Evidence
    group: str
    pair: tuple[str, str]
    responses: tuple[str, ...]
    title: str

    @cached_property
    def compared(self) -> dict[str, Comparison | str]:
        """Outcome -> the comparison, or why these castings cannot say."""
        found: dict[str, Comparison | str] = {}
        for name in self.responses:
            try:
                found[name] = compare_runs(self.evidence.frame, name, self.group, batch=self.evidence.batch or False)
            except (FitError, InputError) as exc:
                found[name] = str(exc)
        return found

    @cached_property
    def blurred(self) -> Confounding:
        """What else was different between the two recipes."""
        return what_is_confounded(
            self.evidence.frame, [self.group, *self._others()], batch=self.evidence.batch or False
        )

    def _others(self) -> list[str]:
        from castlab.reporting.evidence import CIRCUMSTANCES, USUAL_FACTORS

        frame = self.evidence.frame
        names = [
            n for n in (*USUAL_FACTORS, *CIRCUMSTANCES) if n in frame and n not in (self.group, self.evidence.mold)
        ]
        return [n for n in names if frame[n].notna().mean() > 0.9 and frame[n].nunique() > 1]

    def opening(self) -> Markup:
        """The first screen: which recipe came out better, by how much, and how sure that is."""
        one = self.evidence
        sizes = [
            f"{words.count(int((one.frame[self.group] == level).sum()), 'casting')} with {labels.name(self.group)} {level}"
            for level in self.pair
        ]
        batches = f", {words.count(one.frame[one.batch].nunique(), 'batch')} in all" if one.batch else ""
        settled = [name for name in self.responses[1:] if self._settled(name)]
        main = f"<p><strong>{text(self._answer(self.responses[0]))}</strong></p>{bullets(map(self._answer, settled))}"
        others = [labels.name(name) for name in self.responses[1:] if name not in settled]
        looked = f"Open: {words.listing(others)}." if others else ""
        if len(self.responses) > 1:
            looked += f" {len(self.responses)} outcomes were looked at: all but the first are hints."
        return Markup(
            f"<h1>{text(self.title)}</h1>{paragraph(words.listing(sizes) + batches + '.', 'what')}"
            f'<div class="first"><section class="next"><h2>Which came out better</h2>{main}{paragraph(looked, "note")}</section>'
            f"<section><h2>What else was different</h2>{bullets(self._different())}"
            f"{care.beside(one.frame, [self.group])}</section></div>"
        )

    def _settled(self, name: str) -> bool:
        found = self.compared[name]
        return not isinstance(found, str) and found.judgement in ("better", "worse", "equivalent")

    def _answer(self, name: str) -> str:
        found = self.compared[name]
        if isinstance(found, str):
            return f"{words.sentence(labels.name(name))}: {plain(found, self.evidence.frame.columns)}."
        size = verdicts.size(found.estimate, found.low, found.high, found.scale, name, found.fit.kind)
        return f"{words.sentence(labels.name(name))}: {self.pair[1]} against {self.pair[0]}: {size}. {self._judged(found, name)}"

    def _judged(self, found: Comparison, name: str) -> str:
        if found.judgement is None and goals.known_aim(name) is None:
            return "Which way is better depends on what you want."
        more = found.more_needed
        open_still = found.judgement in (None, "too few to tell", "no worse")
        ask = ""
        if open_still and more is not None and more.castings < 10_000:
            ask = f" About {more.castings:.0f} castings more would settle it (80% power)."
        return f"{words.sentence(found.judgement or 'not settled')}.{ask}"

    def _different(self) -> list[str]:
        pairs = self.blurred.pairs
        mine = pairs[
            ((pairs["one"] == self.group) | (pairs["other"] == self.group)) & (pairs["other"] != "(never varied)")
        ]
        said = [
            plain(f"{row.one} and {row.other}: {row.words}.", self.evidence.frame.columns) for row in mine.itertuples()
        ]
        return said or ["Nothing that was written down changed along with it often enough to blur the comparison."]

    def numbers(self) -> Markup:
        """Every outcome of both recipes, and the difference with its interval."""
        rows = []
        for name, found in self.compared.items():
            parts = [self.evidence.frame.loc[self.evidence.frame[self.group] == level, name] for level in self.pair]
            middles = [summary(part)[1] if part.notna().any() else "–" for part in parts]
            if isinstance(found, str):
                rows.append((labels.label(name), *middles, "–", "–", "cannot tell"))
                continue
            how = {"ratio": " times", "odds ratio": " times the odds", "difference": ""}[found.scale]
            size, low, high = words.effect(found.estimate, found.low, found.high, times=found.scale != "difference")
            rows.append((labels.label(name), *middles, f"{size}{how}", f"{low} to {high}", found.judgement or "–"))
        names = [
            "outcome",
            f"{self.pair[0]} (middle)",
            f"{self.pair[1]} (middle)",
            "difference",
            "95% interval",
            "judged",
        ]
        note = "Middle: the median, or the share of yes. Castings of one batch are not counted as independent."
        return Markup(table(pd.DataFrame(rows, columns=names), numbers=names[1:5]) + paragraph(note, "note"))

    def run_order(self) -> Picture:
        """The main outcome in the order the castings were made, the recipes named."""
        one = self.evidence
        return pictures.run_order(one.frame, one.response, batch=one.batch, mold=one.mold)

    def difference(self) -> Figure | None:
        """The difference in the main outcome; None where these castings cannot say."""
        found = self.compared[self.responses[0]]
        return None if isinstance(found, str) else found.figure()

    def cannot_tell(self) -> Markup:
        """What limits the comparison."""
        said: list[str] = []
        for found in self.compared.values():
            said += [] if isinstance(found, str) else found.cautions
        said = [line for line in said if " was taken as a " not in line]  # the table of outcomes shows it
        columns = self.evidence.frame.columns
        return Markup(bullets(_joined([*(plain(s, columns) for s in said), *self.evidence.remarks])))

    def other_settings(self) -> Markup:
        """The settings that also varied, by recipe."""
        frame, rows = self.evidence.frame, []
        for name in self._others():
            parts = [frame.loc[frame[self.group] == level, name].dropna() for level in self.pair]
            rows.append((labels.label(name), *(_told(part) for part in parts)))
        if not rows:
            return paragraph("No other setting varied.")
        return table(pd.DataFrame(rows, columns=["setting", *self.pair]))

    def take_care(self) -> Markup:
        """The safety cautions for what these castings involve."""
        return care.take_care(self.evidence.frame)

    def footer(self) -> Markup:
        """What ties the report to its data and to the programs that made it."""
        return footer.ties(self.evidence)


def _joined(lines: Iterable[str]) -> list[str]:
    """The lines, each once; those that say the same of several things, after a colon, as one."""
    same: dict[str, list[str]] = {}
    for line in dict.fromkeys(lines):
        head, colon, tail = line.partition(": ")
        same.setdefault(colon + tail if colon else line, []).append(head if colon else "")
    return [", ".join(heads) + said for said, heads in same.items()]


def _told(known: pd.Series) -> str:
    counts = known.value_counts()
    if pd.api.types.is_numeric_dtype(known) and not pd.api.types.is_bool_dtype(known) and len(counts) > 4:
        return f"{short(float(known.min()))} to {short(float(known.max()))}, middle {short(float(known.median()))}"
    return ", ".join(f"{labels.level(level)} ({counts[level]})" for level in pictures.levels_of(known))
