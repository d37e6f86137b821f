"""The report's parts, in the order a maker reads them: what to do first, then what it rests on.

Each part is text, a table or a picture made from the results of `castlab.analysis`; the notebook only shows them.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd

from castlab import __version__, cautions, labels
from castlab.analysis import Confounding, FactorFit, fit_factors, verdicts, what_is_confounded, words
from castlab.errors import FitError
from castlab.figures import castings as pictures
from castlab.figures.effects import draw_fit
from castlab.figures.style import Picture
from castlab.records.columns import SUMMARY
from castlab.records.models import READINGS
from castlab.records.tables import SCHEMA
from castlab.reporting.evidence import Evidence, read
from castlab.reporting.markup import Markup, bullets, paragraph, table, text

LESS_IS_BETTER = ("bubbles", "bubble_largest_mm", "haze_pct")
MORE_IS_BETTER = ("passed", *(name for name in READINGS if name.endswith("_grade")))
"""Outcomes of the logbook for which a maker knows which way is better; of others the report only says what differs."""

NEXT_CASTINGS = 4
MOST_PICTURES = 6
MOST_FINDINGS = 6
FEW_LEVELS = 8


def tell(
    logbook: str | Path,
    *,
    product: str | None = None,
    response: str = "bubbles",
    factors: Sequence[str] | None = None,
    batch: str | None = None,
    title: str | None = None,
) -> Story:
    """The story of a logbook's castings, or of those in a CSV file (see `castlab.reporting.evidence.read`)."""
    evidence = read(logbook, product=product, response=response, factors=factors, batch=batch)
    return Story(evidence, title or heading(product, response))


def heading(product: str | None, response: str) -> str:
    """A heading when none was given.

    Examples
    --------
    >>> heading("pod block", "bubbles")
    'Pod block: what makes the difference to bubbles'
    """
    what = f"what makes the difference to {labels.name(response)}"
    return words.sentence(f"{product}: {what}" if product else what)


