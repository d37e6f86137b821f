"""What each check of a fit says, and what to do about it. Nothing is computed here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from castlab import labels
from castlab.analysis import verdicts, words
from castlab.analysis.checking.influence import Carried
from castlab.analysis.fit import FactorFit
from castlab.analysis.reading.coding import Term

FALSE_ALARM = 0.04
"""Share of fits with nothing wrong that still show a "look" or "serious" in a check that rests on a p-value (simulated by
tests/benchmarks/bench_checks.py)."""
SEVERAL = 3
"""So many castings that each tip an effect say that it is close to the line, rather than that one casting carries it."""
NAMED = 4


@dataclass(frozen=True)
class Row:
    """One check."""

    check: str
    finding: str
    sentence: str
    number: float = float("nan")
    number_is: str = ""


FEW_FOR_SHAPE = "Too few castings to see the shape of their scatter."
HINT = "which is no finding among so many checks; keep an eye on it"
NO_TREND = "The order in which the castings were made cannot be told from the settings and batches, so a drift could hide in them. Make the next castings in random order."
NO_MOLDS = (
    "No mold is written down for these castings, so differences between molds cannot be seen. Write mold_id down."
)
ONE_MOLD = "All castings are from one mold: nothing differs, and nothing is known of other molds."
MOLD_IS_FACTOR = "The mold is one of the factors, so its effect is in the table of effects."
NO_BATCHES = (
    "No batches are written down, so it cannot be seen whether castings of one cup are alike. Write batch_id down."
)
MEASURES_DO_NOT_SEPARATE = "Does not arise with a measure."


def odd(names: Sequence[str], furthest: str, values: tuple[float, float], fit: FactorFit) -> str:
    """Castings that are far from what the model expects of them."""
    if not names:
        return f"No casting is further out than {fit.n} castings may well be; the furthest is {furthest}."
    told = words.listing([*names[:NAMED], *([f"{len(names) - NAMED} more"] if len(names) > NAMED else [])])
    size = ""
    if fit.kind in ("count", "measure"):
        unit = labels.unit(fit.response)
        size = f" ({furthest}: {words.number(values[0])} where about {f'{words.number(values[1])} {unit}'.strip()} was expected)"
    return (
        f"{told} {'does' if len(names) == 1 else 'do'} not fit the rest{size}. Look at the photo and the entry; correct a "
        "slip, but leave out a casting only for a reason that is not its result."
    )


def shape(finding: str, kind: str) -> str:
    """Whether the residuals are shaped as the model takes them to be."""
    if finding == "fine":
        return "The scatter of the castings is shaped as the model takes it to be, as far as they can show."
    what = (
        "logarithms, or a setting that was not written down, may explain it"
        if kind == "measure"
        else "a setting that was not written down may explain it"
    )
    return f"The scatter of the castings is not shaped as the model takes it to be: {what}. Lean on the shuffled settings (the check below) rather than on the model's p-values."


def limited(castings: int, fit: FactorFit) -> str:
    """Responses of which only a limit is known hide how castings scatter."""
    return f"Of {castings} of {words.count(fit.n, 'casting')} only a limit of {labels.name(fit.response)} is known, which hides how castings scatter."


def spread_of_passes(fit: FactorFit) -> str:
    """Passes, and fits that expect the same everywhere, have no spread to compare."""
    if fit.kind == "pass":
        return "Pass or fail has no spread of its own to check."
    return "The same is expected of all castings, so there is no spread to compare."


def spread(finding: str, grows: bool, phi: float, fit: FactorFit) -> str:
    """Whether castings scatter alike everywhere, and how much counts and grades scatter."""
    said = ""
    if fit.kind == "count":
        said = f"Counts scatter {words.ratio(phi)} times as much as chance alone makes counts scatter, which the model allows for. "
    if finding == "fine":
        return said + "Castings scatter about as the model expects, whether much or little is expected of them."
    way = "more" if grows else "less"
    advice = (
        "; compare logarithms, or lean on the shuffled settings"
        if fit.kind == "measure"
        else "; lean on the shuffled settings"
    )
    return f"{said}Castings of which more {labels.name(fit.response)} is expected scatter {way} than the model allows for{advice}."


def carried(found: Carried, fit: FactorFit) -> list[Row]:
    """Whether an effect rests on one casting, or on one batch."""
    rows = [_carried(found.table, "casting", fit)]
    if found.batches:
        rows.append(_carried(found.table, "batch", fit))
    return rows


def _carried(table: pd.DataFrame, what: str, fit: FactorFit) -> Row:
    mine = table[table["what"] == what]
    many = "castings" if what == "casting" else "batches"
    check, number_is = f"one {what}", f"{many} that matter"
    if mine.empty:
        return Row(check, "fine", f"No verdict changes when any one {what} is left out.", 0.0, number_is)
    units = fit.n if what == "casting" else fit.n_batches
    parts, finding = [], "fine"
    for (factor, contrast, before), rows in mine.groupby(["factor", "contrast", "before"], sort=False):
        subject = verdicts.subject(str(factor), str(contrast))
        few = len(rows) < min(SEVERAL, units)
        if few and rows["after"].ne("likely").any():
            gone = before == "clear" and rows["after"].ne("likely").any()
            finding = "serious" if gone or finding == "serious" else "look"
        if not few and before != "not shown":
            parts.append(
                f"{subject} is close to the line: it reads {before} only while none of {len(rows)} {many} is left out "
                f"({_some(rows['without'], 'and')})"
            )
            continue
        for after, same in rows.groupby("after", sort=False):
            without = _some(same["without"], "or")
            parts.append(f"without {without}, {subject} {_after(str(after), str(before), same, fit)}")
    advice = {
        "casting": "Check the entry and the photo, and repeat those settings before acting on this.",
        "batch": "Make another batch or two at those settings before acting on this.",
    }[what]
    return Row(
        check, finding, words.sentence("; ".join(parts)) + f". {advice}", float(mine["without"].nunique()), number_is
    )


def _some(names: pd.Series, last: str) -> str:
    told = [str(name) for name in names]
    more = [f"{len(told) - NAMED} more"] if len(told) > NAMED else []
    return words.listing([*told[:NAMED], *more], last)


def _after(after: str, before: str, rows: pd.DataFrame, fit: FactorFit) -> str:
    if after == "not judged":
        return f"(now {before}) cannot be judged"
    said = f"would read {after} instead of {before}"
    if len(rows) > 1:
        return said
    return f"{said} ({verdicts.possible(rows['low'].iloc[0], rows['high'].iloc[0], fit.scale, fit.response)})"


def no_bend(two: Sequence[str], untold: Sequence[str] = ()) -> str:
    """No factor can show a bend."""
    if untold:
        return f"A bend in {_names(untold)} cannot be told from the other effects in these castings."
    if not two:
        return "There is no numeric factor, so no straight line to check."
    return f"{_names(two)} {'was' if len(two) == 1 else 'were'} tried at two settings only, which cannot show a bend. A few castings halfway would."


def bends(bent: Sequence[Sequence[str]], looked: Sequence[str], two: Sequence[str]) -> str:
    """Whether straight lines miss something."""
    rest = f" {words.sentence(_names(two))} cannot show a bend (two settings, or mixed up with others)." if two else ""
    if not bent:
        return f"Straight lines do for {_names(looked)}, as far as these castings show.{rest}"
    told = "; ".join(_names(names, "or") for names in bent)
    return f'A straight line misses a bend in {told}: best or worst may lie between the ends. Cast more settings in between (a plan with goal="curve").{rest}'


def trend(finding: str, p: float, ends: tuple[float, float], column: str, fit: FactorFit) -> str:
    """Whether the response drifted in the order the castings were made."""
    by = f" (by {column})" if column else " (by the order of the rows)"
    span = verdicts.possible(*ends, fit.scale, fit.response)
    if finding == "fine" and p < words.LINE:
        return f"From the first casting to the last{by} these castings hint at a drift, {span} ({words.p_value(p)}), {HINT}."
    if finding == "fine":
        return f"No drift shown from the first casting to the last{by}; {span} remains possible."
    return f"From the first casting to the last{by} there is a drift that the settings do not explain: {span}. Look for what changed (resin age, weather, pump, molds); make further castings in random order."


def trend_in_order(factors: Sequence[str], column: str, *, told: bool) -> str:
    """Castings that were made, or stand, in the order of their settings."""
    names = _names(factors)
    how = f"The castings were made (by {column}) in the order of" if column else "The rows stand in the order of"
    both = (
        "what looks like a drift may be their effect or a bend in it, and the other way round"
        if told
        else "a drift over time cannot be told from their effect"
    )
    both = both.replace("their", "its") if len(factors) == 1 else both
    when = "" if column else " Write down when each casting was made (poured_at)."
    return f"{how} {names}, so {both}.{when} Make the next castings in random order."


def molds_untold(number: int) -> str:
    """Molds that always went with other settings or batches."""
    return (
        f"The {number} molds cannot be told from the settings and batches. Pour each batch into several molds, in turn."
    )


def molds(p: float, finding: str, number: int, oddest: str, more: bool, fit: FactorFit) -> str:
    """Whether molds differ."""
    if finding == "fine" and p >= words.LINE:
        return f"No difference between the {number} molds is shown beyond the settings."
    furthest = f"mold {oddest} comes out {'higher' if more else 'lower'} in {labels.name(fit.response)}"
    if finding == "fine":
        return f"These castings hint that the {number} molds differ ({furthest}; {words.p_value(p)}), {HINT}."
    return f"The {number} molds differ beyond the settings: {furthest}. Look at that mold, and take the mold in as a factor."


def batches_ignored(finding: str) -> str:
    """A fit without its batches."""
    if finding == "fine":
        return "Batches were left out of the fit; castings of one cup are not shown to be alike."
    return "Castings of one cup are alike, but the fit takes them as independent, so everything looks surer than it is. Fit again with batch=."


def batches(finding: str, share: float, oddest: str, high: bool, fit: FactorFit) -> str:
    """How much batches differ, and whether one is odd."""
    said = f"About {words.share(share)} of the scatter lies between batches, which the fit allows for."
    if finding == "fine":
        return f"{said} No batch stands out."
    return f"{said} Batch {oddest} is {'higher' if high else 'lower'} in {labels.name(fit.response)} than batches may well be: look what was different about that cup."


def together(own: Sequence[str], fell_back: str, dropped: Sequence[str]) -> str:
    """Convergence, and settings that nearly changed together."""
    if not own:
        less = (
            f" ({_names(dropped)} could not be told apart at all and {'was' if len(dropped) == 1 else 'were'} left out)"
        )
        apart = f"the settings in it changed independently enough to be told apart{less if dropped else ''}"
        return fell_back or f"The fit converged, and {apart}."
    said = f"The fit converged, but {_names(own)} nearly changed together, so each effect is known only vaguely. Make castings that change one without the other (what_is_confounded(...).next_runs())."
    return f"{said} {fell_back}".strip()


def separated(named: Sequence[str], kind: str) -> str:
    """Whether settings tell outcomes apart completely."""
    if not named:
        return {
            "pass": "No setting gave only passes or only fails.",
            "count": "No setting was without any count.",
            "grade": "No setting tells the grades apart completely.",
        }[kind]
    what = {"pass": "gave only one outcome", "count": "had no count at all", "grade": "split the grades completely"}[
        kind
    ]
    together = ", alone or together," if len(named) > 1 else ""
    return f"Some settings{together} {what} ({words.listing(named[:NAMED])}): these castings set no limit to how large that effect is, only that it is there. Make more castings at those settings."


def contrast(term: Term, at: int) -> str:
    """An effect by name."""
    return verdicts.subject(term.name, term.contrasts[at])


def shuffled(table: pd.DataFrame) -> Row:
    """The randomisation tests, all factors together."""
    known = table[table["agree"].notna()]
    name = "shuffled settings"
    if known.empty:
        least = float(table["smallest_possible"].min())
        return Row(
            name,
            "cannot tell",
            f"Too few batches or castings to shuffle: the least p-value that they can give is {least:.2g}. More batches, as many at each setting, would let shuffling confirm the model.",
            least,
            "least p",
        )
    against = known[~known["agree"].astype(bool)]
    number = float(len(against))
    untold = table.loc[table["agree"].isna(), "factor"].to_list()
    rest = f" For {_names(untold)} there are too few ways to shuffle." if untold else ""
    if against.empty:
        return Row(
            name,
            "fine",
            f"Settings shuffled as they were set give the same answer as the model.{rest}",
            number,
            "disagreements",
        )
    told = " ".join(f"{words.sentence(_names([row.factor]))}: {row.words}" for row in against.itertuples())
    return Row(name, "look", told + rest, number, "disagreements")


def verdict(table: pd.DataFrame) -> str:
    """One paragraph: how many checks, what they found, and how much a hint is worth."""
    count = table["finding"].value_counts()
    total = len(table)
    parts = [f"{total} checks were looked at: {count.get('fine', 0)} fine"]
    parts += [
        f"{count[f]} {said}"
        for f, said in (
            ("look", "to look at"),
            ("serious", "serious"),
            ("cannot tell", "that these castings cannot tell"),
        )
        if f in count
    ]
    untold = table.loc[table["finding"] == "cannot tell", "check"].to_list()
    told = [words.listing(parts) + (f" ({words.listing(untold)})." if untold else ".")]
    for finding, lead in (("serious", "Serious: "), ("look", "Look: ")):
        told += [lead + sentence for sentence in table.loc[table["finding"] == finding, "sentence"]]
    if set(count.index) & {"look", "serious"}:
        hint = 'take a "look" for a hint, ' if "look" in count.index else ""
        told.append(
            f"With so many checks about one sound fit in {1 / FALSE_ALARM:.0f} shows something by chance, and an effect close "
            f"to the line leans on single castings by its nature: {hint}follow it up at the bench, and do not drop castings "
            "or factors until it goes away."
        )
    else:
        told.append("That shows no fault; it does not prove that there is none, least of all with few castings.")
    return " ".join(told)


def cautions(fit: FactorFit) -> tuple[str, ...]:
    """What limits the checks themselves."""
    said = []
    if fit.n < 2 * fit._design.X.shape[1] or fit.n < 12:
        said.append(
            f"{words.count(fit.n, 'casting')} for {words.count(fit._design.X.shape[1] - 1, 'effect')}: the checks see only gross faults."
        )
    known = fit._castings.known
    if known is not None and not known.exact.all():
        said.append("Responses that are not known exactly were taken as first guessed in the residuals.")
    return tuple(said)


def _names(names: Sequence[str], last: str = "and") -> str:
    return words.listing([labels.name(n) if " x " not in n else n for n in names], last)
