"""The rubric: what each grade means, as a card for the bench, with versions that its scores carry: its own and each item's.

A rubric is a plain TOML file; the house's own is `rubric.toml` beside this module. Drawings are in `drawings`.
"""

from __future__ import annotations

import hashlib
import html
import json
import tomllib
from dataclasses import dataclass
from numbers import Real
from pathlib import Path
from typing import Any

from castlab.bench.sheet_page import write
from castlab.errors import InputError, NotFoundError
from castlab.records.grades import GRADES, SIGNS, signed
from castlab.records.models import EXTRA_NAME, RUBRIC_LETTERS, Score
from castlab.scoring import drawings

HOUSE = Path(__file__).with_name("rubric.toml")

# the name twice, to outweigh what JupyterLab says of headings and lists
_STYLE = """
.castlab-rubric{font-size:1em;line-height:1.35;color:#1f2d33;background:#fff;padding:.5em 1em}
.castlab-rubric.castlab-rubric h2{font-size:1.3em;font-weight:bold;margin:.2em 0}
.castlab-rubric.castlab-rubric h3{font-size:1.1em;font-weight:bold;margin:1em 0 .1em}
.castlab-rubric p{margin:.1em 0 .4em}
.castlab-rubric.castlab-rubric ol{list-style:none;display:grid;grid-template-columns:repeat(auto-fill,minmax(8.5em,1fr));gap:.6em;
padding:0;margin:0}
.castlab-rubric li{border:1px solid #8a979e;border-radius:.3em;padding:.4em;margin:0}
.castlab-rubric svg{display:block;width:100%;max-width:9em;height:auto;margin:0 auto .2em}
.castlab-rubric small{font-size:.8em;font-weight:normal;color:#4d5d66}
.castlab-rubric b{font-size:1.15em}
@media print{.castlab-rubric{font-size:9pt;padding:0}.castlab-rubric section{break-inside:avoid}
.castlab-rubric.castlab-rubric ol{grid-template-columns:repeat(5,1fr)}}
"""


@dataclass(frozen=True)
class Item:
    """One thing that is graded: `anchors[g]` says what grade g looks like; `field` is where a Score keeps it, None for an item
    of one's own, which it keeps in `extra_grades`."""

    key: str
    title: str
    look: str
    anchors: tuple[str, ...]
    field: str | None

    @property
    def graded(self) -> bool:
        """Whether a score keeps a grade of it; bubbles are counted."""
        return self.field is None or self.field.endswith("_grade")

    @property
    def sign(self) -> str:
        """The version of its words: made from how to look and what each grade looks like, from nothing else."""
        return _sign([self.look, self.anchors])


def _sign(content: list[Any]) -> str:
    return hashlib.sha256(json.dumps(content, ensure_ascii=False).encode()).hexdigest()[:SIGNS]


@dataclass(frozen=True)
class Rubric:
    """A set of items with their anchors; shows itself as its card."""

    name: str
    number: int
    items: tuple[Item, ...]

    @property
    def called(self) -> str:
        """Its name, its number, and six signs made from its content."""
        content = [(i.key, i.field, i.look, i.anchors) for i in sorted(self.items, key=lambda item: item.key)]
        return f"{self.name} {self.number} ({_sign(content)})"

    @property
    def version(self) -> str:
        """What a Score's `rubric` field holds: what it is called, and the sign of each graded item.

        Grades of an item are comparable where its sign is the same, whatever else in the rubric changed.
        """
        return signed(self.called, {item.key: item.sign for item in self.items if item.graded})

    def item(self, key: str) -> Item:
        """The item of this name. Raises NotFoundError if there is none."""
        for one in self.items:
            if one.key == key:
                return one
        raise NotFoundError(f"{self.name} has no item {key!r}; its items: {', '.join(i.key for i in self.items)}")

    def grades(self, **given: int) -> dict[str, Any]:
        """Grades as the fields of a Score, with the version of the rubric.

        Parameters
        ----------
        **given
            Item = grade, 0 (worst) to 4 (best).

        Returns
        -------
        dict for `Score(trial_id=..., **rubric.grades(clarity=3))`.

        Raises
        ------
        NotFoundError, InputError
            For an item or a grade that the rubric does not have, or an item that is counted.

        Examples
        --------
        >>> load().grades(clarity=3, tack=4)["clarity_grade"]
        3
        """
        fields: dict[str, Any] = {"rubric": self.version}
        for key, grade in given.items():
            item = self.item(key)
            if not isinstance(grade, Real) or isinstance(grade, bool) or grade not in range(GRADES):
                raise InputError(
                    f"{key} is graded {grade!r}; accepted: whole grades from 0 (worst) to {GRADES - 1} (best)"
                )
            if item.field is None:
                fields.setdefault("extra_grades", {})[key] = int(grade)
                continue
            if not item.graded:
                raise InputError(f"{key} is counted, not graded: Score({item.field}=...)")
            fields[item.field] = int(grade)
        return fields

    def card(self, *items: str) -> Card:
        """The card of these items (all of them if none is named): anchors and drawings, for notebook and paper."""
        chosen = tuple(self.item(key) for key in items) or self.items
        return Card(self.called, chosen)

    def _repr_html_(self) -> str:
        return self.card()._repr_html_()


