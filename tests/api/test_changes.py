"""The feed of changes over HTTP: every change once, in order, from any position."""

import pytest

from lots.domain.production.changes import KINDS
from lots.store.changes import feed
from lots.store.engine import database
from tests.api.refusals import hints, refused, send
from tests.api.test_queries import asked, statements
from tests.changes import lived_in
from tests.feed import followed, latest, stands_as_told
from tests.store.rows import connected


@pytest.mark.thorough
def test_the_feed_replayed_gives_standings_and_open_loads(shop):
    """In a shop with every kind of change the replayed feed gives statuses and open loads."""
    lived_in(shop)
    stands_as_told(shop)
    changes = followed(shop)
    assert set(KINDS) == {change["kind"] for change in changes}


def test_pages_tell_each_change_once_in_order(shop):
    """Pages of any size contain each change once and in order, also of an entry with several changes."""
    delivery = shop.good_lot()
    shop.load(delivery["spools"][0]["code"])
    shop.load(delivery["spools"][1]["code"], machine="P2")
    shop.decide(delivery["lot_id"], "block")
    whole = followed(shop)
    assert ["lot.blocked", "containment.opened", "containment.opened"] == [change["kind"] for change in whole[-3:]]
    assert 1 == len({change["entry_id"] for change in whole[-3:]})
    for limit in (1, 2, 3, 4):
        assert whole == followed(shop, limit=limit)
    for place, change in enumerate(whole):
        assert whole[place + 1 :] == followed(shop, after=change["id"], limit=2)
        assert f"{change['entry_id']}." == change["id"][: change["id"].index(".") + 1]


def test_a_shop_in_which_nothing_happened_has_a_position_to_begin_from(shop):
    """An empty shop has a starting position, from which the first change follows."""
    for query in ("", "?after=latest"):
        assert {"items": [], "next": None, "after": "0.0"} == shop.get("integration", f"/changes{query}")
    delivery = shop.good_lot()
    assert [delivery["lot_id"]] * 2 == [change["lot_id"] for change in followed(shop, after="0.0")]


def test_latest_is_the_newest_position(shop):
    """From the position `latest` only later changes follow, and the position is unchanged without changes."""
    delivery = shop.good_lot()
    position = latest(shop)
    assert {"items": [], "next": None, "after": position} == shop.get("integration", f"/changes?after={position}")
    shop.decide(delivery["lot_id"], "hold")
    (change,) = followed(shop, after=position)
    assert ("lot.quarantined", "released", "quarantined") == (
        change["kind"],
        change["before"]["standing"],
        change["after"]["standing"],
    )
    assert change["id"] == latest(shop)


def test_kinds_leave_the_others_out_and_the_position_moves_on(shop, monkeypatch):
    """With a filter of kinds a page can be empty and still continue, and no change of these kinds is lost."""
    monkeypatch.setattr("lots.services.documents.changes._LOOKED_THROUGH", 2)
    delivery = shop.good_lot()
    for number in range(2):
        shop.load(delivery["spools"][number]["code"], machine=f"P{number}")
    shop.decide(delivery["lot_id"], "block")
    wanted = "containment.opened,lot.blocked"
    expected = [change for change in followed(shop) if change["kind"] in wanted]
    assert 3 == len(expected)
    for limit in (1, 2, 3, 4):
        assert expected == followed(shop, f"&kinds={wanted}", limit=limit)
    answer = shop.call("integration", "GET", "/changes?kinds=instrument.due&limit=2")
    page = answer.get_json()
    assert [] == page["items"]
    assert page["next"] == f"/v1/changes?kinds=instrument.due&limit=2&after={page['after']}"
    assert f'<{page["next"]}>; rel="next"' == answer.headers["Link"].replace("%2C", ",")
    assert [] == followed(shop, "&kinds=instrument.due")


@pytest.mark.parametrize("engine", ["sqlite"])
@pytest.mark.parametrize("after", ["x", "7", "7.", ".1", "-1.0", "7.0.0", "07.0", "7.01", f"{2**63}.0", "٧.0", "now"])
def test_a_position_that_the_feed_did_not_give_out_is_refused(shop, after):
    """An unknown position is refused with the valid form."""
    answer = send(shop, "GET", f"/v1/changes?after={after}")
    assert "latest" in hints(refused(answer, 422, "invalid", ["after"]))


def test_a_position_that_this_history_does_not_have_is_refused(shop):
    """A position beyond this history, after a restore, is refused with the advice to start again."""
    shop.good_lot()
    newest = int(latest(shop).split(".")[0])
    for after in (f"{newest + 1}.0", f"{newest + 10_000}.0", "1.0"):
        answer = send(shop, "GET", f"/v1/changes?after={after}")
        assert "after=latest" in hints(refused(answer, 422, "invalid", ["after"]))


@pytest.mark.parametrize("engine", ["sqlite"])
@pytest.mark.parametrize("kinds", ["lot", "lot.blocked,", "LOT.BLOCKED", "lot.blocked;lot.released"])
def test_a_kind_that_does_not_exist_is_refused(shop, kinds):
    """An unknown kind is refused with the valid ones."""
    answer = shop.client.get(
        "/v1/changes", query_string={"kinds": kinds}, headers={"Authorization": f"Bearer {shop.tokens['admin']}"}
    )
    assert "instrument.due" in hints(refused(answer, 422, "invalid", ["kinds"]))


@pytest.mark.parametrize("engine", ["sqlite"])
@pytest.mark.parametrize("limit", ["0", "501", "x"])
def test_a_limit_out_of_range_is_refused(shop, limit):
    """A page has 1 to 500 changes."""
    refused(send(shop, "GET", f"/v1/changes?limit={limit}"), 422, "invalid", ["limit"])


def test_asking_again_costs_little(shop):
    """A request needs two statements with the token's, and two more on PostgreSQL; without news it is 304 without a body."""
    shop.good_lot()
    position = latest(shop)
    expected = 4 if database.locks_rows() else 2
    assert expected == len(asked(shop, "integration", "GET", f"/changes?after={position}"))
    assert expected == len(asked(shop, "integration", "GET", "/changes?after=latest"))
    first = shop.call("integration", "GET", f"/changes?after={position}")
    again = shop.call("integration", "GET", f"/changes?after={position}", If_None_Match=first.headers["ETag"])
    assert (304, b"") == (again.status_code, again.data)


@pytest.mark.parametrize("engine", ["sqlite"])
def test_entries_are_read_from_the_index_of_the_feed(shop):
    """Entries come from the feed's index, without sorting and without entries that have no change."""
    shop.good_lot()
    with connected():
        with statements() as seen:
            feed.entries(3, 10)
            feed.newest()
        for sql, values in seen:
            plan = [row[-1] for row in database.db.execute_sql(f"EXPLAIN QUERY PLAN {sql}", values).fetchall()]
            assert len(plan) == 1, plan
            assert "event_announces" in plan[0], plan


def test_a_page_is_csv_where_csv_is_asked_for(shop):
    """A page is available as CSV like any list."""
    shop.good_lot()
    answer = send(shop, "GET", "/v1/changes", role="integration", Accept="text/csv")
    head, *rows = answer.get_data(as_text=True).splitlines()
    assert head.startswith("id,entry_id,at,kind,by,lot_id,")
    assert 2 == len(rows)
