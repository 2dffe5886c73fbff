"""Every change has a history entry: person, time and content."""

from datetime import UTC, datetime, timedelta

import pytest

from lots.domain.hash_chain import Entry, hash_of
from lots.services.assessment import integrity_checks
from lots.services.documents import events as history
from lots.services.setup import access
from lots.store import audit as store
from lots.store.engine.database import transaction
from tests.api.bodies import Furnished
from tests.api.test_idempotency import at_once
from tests.changes import CHANGES, READS, Change, lived_in, wind_two_lots
from tests.files import take
from tests.shop import SIMPLE_LIMITS, WHITE
from tests.store.rows import connected, contents, counts


def events(shop, query=""):
    """All entries, oldest first."""
    found, path = [], f"/events?limit=500{query}"
    while path:
        page = shop.get("quality", path)
        found += page["items"]
        path = page["next"] and page["next"].removeprefix("/v1")
    return found


def since(shop, before):
    """Entries made after those of before."""
    return events(shop)[len(before) :]


def test_every_change_leaves_an_entry_with_who_when_and_what(shop):
    """Each changing POST and PATCH of the API adds entries with its person; a new path without one fails."""
    document = shop.app.test_client().get("/v1/openapi.json").get_json()
    changing = {path for path, item in document["paths"].items() if {"post", "patch", "put", "delete"} & set(item)}
    assert changing == set(CHANGES) | READS
    at = Furnished(shop)
    for path in CHANGES:
        change = Change(at, path)
        before, rows, began = events(shop), counts(), datetime.now(UTC)
        answer = change.make()
        assert answer.status_code in (200, 201), f"{path}: {answer.get_data(as_text=True)}"
        added = since(shop, before)
        assert added, path
        changed = {table for table, count in counts().items() if count != rows[table]} & set(store.AUDITED)
        for event in added:
            assert "admin person" == event["by"], path
            assert began <= datetime.fromisoformat(event["at"]) <= datetime.now(UTC), path
            assert event["what"] in history.ACTIONS, path
            assert event["rows"], path
        assert changed <= {table for event in added for table in event["rows"]}, path


def test_what_only_works_something_out_leaves_none(shop):
    """Picks, tab checks, colour differences and clearances are not in the history."""
    at = Furnished(shop)
    changes = [Change(at, path) for path in sorted(READS)]
    before = contents()
    for change in changes:
        assert 200 == change.make().status_code
    shop.ask_clearance(at.spool)
    assert before == contents()


def test_a_shop_in_which_everything_happened_has_no_findings(shop):
    """After every kind of change chains, rows, masses and assessments agree."""
    lived_in(shop)
    with connected():
        assert [] == [flaw.line for flaw in integrity_checks.found()]


def test_each_lot_has_its_own_chain_and_the_shop_has_one(shop):
    """Entries of each lot's chain and the shop's are numbered from 1 and linked, verifiable from the API."""
    lived_in(shop)
    chains = {}
    for event in events(shop):
        chains.setdefault(event["chain"], []).append(event)
    assert {"shop", *(f"lot:{lot['id']}" for lot in shop.get("quality", "/lots?limit=500")["items"])} == set(chains)
    for name, entries in chains.items():
        assert list(range(1, len(entries) + 1)) == [entry["number"] for entry in entries], name
        assert ["0" * 64, *(entry["hash"] for entry in entries)][:-1] == [entry["previous"] for entry in entries], name
        for entry in entries:
            assert name == ("shop" if entry["lot_id"] is None else f"lot:{entry['lot_id']}")
            at = datetime.fromisoformat(entry["at"]).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
            names = ("chain", "number", "by", "what", "content", "previous", "hash")
            assert entry["hash"] == hash_of(Entry(at=at, **{field: entry[field] for field in names}))


