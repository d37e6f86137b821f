"""The report's parts, in the order a maker reads them: what to do first, then what it rests on.

Each part is text, a table or a picture made from the results of `castlab.analysis`; the notebook only shows them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from castlab import labels
from castlab.analysis import (
    Confounding,
    FactorFit,
    Recommendation,
    confounding,
    fit_factors,
    planned,
    recommend,
    what_is_confounded,
    words,
)
from castlab.analysis.recommending import advice, goals
from castlab.errors import FitError
from castlab.figures import castings as pictures
from castlab.figures.confounding import draw_confounding
from castlab.figures.effects import draw_fit
from castlab.figures.style import Picture
from castlab.records.columns import SUMMARY, own_grades
from castlab.records.models import READINGS
from castlab.reporting import care, footer, opening
from castlab.reporting.evidence import NAME_SETTINGS, Evidence, read
from castlab.reporting.markup import Markup, bullets, measured, paragraph, plain, short, summary, table, to_make

NEXT_CASTINGS = 4
MOST_PICTURES = 6
FEW_LEVELS = 8


def tell(
    logbook: str | Path,
    *,
    product: str | None = None,
    response: str = "bubbles",
    factors: Sequence[str] | None = None,
    kind: str | None = None,
    batch: str | None = None,
    title: str | None = None,
    since: str | None = None,
    until: str | None = None,
) -> Story:
    """The story of a logbook's castings, or of those in a CSV file.

    The arguments are those of `castlab.reporting.evidence.read`; `kind` is that of `fit_factors`.
    """
    evidence = read(logbook, product=product, response=response, factors=factors, batch=batch, since=since, until=until)
    return Story(evidence, title or heading(product, response), kind)


def heading(product: str | None, response: str) -> str:
    """A heading when none was given.

    Examples
    --------
    >>> heading("pod block", "bubbles")
    'Pod block: what makes the difference to bubbles'
    """
    name = labels.name(response)
    what = f"what makes castings {name}" if response == "passed" else f"what makes the difference to {name}"
    return words.sentence(f"{product}: {what}" if product else what)


@dataclass(frozen=True)
class Story:
    """Everything that one report says about one outcome."""

    evidence: Evidence
    title: str
    kind: str | None = None

    @cached_property
    def _answer(self) -> FactorFit | str:
        one = self.evidence
        try:
            return fit_factors(
                one.frame,
                one.response,
                one.factors,
                kind=self.kind,
                batch=one.batch or False,
                planned=self.plan.factors,
            )
        except FitError as exc:
            return str(exc)

    @cached_property
    def plan(self) -> planned.Planned:
        """Which settings were planned to be judged before the castings were made."""
        one = self.evidence
        return planned.from_plans(one.plans, one.scored, one.response, one.factors)

    @cached_property
    def recommended(self) -> Recommendation | None:
        """The settings to use next: those with a clear effect, all others as usual; None where there are none."""
        response, clear = self.evidence.response, set(self.factors("clear")) - {"product"}
        if self.fit is None or not clear or goals.known_aim(response) is None:
            return None
        first = recommend(self.fit)
        others = {row.setting: row.usual for row in first.choices.itertuples() if row.setting not in clear}
        return recommend(self.fit, limits={name: [usual] for name, usual in others.items()})

    @property
    def fit(self) -> FactorFit | None:
        """Which settings made the difference; None where these castings cannot say."""
        return None if isinstance(self._answer, str) else self._answer

    @property
    def why_not(self) -> str:
        """Why these castings cannot say; empty where they can."""
        return self.plain(self._answer) + "." if isinstance(self._answer, str) else ""

    @cached_property
    def blurred(self) -> Confounding:
        """What these castings cannot tell apart, the settings that always changed with a judged one included."""
        one = self.evidence
        twins = [name for others in one.together.values() for name in others]
        return what_is_confounded(one.frame, [*one.factors, *twins], batch=one.batch or False)

    # --- the first screen ----------------------------------------------------------------------------------

    def opening(self) -> Markup:
        """The first screen: what this is, what to do, and what made the difference."""
        return opening.first_screen(self)

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
            said = paragraph(
                "These settings were chosen because they varied enough, without looking at what came out. "
                f"Name others to judge those instead ({NAME_SETTINGS}).", "note",
            )  # fmt: skip
            parts.append(Markup(said.replace("--factor", "<code>--factor</code>")))  # one word on a narrow screen
        if one.left_out:
            aside = pd.DataFrame(
                [(labels.label(name), why) for name, why in one.left_out.items()], columns=["varied, not judged", "why"]
            )
            parts.append(table(aside))
        return Markup("".join(parts))

    def came_out(self) -> Markup:
        """Every outcome that was written down, in numbers."""
        one = self.evidence
        known = [name for name in dict.fromkeys([one.response, *READINGS, *own_grades(one.frame)]) if name in one.frame]
        rows = [(labels.label(name), *summary(one.frame[name])) for name in known if one.frame[name].notna().any()]
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
            fitted = {name: self.expected(name) for name in chosen}
        return pictures.by_setting(one.scored, one.response, chosen, batch=one.batch, mold=one.mold, fitted=fitted)

    def picture_of_effects(self) -> Picture | None:
        """The effects with their intervals; None where these castings cannot say."""
        return None if self.fit is None else draw_fit(self.fit)

    def how_to_read(self) -> Markup:
        """What dots, lines and fitted means of the picture by setting stand for."""
        said = "Each dot is a casting, from left to right in the order they were made."
        if self.evidence.batch:
            said = (
                "Each dot is a casting; those of one batch stand above each other on a line, the batches from left to right "
                "in the order they were made."
            )
        if self.fit is not None:
            row = self.fit.expected({}).iloc[0]
            held = [f"{labels.name(name)} {self._held(name, row[name])}" for name in self.fit.factors]
            said += (
                " A fitted mean is what many castings would give with the other settings held: numbers at their average, "
                f"choices at one level ({', '.join(held)})."
            )
        return paragraph(said, "note")

    def effects(self) -> Markup:
        """The effects in numbers, or why there are none."""
        if self.fit is None:
            return paragraph(self.why_not)
        rows = self.fit.effects.sort_values("p_value", kind="stable")
        how = {"ratio": "times as many", "odds ratio": "times the odds", "difference": "difference"}[self.fit.scale]
        ratio = self.fit.scale != "difference"
        sizes = [words.effect(row.estimate, row.low, row.high, times=ratio) for row in rows.itertuples()]
        said = pd.DataFrame(
            {
                "setting": [labels.name(name) for name in rows["factor"]],
                "compared": rows["contrast"],
                how: [estimate for estimate, _, _ in sizes],
                "95% interval": [f"{low} to {high}" for _, low, high in sizes],
                "how sure": rows["strength"],
                "adjusted p": [words.p_value(p).removeprefix("p ").removeprefix("= ") for p in rows["p_adjusted"]],
                **({"look": list(rows["look"])} if self.plan.factors is not None else {}),
            }
        )
        meaning = (
            "clear: holds after allowing for the number of settings looked at (Holm); likely: holds on its own, not after "
            f"allowing for that, or rests on very few castings; not shown: the interval says what remains possible. Method: {self.fit.method}."
        )
        return Markup(table(said, numbers=[how, "95% interval", "adjusted p"]) + paragraph(meaning, "note"))

    def use_next(self) -> Markup:
        """The settings to use next with what to expect of them and how to confirm it; empty where nothing is clear."""
        found = self.recommended
        if found is None:
            return Markup("")
        made = advice.tables(found)
        chosen = made["Settings to use next"]
        chosen = chosen[chosen["effect"] == "clear"].drop(columns="effect")
        expected, confirm = made["What to expect"], made["Confirmation"]
        note = (
            "Next casting: where a single casting of a new batch will lie, in 95 of 100 cases. Allowing for the choice: the "
            "best-looking settings look better than they are. Usual settings: what most castings had."
        )
        parts = [table(chosen), table(expected, numbers=list(expected.columns[1:])), paragraph(note, "note")]
        parts += [paragraph("To confirm it, cast once more at these settings:"), table(confirm)]
        limits = [said for said in found.cautions if said.startswith(("No casting", "Likely only"))]
        return Markup("<h2>Settings to use next</h2>" + "".join(parts) + bullets(limits))

    def trust(self) -> Markup:
        """What was looked at that could make the fit misleading, and what was found; empty where there is no fit."""
        if self.fit is None:
            return Markup("")
        checks = self.fit.checks()
        close = checks.table["sentence"].str.contains("close to the line")
        said = [line for line in checks.table.loc[close, "sentence"] if line not in checks.verdict]
        shown = bullets(self.plain(line) for line in said)
        return Markup(f"<h2>How far to trust it</h2>{paragraph(self.plain(checks.verdict))}{shown}")

    def cannot_tell(self) -> Markup:
        """What these data leave open, and why."""
        found = self.fit.cautions if self.fit else [self.why_not, *self.blurred.cautions]
        limits = [*(self.plain(said) for said in found), *self.evidence.remarks]
        return Markup(paragraph(self.plain(self.blurred.verdict)) + bullets(dict.fromkeys(limits)))

    def changed_together(self) -> Picture | None:
        """The map of settings that changed together; None for a single setting."""
        return draw_confounding(self.blurred) if len(self.blurred.factors) > 1 else None

    def try_next(self) -> Markup:
        """The castings that would tell most about what is still open."""
        try:
            runs = self.blurred.next_runs(NEXT_CASTINGS)
        except FitError as exc:
            return paragraph(self.plain(str(exc)))
        note = "They separate the settings best, given the castings made so far; make them in random order."
        if "batch" in runs:
            note = (
                "They separate the settings best, given the castings made so far. Castings with the same number are poured "
                "from one cup; take the cups, and the castings of each, in random order."
            )
        good = "They answer the open question; they are not meant to be good castings."
        return Markup(table(to_make(runs)) + paragraph(f"{note} {good}", "note"))

    def take_care(self) -> Markup:
        """The safety cautions for what these castings involve."""
        return care.take_care(self.evidence.frame)

    def footer(self) -> Markup:
        """What ties the report to its data and to the programs that made it."""
        return footer.ties(self.evidence)

    # --- pieces --------------------------------------------------------------------------------------------

    def plain(self, said: str) -> str:
        """A sentence of the analysis with these castings' columns in words."""
        return plain(said, self.evidence.frame.columns)

    def changed_with(self, name: str) -> list[str]:
        """Settings that always changed together with this one."""
        pairs = self.blurred.pairs
        always = pairs[
            (pairs["share"] >= confounding.ALWAYS) & pairs["words"].str.startswith("always changed together")
        ]
        found = [*self.evidence.together.get(name, ())]
        found += [pair.other if pair.one == name else pair.one for pair in always.itertuples() if name in pair[1:3]]
        return list(dict.fromkeys(found))

    def _held(self, name: str, value: Any) -> str:
        """The level at which a setting is held, an average to two digits of the setting's own spread."""
        assert self.fit is not None
        if not isinstance(value, float):
            return measured(short(value), name)
        return measured(words.rounded(value, float(self.fit.data[name].astype("float64").std())), name)

    def factors(self, strength: str) -> list[str]:
        """The settings with an effect of this strength ("clear", "likely", "not shown"), the surest first."""
        return list(dict.fromkeys(row.factor for row in self.rows(strength) if row.factor in self.evidence.factors))

    def rows(self, strength: str) -> list[Any]:
        """The effects of this strength, the surest first."""
        if self.fit is None:
            return []
        rows = self.fit.effects.sort_values("p_value", kind="stable")
        return list(rows[rows["strength"] == strength].itertuples())

    def expected(self, name: str) -> pd.DataFrame:
        """What the fit expects over the levels of one setting, the others held: level, expected, low, high."""
        assert self.fit is not None
        values = self.fit.data[name]
        levels = pictures.levels_of(values)
        if len(levels) > pictures.MAX_LEVELS and pd.api.types.is_numeric_dtype(values):
            low, high = float(values.min()), float(values.max())
            levels = [low + (high - low) * step / 24 for step in range(25)]
        return self.fit.expected({name: levels}).rename(columns={name: "level"})[["level", "expected", "low", "high"]]


def _levels(known: pd.Series) -> str:
    counts = known.value_counts()
    if len(counts) > FEW_LEVELS and pd.api.types.is_numeric_dtype(known):
        return f"{labels.level(known.min())} to {labels.level(known.max())}, {len(counts)} settings"
    ordered = pictures.levels_of(known)
    return ", ".join(f"{labels.level(level)} ({counts[level]})" for level in ordered)