@dataclass(frozen=True)
class Story:
    """Everything that one report says about one outcome."""

    evidence: Evidence
    title: str

    @cached_property
    def _answer(self) -> FactorFit | str:
        one = self.evidence
        try:
            return fit_factors(one.frame, one.response, one.factors, batch=one.batch or False)
        except FitError as exc:
            return str(exc)

    @property
    def fit(self) -> FactorFit | None:
        """Which settings made the difference; None where these castings cannot say."""
        return None if isinstance(self._answer, str) else self._answer

    @property
    def why_not(self) -> str:
        """Why these castings cannot say; empty where they can."""
        return words.sentence(self._answer) + "." if isinstance(self._answer, str) else ""

    @cached_property
    def blurred(self) -> Confounding:
        """What these castings cannot tell apart, the settings that always changed with a judged one included."""
        one = self.evidence
        twins = [name for others in one.together.values() for name in others]
        return what_is_confounded(one.frame, [*one.factors, *twins], batch=one.batch or False)

    # --- the first screen ----------------------------------------------------------------------------------

    def opening(self) -> Markup:
        """What this is, the verdict, and what to do next."""
        return Markup(
            f"<h1>{text(self.title)}</h1>{paragraph(self.what(), 'what')}{self._in_numbers()}"
            f'<div class="first"><section class="next"><h2>What to do</h2>{self._keep()}'
            f"{bullets(self.find_out())}</section>"
            f"<section><h2>What made the difference</h2>{self._findings()}</section></div>"
        )

    def what(self) -> str:
        """What the report is about, in a sentence or two."""
        one = self.evidence
        size = words.count(len(one.scored), "casting")
        size += f" of {one.product}" if one.product else ""
        if one.batch:
            size += f" in {words.count(one.scored[one.batch].nunique(), 'batch')}"
        if one.mold:
            size += f" and {words.count(one.scored[one.mold].nunique(), 'mold')}"
        whole = ""
        if self.fit is not None and self.fit.n < len(one.scored):
            whole = f" {self.fit.n} of them have every judged setting written down; the effects rest on those."
        return f"{size}{self._dates()}, judged by {labels.label(one.response)}.{whole}"

    def find_out(self) -> list[str]:
        """What is still open, and how to settle it."""
        steps = []
        likely = [labels.name(name) for name in self._factors("likely")]
        if likely:
            steps.append(f"Confirm {words.listing(likely)} with further castings before relying on it.")
        for name, others in self.evidence.together.items():
            both = words.listing([labels.name(n) for n in (name, *others)])
            steps.append(f"Change {both} apart from each other: so far they always changed together.")
        return [*steps, "Make the castings under “What to try next”: they answer most of what is open."]

    # --- the parts below -----------------------------------------------------------------------------------

    def tried(self) -> Markup:
        """The settings that were judged, their levels and how often each was cast; and what was left out, and why."""
        one = self.evidence
        rows = []
        for name in [*one.factors, *(twin for others in one.together.values() for twin in others)]:
            known = one.frame[name].dropna()
            level = "batch" if one.per_batch(name) else "casting"
            rows.append((labels.label(name), level, _levels(known), len(one.frame) - len(known) or "none"))
        kept = pd.DataFrame(rows, columns=["setting", "set per", "tried (castings)", "not written down"])
        parts = [table(kept, numbers=["not written down"])]
        if one.chosen:
            parts.append(
                paragraph(
                    "These settings were chosen because they varied enough, without looking at what came out. "
                    "Name others with factors= to judge those instead.", "note",
                )
            )  # fmt: skip
        if one.left_out:
            aside = pd.DataFrame(
                [(labels.label(name), why) for name, why in one.left_out.items()], columns=["varied, not judged", "why"]
            )
            parts.append(table(aside))
        return Markup("".join(parts))

    def came_out(self) -> Markup:
        """Every outcome that was written down, in numbers."""
        one = self.evidence
        known = [name for name in dict.fromkeys([one.response, *READINGS]) if name in one.frame]
        rows = [(labels.label(name), *_summary(one.frame[name])) for name in known if one.frame[name].notna().any()]
        names = ["outcome", "castings", "middle", "middle half", "lowest", "highest"]
        several = bool((one.frame["scores"] > 1).any()) if "scores" in one.frame and known != [one.response] else False
        return Markup(
            table(pd.DataFrame(rows, columns=names), numbers=names[1:]) + paragraph(SUMMARY * several, "note")
        )

    def run_order(self) -> Picture:
        """The outcome of every casting in the order they were made."""
        one = self.evidence
        part = "plan" if "plan" in one.frame and one.frame["plan"].notna().any() else None
        return pictures.run_order(one.frame, one.response, batch=one.batch, mold=one.mold, part=part)

    def by_setting(self) -> Picture:
        """Every casting by the settings that mattered most, with what the fit expects."""
        one = self.evidence
        chosen, fitted = list(one.factors)[:MOST_PICTURES], {}
        if self.fit is not None:
            order = self.fit.tests.sort_values("p_value", kind="stable")["factor"]
            chosen = [name for name in order if name in one.factors][:MOST_PICTURES]
            fitted = {name: self._expected(self.fit, name) for name in chosen}
        return pictures.by_setting(one.scored, one.response, chosen, batch=one.batch, mold=one.mold, fitted=fitted)

    def picture_of_effects(self) -> Picture | None:
        """The effects with their intervals; None where these castings cannot say."""
        return None if self.fit is None else draw_fit(self.fit)

    def held(self) -> Markup:
        """What the fitted means in the picture by setting hold the other settings at."""
        if self.fit is None:
            return Markup("")
        row = self.fit.expected({}).iloc[0]
        said = [f"{labels.name(name)} {_short(row[name])} {labels.unit(name)}".strip() for name in self.fit.factors]
        return paragraph(
            f"A fitted mean is what many castings would give with the other settings at {words.listing(said)}.", "note"
        )

    def effects(self) -> Markup:
        """The effects in numbers, or why there are none."""
        if self.fit is None:
            return paragraph(self.why_not)
        rows = self.fit.effects.sort_values("p_value", kind="stable")
        how = {"ratio": "times as many", "odds ratio": "times the odds", "difference": "difference"}[self.fit.scale]
        said = pd.DataFrame(
            {
                "setting": [labels.name(name) for name in rows["factor"]],
                "compared": rows["contrast"],
                how: [_number(self.fit, row, row.estimate) for row in rows.itertuples()],
                "95% interval": [
                    f"{_number(self.fit, row, row.low)} to {_number(self.fit, row, row.high)}"
                    for row in rows.itertuples()
                ],
                "how sure": rows["strength"],
                "adjusted p": [words.p_value(p).removeprefix("p ").removeprefix("= ") for p in rows["p_adjusted"]],
            }
        )
        meaning = (
            "clear: holds after allowing for the number of settings looked at (Holm); likely: holds on its own, not after "
            f"allowing for that; not shown: the interval says what remains possible. Method: {self.fit.method}."
        )
        return Markup(table(said, numbers=[how, "95% interval", "adjusted p"]) + paragraph(meaning, "note"))

    def cannot_tell(self) -> Markup:
        """What these data leave open, and why."""
        limits = [*(self.fit.cautions if self.fit else [self.why_not]), *self.blurred.cautions, *self.evidence.remarks]
        return Markup(paragraph(self.blurred.verdict) + bullets(dict.fromkeys(limits)))

    def try_next(self) -> Markup:
        """The castings that would tell most about what is still open."""
        try:
            runs = self.blurred.next_runs(NEXT_CASTINGS)
        except FitError as exc:
            return paragraph(str(exc))
        shared = [name for name in runs.columns if self.evidence.per_batch(name)]
        own = [name for name in runs.columns if name not in shared]
        runs = runs.sort_values(shared, kind="stable") if shared else runs
        said = pd.DataFrame({labels.label(name): [labels.level(v) for v in runs[name]] for name in [*shared, *own]})
        note = "Each would separate the settings best, given the castings made so far; make them in random order."
        if shared:
            cups = len(runs[shared].drop_duplicates())
            note += f" They need {words.count(cups, 'batch')}: the first {words.count(len(shared), 'column')} are set per batch."
        good = "They answer the open question; they are not meant to be good castings."
        return Markup(table(said) + paragraph(f"{note} {good}", "note"))

    def take_care(self) -> Markup:
        """The safety cautions for what these castings involve."""
        frame = self.evidence.frame
        about = ["epoxy", "exotherm", "dust"]
        if {"cup_degas_min", "mold_degas_min"} & set(frame.columns):
            about += ["vacuum", "pump"]
        if "hold_min" in frame and (frame["hold_min"].fillna(0) > 0).any():
            about.append("pressure")
        if "cure_c" in frame and (frame["cure_c"].fillna(0) > 30).any():
            about.append("oven")
        return Markup(cautions.show(*about)._repr_html_()) if "batch_id" in frame else Markup("")

    def footer(self) -> Markup:
        """What ties the report to its data and to the programs that made it."""
        one = self.evidence
        counts = [words.count(len(one.frame), "casting"), f"{len(one.scored)} with {one.response}"]
        if one.batch:
            counts.append(words.count(one.frame[one.batch].nunique(), "batch"))
        if "scores" in one.frame:
            counts.append(words.count(int(one.frame["scores"].sum()), "score"))
        programs = [f"{name} {version(name)}" for name in ("pandas", "statsmodels", "scipy")]
        python = f"Python {sys.version_info.major}.{sys.version_info.minor}"
        source = one.source if "://" in one.source else Path(one.source).name
        schema = f", logbook schema {SCHEMA}" if "batch_id" in one.frame else ""
        return Markup(
            f"<footer><p>Data: {text(source)}, {text(', '.join(counts))}. SHA-256 of these castings: "
            f"<code>{one.data_hash}</code></p><p>Made with castlab {__version__}{schema}, {', '.join(programs)}, {python}."
            "</p></footer>"
        )

    # --- pieces --------------------------------------------------------------------------------------------

    def _rows(self, strength: str) -> list[Any]:
        if self.fit is None:
            return []
        rows = self.fit.effects.sort_values("p_value", kind="stable")
        return list(rows[rows["strength"] == strength].itertuples())

    def _factors(self, strength: str) -> list[str]:
        return list(dict.fromkeys(row.factor for row in self._rows(strength) if row.factor in self.evidence.factors))

    def _findings(self) -> Markup:
        if self.fit is None:
            return paragraph(self.why_not)
        clear, likely = self._rows("clear")[:MOST_FINDINGS], self._rows("likely")[:MOST_FINDINGS]
        said = bullets(self._effect(self.fit, row) for row in clear)
        if not clear:
            said = paragraph("No setting made a clear difference in these castings.")
        if likely:
            said = Markup(
                said + paragraph("Likely, not yet sure:") + bullets(self._effect(self.fit, row) for row in likely)
            )
        open_still = [labels.name(name) for name in self._factors("not shown")]
        return Markup(said + (paragraph(f"Not shown: {words.listing(open_still)}.", "note") if open_still else ""))

    def _effect(self, fit: FactorFit, row: Any) -> str:
        size = verdicts.size(row.estimate, row.low, row.high, fit.scale, fit.response, fit.kind)
        return f"{words.sentence(labels.name(row.factor))}, {row.contrast}: {size}"

    def _keep(self) -> Markup:
        """The level to keep of each setting that made a clear difference, where it is known which way is better."""
        response, clear = self.evidence.response, self._factors("clear")
        if self.fit is None or not clear or response not in LESS_IS_BETTER + MORE_IS_BETTER:
            return Markup("")
        best, said = {}, []
        for name in clear:
            expected = self._expected(self.fit, name).sort_values("expected", ascending=response in LESS_IS_BETTER)
            best[name] = expected["level"].iloc[0]
            keep, not_this = (f"{_short(expected['level'].iloc[end])} {labels.unit(name)}".strip() for end in (0, -1))
            said.append(f"{words.sentence(labels.name(name))}: {keep}, not {not_this}.")
        row = self.fit.expected(best).iloc[0]
        sizes = [
            words.share(v) if self.fit.kind == "pass" else words.ratio(v) for v in row[["expected", "low", "high"]]
        ]
        name, interval = labels.name(response), f"(95% interval {sizes[1]} to {sizes[2]})"
        what = f"{sizes[0]} {name} {interval}" if self.fit.kind == "count" else f"{name} of {sizes[0]} {interval}"
        note = f"With {'all of these' if len(best) > 1 else 'this'}, expect {what} as the mean of many castings."
        return Markup(bullets(said, ordered=True) + paragraph(note, "note") + "<h3>To find out</h3>")

    def _expected(self, fit: FactorFit, name: str) -> pd.DataFrame:
        """What the fit expects over the levels of one setting, the others held."""
        values = fit.data[name]
        levels = pictures.levels_of(values)
        if len(levels) > pictures.MAX_LEVELS and pd.api.types.is_numeric_dtype(values):
            low, high = float(values.min()), float(values.max())
            levels = [low + (high - low) * step / 24 for step in range(25)]
        return fit.expected({name: levels}).rename(columns={name: "level"})[["level", "expected", "low", "high"]]

    def _in_numbers(self) -> Markup:
        one = self.evidence
        values = one.scored[one.response]
        shown = [(str(len(values)), "castings judged")]
        if one.batch:
            shown.append((str(one.scored[one.batch].nunique()), "batches"))
        if one.response != "passed":
            middle, half = _summary(values)[1:3]
            shown.append((middle, f"middle casting, {labels.name(one.response)}"))
            shown.append((half, "middle half of the castings"))
        if "passed" in one.frame and one.frame["passed"].notna().any():
            shown.append((words.share(float(one.frame["passed"].mean())), "good enough to sell"))
        return Markup(
            '<ul class="numbers">'
            + "".join(f"<li><strong>{text(value)}</strong><span>{text(name)}</span></li>" for value, name in shown)
            + "</ul>"
        )

    def _dates(self) -> str:
        frame = self.evidence.frame
        if "poured_at" not in frame or "mixed_at" not in frame:
            return ""
        made = frame["poured_at"].fillna(frame["mixed_at"]).dropna()
        return f", {_day(made.min())} to {_day(made.max())}" if len(made) else ""


