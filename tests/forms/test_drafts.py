"""Drafts: kept at each change, never overwritten by another window, known to have ended."""

from __future__ import annotations

import multiprocessing
import sqlite3
from datetime import datetime, timedelta

import pytest

from castlab import Logbook
from castlab.errors import ConflictError, LogbookError
from castlab.records.drafts import KEPT_DAYS, Drafts, drafts_of


@pytest.fixture
def drafts(tmp_path):
    return Drafts(tmp_path / "shop.db.drafts")


def test_a_draft_is_there_for_whoever_opens_the_file_next(drafts, tmp_path):
    draft = drafts.begin("batch", {"resin_g": "288"})
    drafts.keep(draft, {"resin_g": "288.4"})
    found = Drafts(tmp_path / "shop.db.drafts").latest("batch")
    assert (found.id, found.revision, found.content) == (draft.id, 2, {"resin_g": "288.4"})


def test_what_was_read_before_another_window_changed_it_cannot_be_kept(drafts):
    draft = drafts.begin("batch", {})
    drafts.keep(draft, {"resin_g": "288.4"})
    with pytest.raises(ConflictError, match=r"changed in another window at \d\d:\d\d; nothing was overwritten"):
        drafts.keep(draft, {"resin_g": "999"})
    assert drafts.get(draft.id).content == {"resin_g": "288.4"}


def test_a_draft_that_was_saved_elsewhere_says_so(drafts):
    draft = drafts.begin("batch", {})
    drafts.end(draft, "saved as B-001")
    drafts.end(draft, "discarded")
    with pytest.raises(ConflictError, match="saved as B-001 in another window"):
        drafts.keep(draft, {"resin_g": "1"})
    assert drafts.latest("batch") is None
    assert drafts.get(draft.id).ended == "saved as B-001"


def test_the_draft_changed_last_comes_first_and_forms_do_not_mix(tmp_path, clock):
    drafts = Drafts(tmp_path / "d", clock=clock)
    first, second = drafts.begin("batch", {"n": 1}), drafts.begin("batch", {"n": 2})
    drafts.begin("castings of B-001", {"n": 3})
    drafts.keep(first, {"n": 4})
    assert [d.content["n"] for d in drafts.open("batch")] == [4, 2]
    assert second.origin != first.origin


def test_ended_drafts_are_forgotten_after_a_while_and_open_ones_never(tmp_path):
    now = [datetime(2026, 1, 1)]
    drafts = Drafts(tmp_path / "d", clock=lambda: now[0])
    ended, still_open = drafts.begin("batch", {}), drafts.begin("batch", {})
    drafts.end(ended, "discarded")
    now[0] += timedelta(days=KEPT_DAYS + 1)
    drafts.begin("batch", {})
    assert drafts.get(ended.id) is None
    assert drafts.get(still_open.id) is not None


def test_a_file_that_is_no_database_is_reported_and_left_alone(tmp_path):
    place = tmp_path / "shop.db.drafts"
    place.write_text("no database " * 200)
    with pytest.raises(LogbookError, match=r"could not be kept in shop\.db\.drafts"):
        Drafts(place).begin("batch", {})
    assert place.read_text().startswith("no database")


def test_looking_for_drafts_makes_no_file(drafts, tmp_path):
    assert drafts.latest("batch") is None
    assert drafts.get("x") is None
    assert list(tmp_path.iterdir()) == []


def test_drafts_lie_beside_the_logbook(tmp_path):
    with Logbook.open(tmp_path / "shop.db") as book:
        drafts_of(book).begin("batch", {})
    assert (tmp_path / "shop.db.drafts").is_file()


def _keep_on(path: str, draft_id: str, tries: int, won: multiprocessing.Queue) -> None:
    drafts = Drafts(path)
    kept = 0
    for n in range(tries):
        draft = drafts.get(draft_id)
        try:
            drafts.keep(draft, {"count": draft.content["count"] + 1, "n": n})
            kept += 1
        except ConflictError:
            continue
    won.put(kept)


def test_two_processes_that_write_at_once_lose_nothing_that_was_kept(tmp_path):
    path = str(tmp_path / "d")
    draft = Drafts(path).begin("batch", {"count": 0})
    queue: multiprocessing.Queue = multiprocessing.get_context("spawn").Queue()
    start = multiprocessing.get_context("spawn").Process
    workers = [start(target=_keep_on, args=(path, draft.id, 60, queue)) for _ in range(2)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    kept = queue.get() + queue.get()
    assert Drafts(path).get(draft.id).content["count"] == kept
    assert kept >= 60
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
