"""Who may open which page, and what no page does: strangers, other desks, forms without their seal, script."""

from __future__ import annotations

import re

import pytest

from tests.pages.reading import FILE, Browser, log, sign_in, typed

ASKED = ("/receiving", "/receiving/1", "/receiving/1/labels", "/receiving/1/labels.svg", "/bench", "/bench/file")
SENT = ("/receiving", "/bench", "/bench/file")


def test_strangers_are_sent_to_sign_in(desk):
    """Every page of these desks, by GET and by POST, with the way back after signing in."""
    client = desk.app.test_client()
    for path in (*ASKED, "/spools/L1-S001", "/spools/L1-S001/label", "/spools/L1-S001/label.pdf"):
        assert f"/sign-in?then={path}" == client.get(path).headers["Location"]
    for path in SENT:
        answer = client.post(path, data={"seal": "x"})
        assert (302, True) == (answer.status_code, answer.headers["Location"].startswith("/sign-in"))


@pytest.mark.parametrize("role", ["integration", "monitoring"])
def test_programs_do_not_sign_in(desk, role):
    """Their tokens are refused in words, and begin no session."""
    client = desk.app.test_client()
    answer = sign_in(client, desk.tokens[role])
    assert (403, True) == (answer.status_code, "This token is for a program." in answer.get_data(as_text=True))
    assert client.get_cookie("lots_session") is None
    assert "/sign-in?then=/lots" == client.get("/lots").headers["Location"]


def test_other_desks_are_told_whose_work_it_is(desk):
    """Everybody sees a spool; purchasing gets nothing else, production its labels, quality does not log deliveries."""
    desk.receive(desk.quillwort, desk.white)
    buyer, lead, quality = (Browser(desk, role) for role in ("purchasing", "production", "quality"))
    spool = ("/spools/L1-S001", "/spools/L1-S001/label", "/spools/L1-S001/label.svg")
    assert {403} == {buyer.raw(path).status_code for path in (*ASKED, *spool[1:])}
    assert 200 == buyer.raw(spool[0]).status_code
    assert {403} == {lead.raw(path).status_code for path in ASKED}
    assert {200} == {lead.raw(path).status_code for path in spool}
    assert [403, 200, 200] == [quality.raw(path).status_code for path in ("/receiving", "/receiving/1", "/bench")]


@pytest.mark.parametrize("path", SENT)
@pytest.mark.parametrize("seal", [None, "", "0" * 64, "é", "\n", "\x00", "\U0001f600" * 64])
def test_a_form_without_its_seal_does_nothing(desk, clerk, path, seal):
    """400 for a forged form of another site, with any values."""
    form = typed(desk) | {"text": FILE, "step": "store", "spool": "L1-S001", "kind": "diameter", "d1_mm-0": "1.75"}
    answer = clerk.raw(path, data=form | ({} if seal is None else {"seal": seal}))
    assert 400 == answer.status_code
    assert [] == desk.get("receiving", "/deliveries")["items"]


@pytest.mark.parametrize("once", ["a\nb", "a\r\nSet-Cookie: x=y", "é", "\x00", " ", "\u2028"])
def test_a_hidden_key_that_no_page_made_is_refused_in_words(desk, clerk, once):
    """400, and nothing is done."""
    answer = clerk.send(clerk.go("/receiving"), "supplier_lot", **typed(desk), once=once)
    assert 400 == answer.status
    assert "This form is not valid. Go back, reload the page" in answer.text
    assert [] == desk.get("receiving", "/deliveries")["items"]


def test_a_hidden_version_that_no_page_made_is_refused_in_words(desk, clerk):
    """The same holds of what a delivery was read as."""
    log(desk, clerk)
    answer = clerk.send(clerk.go("/receiving/1/correct"), "version", version="1\nX: y")
    assert 400 == answer.status


@pytest.mark.parametrize("lot", ["x", "", "9" * 5000, "-1", "1.5", "²", "\x00"])
def test_a_refused_form_leads_back_whatever_lot_it_names(desk, lot):
    """A confirmation and a substitute that are refused say so, with a way back."""
    desk.receive(desk.quillwort, desk.white)
    quality = Browser(desk, "quality")
    sealed = quality.go("/").form("seal")["fields"]
    for path in ("/readings/9/confirm", "/deliveries/1/substitute"):
        answer = quality.raw(path, data={**sealed, "lot": lot, "once": "k"})
        assert answer.status_code in (404, 422)
        assert 'class="button"' in answer.get_data(as_text=True)


@pytest.mark.parametrize("path", ["/lots/{}", "/receiving/{}", "/grades/{}"])
def test_a_number_of_any_length_is_no_page(desk, path):
    """404, also where no computer would count so far."""
    admin = Browser(desk, "admin")
    for number in ("9" * 19, "9" * 30, "9" * 5000):
        assert 404 == admin.raw(path.format(number)).status_code


def test_the_pages_hold_no_script_no_style_of_their_own_and_fetch_nothing_from_elsewhere(desk, clerk):
    """They contain nothing that the content policy forbids. Scripts are files of this server."""
    log(desk, clerk, spools="S-1", spool_count="")
    for path in (*ASKED, "/bench?spool=S-1", "/spools/S-1"):
        html = clerk.raw(path).get_data(as_text=True)
        # A script is a file of this server; a page holds none itself.
        assert [] == re.findall(r'<script(?! src="/static/[a-z-]+\.js" defer></script>)', html)
        assert " style=" not in html
        assert not re.search(r"\son\w+=", html)
        assert [] == [one for one in re.findall(r'(?:src|href|action)="([^"]*)"', html) if "//" in one]


@pytest.mark.parametrize(
    "host", ["x.example", "shop_pc:8080", "shop:", "lots.example.org:8443", "[::1]:80", "192.0.2.7"]
)
def test_a_page_answers_under_whatever_name_it_is_asked(desk, host):
    """An invalid host name is refused (tests/api/test_host.py)."""
    signing = desk.app.test_client()
    sign_in(signing, desk.tokens["receiving"], "http://localhost")
    cookie = signing.get_cookie("lots_session").value
    client = desk.app.test_client(use_cookies=False)
    answer = client.get("/", headers={"Host": host, "Cookie": f"lots_session={cookie}"})
    assert 200 == answer.status_code
    assert "Log a delivery" in answer.get_data(as_text=True)