@dataclass(frozen=True)
class Card:
    """A rubric to look at: an ordered list of grades per item, each with its drawing and its words."""

    called: str
    items: tuple[Item, ...]

    def _repr_html_(self) -> str:
        parts = [
            f"<h2>{html.escape(self.called)}</h2><p>Grades run from 0 (worst) to 4 (best). Scores keep the "
            "signs behind each title: they change with the words of that item only.</p>"
        ]
        for item in self.items:
            cells = "".join(
                f"<li>{drawings.draw(item.key, grade, anchor)}<b>{grade}</b> {html.escape(anchor)}</li>"
                for grade, anchor in enumerate(item.anchors)
            )
            sign = f" <small>{item.sign}</small>" if item.graded else ""
            parts.append(
                f"<section aria-label='{html.escape(item.title)}'><h3>{html.escape(item.title)}{sign}</h3>"
                f"<p>{html.escape(item.look)}</p><ol start='0'>{cells}</ol></section>"
            )
        return f"<style>{_STYLE}</style><div class='castlab-rubric'>{''.join(parts)}</div>"

    def save(self, path: str | Path) -> Path:
        """Write the card as a page of its own, to print and hang up; returns the path, which ends in .html.

        Raises InputError if it cannot be written, or its name ends otherwise.
        """
        return write(
            path,
            "<!doctype html><html lang='en'><head><meta charset='utf-8'><meta name='viewport' "
            f"content='width=device-width'><title>{html.escape(self.called)}</title></head>"
            f"<body style='font-family:sans-serif;margin:1em'><main>{self._repr_html_()}</main></body></html>",
        )


def load(path: str | Path | None = None) -> Rubric:
    """The house rubric, or one of your own.

    Parameters
    ----------
    path
        A TOML file with a table per item: title, look, anchors (five, grade 0 first). An item named like one of the
        house's goes to the same field of a Score. None loads the house's.

    Raises
    ------
    InputError
        Naming what is missing or wrong in the file.

    Examples
    --------
    >>> [item.key for item in load().items][:3]
    ['bubbles', 'clarity', 'tack']
    """
    if path is not None and not isinstance(path, str | Path):
        raise InputError(f"the rubric is {path!r}; accepted: the path of a TOML file, or None for the house's")
    file = HOUSE if path is None else Path(path)
    try:
        told = tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as exc:
        raise InputError(f"the rubric {file} cannot be read ({exc.strerror}); accepted: a TOML file") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as exc:
        raise InputError(f"the rubric {file} is no TOML file ({exc}); rubric.HOUSE is one to copy") from None
    name, number = told.pop("name", None), told.pop("number", 1)
    if not isinstance(name, str) or not name.strip() or not isinstance(number, int) or isinstance(number, bool):
        raise InputError(f'the rubric {file} needs name = "..." and number = a whole number')
    items = tuple(_item(file, key, table) for key, table in told.items())
    if not items:
        raise InputError(f"the rubric {file} has no items; accepted: a table per item, such as [clarity]")
    made = Rubric(" ".join(name.split()), number, items)
    if len(made.version) > RUBRIC_LETTERS:
        raise InputError(
            f"the rubric {file} has {len(items)} items, whose versions fill {len(made.version)} letters of each score; accepted: up to "
            f"{RUBRIC_LETTERS}, with fewer items or shorter names"
        )
    return made


def _item(file: Path, key: str, table: Any) -> Item:
    anchors = table.get("anchors") if isinstance(table, dict) else None
    if (
        not isinstance(anchors, list)
        or len(anchors) != GRADES
        or not all(isinstance(a, str) and a.strip() for a in anchors)
    ):
        raise InputError(f"{file}, [{key}]: anchors needs {GRADES} texts, grade 0 (worst) first")
    if unknown := sorted(set(table) - {"title", "look", "anchors"}):
        raise InputError(f"{file}, [{key}]: {', '.join(unknown)} is not read; accepted: title, look and anchors")
    field = "bubbles" if key == "bubbles" else f"{key}_grade"
    if not EXTRA_NAME.fullmatch(field):
        raise InputError(
            f"{file}, [{key}]: an item's name is lower-case letters, digits and _, starting with a letter, at most 34; "
            "title = says it as you like"
        )
    return Item(
        key, str(table.get("title", key)), str(table.get("look", "")), tuple(a.strip() for a in anchors),
        field if field in Score.model_fields else None,
    )  # fmt: skip
