"""People and roles on their page: added with a token that is shown once, renewed, and revoked."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from lots.services.errors import Settled
from lots.services.setup import access
from lots.store.tables.models import Token
from tests.pages.reading import Browser, sign_in
from tests.pages.test_first_day import at_once
from tests.store.rows import connected, contents

ENGINES = pytest.mark.parametrize("engine", ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])


@pytest.fixture
def admin(shop):
    """The administrator at a browser."""
    return Browser(shop, "admin")


def add(admin, name="Perpetua", role="receiving", **more):
    """Adds a person at the page and returns what came then."""
    return admin.send(admin.go("/setup/people"), "role", name=name, role=role, **more)


def token_on(page):
    """The token that a page shows."""
    return next(word for word in page.text.split() if len(word) == 43)


def number_of(shop, name):
    """The number of a person."""
    return next(one["id"] for one in shop.get("admin", "/people?limit=500")["items"] if one["name"] == name)


def person(shop, admin, name="Perpetua"):
    """The page of a person."""
    return admin.go(f"/setup/people/{number_of(shop, name)}")


def test_a_person_is_added_and_the_token_shown_once(shop, admin):
    """It signs in; the list has name, role and end, and no page shows the token again."""
    page = add(admin, days="30")
    token = token_on(page)
    assert (200, "Token of Perpetua") == (page.status, page.headings[0])
    assert 'src="data:image/svg+xml' in page.html
    assert "/setup/people" == page.links["Continue"]
    clerk = shop.app.test_client()
    assert 302 == sign_in(clerk, token).status_code
    listed = admin.go("/setup/people")
    assert "Perpetua" in listed.links
    assert token not in listed.html
    assert token not in person(shop, admin).html
    assert not [row for row in contents() if token in repr(row)]
    ends = shop.get("admin", f"/people/{number_of(shop, 'Perpetua')}")["expires_at"]
    assert 29 <= (datetime.fromisoformat(ends) - datetime.now(UTC)).days <= 30


def test_the_entry_in_the_history_is_in_the_administrators_name(shop, admin):
    """Who added, renewed and revoked, without the token."""
    add(admin)
    admin.send(person(shop, admin), "days")
    page = person(shop, admin)
    admin.go(f"/setup/people/{number_of(shop, 'Perpetua')}/revoke", data={**page.form("days")["fields"], "sure": "on"})
    found = [(one["what"], one["by"]) for one in shop.get("quality", "/events?limit=500")["items"]]
    assert [(f"token {what}", "admin person") for what in ("made", "renewed", "revoked")] == found[-3:]


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"name": ""}, "This is required."),
        ({"name": "Wil\u200bma"}, "This contains an invisible character"),
        ({"role": "owner"}, '"owner" is not a permitted value.'),
        ({"role": ""}, "This is required."),
        ({"days": "0"}, "0 is out of range. Give a whole number from 1 to 3650."),
        ({"days": "soon"}, "This must be a number."),
    ],
)
def test_what_cannot_be_kept_is_refused_beside_its_field(shop, admin, typed, says):
    """Nobody is added, and the typed values stay."""
    page = add(admin, **{"name": "Perpetua", "role": "receiving", **typed})
    assert (422, True) == (page.status, says in page.text)
    with connected():
        assert 7 == Token.select().count()


def test_a_name_is_used_once(shop, admin):
    """A second click on the button makes no second token, and the page says what to do; nor does a revoked name come back."""
    add(admin)
    page = add(admin)
    assert (409, 1) == (page.status, page.text.count("A token of Perpetua already exists."))
    with connected():
        access.revoke_token("Perpetua")
    assert "was revoked, and its name cannot be used again. Choose another name." in add(admin).text


def test_each_role_is_explained_in_a_line(admin):
    """All of them, programs too."""
    page = admin.go("/setup/people")
    for role in ("Receiving", "Quality", "Purchasing", "Production", "Administrator", "Program: integration"):
        assert f"<strong>{role}</strong>" in page.html
    assert 7 == page.html.count('type="radio" name="role"')


def test_a_renewed_token_ends_the_old_one(shop, admin):
    """A renewed token ends the old one at once, including its open sessions."""
    old = token_on(add(admin))
    clerk = shop.app.test_client()
    sign_in(clerk, old, "http://localhost")
    assert 200 == clerk.get("/").status_code
    new = token_on(admin.send(person(shop, admin), "days", days="10"))
    assert new != old
    assert 302 == clerk.get("/").status_code
    assert 401 == sign_in(shop.app.test_client(), old).status_code
    assert 302 == sign_in(shop.app.test_client(), new).status_code


def test_who_renews_their_own_token_stays_signed_in(shop, admin):
    """A person who renews their own token stays signed in by a new session. The old token is invalid."""
    token = token_on(admin.send(person(shop, admin, "admin person"), "days"))
    assert ["Set up"] == [admin.go("/setup").headings[0]]
    assert 302 == sign_in(shop.app.test_client(), token).status_code
    assert 401 == sign_in(shop.app.test_client(), shop.tokens["admin"]).status_code


def test_a_revocation_is_confirmed_first(shop, admin):
    """Nothing happens without the tick. With it, the token and its sessions end, and the name is listed as revoked."""
    token = token_on(add(admin))
    path = f"/setup/people/{number_of(shop, 'Perpetua')}/revoke"
    seal = person(shop, admin).form("days")["fields"]["seal"]
    page = admin.go(path, data={"seal": seal})
    assert (422, True) == (page.status, "a revoked token cannot be restored" in page.text)
    assert 302 == sign_in(shop.app.test_client(), token).status_code
    page = admin.go(path, data={"seal": seal, "sure": "on"})
    assert "Revoked tokens (1)" in page.text
    assert "Perpetua" not in page.links
    assert 401 == sign_in(shop.app.test_client(), token).status_code
    again = admin.go(path, data={"seal": seal, "sure": "on"})
    assert (409, True) == (again.status, "The token of Perpetua was revoked." in again.text)
    assert "days" not in [name for form in person(shop, admin).forms for name in form["fields"]]


def test_the_last_administrator_stays(shop, admin):
    """It cannot be revoked, even if a second administrator is expired or revoked."""
    add(admin, "Corin", "admin")
    with connected():
        Token.update(expires_at=datetime.now(UTC) - timedelta(days=1)).where(Token.name == "Corin").execute()
    seal = admin.go("/setup/people").form("role")["fields"]["seal"]
    path = f"/setup/people/{number_of(shop, 'admin person')}/revoke"
    page = admin.go(path, data={"seal": seal, "sure": "on"})
    assert (409, True) == (page.status, "admin person is the last administrator with a valid token." in page.text)
    shop.post("admin", f"/people/{number_of(shop, 'admin person')}/revoke", status=409)
    add(admin, "Ilse", "admin")
    assert 303 == admin.raw(path, data={"seal": seal, "sure": "on"}).status_code
    assert "/sign-in?then=/setup" == admin.raw("/setup").headers["Location"]


@ENGINES
def test_two_administrators_cannot_revoke_each_other_at_once(shop):
    """One of them stays."""
    with connected():
        numbers = [row.id for row in Token.select().where(Token.role == "admin")]
        numbers.append(access.add_person("Corin", "admin", 30, "admin person")["id"])

    def revoke(index):
        with connected():
            try:
                return access.revoke_person(numbers[index], "x")["name"]
            except Settled:
                return "stays"

    assert 1 == at_once(revoke).count("stays")
    with connected():
        assert 1 == Token.select().where((Token.role == "admin") & Token.revoked_at.is_null()).count()


@pytest.mark.parametrize("role", ["receiving", "quality", "purchasing", "production"])
def test_people_are_the_administrators_alone(shop, role):
    """Other desks get 403, and nothing changes."""
    somebody = Browser(shop, role)
    seal = somebody.go("/setup").form("seal")["fields"]["seal"]
    assert 403 == somebody.raw("/setup/people").status_code
    for path in ("/setup/people", "/setup/people/1/renew", "/setup/people/1/revoke"):
        assert 403 == somebody.raw(path, data={"seal": seal, "name": "X", "role": "admin", "sure": "on"}).status_code
    with connected():
        assert 7 == Token.select().where(Token.revoked_at.is_null()).count()


def test_strangers_are_sent_to_sign_in(shop):
    """From each page of the set-up, and back to it afterwards."""
    client = shop.app.test_client()
    for path in ("/setup", "/setup/people", "/setup/people/1", "/setup/shop", "/setup/suppliers", "/setup/suppliers/1"):
        assert f"/sign-in?then={path}" == client.get(path).headers["Location"]


@pytest.mark.parametrize("path", ["/setup/people", "/setup/people/1/renew", "/setup/people/1/revoke"])
def test_a_form_without_its_seal_does_nothing(shop, admin, path):
    """400 for a form that another site made up."""
    assert 400 == admin.raw(path, data={"name": "X", "role": "admin", "sure": "on", "seal": "x"}).status_code
    with connected():
        assert 7 == Token.select().where(Token.revoked_at.is_null()).count()


def test_a_person_who_is_not_there_is_told_in_words(admin):
    """The page of an unknown person answers 404 in words, with a link back to the list."""
    page = admin.go("/setup/people/99")
    assert (404, True) == (page.status, "Person 99 does not exist." in page.text)
    assert "/setup/people" == page.links["Back"]


def test_a_name_from_a_form_is_written_as_text(admin, shop):
    """It is escaped."""
    page = add(admin, "<b>Ilse</b>")
    assert "<b>Ilse" not in page.html
    assert "&lt;b&gt;Ilse" in admin.go("/setup/people").html


# The same over the API


def test_the_api_shows_a_token_once(shop):
    """A repeat under the same key gets null, and the list never has it."""
    body = {"name": "Perpetua", "role": "integration", "days": 5}
    made = shop.post("admin", "/people", body, Idempotency_Key="k")
    assert 43 == len(made["token"])
    assert shop.post("admin", "/people", body, Idempotency_Key="k")["token"] is None
    assert "token" not in shop.get("admin", f"/people/{made['id']}")
    renewed = shop.post("admin", f"/people/{made['id']}/renew", {})
    assert renewed["token"] != made["token"]
    assert "revoked_at" in shop.post("admin", f"/people/{made['id']}/revoke")
    assert 409 == shop.call("admin", "POST", f"/people/{made['id']}/renew", {}).status_code
    answer = shop.call("admin", "POST", "/people", body)
    assert (409, made["id"]) == (answer.status_code, answer.get_json()["existing_id"])
    assert 404 == shop.call("admin", "POST", "/people/99/revoke").status_code
