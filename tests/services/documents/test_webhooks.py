"""Webhooks: every change of the wanted kinds arrives at least once, signed, whatever the receiver does; nobody else waits for it."""

import base64
import hashlib
import hmac
import ipaddress
import logging
import socket
import threading
from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from lots.services.documents import webhook_addresses, webhook_requests, webhook_sending
from lots.services.documents.webhook_addresses import NotAllowed
from lots.services.documents.webhook_requests import Message
from lots.services.documents.webhook_sending import BACKOFF, Sender
from lots.store.changes import webhooks as store
from lots.store.tables.models import Webhook, WebhookMessage
from tests.api.refusals import hints, refused, send
from tests.api.test_idempotency import at_once
from tests.feed import followed, latest
from tests.receiver import Receiver
from tests.store.rows import connected, contents

HERE = (ipaddress.ip_network("127.0.0.0/8"),)


@pytest.fixture
def receiver():
    """A receiver that takes everything until it is told otherwise."""
    one = Receiver()
    yield one
    one.stop()


@pytest.fixture
def near(shop):
    """A shop that may send to this machine."""
    shop.app.extensions["webhook_networks"] = HERE
    yield shop
    shop.app.extensions["webhook_networks"] = ()


@pytest.fixture
def sender():
    """What sends in this process."""
    one = Sender(HERE)
    yield one
    one.stop()


@pytest.fixture
def soon(monkeypatch):
    """Attempts end after half a second."""
    monkeypatch.setattr(webhook_requests, "DEADLINE_S", 0.5)


def add(shop, url, *kinds):
    """A webhook."""
    return shop.post("admin", "/webhooks", {"url": url, "kinds": list(kinds)})


def go(sender):
    """One round to its end."""
    with connected():
        sender.round()
    sender.wait()


def messages():
    """What is kept to be sent again."""
    with connected():
        return list(WebhookMessage.select().order_by(WebhookMessage.id))


def signed_by(secret, got):
    """Whether a message bears the signature that its receiver works out, from the specification alone."""
    key = base64.b64decode(secret.removeprefix("whsec_"))
    content = ".".join([got.headers["webhook-id"], got.headers["webhook-timestamp"], got.body.decode()])
    wanted = base64.b64encode(hmac.digest(key, content.encode(), hashlib.sha256)).decode()
    return got.headers["webhook-signature"] == f"v1,{wanted}"


def some_changes(shop):
    """Loads two spools of a released lot, and blocks it: five changes in three entries."""
    delivery = shop.good_lot(
        shop.supplier(),
        shop.grade(
            limits={"diameter": {"reading_tolerance_mm": 0.05}, "sampling": {"fixed": 1}, "color": {"lot_max": 1.0}}
        ),
    )
    start = latest(shop)
    for number in range(2):
        shop.load(delivery["spools"][number]["code"], machine=f"P{number}")
    shop.decide(delivery["lot_id"], "block")
    return [change["id"] for change in followed(shop, after=start)], start


def test_the_signature_is_that_of_the_specification():
    """The example that its libraries are tested with."""
    message = Message("msg_p5jXN8AQM9LWM0D4loKWxJek", b'{"test": 2432232314}')
    secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # noqa: S105  # published
    assert "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=" == webhook_requests.signature(secret, message, 1614265330)


def test_changes_are_sent_in_order_signed_and_once(near, receiver, sender):
    """Each as in the feed, in the envelope of Standard Webhooks; another round sends nothing."""
    hook = add(near, receiver.url)
    delivery = near.good_lot()
    near.load(delivery["spools"][0]["code"])
    near.decide(delivery["lot_id"], "block")
    go(sender)
    go(sender)
    expected = followed(near)
    assert expected == [one.said["data"] for one in receiver.got]
    for one in receiver.got:
        assert signed_by(hook["secret"], one)
        assert {"type", "timestamp", "data"} == set(one.said)
        assert (one.said["type"], one.said["timestamp"]) == (one.said["data"]["kind"], one.said["data"]["at"])
        assert abs(int(one.headers["webhook-timestamp"]) - datetime.now(UTC).timestamp()) < 60
        assert ("application/json", "/changes?key=s3cret") == (one.headers["content-type"], one.path)
        assert f"127.0.0.1:{receiver.port}" == one.headers["host"]
        assert "." not in one.headers["webhook-id"]
    assert len(expected) == len({one.headers["webhook-id"] for one in receiver.got})
    assert [] == messages()
    assert (None, 0, 0) == tuple(
        near.get("admin", f"/webhooks/{hook['id']}")[name] for name in ("failing_since", "waiting", "failed")
    )


