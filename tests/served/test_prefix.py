"""Below a path prefix every address in pages and answers begins with it and is valid, whether the proxy removes it or not."""

from __future__ import annotations

from collections import Counter
from html.parser import HTMLParser
from urllib.parse import urldefrag, urljoin, urlsplit

import pytest
from werkzeug.exceptions import HTTPException

from lots import demo
from lots.app import create_app
from lots.settings import Settings
from lots.store.engine import database
from tests.api.test_query_errors import LISTS

pytestmark = pytest.mark.served

PROXY, HOST, PREFIX = "192.0.2.1", "https://lots.example", "/filament"
# How many pages of one kind are read: same path in the table of routes, same names in the query.
OF_A_KIND = 3


class Addresses(HTMLParser):
    """Every address in a page, with the method of its form."""

    def __init__(self, html):
        super().__init__()
        self.found, self.hidden = [], {}
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        """Stores each address."""
        known = dict(attrs)
        for name in ("href", "src", "action", "formaction", "poster", "data", "srcset", "cite", "background"):
            if name in known:
                self.found.append((known.get("method", "get").upper() if tag == "form" else "GET", known[name] or ""))
        if tag == "form" and "action" not in known:
            self.found.append((known.get("method", "get").upper(), ""))
        assert tag != "base", "a base would change where every address leads"
        assert known.get("http-equiv", "").lower() != "refresh"
        if known.get("type") == "hidden":
            self.hidden[known["name"]] = known["value"]


class Visitor:
    """A person behind a proxy with a prefix."""

    def __init__(self, app, token, strips):
        self.app, self.token, self.strips, self.client = app, token, strips, app.test_client()

    def open(self, address, method="GET", **sent):
        """Requests an address of an answer."""
        split = urlsplit(urljoin(f"{HOST}{PREFIX}/", address))
        assert (f"{split.scheme}://{split.netloc}", f"{split.path}/"[: len(PREFIX) + 1]) == (HOST, f"{PREFIX}/"), (
            address
        )
        path = split.path.removeprefix(PREFIX) or "/" if self.strips else split.path
        # The test client stores cookies by the host and path between proxy and server.
        said = {"X-Forwarded-For": "203.0.113.9", "X-Forwarded-Proto": "https", "X-Forwarded-Prefix": PREFIX}
        headers = {**said, "X-Forwarded-Host": "lots.example", **sent.pop("headers", {})}
        target = f"{path}?{split.query}" if split.query else path
        answer = self.client.open(
            target, method=method, headers=headers, base_url=HOST, environ_base={"REMOTE_ADDR": PROXY}, **sent
        )
        answer.get_data()
        answer.close()
        for name, value, path in self.cookies(answer):
            self.client.set_cookie(name, value, domain="lots.example", path="/" if path == PREFIX else path)
        return answer

    @staticmethod
    def cookies(answer):
        """Name, value and path of each cookie that is set."""
        for line in answer.headers.getlist("Set-Cookie"):
            first, *rest = line.split("; ")
            said = dict(part.partition("=")[::2] for part in rest)
            assert said["Path"] in ("/", PREFIX)
            yield *first.partition("=")[::2], said["Path"]

    def ask(self, address, method="GET", **sent):
        """Requests the API with the token."""
        headers = {"Authorization": f"Bearer {self.token}", **sent.pop("headers", {})}
        return self.open(address, method, headers=headers, **sent)

    def sign_in(self):
        """Signs in on the page to which an unknown visitor is redirected."""
        sent_on = self.open(f"{PREFIX}/")
        if sent_on.status_code == 200:
            return  # a test before did it
        assert 302 == sent_on.status_code
        page = self.open(sent_on.location)
        form = {**Addresses(page.get_data(as_text=True)).hidden, "token": self.token}
        signed = self.open(sent_on.location, "POST", data=form)
        assert (302, True) == (signed.status_code, signed.location.startswith(f"{PREFIX}/"))


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """The demo's year, and a token for each role."""
    folder = tmp_path_factory.mktemp("prefix")
    _, tokens, loaded = demo.build(folder)
    return Settings(database=f"sqlite:///{loaded['path']}", proxy=PROXY), tokens


@pytest.fixture(scope="module", params=[True, False], ids=["taken off by the proxy", "left by the proxy"])
def visitor(shop, request):
    """The administrator behind either kind of proxy."""
    settings, tokens = shop
    yield Visitor(create_app(settings), tokens["admin"], request.param)
    database.close()


def kind(app, address, method):
    """The documented path of an address, with the names in its query.

    Raises:
        HTTPException: nothing is served there.
    """
    split = urlsplit(address)
    endpoint, _ = app.url_map.bind("lots.example").match(split.path.removeprefix(PREFIX) or "/", method)
    return endpoint, *sorted({part.partition("=")[0] for part in split.query.split("&")})


