"""The first day of a shop: the link that makes the first administrator, what kills it, and the list of what to set up."""

from __future__ import annotations

import json
import threading
from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from lots.app import create_app
from lots.pages.setup import first_day
from lots.services.errors import Settled
from lots.services.setup import access
from lots.settings import Settings
from lots.store.engine import database
from lots.store.tables.models import Event, Token, WebSession
from tests.api.test_queries import statements
from tests.pages.reading import Browser, Page
from tests.shop import SIMPLE_LIMITS
from tests.store.rows import connected

HERE = "http://127.0.0.1:8080"
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
ENGINES = pytest.mark.parametrize("engine", ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
DEAD = "Link not valid"
PROXY = "192.0.2.1"


@pytest.fixture
def engine():
    """Most of this does not depend on the engine."""
    return "sqlite"


class New:
    """A shop without a token, its server, and the link that it printed."""

    def __init__(self, url, host="127.0.0.1", **settings):
        self.app = create_app(Settings(database=url, **settings))
        with connected():
            self.printed = list(first_day.offer(self.app, host, 8080))
        self.link = self.printed[-1].strip() if self.printed else ""
        self.path = self.link.removeprefix(HERE)
        self.client = self.app.test_client()

    def get(self, client=None, path="", address="127.0.0.1", **headers):
        """The answer of the link."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        client = client or self.client
        asked = {"base_url": HERE, "headers": named, "environ_base": {"REMOTE_ADDR": address}}
        return client.get(path or self.path, **asked)

    def send(self, name="Wilhelmina", client=None, address="127.0.0.1", **more):
        """The answer of the form behind the link."""
        client = client or self.client
        fields = Page(self.get(client)).form("name")["fields"]
        sent = {**fields, "name": name, **more}
        return client.post(self.path, data=sent, base_url=HERE, environ_base={"REMOTE_ADDR": address})


@pytest.fixture
def url(engine, tmp_path, settings_and_tokens):
    """A database without tokens."""
    if engine == "sqlite":
        database.close()
        yield f"sqlite:///{tmp_path}/new.sqlite3"
        database.close()
        return
    with connected():
        Event.delete().execute()
        Token.delete().execute()
    yield settings_and_tokens[0].database


@pytest.fixture
def new(url):
    """The shop on it."""
    return New(url)


def tokens():
    """Name and role of every token there is."""
    with connected():
        return [(row.name, row.role) for row in Token.select().order_by(Token.id)]


# The link


@ENGINES
def test_the_link_makes_the_first_administrator_once_and_signs_in(new):
    """The page shows the token as text and symbol, its browser is signed in, and it leads to the set-up."""
    answer = new.send()
    page = Page(answer)
    assert (200, "Token of Wilhelmina") == (answer.status_code, page.headings[0])
    assert [("Wilhelmina", "admin")] == tokens()
    text = next(word for word in page.text.split() if len(word) == 43)
    with connected():
        assert access.Person("Wilhelmina", "admin") == access.person_of(text)
    assert 'src="data:image/svg+xml' in page.html
    assert "This token is shown only now." in page.text
    assert "/setup" == page.links["Continue"]
    assert 200 == new.client.get("/setup", base_url=HERE).status_code
    with connected():
        assert ["token made"] == [event.what for event in Event.select()]
        assert not [event for event in Event.select() if text in repr(event.__data__)]


def test_a_used_link_is_dead(new):
    """Also for the browser that used it; the page says what to do."""
    form = Page(new.get()).form("name")["fields"]
    new.send()
    for answer in (new.get(), new.client.post(new.path, data={**form, "name": "Again"}, base_url=HERE)):
        said = Page(answer)
        assert (404, DEAD) == (said.status, said.headings[0])
        assert "lots token add NAME --role admin" in said.text
    assert [("Wilhelmina", "admin")] == tokens()


@pytest.mark.parametrize(("after", "status"), [(0, 200), (30, 200), (30.001, 404), (-1, 404)])
def test_the_link_holds_for_thirty_minutes(url, after, status):
    """The link is valid for thirty minutes, and not on a clock that was set back."""
    with time_machine.travel(NOON, tick=False) as now:
        new = New(url)
        now.shift(timedelta(minutes=after))
        assert status == new.get().status_code


def test_a_form_that_was_open_for_too_long_makes_nobody(url):
    """The link is looked at again when the form comes."""
    with time_machine.travel(NOON, tick=False) as now:
        new = New(url)
        form = Page(new.get()).form("name")["fields"]
        now.shift(timedelta(minutes=31))
        assert 404 == new.client.post(new.path, data={**form, "name": "Late"}, base_url=HERE).status_code
    assert [] == tokens()


@pytest.mark.parametrize("revoked", [False, True])
def test_a_token_made_otherwise_kills_the_link(new, revoked):
    """A token from the command line ends the link, even after the token was revoked."""
    with connected():
        access.add_token("Corin", "production")
        if revoked:
            access.revoke_token("Corin")
    assert 404 == new.get().status_code
    with pytest.raises(Settled), connected():
        access.add_first_administrator("Wilhelmina")
    assert [("Corin", "production")] == tokens()


@pytest.mark.parametrize("secret", ["x", "A" * 43, "é", "%00", "%ff", "a%2Fb"])
def test_another_secret_opens_nothing(new, secret):
    """Every wrong secret gets the same page or no page."""
    answer = new.get(path=f"/first/{secret}")
    assert 404 == answer.status_code
    assert 404 == new.client.post(f"/first/{secret}", data={"name": "X"}, base_url=HERE).status_code
    assert [] == tokens()


def test_a_server_that_prints_no_link_has_none(url):
    """A server that prints no link, such as gunicorn, has none."""
    client = create_app(Settings(database=url)).test_client()
    assert 404 == client.get("/first/x", base_url=HERE).status_code


@pytest.mark.parametrize(
    ("host", "printed"),
    [
        ("127.0.0.1", "http://127.0.0.1:8080/first/"),
        ("localhost", "http://localhost:8080/first/"),
        ("0.0.0.0", "http://127.0.0.1:8080/first/"),  # noqa: S104  # a setting
        ("::", "http://[::1]:8080/first/"),
    ],
)
def test_the_link_names_this_machine(url, host, printed):
    """The printed link names an address that a browser on this machine can open."""
    told = New(url, host).printed
    assert told[-1].strip().startswith(printed)
    assert "within 30 minutes" in told[0]


def test_where_this_machine_cannot_be_told_the_command_is_named_instead(url):
    """A server that listens at one address of a network sees its own machine come from there."""
    new = New(url, "192.0.2.7")
    assert [
        "lots: nobody can sign in yet. Make the first administrator with the command: lots token add NAME --role admin"
    ] == (new.printed)
    assert "first_link" not in new.app.extensions


def test_a_shop_with_a_token_prints_nothing(url):
    """Somebody can sign in, or could."""
    New(url).send()
    assert [] == New(url).printed


# From where


@pytest.mark.parametrize(
    ("address", "status"),
    [("127.0.0.1", 200), ("127.8.0.1", 200), ("::1", 200), ("::ffff:127.0.0.1", 200), ("192.0.2.7", 404), ("", 404)],
)
def test_only_this_machine_may_open_it(new, address, status):
    """The link opens only for connections from this machine."""
    assert status == new.get(address=address).status_code


@pytest.mark.parametrize(
    "name", ["X-Forwarded-For", "Forwarded", "X-Real-IP", "Via", "X-Forwarded-Host", "X-Forwarded-Proto"]
)
def test_what_an_unknown_proxy_passes_on_does_not_come_from_here(new, name):
    """Its word is not believed, not even where it says that the client is here."""
    assert 404 == new.get(**{name: "127.0.0.1"}).status_code


@pytest.mark.parametrize(
    ("said", "status"),
    [
        ("127.0.0.1", 200),
        ("::1", 200),
        ("203.0.113.9", 404),
        ("127.0.0.1, 203.0.113.9", 404),
        ("203.0.113.9, 127.0.0.1", 404),
        ("unknown", 404),
        ("", 404),
    ],
)
@pytest.mark.parametrize("proxy", [PROXY, "127.0.0.1"])
def test_behind_a_known_proxy_its_client_counts(url, proxy, said, status):
    """Every named client must be this machine, including those that earlier proxies named."""
    new = New(url, proxy=proxy)
    assert status == new.get(address=proxy, X_Forwarded_For=said).status_code


def test_a_known_proxy_that_names_no_client_passes_nobody(url):
    """Nothing tells who is behind it."""
    new = New(url, proxy=PROXY)
    assert 404 == new.get(address=PROXY).status_code
    assert 404 == New(url, proxy="127.0.0.1").get(X_Forwarded_Proto="https").status_code


# The form


@pytest.mark.parametrize("seal", ["", "0" * 64, "é"])
def test_a_form_of_another_site_makes_nobody(new, seal):
    """It has no seal of this browser's cookie."""
    answer = new.send(seal=seal)
    assert 400 == answer.status_code
    assert "This form is too old" in Page(answer).text
    assert [] == tokens()


def test_a_form_without_its_cookie_makes_nobody(new):
    """The seal alone is not enough."""
    form = Page(new.get()).form("name")["fields"]
    other = new.app.test_client()
    assert 400 == other.post(new.path, data={**form, "name": "X"}, base_url=HERE).status_code
    assert [] == tokens()


@pytest.mark.parametrize("name", ["", "  ", "x" * 121, "a\nb", "Wil\u200bhelmina"])
def test_a_name_that_cannot_be_kept_is_refused_beside_its_field(new, name):
    """The link still holds."""
    answer = new.send(name)
    assert (422, True) == (answer.status_code, 'aria-invalid="true"' in answer.get_data(as_text=True))
    assert [] == tokens()
    assert 200 == new.send().status_code


def at_once(work, count=2):
    """What so many threads were answered that did the same at the same moment."""
    barrier, answers = threading.Barrier(count), [None] * count

    def run(index):
        barrier.wait()
        answers[index] = work(index)

    threads = [threading.Thread(target=run, args=(index,)) for index in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    return answers


@ENGINES
def test_of_two_browsers_at_once_one_makes_the_administrator(new):
    """The other is told that the link is over."""
    clients = [new.app.test_client() for _ in range(2)]
    forms = [Page(new.get(client)).form("name")["fields"] for client in clients]

    def send(index):
        sent = {**forms[index], "name": f"Person {index}"}
        return clients[index].post(new.path, data=sent, base_url=HERE).status_code

    assert [200, 404] == sorted(at_once(send))
    assert 1 == len(tokens())


@ENGINES
def test_of_several_processes_one_makes_the_administrator(new):
    """Each with a link of its own, on one database: the transaction decides."""

    def make(index):
        with connected():
            try:
                return access.add_first_administrator(f"Person {index}")["role"]
            except Settled:
                return "over"

    assert ["admin", "over", "over", "over"] == sorted(at_once(make, 4))
    assert 1 == len(tokens())


def test_a_token_is_shown_also_where_no_session_can_be_kept(new, monkeypatch):
    """It is kept nowhere else; the page leads to the sign-in."""
    from lots.services.errors import Unavailable

    def full(*_):
        raise Unavailable("the disk is full")

    monkeypatch.setattr("lots.services.setup.sessions.start_session", full)
    page = Page(new.send())
    assert (200, "/sign-in") == (page.status, page.links["Sign in"])
    with connected():
        assert 0 == WebSession.select().count()


def test_no_line_of_the_log_has_the_secret_or_the_token(new, capsys):
    """The path as documented is logged; the terminal got the link once, from the command."""
    page = Page(new.send())
    new.get()
    new.get(address="192.0.2.7")
    secret, token = new.path.rpartition("/")[2], next(word for word in page.text.split() if len(word) == 43)
    logged = capsys.readouterr().err
    lines = [json.loads(line) for line in logged.splitlines()]
    assert {"/first/{secret}"} == {line["route"] for line in lines if "route" in line}
    assert "first administrator Wilhelmina made from 127.0.0.1" in [line["message"] for line in lines]
    assert secret not in logged
    assert token not in logged
    metrics = new.client.get("/metrics", base_url=HERE, headers={"Authorization": f"Bearer {token}"})
    assert 'route="/first/{secret}"' in metrics.get_data(as_text=True)
    assert secret not in metrics.get_data(as_text=True)


def test_the_process_keeps_no_more_than_a_digest_of_the_secret(new):
    """The text of a memory dump of the application."""
    secret = new.path.rpartition("/")[2]
    assert secret not in repr(new.app.extensions["first_link"])
    assert access.digest_of(secret) == new.app.extensions["first_link"].digest


def test_the_page_tells_no_other_site_its_address(new):
    """No cache stores the page, and no link from it reveals its address."""
    for answer in (new.get(), new.send()):
        assert ("no-referrer", "no-store") == (answer.headers["Referrer-Policy"], answer.headers["Cache-Control"])


# The list


def test_an_empty_shop_lists_what_to_set_up_in_order(new):
    """The first administrator of an empty shop sees the steps of set-up in order, each with a link to its form."""
    new.send()
    titles = ["Shop", "People and roles", "Suppliers", "Instruments", "Shades with reference", "Grades", "Limits"]
    for path in ("/", "/setup"):
        page = Page(new.client.get(path, base_url=HERE))
        places = [page.html.index(f"<strong>{title}</strong>", page.html.index("<ol")) for title in titles]
        assert sorted(places) == places
        assert {"/setup/shop", "/setup/people", "/setup/suppliers", "/grades"} <= set(page.every_link)


def test_the_list_says_what_is_missing_and_who_adds_it(shop):
    """Production may do none of the steps. For people, quality is referred to the administrator."""
    lead = Browser(shop, "production").go("/setup")
    assert "Ask an administrator." in lead.text
    assert "Ask quality or purchasing." in lead.text
    assert not [link for link in lead.every_link if link.startswith("/setup/")]
    quality = Browser(shop, "quality").go("/setup")
    assert "/setup/suppliers" in quality.every_link
    assert "/setup/people" not in quality.every_link


def test_what_is_there_is_counted_and_what_lacks_is_named(desk):
    """Two suppliers; a shade without a reference; a grade without limits."""
    desk.post("quality", "/shades", {"code": "BARE", "name": "Bare"})
    desk.grade("OPEN", shade_id=None)
    page = Browser(desk, "quality").go("/setup")
    assert "2 suppliers" in page.text
    assert "1 of 2 shades with a reference" in page.text
    assert "1 shade has no reference. Lots without one cannot pass on colour." in page.text
    assert "1 of 2 grades with limits" in page.text
    assert "1 grade has no limits. Lots without limits cannot be released." in page.text


def test_the_first_page_lists_no_more_than_is_open(desk):
    """Only the shop's name is missing. Only the administrator sees the step if lots can already be received."""
    assert ["Set-up steps"] == [word for word in Browser(desk, "admin").go("/").said if word == "Set-up steps"]
    assert "Set-up steps" not in Browser(desk, "production").go("/").text
    desk.call("admin", "PATCH", "/shop", {"name": "Saltmarsh Yard Prints"}, If_Match='"shop-1-v0"')
    assert "Set-up steps" not in Browser(desk, "admin").go("/").text
    assert "Every step has entries. You can change them here." in Browser(desk, "admin").go("/setup").text


def test_roles_without_a_person_keep_the_step_open(desk):
    """People and roles is done only when every role has a person."""
    browser = Browser(desk, "admin")
    done = '<strong>People and roles</strong> <span class="standing pass">'
    assert done in browser.go("/setup").html
    with connected():
        Token.update(expires_at=datetime.now(UTC) - timedelta(days=1)).where(Token.role == "production").execute()
    page = browser.go("/setup")
    assert (False, True) == (done in page.html, "Nobody has the role production." in page.text)


def test_roles_without_forms_are_not_asked_to_change_anything(desk):
    """A role without set-up forms reads who can change the entries. Quality also finds the test prints."""
    desk.call("admin", "PATCH", "/shop", {"name": "Saltmarsh Yard Prints"}, If_Match='"shop-1-v0"')
    assert "Everything is set up. The administrator can change it." in Browser(desk, "production").go("/setup").text
    quality = Browser(desk, "quality").go("/setup")
    assert "Every step has entries. You can change them here." in quality.text
    assert "/setup/test-prints" == quality.links["Test prints"]


def test_an_expired_person_does_not_count(shop):
    """Nobody but the administrator can sign in any more."""
    with connected():
        soon = datetime.now(UTC) - timedelta(days=1)
        Token.update(expires_at=soon).where(Token.role != "admin").execute()
    assert (
        "Nobody has the role receiving, quality, purchasing or production." in Browser(shop, "admin").go("/setup").text
    )


@ENGINES
def test_the_list_takes_one_statement(shop):
    """The list of set-up steps takes one statement for all counts."""
    shop.grade(limits=SIMPLE_LIMITS)
    admin = Browser(shop, "admin")
    admin.go("/setup")
    with statements() as seen:
        admin.go("/setup")
    # Who is signed in, what must come off, and the counts.
    assert 3 == len(seen)