def test_only_what_changes_after_it_was_added_and_only_its_kinds(near, receiver, sender):
    """The position moves past the others."""
    some_changes(near)
    hook = add(near, receiver.url, "lot.blocked", "containment.opened")
    delivery = near.good_lot(
        near.supplier("B"),
        near.grade(
            "B",
            limits={"diameter": {"reading_tolerance_mm": 0.05}, "sampling": {"fixed": 1}, "color": {"lot_max": 1.0}},
        ),
    )
    near.load(delivery["spools"][0]["code"], machine="P9")
    near.decide(delivery["lot_id"], "block")
    near.decide(delivery["lot_id"], "lift")
    go(sender)
    assert ["lot.blocked", "containment.opened"] == [one.said["type"] for one in receiver.got]
    assert int(latest(near).split(".")[0]) == near.get("admin", f"/webhooks/{hook['id']}")["position"]


def test_a_receiver_that_is_down_loses_nothing(near, sender):
    """What changes meanwhile waits, with one attempt in a while; once it is up, everything arrives."""
    away = Receiver()
    port = away.port
    away.stop()
    with time_machine.travel(datetime.now(UTC), tick=False) as clock:
        hook = add(near, f"http://127.0.0.1:{port}/")
        expected, _ = some_changes(near)
        every = [change["id"] for change in followed(near)]
        for _ in range(3):
            go(sender)
        assert [(1, "The connection failed: Connection refused.")] + [(0, None)] * (len(every) - 1) == [
            (one.attempts, one.last_error) for one in messages()
        ]
        clock.shift(timedelta(seconds=6))
        go(sender)
        assert 2 == sum(one.attempts for one in messages())
        failures = near.get("admin", f"/webhooks/{hook['id']}/failures")["items"]
        assert every == [one["change_id"] for one in failures] == [one["change"]["id"] for one in failures]
        back = Receiver()
        with connected():
            Webhook.update(url=back.url).execute()
        try:
            clock.shift(timedelta(minutes=6))
            go(sender)
            assert sorted(every) == sorted(back.changes)
            assert set(expected) <= set(back.changes)
            assert [] == near.get("admin", f"/webhooks/{hook['id']}/failures")["items"]
            assert near.get("admin", f"/webhooks/{hook['id']}")["failing_since"] is None
        finally:
            back.stop()


@pytest.mark.parametrize("engine", ["sqlite"])
def test_a_message_is_sent_again_on_schedule_and_then_has_failed(near, receiver, sender):
    """After 5 s, 5 min, ... 24 h; a replay sends it anew under the same id."""
    receiver.behave = 500
    with time_machine.travel(datetime.now(UTC), tick=False) as clock:
        hook = add(near, receiver.url, "lot.quarantined")
        near.receive(near.supplier(), near.grade())
        go(sender)
        for nth, later in enumerate(BACKOFF, start=1):
            (one,) = messages()
            assert (nth, 500, "The receiver answered 500.") == (one.attempts, one.last_status, one.last_error)
            assert clock_now() + later == one.next_at
            clock.shift(later - timedelta(seconds=1))
            go(sender)
            assert nth == len(receiver.got)
            clock.shift(timedelta(seconds=1))
            go(sender)
            assert nth + 1 == len(receiver.got)
        clock.shift(timedelta(days=30))
        go(sender)
        (failed,) = near.get("admin", f"/webhooks/{hook['id']}/failures")["items"]
        assert (len(BACKOFF) + 1, None, 500) == (failed["attempts"], failed["next_at"], failed["last_status"])
        assert 1 == near.get("admin", f"/webhooks/{hook['id']}")["failed"]
        receiver.behave = 200
        assert 1 == near.post("admin", f"/webhooks/{hook['id']}/replay", {})["messages"]
        go(sender)
        assert len(BACKOFF) + 2 == len(receiver.got)
        assert 1 == len({one.headers["webhook-id"] for one in receiver.got})
        assert len(BACKOFF) + 2 == len({one.headers["webhook-timestamp"] for one in receiver.got})
        assert [] == near.get("admin", f"/webhooks/{hook['id']}/failures")["items"]


