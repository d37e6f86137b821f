"""The shop at a glance: what it sees in a logbook, and how it says it. Clock arithmetic is checked by hand."""

from __future__ import annotations

import io
import re
from datetime import datetime
from html.parser import HTMLParser

import pytest

from castlab import Batch, Logbook, Material, Mold, Score, Trial, workspace
from castlab.errors import InputError, NotFoundError
from castlab.records import Plan
from castlab.reporting import today

NOON = "2026-08-04 12:00"


@pytest.fixture
def place(tmp_path):
    return tmp_path / "shop.db"


@pytest.fixture
def book(place):
    with Logbook.open(place, who="Ada") as opened:
        yield opened


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    return workspace.make(tmp_path_factory.mktemp("demo") / "workspace", demo=True).logbook


@pytest.fixture(scope="module")
def demo_shop(demo):
    return today.look(demo, now=NOON)


def pour(book, **settings):
    cup = book.add(Batch(resin_c=24, **{k: settings.pop(k) for k in ("resin_id", "mixed_at", "plan") if k in settings}))
    return book.add(Trial(batch_id=cup.id, **settings)).id


def said(shop) -> str:
    """The page without its tags."""
    text = re.sub(r"<style>.*?</style>", "", shop._repr_html_(), flags=re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


def test_an_empty_logbook_is_told_where_to_begin(place):
    Logbook.open(place, who="Ada").close()
    shop = today.look(place, now=NOON)
    assert shop.castings == 0
    page = shop._repr_html_()
    assert "The logbook is empty" in page
    assert "01_log_a_trial.ipynb" in page
    assert "empty" in repr(shop)


def test_a_casting_can_be_demolded_its_own_cure_time_after_the_pour(book, place):
    pour(book, poured_at="2026-08-03 18:30", cure_h=20)
    (one,) = today.look(place, now=NOON).curing
    assert (one.ready_at, one.by) == (datetime(2026, 8, 4, 14, 30), "as logged")
    assert "today at 14:30, in 2 h 30 min" in said(today.look(place, now=NOON))


def test_without_one_the_data_sheet_s_cure_time_holds_and_is_named(book, place):
    resin = book.add(Material(name="Clear", cure_h=36))
    pour(book, poured_at="2026-08-03 09:00", resin_id=resin.id)
    (one,) = today.look(place, now=NOON).curing
    assert one.ready_at == datetime(2026, 8, 4, 21, 0)
    assert "36 h from the pour, Clear, at 25 °C" in said(today.look(place, now=NOON))


def test_what_is_not_known_is_said_to_be_unknown(book, place):
    pour(book, poured_at="2026-08-03 09:00")
    pour(book, cure_h=24)
    text = said(today.look(place, now=NOON))
    assert "unknown: the cure time is not logged" in text
    assert "unknown: the time of the pour is not logged" in text


def test_a_casting_past_its_time_is_ready_in_words_not_by_colour_alone(book, place):
    pour(book, poured_at="2026-08-03 08:00", cure_h=24)
    assert "Ready since today at 08:00, 4 h ago" in said(today.look(place, now=NOON))


def test_demolded_or_scored_castings_are_out_and_only_unscored_ones_wait_for_a_score(book, place):
    out = pour(book, poured_at="2026-08-01 09:00", demold_h=26)
    scored = pour(book, poured_at="2026-08-01 10:00")
    book.add(Score(trial_id=scored, bubbles=1, passed=True))
    inside = pour(book, poured_at="2026-08-04 10:00")
    shop = today.look(place, now=NOON)
    assert [one.trial_id for one in shop.curing] == [inside]
    assert [one.trial_id for one in shop.to_score] == [out]
    assert [one.outcome for one in shop.latest] == ["in its mold", "1 bubble, good enough to sell", "not scored yet"]


def test_the_page_has_one_level_of_headings_scoped_heads_and_a_text_for_every_picture(book, place, tmp_path):
    from PIL import Image

    with_photo = pour(book, poured_at="2026-08-04 09:00", product="pod <b> block")
    picture = tmp_path / "top.jpg"
    Image.new("RGB", (640, 480), "gray").save(picture)
    book.add_photo(with_photo, picture, view="top")
    pour(book, poured_at="2026-08-04 10:00")
    page = today.look(place, now=NOON)._repr_html_()
    assert re.findall(r"<h(\d)", page) == ["3"] * 5
    assert re.findall(r'<img [^>]*alt="([^"]*)"', page) == [f"Photo of casting {with_photo}, top"]
    assert "no photo" in page
    assert all("scope=" in head for head in re.findall(r"<th[^e>]*>", page))
    assert "pod &lt;b&gt; block" in page
    assert "pod <b>" not in page


def test_the_thumbnail_is_a_small_picture_within_the_page(book, place, tmp_path):
    from PIL import Image

    one = pour(book, poured_at="2026-08-04 09:00")
    Image.effect_noise((2000, 1500), 60).convert("RGB").save(tmp_path / "a.jpg")
    book.add_photo(one, tmp_path / "a.jpg")
    (small,) = today.look(place, now=NOON).thumbnails.values()
    assert max(Image.open(io.BytesIO(small)).size) == 240


def test_a_photo_whose_file_is_gone_is_said_to_be_gone(book, place, tmp_path):
    from PIL import Image

    one = pour(book, poured_at="2026-08-04 09:00")
    Image.new("RGB", (64, 48)).save(tmp_path / "a.png")
    photo = book.add_photo(one, tmp_path / "a.png")
    book.photo_path(photo.id).unlink()
    text = said(today.look(place, now=NOON))
    assert "photo not found" in text
    assert "put its file back" in text


def made(book, bubbles, **more):
    """A batch a day with one casting each."""
    for day, count in enumerate(bubbles, start=1):
        one = pour(book, poured_at=f"2026-07-{day:02d} 09:00", product="pod block", demold_h=24, **more)
        book.add(Score(trial_id=one, bubbles=count))


def test_a_step_of_the_last_batches_is_told_once_with_what_changed_when(book, place):
    made(book, [5, 4, 6, 5, 4, 5, 6, 5, 4, 6, 5, 4, 30, 33, 29, 31])
    shop = today.look(place, now=NOON)
    (one,) = shop.changes
    assert one.when == datetime(2026, 7, 13, 9)
    assert one.what.startswith("Pod block: bubbles rose from about T-013.1 on")
    assert sum(map(len, shop.charts.values())) == 1
    assert 0 < shop.by_chance < 1


def test_an_old_change_is_no_news_and_a_steady_shop_gets_no_alarm(book, place):
    made(book, [30, 33, 29, 31, 5, 4, 6, 5, 4, 5, 6, 5, 4, 6, 5, 4])
    shop = today.look(place, now=NOON)
    assert shop.changes == ()
    assert "No alarm." in said(shop)


def test_too_few_castings_to_watch_are_said_to_be_so(book, place):
    made(book, [3])
    shop = today.look(place, now=NOON)
    assert shop.charts == {}
    assert "Not watched of pod block: bubbles" in shop.remarks[0]
    assert "Nothing could be watched yet" in said(shop)


def test_a_mold_near_the_shortest_life_of_its_kind_is_named(book, place):
    old = book.add(Mold(name="Old", product="pod block", earlier_pulls=19, retired_on="2026-01-01"))
    near = book.add(Mold(name="Near", product="pod block", earlier_pulls=15))
    new = book.add(Mold(name="New", product="pod block"))
    other = book.add(Mold(name="Other", product="path marker", earlier_pulls=50))
    for mold in (old, near, new, other):
        pour(book, poured_at="2026-08-01 09:00", mold_id=mold.id)
    (one,) = today.look(place, now=NOON).changes
    assert one.what == "Mold Near has 16 pulls; taken out of use: Old after 20."


def test_a_plan_is_open_until_all_its_castings_are_scored(book, place):
    book.add(Plan(name="warmth", castings=2, question="Does warmth help?"))
    one = pour(book, plan="warmth")
    book.add(Score(trial_id=one, bubbles=2))
    (plan,) = today.look(place, now=NOON).plans
    assert (plan.made, plan.scored) == (1, 1)
    assert "warmth : 1 of 2 castings made, 1 scored. Does warmth help?" in said(today.look(place, now=NOON))
    book.add(Score(trial_id=pour(book, plan="warmth"), bubbles=2))
    assert today.look(place, now=NOON).plans == ()


def test_without_an_open_plan_the_demo_is_told_what_to_try_next(demo_shop):
    shop = demo_shop
    assert shop.next_product == "pod block"
    assert len(shop.next_castings) == today.NEXT_CASTINGS
    assert shop.next_castings.nunique().max() > 1
    assert "These castings of pod block would best tell apart" in said(shop)


def test_the_page_and_its_plain_lines_depend_on_the_clock_only_where_something_cures(demo, demo_shop):
    shops = [demo_shop, today.look(demo, now="2031-01-01 00:00")]
    assert shops[0]._repr_html_() == shops[1]._repr_html_()
    assert repr(shops[0]) == repr(shops[1])


def test_one_product_is_looked_at_alone(demo):
    assert {one.product for one in today.look(demo, product="path marker", now=NOON).latest} == {"path marker"}
    with pytest.raises(NotFoundError, match="its products: path marker, pod block"):
        today.look(demo, product="pond", now=NOON)


def test_a_moment_that_cannot_be_read_is_refused(demo):
    with pytest.raises(InputError, match="accepted: a date and time"):
        today.look(demo, now="noonish")


def test_a_missing_logbook_is_not_made(tmp_path):
    with pytest.raises(NotFoundError):
        today.look(tmp_path / "none.db", now=NOON)
    assert not (tmp_path / "none.db").exists()


def test_the_page_is_well_formed(demo_shop):
    class Balance(HTMLParser):
        open: list[str]

        def __init__(self):
            super().__init__()
            self.open = []

        def handle_starttag(self, tag, _attrs):
            if tag not in ("br", "img"):
                self.open.append(tag)

        def handle_endtag(self, tag):
            assert self.open.pop() == tag

    parser = Balance()
    parser.feed(demo_shop._repr_html_())
    assert parser.open == []