def test_one_request_leaves_one_entry_per_lot(shop):
    """A list of readings on two lots makes two entries."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    first, second = (shop.receive(supplier, grade, number, spools=1) for number in ("Q-1", "Q-2"))
    before = events(shop)
    codes = [delivery["spools"][0]["code"] for delivery in (first, second)]
    shop.measure("diameter", [{"spool_code": code, "d1_mm": 1.75, "d2_mm": 1.75} for code in codes * 5])
    added = since(shop, before)
    assert [("readings recorded", first["lot_id"]), ("readings recorded", second["lot_id"])] == [
        (event["what"], event["lot_id"]) for event in added
    ]
    assert [[1, 3, 5, 7, 9], [2, 4, 6, 8, 10]] == [event["rows"]["reading"] for event in added]


def test_a_decision_and_what_it_opens_stand_in_the_entry_of_what_led_to_it(shop):
    """A reading that blocks a loaded lot makes one entry with reading, decision and containment."""
    delivery = shop.good_lot()
    shop.load(delivery["spools"][0]["code"])
    shop.color(delivery["spools"][0]["code"], [80.0, *WHITE[1:]])
    last = events(shop)[-1]
    assert "readings recorded" == last["what"]
    assert {"lot", "reading", "decision", "containment"} == set(last["rows"])


def test_winding_two_lots_together_stands_in_the_history_of_both(shop):
    """Respooling two lots is in both histories, as the new spool and as the removed filament."""
    at = Furnished(shop)
    before = events(shop)
    made = wind_two_lots(at)
    added = [event for event in since(shop, before) if event["what"] in ("spool wound", "filament taken")]
    assert {"spool wound": made["lot"]["id"], "filament taken": made["further_lots"][0]["id"]} == {
        event["what"]: event["lot_id"] for event in added
    }


def test_what_is_kept_nowhere_else_stands_in_the_entry(shop):
    """A supplier's changes and earlier dryings, absent from the present row, are in the history."""
    at = Furnished(shop)
    Change(at, "/v1/suppliers/{number}").make()
    assert {"name": "N", "contact": "tel. 8"} == events(shop)[-1]["content"]["values"]
    Change(at, "/v1/spools/{code}/events").make()
    assert {"dried_at": "2026-11-20T11:00:00.000000Z"} == events(shop)[-1]["content"]["values"]


def test_a_failed_instrument_check_stands_in_the_shops_history_and_in_each_lots(shop):
    """A failed check is in the shop's history, and each affected lot has an entry of its reassessment."""
    at = Furnished(shop)
    reading = {"spool_code": at.spool, "d1_mm": 1.75, "d2_mm": 1.75, "instrument_id": at.instrument["id"]}
    shop.measure("diameter", reading)
    before = events(shop)
    checked_at = (datetime.now(UTC) + timedelta(minutes=1)).isoformat()
    body = {"checked_at": checked_at, "result": "fail"}
    shop.post("quality", f"/instruments/{at.instrument['id']}/checks", body)
    assert [("lot judged again", at.lot_id), ("instrument checked", None)] == [
        (event["what"], event["lot_id"]) for event in since(shop, before)
    ]


def test_tokens_are_made_and_ended_from_the_command_line(shop):
    """Creating, renewing and revoking a token are entries of the shop without its text."""
    before = events(shop)
    with connected():
        texts = [access.add_token("Ilse", "quality"), access.renew_token("Ilse")]
        access.revoke_token("Ilse")
    added = since(shop, before)
    assert ["token made", "token renewed", "token revoked"] == [event["what"] for event in added]
    assert {"command line"} == {event["by"] for event in added}
    assert not [text for text in texts if text in repr(added)]


def test_a_refused_request_leaves_no_entry(shop):
    """A refused request leaves no entry."""
    at = Furnished(shop)
    before = contents()
    shop.post("purchasing", "/suppliers", {"code": at.supplier["code"], "name": "Again"}, 409)
    shop.measure("diameter", [{"spool_code": at.spool, "d1_mm": 1.75, "d2_mm": 1.75}, {"spool_code": "?"}], 422)
    shop.decide(at.lot_id, "lift", status=409)
    assert before == contents()