def clock_now():
    """The present moment."""
    return datetime.now(UTC)


@pytest.mark.parametrize("engine", ["sqlite"])
@pytest.mark.parametrize(
    ("way", "says"),
    [
        ("elsewhere", "The receiver answered 302. Redirects are not followed."),
        ("cut", "The connection failed: "),
        ("garbage", "The connection failed: "),
        ("hang", "The receiver did not answer within 0 s."),
        ("drip", "The receiver did not answer within 0 s."),
    ],
)
def test_a_receiver_that_misbehaves_fails_and_is_tried_again(near, receiver, sender, soon, way, says):
    """Redirected, cut off, no HTTP, silent, or without an end of its header: the message waits, with what went wrong."""
    receiver.behave = getattr(receiver, way)
    add(near, receiver.url)
    near.receive(near.supplier(), near.grade())
    go(sender)
    (one,) = messages()
    assert one.attempts == 1
    assert one.last_error.startswith(says)
    assert ["/changes?key=s3cret"] == [got.path for got in receiver.got]


@pytest.mark.parametrize("engine", ["sqlite"])
def test_an_answer_without_an_end_is_read_no_further_than_it_must(near, receiver, sender, soon):
    """The status came first, and it was good."""
    receiver.behave = receiver.endless
    add(near, receiver.url)
    near.receive(near.supplier(), near.grade())
    go(sender)
    assert [] == messages()
    assert 1 == len(receiver.got)


def test_410_ends_the_webhook(near, receiver, sender):
    """By the receiver's wish, in the history; nothing is sent afterwards."""
    receiver.behave = 410
    hook = add(near, receiver.url)
    some_changes(near)
    go(sender)
    go(sender)
    assert 1 == len(receiver.got)
    assert "the receiver, which answered 410" == near.get("admin", f"/webhooks/{hook['id']}")["ended_by"]
    ended = near.get("quality", "/events?what=webhook%20ended")["items"]
    assert [("lots serve", {"webhook": [hook["id"]]})] == [(one["by"], one["rows"]) for one in ended]


@pytest.mark.parametrize("engine", ["sqlite"])
def test_a_receiver_that_is_slow_slows_nobody(near, receiver, sender):
    """While one receiver says nothing, another gets everything, requests are answered and written, and rounds go on."""
    slow = Receiver()
    slow.behave = slow.hang
    try:
        add(near, slow.url)
        add(near, receiver.url)
        expected, _ = some_changes(near)
        with connected():
            sender.round()
        for thread in list(sender._threads.values())[1:]:
            thread.join(30)
        assert set(expected) <= set(receiver.changes)
        assert 1 == len(slow.got)
        delivery = near.receive(near.supplier("C"), near.grade("C"))
        with connected():
            sender.round()
        list(sender._threads.values())[1].join(30)
        assert followed(near)[-1]["id"] == receiver.changes[-1]
        assert delivery["lot_id"] == followed(near)[-1]["lot_id"]
        assert 1 == len(slow.got)
        slow.let_go.set()
        sender.wait()
    finally:
        slow.stop()


@pytest.mark.parametrize("engine", ["sqlite"])
def test_one_message_that_is_never_taken_does_not_hold_up_the_others(near, receiver, sender):
    """It waits for its next time; those behind it arrive after the pause."""

    def takes_all_but_blocks(handler):
        status = 500 if receiver.got[-1].said["type"] == "lot.blocked" else 204
        handler.send_response(status)
        handler.end_headers()

    receiver.behave = takes_all_but_blocks
    with time_machine.travel(datetime.now(UTC), tick=False) as clock:
        add(near, receiver.url)
        expected, _ = some_changes(near)
        for _ in range(3):
            go(sender)
            clock.shift(timedelta(seconds=6))
        assert set(expected) <= set(receiver.changes)
        (one,) = [one for one in messages() if one.delivered_at is None]
        assert 2 == one.attempts


@pytest.mark.parametrize("engine", ["sqlite"])
def test_changes_of_other_kinds_do_not_make_a_receiver_well(near, receiver, sender):
    """Nothing was sent, so it is failing as before."""
    receiver.behave = 500
    with time_machine.travel(datetime.now(UTC), tick=False) as clock:
        hook = add(near, receiver.url, "lot.quarantined")
        delivery = near.receive(near.supplier(), near.grade())
        go(sender)
        since = near.get("admin", f"/webhooks/{hook['id']}")["failing_since"]
        assert since is not None
        clock.shift(timedelta(seconds=6))
        go(sender)
        clock.shift(timedelta(seconds=60))
        near.decide(delivery["lot_id"], "block")
        go(sender)
        assert since == near.get("admin", f"/webhooks/{hook['id']}")["failing_since"]
        assert 2 == len(receiver.got)


