import threading

import pytest

from tests.api.refusals import refused, send
from tests.store.rows import counts

BODY = {"code": "QWT", "name": "Supplier"}


def same(first, second):
    """True when an answer is repeated, with its relevant headers."""
    kept = ("Content-Type", "Location", "ETag")
    return (first.status_code, first.get_data(), [first.headers.get(name) for name in kept]) == (
        second.status_code,
        second.get_data(),
        [second.headers.get(name) for name in kept],
    )


def at_once(shop, calls):
    """The answers to simultaneous calls, each by its own client in its own thread."""
    barrier, answers = threading.Barrier(len(calls)), [None] * len(calls)

    def ask(index, role, path, body, headers):
        client = shop.app.test_client()
        named = {"Authorization": f"Bearer {shop.tokens[role]}", **headers}
        barrier.wait()
        answers[index] = client.post(f"/v1{path}", json=body, headers=named)

    threads = [threading.Thread(target=ask, args=(index, *call)) for index, call in enumerate(calls)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert None not in answers
    return answers


def test_a_repeat_gets_the_first_answer_and_stores_nothing(shop):
    """The same key with the same body has the same answer, marked as repeated, and one row."""
    first = shop.call("purchasing", "POST", "/suppliers", BODY, Idempotency_Key="k-1")
    assert 201 == first.status_code
    before = counts()
    for _ in range(3):
        again = shop.call("purchasing", "POST", "/suppliers", BODY, Idempotency_Key="k-1")
        assert same(first, again)
        assert "true" == again.headers["Idempotent-Replayed"]
    assert "Idempotent-Replayed" not in first.headers
    assert before == counts()


def test_the_first_answer_stands_whatever_happened_since(shop):
    """A repeat has the first answer, whatever happened since."""
    spool = shop.good_lot()["spools"][0]["code"]
    body = {"spool_code": spool, "machine": "P1", "job": "J", "use": "cosmetic"}
    first = shop.call("production", "POST", "/loads", body, Idempotency_Key="k")
    shop.unload(first.get_json()["id"], 0)
    shop.decide(1, "block")
    again = shop.call("production", "POST", "/loads", body, Idempotency_Key="k")
    assert 201 == again.status_code
    assert same(first, again)


def test_a_refused_load_is_answered_again_as_it_was(shop):
    """The repeat of a recorded refusal is the same 409, recorded once, even after a release."""
    delivery = shop.receive(
        shop.supplier(), shop.grade(limits={"diameter": {"ovality_max_mm": 0.05}, "sampling": {"fixed": 1}})
    )
    spool = delivery["spools"][0]["code"]
    body = {"spool_code": spool, "machine": "P1", "job": "J", "use": "hidden"}
    first = shop.call("production", "POST", "/loads", body, Idempotency_Key="k")
    refused(first, 409, "not-clear", [])
    shop.diameter(spool)
    assert "released" == shop.lot(delivery["lot_id"])["standing"]
    assert same(first, shop.call("production", "POST", "/loads", body, Idempotency_Key="k"))
    assert 1 == len(shop.get("production", "/load-refusals")["items"])
    assert 201 == shop.call("production", "POST", "/loads", body, Idempotency_Key="k-2").status_code


def test_a_key_with_another_body_is_refused(shop):
    """The same key with another body is refused and nothing is stored."""
    shop.call("purchasing", "POST", "/suppliers", BODY, Idempotency_Key="k")
    before = counts()
    other = shop.call("purchasing", "POST", "/suppliers", {**BODY, "name": "Other"}, Idempotency_Key="k")
    assert 422 == other.status_code
    assert "/problems/key-reused" == other.get_json()["type"]
    assert "new key" in other.get_json()["detail"]
    assert before == counts()


@pytest.mark.parametrize(
    ("body", "status"), [(b'{"code": "A"}', 422), (b"{", 400), (b'{"code": "TAKEN", "name": "N"}', 409), (b"", 400)]
)
def test_a_refused_request_frees_its_key(shop, body, status):
    """An invalid request frees its key, which the corrected one can use."""
    shop.supplier("TAKEN")
    before = counts()
    refused(send(shop, "POST", "/v1/suppliers", body, Idempotency_Key="k"), status)
    assert before == counts()
    right = send(shop, "POST", "/v1/suppliers", b'{"code": "A", "name": "N"}', Idempotency_Key="k")
    assert 201 == right.status_code


def test_a_refusal_of_the_wrong_person_or_type_frees_the_key(shop):
    """Neither a 403 nor a 415 takes a key."""
    refused(send(shop, "POST", "/v1/suppliers", b"{}", role="production", Idempotency_Key="k"), 403)
    refused(send(shop, "POST", "/v1/suppliers", b"{}", content_type="text/plain", Idempotency_Key="k"), 415)
    assert 201 == shop.call("admin", "POST", "/suppliers", BODY, Idempotency_Key="k").status_code


def test_keys_of_different_people_do_not_meet(shop):
    """Two people with the same key have separate answers."""
    first = shop.call("purchasing", "POST", "/suppliers", {"code": "A", "name": "A"}, Idempotency_Key="1")
    second = shop.call("admin", "POST", "/suppliers", {"code": "B", "name": "B"}, Idempotency_Key="1")
    assert (201, 201) == (first.status_code, second.status_code)
    assert ["A", "B"] == [item["code"] for item in shop.get("admin", "/suppliers")["items"]]


def test_keys_of_different_paths_do_not_meet(shop):
    """A key can be used once on each path."""
    shop.post("admin", "/suppliers", {"code": "A", "name": "A"}, Idempotency_Key="1")
    shop.post("admin", "/shades", {"code": "A", "name": "A"}, Idempotency_Key="1")


def test_without_a_key_every_post_is_a_new_one(shop):
    """Without a key two equal readings are two readings."""
    spool = shop.good_lot()["spools"][0]["code"]
    assert shop.diameter(spool)["id"] != shop.diameter(spool)["id"]


@pytest.mark.parametrize("key", ["", " ", "a b", "x" * 256, '"', "tab\there", "\xe9"])
def test_a_key_that_is_none_is_refused(shop, key):
    """A key has 1 to 255 visible ASCII characters, and others are refused."""
    refused(send(shop, "POST", "/v1/suppliers", b"{}", Idempotency_Key=key), 422, "invalid", ["Idempotency-Key"])


@pytest.mark.parametrize("key", ["x", "x" * 255, '"8e03978e-40d5-43dd-bc93-6894a57f9324"', "~!@#$%^&*()"])
def test_a_key_may_be_long_or_quoted(shop, key):
    """The longest key, a quoted one and one of unusual characters are recognised again."""
    first = shop.call("purchasing", "POST", "/suppliers", BODY, Idempotency_Key=key)
    assert 201 == first.status_code
    assert same(first, shop.call("purchasing", "POST", "/suppliers", BODY, Idempotency_Key=key))


def test_two_simultaneous_repeats_store_once(shop):
    """Simultaneous repeats get one answer and store one row."""
    headers = {"Idempotency-Key": "k"}
    answers = at_once(shop, [("purchasing", "/suppliers", BODY, headers)] * 4)
    assert [201] * 4 == [answer.status_code for answer in answers]
    assert all(same(answers[0], answer) for answer in answers)
    assert 3 == sum("Idempotent-Replayed" in answer.headers for answer in answers)
    assert 1 == len(shop.get("purchasing", "/suppliers")["items"])


def test_simultaneous_repeats_of_readings_store_once(shop):
    """A list of readings sent twice at once is stored and assessed once."""
    delivery = shop.good_lot()
    spool, before = delivery["spools"][0]["code"], counts()
    body = [{"spool_code": spool, "d1_mm": 1.75, "d2_mm": 1.76}] * 5
    answers = at_once(shop, [("quality", "/diameter-readings", body, {"Idempotency-Key": "k"})] * 3)
    assert [201] * 3 == [answer.status_code for answer in answers]
    assert before["reading"] + 5 == counts()["reading"]
    assert before["repeated_request"] + 1 == counts()["repeated_request"]


def test_one_code_added_twice_at_once_is_stored_once(shop):
    """Of two simultaneous suppliers with one code and without a key, the second is refused."""
    answers = at_once(shop, [("purchasing", "/suppliers", BODY, {})] * 3)
    assert [201, 409, 409] == sorted(answer.status_code for answer in answers)
    assert 1 == len(shop.get("purchasing", "/suppliers")["items"])


def test_one_spool_loaded_twice_at_once_is_loaded_once(shop):
    """Of two simultaneous loads of a spool the second is refused with its machine."""
    spool = shop.good_lot()["spools"][0]["code"]
    body = {"spool_code": spool, "job": "J", "use": "cosmetic"}
    answers = at_once(shop, [("production", "/loads", {**body, "machine": f"P{n}"}, {}) for n in range(3)])
    assert [201, 409, 409] == sorted(answer.status_code for answer in answers)
    assert 1 == len(shop.get("production", "/loads?open=true")["items"])
    assert 2 == len(shop.get("production", "/load-refusals")["items"])