def test_a_refused_load_leaves_one(shop):
    """A refused load leaves an entry."""
    delivery = shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))
    before = events(shop)
    shop.load(delivery["spools"][0]["code"], status=409)
    assert [("load refused", delivery["lot_id"], {"load_refusal": [1]})] == [
        (event["what"], event["lot_id"], event["rows"]) for event in since(shop, before)
    ]


@pytest.mark.parametrize("path", ["/v1/suppliers", "/v1/deliveries", "/v1/loads", "/v1/imports"])
def test_a_repeat_under_the_same_key_leaves_no_second_entry(shop, path):
    """A repeat under the same key leaves no second entry."""
    change = Change(Furnished(shop), path)
    assert 201 == change.make(Idempotency_Key="k").status_code
    before = contents()
    assert "true" == change.make(Idempotency_Key="k").headers["Idempotent-Replayed"]
    assert before == contents()


def test_a_dry_run_leaves_no_entry(shop):
    """A dry run leaves no entry."""
    at = Furnished(shop)
    before = contents()
    text = f"spool_code,d1_mm,d2_mm\n{at.spool},1.75,1.76\n"
    take(shop, "diameter", text, 200, dry_run="true")
    assert before == contents()


def test_the_history_can_be_asked_by_lot_person_phrase_and_time(shop):
    """Filters of the history by lot, person, phrase and time work singly and together."""
    at = lived_in(shop)
    whole = events(shop)
    middle = whole[len(whole) // 2]["at"]
    moment = datetime.fromisoformat(middle)
    asked = {
        f"&lot_id={at.lot_id}": lambda event: event["lot_id"] == at.lot_id,
        "&by=receiving%20person": lambda event: event["by"] == "receiving person",
        "&what=delivery%20received": lambda event: event["what"] == "delivery received",
        f"&from={middle}": lambda event: datetime.fromisoformat(event["at"]) >= moment,
        f"&to={middle}": lambda event: datetime.fromisoformat(event["at"]) <= moment,
        f"&lot_id={at.lot_id}&by=quality%20person": lambda event: (
            (event["lot_id"], event["by"]) == (at.lot_id, "quality person")
        ),
    }
    for query, wanted in asked.items():
        expected = [event["id"] for event in whole if wanted(event)]
        assert expected, query
        assert len(expected) < len(whole), query
        assert expected == [event["id"] for event in events(shop, query)], query


def test_a_page_of_the_history_goes_on_where_the_one_before_ended(shop):
    """`next` leads to every entry once, in order."""
    Furnished(shop)
    numbers, path = [], "/events?limit=4"
    while path:
        page = shop.get("quality", path)
        numbers += [event["id"] for event in page["items"]]
        path = page["next"] and page["next"].removeprefix("/v1")
    assert [event["id"] for event in events(shop)] == numbers
    assert sorted(numbers) == numbers


def test_changes_at_the_same_moment_stand_one_after_the_other(shop):
    """Simultaneous changes never have the same number, in the shop's history or a lot's."""
    at = Furnished(shop)
    before = events(shop)
    body = {"spool_code": at.spool, "d1_mm": 1.75, "d2_mm": 1.75}
    calls = [("purchasing", "/suppliers", {"code": f"S{n}", "name": "N"}, {}) for n in range(3)]
    calls += [("quality", "/diameter-readings", body, {})] * 3
    assert [201] * 6 == [answer.status_code for answer in at_once(shop, calls)]
    assert 6 == len(since(shop, before))
    with connected():
        assert [] == [flaw.line for flaw in integrity_checks.found()]


@pytest.mark.parametrize(
    ("what", "rows", "error"),
    [
        ("something happened", {}, ValueError),
        ("decision made", {"lot": [99]}, ValueError),
        ("decision made", {"schema_version": [1]}, KeyError),
    ],
)
def test_an_entry_that_would_prove_nothing_is_refused(shop, what, rows, error):
    """An unknown phrase, a missing row or an uncovered table raises, and nothing is stored."""
    before = contents()
    with connected(), pytest.raises(error), transaction():
        store.note(None, what, "Ansel", datetime.now(UTC), rows)
    assert before == contents()