@pytest.mark.parametrize("sends", [1, 2, 3])
def test_killed_between_sending_and_storing_nothing_is_lost(near, receiver, sender, monkeypatch, sends):
    """What was sent and not noted is sent again, under the same id."""
    add(near, receiver.url)
    some_changes(near)
    every = [change["id"] for change in followed(near)]
    real, calls = store.move, []

    def killed(*args):
        calls.append(args)
        if len(calls) <= sends:
            raise RuntimeError("killed")
        real(*args)

    monkeypatch.setattr(store, "move", killed)
    for _ in range(sends + 1):
        go(sender)
    assert set(every) == set(receiver.changes)
    assert len(every) == len({one.headers["webhook-id"] for one in receiver.got})
    assert len(receiver.got) > len(every)


def test_one_process_sends_at_a_time(near, receiver, sender):
    """A second one stands by until the first gives up."""
    other = Sender(HERE)
    try:
        add(near, receiver.url)
        go(sender)
        near.receive(near.supplier(), near.grade())
        go(other)
        assert [] == receiver.got
        go(sender)
        assert 1 == len(receiver.got)
        sender.stop()
        near.receive(near.supplier("B"), near.grade("B"))
        go(other)
        assert 2 == len(receiver.got)
    finally:
        other.stop()


def test_two_that_send_at_once_lose_nothing(near, receiver, monkeypatch):
    """Even without the lock, positions never go back and messages are kept once."""
    monkeypatch.setattr("lots.store.changes.sender_lock.SenderLock.take", lambda _self: True)
    add(near, receiver.url)
    some_changes(near)
    every = [change["id"] for change in followed(near)]
    both = [Sender(HERE), Sender(HERE)]
    with connected():
        for one in both:
            one.round()
    for one in both:
        one.wait()
    assert set(every) == set(receiver.changes)
    assert len(every) == len({one.headers["webhook-id"] for one in receiver.got})


@pytest.mark.parametrize("engine", ["sqlite"])
def test_a_day_of_failures_is_one_line_in_the_log(near, receiver, sender, caplog):
    """With the host, and without the path, which may hold a secret."""
    receiver.behave = 503
    with time_machine.travel(datetime.now(UTC), tick=False) as clock, caplog.at_level(logging.WARNING):
        hook = add(near, receiver.url, "lot.quarantined")
        near.receive(near.supplier(), near.grade())
        for _ in range(40):
            go(sender)
            clock.shift(timedelta(hours=1))
    said = [record.getMessage() for record in caplog.records if "webhook" in record.getMessage()]
    (line,) = said
    assert f"webhook {hook['id']} has been failing for a day: 127.0.0.1:{receiver.port}" in line
    assert "s3cret" not in caplog.text
    assert hook["secret"] not in caplog.text


@pytest.mark.parametrize("engine", ["sqlite"])
def test_the_secret_is_shown_once(near, receiver):
    """Not in lists, not in the history, not in the log."""
    hook = add(near, receiver.url)
    assert 32 == len(base64.b64decode(hook["secret"].removeprefix("whsec_")))
    near.post("admin", f"/webhooks/{hook['id']}/end")
    shown = [
        near.call("admin", "GET", path).get_data(as_text=True)
        for path in (
            "/webhooks",
            f"/webhooks/{hook['id']}",
            f"/webhooks/{hook['id']}/failures",
            "/events?limit=500",
            "/changes",
        )
    ]
    assert not [text for text in shown if hook["secret"] in text or hook["secret"][6:] in text]


