"""The red bar on production's pages, without script, and the answers to its script."""

from __future__ import annotations

import pytest

from lots.services import exposure
from lots.store.engine import database
from tests.api.test_queries import statements
from tests.pages.reading import SITE, Browser
from tests.store.rows import connected


def says(load):
    """The text of the bar for a load."""
    return f"Take spool {load['spool_code']} off P1 now."


def blocked(desk, **load):
    """A loaded lot that was blocked: its delivery and its load."""
    delivery = desk.good_lot(desk.quillwort, desk.white)
    loaded = desk.load(delivery["spools"][0]["code"], **load)
    desk.decide(delivery["lot_id"], "block")
    return delivery, loaded


def bar(desk, role):
    """The answer to the script of a role."""
    return Browser(desk, role).raw("/must-come-off")


@pytest.mark.parametrize("role", ["production", "quality", "admin"])
def test_every_page_of_those_who_act_says_what_must_come_off(desk, role):
    """Machine, spool, job and lot, as an alert; without script, when the page is opened."""
    somebody = Browser(desk, role)
    assert "Take spool" not in somebody.go("/lots").html
    _, load = blocked(desk)
    for path in ("/", "/lots", "/lots/1"):
        page = somebody.go(path)
        assert says(load) in page.text, path
        assert "Job J-1, lot Q-71." in page.text
        assert 'class="red-bar" role="alert"' in page.html
        assert ("/loaded" in page.every_link[:3]) is (role != "quality")


@pytest.mark.parametrize("role", ["receiving", "purchasing"])
def test_other_desks_have_no_bar_and_no_script(desk, role):
    """Receiving and purchasing have neither the red bar nor its script, and a request for it answers 403."""
    blocked(desk)
    page = Browser(desk, role).go("/lots")
    assert ("must-come-off" in page.html, "<script" in page.html) == (False, False)
    assert (403, b"") == (bar(desk, role).status_code, bar(desk, role).data)


def test_strangers_get_nothing(desk):
    """401 with an empty body, so that the script does not show the sign-in page as the bar."""
    blocked(desk)
    answer = desk.app.test_client().get("/must-come-off")
    assert (401, b"") == (answer.status_code, answer.data)


def test_it_stays_until_the_spool_is_off(desk):
    """Taking it off ends it, though the place is still to be looked after."""
    _, load = blocked(desk)
    assert load["spool_code"].encode() in bar(desk, "production").data
    desk.unload(load["id"], 500)
    assert (200, b"") == (bar(desk, "production").status_code, bar(desk, "production").data)


def test_it_stays_until_the_containment_is_closed(desk):
    """Somebody may have decided to let it run out."""
    blocked(desk)
    (open_one,) = desk.get("production", "/containments?open=true")["items"]
    desk.post("production", f"/containments/{open_one['id']}/close", {"note": "runs out under watch"})
    assert b"" == bar(desk, "production").data


def test_nothing_new_is_304(desk):
    """The tag in the page makes the red bar answer 304 until something changes."""
    blocked(desk)
    somebody = Browser(desk, "production")
    html = somebody.go("/lots").html
    tag = html.partition('data-tag="&quot;')[2].partition("&quot;")[0]
    client = somebody.client
    answer = client.get("/must-come-off", base_url=SITE, headers={"If-None-Match": f'"{tag}"'})
    assert (304, b"") == (answer.status_code, answer.data)
    desk.post("production", "/containments/1/close", {"note": "x"})
    assert 200 == client.get("/must-come-off", base_url=SITE, headers={"If-None-Match": f'"{tag}"'}).status_code


def test_what_people_typed_is_escaped(desk):
    """A machine's name is no markup."""
    blocked(desk, machine="<b>P1</b>", job="<script>alert(1)</script>")
    for html in (bar(desk, "production").get_data(as_text=True), Browser(desk, "admin").go("/lots").html):
        assert "&lt;b&gt;P1&lt;/b&gt;" in html
        assert "<script>alert" not in html


def test_many_are_counted(desk):
    """Three are named; a spool is named once."""
    delivery = desk.receive(desk.quillwort, desk.white, spools=8)
    spool = delivery["sample"]["spool_codes"][0]
    desk.diameter(spool)
    desk.color(spool, [95.0, -0.8, 1.5])
    for number, one in enumerate(delivery["spools"][:7]):
        desk.load(one["code"], machine=f"P{number}")
    desk.decide(delivery["lot_id"], "block")
    html = bar(desk, "production").get_data(as_text=True)
    assert (3, True) == (html.count("<li>"), "4 more spools must come off." in html)


def test_it_is_one_query_on_indexes(desk):
    """The red bar takes one query on indexes, whatever the number of containments."""
    blocked(desk)
    with connected(), statements() as seen:
        assert 1 == len(exposure.must_come_off())
    ((sql, values),) = seen
    with connected():
        plan = [row[-1] for row in database.db.execute_sql(f"EXPLAIN QUERY PLAN {sql}", values).fetchall()]
    assert not [step for step in plan if step.startswith("SCAN") and "INDEX" not in step], plan


def test_the_script_is_kept_by_browsers_and_asks_nobody_who_it_is(desk):
    """A file of ours, as the content policy has it."""
    with desk.app.test_client().get("/static/refresh.js") as answer:
        assert (200, "text/javascript") == (answer.status_code, answer.mimetype)
        assert "max-age=3600" in answer.headers["Cache-Control"]
        assert "script-src 'self'" in answer.headers["Content-Security-Policy"]