def test_every_address_in_every_page_leads_somewhere_below_the_prefix(visitor):
    """Links, pictures, style sheets and forms of all pages lead below the prefix."""
    visitor.sign_in()
    waiting, seen, read = [(f"{PREFIX}/", "start")], set(), Counter()
    astray = set()
    while waiting:
        address, source = waiting.pop()
        answer = visitor.open(address)
        if answer.status_code in (301, 302, 303, 307, 308):
            waiting.append((answer.location, address))
            continue
        if answer.status_code != 200:
            astray.add((source, address, answer.status_code))
        if answer.mimetype != "text/html":
            continue
        for method, found in Addresses(answer.get_data(as_text=True)).found:
            if found.startswith(("data:", "#")):
                continue
            whole = urldefrag(urljoin(address, found))[0] if found else address
            if (method, whole) in seen:
                continue
            seen.add((method, whole))
            if not f"{urlsplit(whole).path}/".startswith(f"{PREFIX}/"):
                astray.add((address, found, "outside"))
                continue
            try:
                what = kind(visitor.app, whole, method)
            except HTTPException as error:
                astray.add((address, found, error.code))
                continue
            if method == "GET" and read[what] < OF_A_KIND:
                read[what] += 1
                waiting.append((whole, address))
    assert set() == astray
    # The pages that people come for were all read.
    assert {f"pages.{name}" for name in ("receiving", "bench", "check", "loaded", "lots", "quality", "suppliers")} <= {
        what[0] for what in read
    }
    assert {"pages.lot", "pages.lot_record", "pages.label_file", "pages.supplier_drift", "pages.static_file"} <= {
        what[0] for what in read
    }


def addresses(body, name=""):
    """Every address in an API answer, with the name of its field, without pointers into a body."""
    if isinstance(body, dict):
        for key, part in body.items():
            yield from addresses(part, key)
    elif isinstance(body, list):
        for part in body:
            yield from addresses(part, name)
    elif isinstance(body, str) and name != "pointer" and body.startswith(("/", "http://", "https://")):
        yield name, body


@pytest.mark.parametrize("path", sorted(LISTS))
def test_every_address_in_a_list_leads_below_the_prefix(visitor, path):
    """`next`, the Link header and other addresses lead below the prefix."""
    answer = visitor.ask(f"{PREFIX}{path}?limit=1")
    assert 200 == answer.status_code
    for name, address in addresses(answer.get_json()):
        assert name == "next"
        assert f'<{address}>; rel="next"' == answer.headers["Link"]
        assert 200 == visitor.ask(address).status_code


def test_what_was_made_is_found_at_its_location(visitor):
    """A first answer and its stored repeat have the same address."""
    body = {"code": f"NEW-{visitor.strips}", "name": "Newcomer"}
    for _ in range(2):
        made = visitor.ask(f"{PREFIX}/v1/suppliers", "POST", json=body, headers={"Idempotency-Key": body["code"]})
        assert (201, True) == (made.status_code, made.location.startswith(f"{PREFIX}/v1/suppliers/"))
        assert body["code"] == visitor.ask(made.location).get_json()["code"]


def test_a_problem_is_named_below_the_prefix(visitor):
    """The type of a problem is below the prefix."""
    refused = visitor.ask(f"{PREFIX}/v1/lots/999")
    assert (404, f"{PREFIX}/problems/") == (refused.status_code, refused.get_json()["type"][: len(PREFIX) + 10])


def test_a_label_leads_back_to_its_spool(visitor):
    """The code of a label opens the page of the spool."""
    label = visitor.ask(f"{PREFIX}/v1/deliveries/31/labels").get_json()["labels"][0]
    url = label["url"]
    assert f"{HOST}{PREFIX}/spools/{label['spool_code']}" == url
    visitor.sign_in()
    assert 200 == visitor.open(url).status_code


@pytest.mark.parametrize("accept", ["text/html", "image/svg+xml", "text/csv", "application/pdf"])
def test_papers_and_files_are_served_below_the_prefix(visitor, accept):
    """Records, pictures and exports, and the addresses in papers, are below the prefix."""
    path = {"text/html": "lots/24/record", "image/svg+xml": "lots/uses", "text/csv": "lots"}
    answer = visitor.ask(f"{PREFIX}/v1/{path.get(accept, 'lots/24/record')}", headers={"Accept": accept})
    assert (200, accept) == (answer.status_code, answer.mimetype)
    if accept == "text/html":
        for _, found in Addresses(answer.get_data(as_text=True)).found:
            assert 200 == visitor.open(found).status_code


@pytest.mark.parametrize("path", ["/healthz", "/readyz", "/metrics", "/docs", "/v1/openapi.json", "/favicon.ico"])
def test_what_stands_beside_the_pages_is_served_below_the_prefix(visitor, path):
    """Health, metrics and documentation are below the prefix."""
    assert visitor.ask(f"{PREFIX}{path}").status_code in (200, 204)