@pytest.mark.parametrize("engine", ["sqlite"])
def test_a_test_message_says_what_the_receiver_answered(near, receiver, soon):
    """At once, stored nowhere, also under a key: a repeat sends another one."""
    hook = add(near, receiver.url)
    before = contents()

    def answers(handler):
        handler.send_response(202)
        handler.send_header("Content-Length", "7")
        handler.end_headers()
        handler.wfile.write(b"thanks!")

    receiver.behave = answers
    for _ in range(2):
        told = near.post("admin", f"/webhooks/{hook['id']}/test", None, 200, Idempotency_Key="k")
        assert (True, 202, None, "thanks!") == tuple(told[name] for name in ("delivered", "status", "error", "said"))
    receiver.behave = receiver.hang
    told = near.post("admin", f"/webhooks/{hook['id']}/test", None, 200)
    assert (False, None, "The receiver did not answer within 0 s.") == (
        told["delivered"],
        told["status"],
        told["error"],
    )
    assert "webhook.test" == receiver.got[0].said["type"]
    assert all(signed_by(hook["secret"], one) for one in receiver.got)
    assert before == contents()


def test_replaying_from_a_position_sends_everything_after_it_again(near, receiver, sender):
    """Under the ids of the first time."""
    hook = add(near, receiver.url)
    some_changes(near)
    go(sender)
    first = {one.headers["webhook-id"]: one.body for one in receiver.got}
    every = [change["id"] for change in followed(near)]
    for place in (0, len(every) // 2, len(every) - 2):
        receiver.got.clear()
        near.post("admin", f"/webhooks/{hook['id']}/replay", {"after": every[place]})
        go(sender)
        assert set(every[place + 1 :]) <= set(receiver.changes)
        assert first.items() >= {one.headers["webhook-id"]: one.body for one in receiver.got}.items()
    for wrong in ("x", "999999.0", latest(near).split(".")[0]):
        answer = send(near, "POST", f"/v1/webhooks/{hook['id']}/replay", f'{{"after": "{wrong}"}}')
        refused(answer, 422, "invalid", ["/after"])
    near.post("admin", f"/webhooks/{hook['id']}/end")
    near.post("admin", f"/webhooks/{hook['id']}/replay", {}, 409)
    near.post("admin", f"/webhooks/{hook['id']}/test", None, 409)
    near.post("admin", f"/webhooks/{hook['id']}/end", None, 409)


@pytest.mark.parametrize("engine", ["sqlite"])
def test_there_are_at_most_twenty(near):
    """Ended ones do not count."""
    hooks = [add(near, f"https://receiver.invalid/{number}") for number in range(20)]
    near.post("admin", "/webhooks", {"url": "https://receiver.invalid/21"}, 409)
    near.post("admin", f"/webhooks/{hooks[0]['id']}/end")
    assert 201 == at_once(near, [("admin", "/webhooks", {"url": "https://receiver.invalid/22"}, {})])[0].status_code


INSIDE = [
    *("127.0.0.1", "127.8.9.1", "0.0.0.0", "10.1.2.3", "172.16.0.1", "192.168.1.1", "169.254.169.254", "100.64.0.1"),  # noqa: S104  # not bound to
    *(
        "224.0.0.1",
        "240.0.0.1",
        "255.255.255.255",
        "192.0.2.1",
        "198.18.0.1",
        "2130706433",
        "127.1",
        "0x7f.1",
        "017700000001",
    ),
    *(
        "[::1]",
        "[::]",
        "[fe80::1]",
        "[fc00::1]",
        "[fd12:3456::1]",
        "[ff02::1]",
        "[::ffff:127.0.0.1]",
        "[::ffff:10.0.0.1]",
    ),
    *(
        "[64:ff9b::7f00:1]",
        "[64:ff9b::a00:1]",
        "[2002:7f00:1::]",
        "[::7f00:1]",
        "[fec0::1]",
        "[2001:db8::1]",
        "[100::1]",
    ),
    *("localhost", "LOCALHOST", "shop.localhost"),
]


@pytest.mark.parametrize("engine", ["sqlite"])
def test_an_internal_address_is_refused_however_it_is_written(shop):
    """With the setting that would allow it; nothing is stored."""
    before = contents()
    for host in INSIDE:
        for url in (f"http://{host}/", f"https://{host}:8443/x"):
            answer = send(shop, "POST", "/v1/webhooks", f'{{"url": "{url}"}}')
            assert "LOTS_WEBHOOK_NETWORKS" in hints(refused(answer, 422, "invalid", ["/url"])), url
    assert before == contents()


@pytest.mark.parametrize("engine", ["sqlite"])
@pytest.mark.parametrize(
    "url",
    [
        *("ftp://example.org/", "file:///etc/passwd", "example.org", "//example.org/", "http://", "https:///x"),
        *("http://user@example.org/", "http://a:b@example.org/", "http://example.org/#x", "http://exa mple.org/"),
        *(
            "http://example.org:0x50/",
            "http://example.org:99999/",
            "http://[::1/",
            "http://exämple.org/",
            "http://a\\\\b/",
        ),
    ],
)
def test_what_is_no_address_is_refused(shop, url):
    """With what is wrong about it."""
    refused(send(shop, "POST", "/v1/webhooks", f'{{"url": "{url}"}}'.encode()), 422, "invalid", ["/url"])


@pytest.mark.parametrize("address", ["8.8.8.8", "2606:4700::1111", "::ffff:8.8.8.8", "64:ff9b::808:808"])
def test_public_addresses_are_allowed(address):
    """Of both families."""
    assert webhook_addresses.allowed(ipaddress.ip_address(address), ())


def resolving(monkeypatch, *answers):
    """Has the name server give these lists of addresses, one after the other, the last for good."""
    left, asked = list(answers), []
    real = socket.getaddrinfo

    def resolved(host, port, *args, flags=0, **kwargs):
        if host != "hooks.example.org" or flags & socket.AI_NUMERICHOST:
            return real(host, port, *args, flags=flags, **kwargs)
        asked.append(host)
        addresses = left.pop(0) if len(left) > 1 else left[0]
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (address, port)) for address in addresses]

    monkeypatch.setattr(socket, "getaddrinfo", resolved)
    return asked


