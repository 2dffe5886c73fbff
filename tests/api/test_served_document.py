"""The served document and docs: cached by clients, compressed, and correct below a path prefix."""

import gzip
import json
import re
from urllib.parse import urljoin

import pytest

SERVED = ("/v1/openapi.json", "/docs", "/docs/start.js", "/docs/swagger-ui.css", "/docs/swagger-ui-bundle.js")


@pytest.fixture
def engine():
    """SQLite alone: the document is the same on either engine."""
    return "sqlite"


@pytest.fixture
def client(app):
    """A client without a token."""
    return app.test_client()


@pytest.mark.parametrize("path", SERVED)
@pytest.mark.parametrize("accepted", ["gzip", "identity"])
def test_a_client_that_has_it_is_sent_nothing(client, path, accepted):
    """A request with the present ETag gets 304 with the same headers and no body, with another one the document."""
    first = client.get(path, headers={"Accept-Encoding": accepted})
    tag = first.headers["ETag"]
    again = client.get(path, headers={"Accept-Encoding": accepted, "If-None-Match": tag})
    assert (304, b"") == (again.status_code, again.get_data())
    assert [tag, "Accept-Encoding", "public, no-cache"] == [
        again.headers[name] for name in ("ETag", "Vary", "Cache-Control")
    ]
    other = client.get(path, headers={"Accept-Encoding": accepted, "If-None-Match": '"other"'})
    assert (200, first.get_data()) == (other.status_code, other.get_data())


@pytest.mark.parametrize("path", SERVED)
def test_it_is_compressed_where_the_client_asks_for_it(client, path):
    """With gzip accepted the document is compressed under its own ETag; both have Vary."""
    plain = client.get(path)
    packed = client.get(path, headers={"Accept-Encoding": "br, gzip;q=0.8"})
    assert (None, "gzip") == (plain.headers.get("Content-Encoding"), packed.headers.get("Content-Encoding"))
    assert plain.get_data() == gzip.decompress(packed.get_data())
    assert {"Accept-Encoding"} == {answer.headers["Vary"] for answer in (plain, packed)}
    assert plain.headers["ETag"] != packed.headers["ETag"]
    assert str(len(packed.get_data())) == packed.headers["Content-Length"]


def test_gzip_that_is_refused_is_not_sent(client):
    """A quality of 0 refuses gzip (RFC 9110, 12.4.2)."""
    answer = client.get("/v1/openapi.json", headers={"Accept-Encoding": "gzip;q=0, identity"})
    assert "Content-Encoding" not in answer.headers


def test_the_document_is_small_when_compressed(client):
    """The compressed document has less than a fifth of its size."""
    plain, packed = (client.get("/v1/openapi.json", headers={"Accept-Encoding": how}) for how in ("identity", "gzip"))
    assert len(packed.get_data()) < len(plain.get_data()) / 5


def test_answers_with_data_are_never_compressed(shop):
    """Answers with data are never compressed, because their length would reveal secrets (BREACH)."""
    shop.good_lot()
    for path in ("/lots", "/lots/1", "/directory"):
        assert "Content-Encoding" not in shop.call("admin", "GET", path, Accept_Encoding="gzip").headers, path


@pytest.mark.parametrize("prefix", ["", "/filament", "/a/b"])
def test_the_document_leads_to_the_prefix_it_was_asked_at(client, prefix):
    """Below a path prefix `servers` names the present prefix, whatever was requested before."""
    for other in ("/one", "/two", "/three", "/four", "/five"):
        client.get("/v1/openapi.json", environ_overrides={"SCRIPT_NAME": other})
    answer = client.get("/v1/openapi.json", environ_overrides={"SCRIPT_NAME": prefix})
    assert [{"url": prefix or "/"}] == json.loads(answer.get_data())["servers"]


def test_two_prefixes_have_two_etags(client):
    """Each prefix has its own ETag."""
    here, there = (
        client.get("/v1/openapi.json", environ_overrides={"SCRIPT_NAME": prefix}).headers["ETag"]
        for prefix in ("/here", "/there")
    )
    assert here != there


@pytest.mark.parametrize("prefix", ["", "/filament"])
def test_the_docs_load_everything_from_below_the_prefix(client, prefix):
    """The docs page, its script and the document are below the prefix."""
    at = f"{prefix}/docs"
    page = client.get("/docs", environ_overrides={"SCRIPT_NAME": prefix}).get_data(as_text=True)
    start = client.get("/docs/start.js", environ_overrides={"SCRIPT_NAME": prefix}).get_data(as_text=True)
    wanted = [*re.findall(r'(?:src|href)="([^"]+)"', page), *re.findall(r'url: "([^"]+)"', start)]
    assert {f"{prefix}{path}" for path in SERVED if path != "/docs"} == {urljoin(at, relative) for relative in wanted}


def test_only_what_the_page_loads_is_served(client):
    """Only files that the page loads are served."""
    for name in ("index.css", "LICENSE", "oauth2-redirect.html", "%2e%2e/__init__.py", ""):
        assert 404 == client.get(f"/docs/{name}").status_code, name
