"""Where signing in leads: to a page of this application and nowhere else.

How browsers read an address is the WHATWG URL Standard (4.4, basic URL parser): tabs and line breaks are dropped wherever they stand, blanks and
control characters at the ends too, a backslash is a slash, and a scheme may be followed by no slash at all.
"""

from __future__ import annotations

import pytest

from tests.pages.reading import Page, sign_in

HERE = "http://localhost"
HOSTILE = [
    # another host
    "https://evil.example/",
    "http://evil.example",
    "//evil.example",
    "//evil.example/lots",
    "///evil.example",
    "////evil.example",
    "https:evil.example",
    "https:/evil.example",
    "HTTPS:\\\\evil.example",
    "http:lots",
    "javascript:alert(1)",
    "data:text/html,x",
    "mailto:a@evil.example",
    "lots",
    "./lots",
    "../lots",
    "?x=//evil.example",
    "#//evil.example",
    "@evil.example",
    # a slash in other words
    "\\\\evil.example",
    "/\\evil",
    "/\\evil.example/lots",
    "\\/evil.example",
    "/lots\\..\\..\\evil.example",
    "/%5Cevil.example",
    "/spools/%5Cevil.example",
    "/%2F/evil",
    "/%2Fevil.example",
    "/%2f%2fevil.example",
    "/lots//evil.example",
    "//lots",
    "/lots/..//evil.example",
    "/lots/%2e%2e//evil.example",
    "/.//evil.example",
    "/spools/..",
    "/spools/%2e%2e",
    # what browsers drop
    "/\t/evil.example",
    "/\n/evil.example",
    "/\r/evil.example",
    "/\r\n/evil.example",
    "\t//evil.example",
    " //evil.example",
    " /lots",
    "/lots ",
    "\x00/lots",
    "\x01//evil.example",
    "/lots\x00",
    "/lots\x7f",
    "/lots\n",
    "/%09/evil.example",
    "/%0d%0aSet-Cookie:x=y",
    "/spools/%0d%0aSet-Cookie:x=y",
    "/spools/%00",
    "/spools/a%7Fb",
    # other letters
    "/löts",
    "／／evil.example",
    "/／evil.example",
    "/lots\u2028",
    "/lots\u200b",
    "/\u00a0/evil.example",
    # a user, a port, a broken address
    "/@evil.example",
    "//user:pass@evil.example/lots",
    "//[::1]/lots",
    "//[/lots",
    "/lots#//evil.example",
    # no page to come back to
    "",
    "/sign-in",
    "/sign-in?then=//evil.example",
    "/sign-out",
    "/static/site.css",
    "/favicon.ico",
    "/v1/lots",
    "/docs",
    "/metrics",
    "/nowhere",
    "/lots/x",
    "/concessions/1/approve",
    "/lots?" + "x" * 100_000,
    "/" * 100_000,
]


@pytest.fixture
def elsewhere(shop):
    """Signs in with a destination and returns where that leads."""

    def ask(then, base=HERE):
        answer = sign_in(shop.app.test_client(), shop.tokens["quality"], base, then=then)
        assert 302 == answer.status_code
        return answer.headers["Location"]

    return ask


@pytest.mark.parametrize("then", HOSTILE, ids=lambda then: ascii(then)[:40])
def test_no_address_leads_away(shop, elsewhere, then):
    """A forged link leads to Home after signing in, and the form does not repeat the address."""
    assert "/" == elsewhere(then)
    asked = shop.app.test_client().get("/sign-in", query_string={"then": then})
    if asked.status_code == 414:  # too long to be looked at
        return
    assert "" == Page(asked).form("token")["fields"]["then"]


@pytest.mark.parametrize(
    "then",
    [
        "/",
        "/lots",
        "/lots/12",
        "/lots?standing=blocked&supplier_id=1",
        "/check?spool=A%201&use=cosmetic",
        "/check?spool=https://lots.example.org/spools/A-1",
        "/lots?supplier_lot=%0A",
        "/spools/A%20B",
        "/spools/%C3%84-1",
        "/receiving/1/labels.pdf?from=3",
    ],
)
def test_a_page_of_this_application_is_come_back_to(elsewhere, then):
    """An address of this application is kept as the destination, even where its lot does not exist."""
    assert then == elsewhere(then)


@pytest.mark.parametrize("address", ["/spools/A%20B", "/spools/%C3%84-1/label?size=a%20b", "/lots?supplier_lot=%26%3D"])
def test_a_page_with_odd_letters_is_come_back_to(shop, address):
    """From the page that was asked for, by way of the form, to the same page."""
    client = shop.app.test_client()
    form = Page(client.get(client.get(address).headers["Location"])).form("token")["fields"]
    assert address == form["then"]
    done = client.post("/sign-in", data={**form, "token": shop.tokens["production"]})
    assert address == done.headers["Location"]


def test_below_a_path_prefix_only_addresses_below_it_are_followed(elsewhere):
    """Other programs can share the host."""
    base = "https://lots.example.org/shop"
    assert "/shop/lots" == elsewhere("/shop/lots", base)
    for then in ("/lots", "/shop", "/shop2/lots", "/shop//evil.example", "/other/lots", "/shop/../other"):
        assert "/shop/" == elsewhere(then, base)
