"""The form of one score: the rubric's card beside its grades, the bubbles, and a photo."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from castlab import cautions
from castlab.errors import InputError
from castlab.forms import faces
from castlab.forms.faces import Part
from castlab.forms.form import Form, Place
from castlab.notebook import save
from castlab.records import Logbook, Photo, Score, Trial
from castlab.records.grades import GRADES, changed
from castlab.records.waiting import without_score
from castlab.scoring import drawings
from castlab.scoring.rubric import Item, Rubric

_SETTINGS = (
    "product", "insert", "insert_prep", "pour_method", "depth_mm", "mold_degas_min", "hold_kpa", "cure_c", "cure_h",
    "demold_h",
)  # fmt: skip
_MEASURED = ("shore_d", "haze_pct", "size_error_mm", "inspected_mm2")
_SCALES = (
    "Where the scale comes from: with a ruler or a disc of known size in the photo, scale_from_length or scale_from_disc of "
    "castlab.scoring; a photo on the marker sheet is not attached here but given to keep_on_sheet, which finds its scale."
)
_MOST_PIECES = 200
_SCALE = "mm_per_pixel"
"""The one field here that is the photo's, not the score's."""


class ScoreForm(Form):
    """One reading of one casting by one person. Blind: nothing of its settings or earlier scores is shown."""

    form = "score"
    title = "The score"

    def __init__(
        self,
        book: Logbook,
        rubric: Rubric,
        *,
        trial_id: str | None = None,
        blind: bool = True,
        clock: Callable[[], datetime] = datetime.now,
    ) -> None:
        self.rubric = rubric
        self.blind = blind
        self._trial_id = trial_id
        self._photo = ""
        self._pieces: dict[int, bytes] = {}
        self._graded = {f"{i.key}_grade": i for i in rubric.items if i.graded}
        scores = book.scores()
        self._earlier = {key: changed(scores, key, rubric.version) for key in self._graded}
        if trial_id is not None:
            book.get(trial_id)
            self.form = f"score of {trial_id}"
        super().__init__(book, clock=clock)

    # --- what it holds -------------------------------------------------------------------------------------

    def _begin(self) -> dict[str, str]:
        return {"trial_id": self._trial_id or "", "scorer": self.book.who}

    def _place(self, key: str) -> Place | None:
        if key == _SCALE:
            return Place(Photo, key)
        return Place(Score, key) if key in Score.model_fields and key != "trial_id" else None

    @property
    def casting(self) -> Trial | None:
        """The casting that is scored."""
        chosen = self.values.get("trial_id")
        found = self.book.get(chosen) if chosen else None
        return found if isinstance(found, Trial) else None

    def _face(self) -> dict[str, Any]:
        if self._done:
            return {}
        which = faces.section(
            "which",
            "The casting",
            self._choice(),
            faces.field(Score, "scorer", label="scored by"),
            *self._told_of_casting(),
        )
        if self.casting is None:
            return {"lead": self._lead(), "sections": [which], "first": "trial_id"}
        bubbles = next((item for item in self.rubric.items if item.field == "bubbles"), None)
        return {
            "lead": self._lead(),
            "first": "bubbles",
            "sections": [
                which,
                faces.section("care", "Take care", {"kind": "words", "items": list(cautions.about("epoxy", "dust"))}, wide=True),
                faces.section(
                    "bubbles",
                    "Bubbles",
                    faces.field(Score, "bubbles", label="bubbles seen", hint=bubbles.look if bubbles else None),
                    faces.field(Score, "bubbles_stopped", label="more than that: counting was stopped"),
                    faces.field(Score, "bubble_largest_mm", label="largest bubble"),
                ),
                faces.section("grades", f"Grades: {self.rubric.called}", *map(self._grade, self._graded.values()), wide=True),
                faces.section("verdict", "Verdict", faces.field(Score, "passed", label="good enough to sell")),
                faces.section("photo", "A photo", *self._photo_parts()),
                faces.section(
                    "more",
                    "More: measured values, notes",
                    *(faces.field(Score, name) for name in _MEASURED),
                    faces.field(Score, "scored_at"),
                    faces.field(Score, "method", suggest=["eye", "photo", "gauge"]),
                    faces.field(Score, "notes"),
                    fold=True,
                ),
            ],
            "actions": [{"id": "save", "label": "Save the score", "main": True}],
        }  # fmt: skip

    def _lead(self) -> str:
        look = "Look in the same light, at the same distance. Leave out what you did not look at."
        return look + (
            " Settings and earlier scores are not shown, so that they do not sway you." if self.blind else ""
        )

    def _choice(self) -> Part:
        waiting, in_molds = without_score(self.book)
        chosen = self.values.get("trial_id") or self._trial_id
        named = {chosen: chosen} if chosen else {}
        named |= {str(t.id): str(t.id) for t in waiting} | {
            str(t.id): f"{t.id} (not logged as demolded)" for t in in_molds
        }
        options = faces.choice(list(named.items()), "not chosen")
        hint = f"waiting for a score: {len(waiting) or 'none'}"
        hint += f"; still in their molds: {len(in_molds)}" if in_molds else ""
        return {"kind": "field", "key": "trial_id", "label": "casting", "unit": "", "hint": hint, **options}

    def _told_of_casting(self) -> list[Part]:
        casting = self.casting
        if self.blind or casting is None:
            return []
        return [{"kind": "words", "text": "; ".join(faces.summary(casting, _SETTINGS))}]

    def _grade(self, item: Item) -> Part:
        options = [
            {
                "value": str(grade),
                "label": f"{grade}",
                "words": words,
                "picture": drawings.draw(item.key, grade, words),
            }
            for grade, words in enumerate(item.anchors)
        ]
        key = f"{item.key}_grade"
        hint = item.look
        if earlier := " and ".join(self._earlier[key]):
            told = (
                f"The words have changed: these are {item.sign}, earlier grades follow {earlier} and may not compare."
            )
            hint = f"{hint} {told}".strip()
        return {
            "kind": "field",
            "key": key,
            "label": item.title,
            "unit": "",
            "hint": hint,
            "input": "grade",
            "options": options,
        }

    def _check(self, key: str) -> None:
        """A grade of the shop's own item is no field of a score; any other key is read as one."""
        item = self._graded.get(key)
        if item is None or item.field is not None:
            super()._check(key)
            if key == "bubbles" and key in self._wrong and self.values[key].strip().startswith((">", "≥")):
                self._wrong[key] += ", and yes at 'more than that' where counting was stopped"
            return
        self._wrong.pop(key, None)
        self._read.pop(key, None)
        text = self.values.get(key, "").strip()
        if text in map(str, range(GRADES)):
            self._read[key] = int(text)
        elif text:
            self._wrong[key] = f"{item.title} is {text!r}; accepted: 0 (worst) to {GRADES - 1} (best)"

    def _photo_parts(self) -> list[Part]:
        hint = "before you choose it, if known: only then can its bubbles be counted"
        scale = faces.field(Photo, _SCALE, hint=hint)
        return [
            scale,
            {"kind": "photo", "id": "photo", "label": "Attach a photo"},
            {"kind": "words", "text": _SCALES},
        ]

    def _boards(self) -> dict[str, Part]:
        return {"photo": {"text": self._photo, "tone": "good" if self._photo.startswith("Kept") else ""}}

    # --- what the person does ------------------------------------------------------------------------------

    def _receive(self, message: Mapping[str, Any], buffers: list[Any]) -> None:
        """A piece of a photo; with the last one it is kept, whether the score is saved or not."""
        if self.casting is None or message["pieces"] > _MOST_PIECES:
            raise InputError(f"This photo cannot be taken; accepted: a picture of up to {_MOST_PIECES} MB")
        if message["piece"] == 0:
            self._pieces = {}
        self._pieces[int(message["piece"])] = bytes(buffers[0])
        if len(self._pieces) < message["pieces"]:
            return
        data = b"".join(self._pieces[n] for n in range(message["pieces"]))
        self._pieces = {}
        if _SCALE in self._wrong:
            raise InputError(f"The photo was not taken. {self._wrong[_SCALE]}")
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / Path(str(message["name"])).name
            file.write_bytes(data)
            photo = self.book.add_photo(str(self.casting.id), file, mm_per_pixel=self.read(_SCALE))
        self.say("")
        self._photo = f"Kept as {photo.id}: {message['name']}."
        if photo.mm_per_pixel is None:
            self._photo += (
                " Its bubbles can be counted once it has a scale: add it to "
                f"{photo.id} at the foot of notebook 1 (a slip of the pen)."
            )
        self.refresh()

    def _press(self, button: str, at: datetime) -> None:
        if button == "next":
            self._trial_id, self._photo, self.form = None, "", "score"
            self._take(None)
            self.say("")
        if button != "save" or self.saved or self.casting is None:
            return
        self.check()
        values = {"scored_at": at, "method": "eye", **self._read}
        values.pop(_SCALE, None)
        if any(name in values for name in self._graded):
            values["rubric"] = self.rubric.version
        own = {i.key: values.pop(key, None) for key, i in self._graded.items() if i.field is None}
        values["extra_grades"] = own
        score = save(self.book, Score(trial_id=str(self.casting.id), **values), self.origin)
        self.saved = [score]
        self._end(f"saved as {score.id}")
        items = faces.summary(score, [n for n in Score.settings() if n not in ("trial_id", "scored_at", "rubric")])
        items += [f"{self.rubric.item(key).title} {grade}" for key, grade in (score.extra_grades or {}).items()]
        self.say(f"Saved: score {score.id}.", "good", [*items, *(f"Look again: {c}" for c in score.cautions)], [{"id": "next", "label": "Score the next casting"}])  # fmt: skip
        self._tell()