def test_a_name_with_one_internal_address_is_refused(monkeypatch):
    """Though its other addresses are public."""
    resolving(monkeypatch, ["93.184.216.34", "10.0.0.5"])
    outcome = webhook_requests.send("https://hooks.example.org/", "whsec_AAAA", Message("m", b"{}"), (), 0)
    assert (None, False) == (outcome.status, outcome.delivered)
    assert "hooks.example.org is the internal address 10.0.0.5" in outcome.error


def test_the_connection_is_made_to_the_address_that_was_checked(monkeypatch, receiver):
    """A name server that says something else the second time is not asked a second time."""
    asked = resolving(monkeypatch, ["127.0.0.1"], ["127.0.0.99"])
    url = f"http://hooks.example.org:{receiver.port}/in"
    outcome = webhook_requests.send(url, "whsec_AAAA", Message("m", b"{}"), HERE, 0)
    assert outcome.delivered
    assert ["hooks.example.org"] == asked
    assert f"hooks.example.org:{receiver.port}" == receiver.got[0].headers["host"]


def test_a_name_server_that_says_nothing_ends_the_attempt(monkeypatch, soon):
    """Within the deadline."""
    let_go = threading.Event()
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_args, **_named: [] if let_go.wait(20) else None)
    outcome = webhook_requests.send("http://hooks.example.org/", "whsec_AAAA", Message("m", b"{}"), HERE, 0)
    let_go.set()
    assert "The receiver did not answer within 0 s." == outcome.error
    assert outcome.seconds < 10


def test_proxies_of_the_environment_are_not_used(monkeypatch, receiver):
    """They could lead anywhere."""
    for name in ("http_proxy", "HTTP_PROXY", "https_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9/")
    assert webhook_requests.send(receiver.url, "whsec_AAAA", Message("m", b"{}"), HERE, 0).delivered


def test_a_certificate_that_nobody_vouches_for_is_refused(receiver):
    """So is a receiver that speaks no TLS."""
    url = receiver.url.replace("http://", "https://")
    outcome = webhook_requests.send(url, "whsec_AAAA", Message("m", b"{}"), HERE, 0)
    assert "TLS failed" in outcome.error
    assert [] == receiver.got


def test_a_url_that_was_stored_before_the_rules_is_refused_when_sent():
    """Whatever stands in the table is checked again."""
    with pytest.raises(NotAllowed):
        webhook_addresses.target_of("gopher://example.org/")
    outcome = webhook_requests.send("gopher://example.org/", "whsec_AAAA", Message("m", b"{}"), (), 0)
    assert not outcome.delivered


def test_the_pause_grows_with_the_failure_and_has_an_end():
    """From 5 s to 5 min."""
    now = datetime(2026, 3, 2, tzinfo=UTC)
    waits = [webhook_sending.pause(now - timedelta(seconds=s), now).total_seconds() for s in (0, 49, 100, 3000, 10**6)]
    assert [5, 5, 10, 300, 300] == waits