def _day(when: pd.Timestamp) -> str:
    return f"{when.day} {when:%B %Y}"


def _short(value: Any) -> str:
    return f"{value:.3g}" if isinstance(value, float) else labels.level(value)


def _number(fit: FactorFit, row: Any, value: float) -> str:
    return words.ratio(value) if fit.scale != "difference" else words.signed(value, (row.high - row.low) / 2)


def _levels(known: pd.Series) -> str:
    counts = known.value_counts()
    if len(counts) > FEW_LEVELS and pd.api.types.is_numeric_dtype(known):
        return f"{labels.level(known.min())} to {labels.level(known.max())}, {len(counts)} settings"
    ordered = pictures.levels_of(known)
    return ", ".join(f"{labels.level(level)} ({counts[level]})" for level in ordered)


def _summary(column: pd.Series) -> tuple[str, str, str, str, str]:
    """How many, middle, middle half, lowest, highest, as written in a table."""
    known = column.dropna()
    if pd.api.types.is_bool_dtype(known):
        return str(len(known)), f"{words.share(float(known.mean()))} yes", "–", "–", "–"
    if not pd.api.types.is_numeric_dtype(known):
        return str(len(known)), str(known.mode().iloc[0]), "–", "–", "–"
    low, first, middle, third, high = known.astype("float64").quantile([0, 0.25, 0.5, 0.75, 1])
    return str(len(known)), f"{middle:.3g}", f"{first:.3g} to {third:.3g}", f"{low:.3g}", f"{high:.3g}"
