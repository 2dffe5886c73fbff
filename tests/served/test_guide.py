"""The administrators' guide: its configurations serve the program as printed, except for ports and paths."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urlencode, urljoin, urlsplit

import pytest

from tests.trust.serving import LIMITS, free_port

pytestmark = pytest.mark.served

GUIDE = Path(__file__).parent.parent.parent.joinpath("lots/pages/guides/administration.md").read_text("utf-8")
MAIN = """
daemon off; pid {here}/nginx.pid; error_log stderr; {user}
events {{ worker_connections 64; }}
http {{
    access_log off;
    client_body_temp_path {here}/body; proxy_temp_path {here}/proxy;
    fastcgi_temp_path {here}/f; uwsgi_temp_path {here}/u; scgi_temp_path {here}/s;
    {inside}
}}
"""


def blocks(language, text=GUIDE):
    """The blocks of a language, in order."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)


WHOLE, PREFIXED, SOCKET = blocks("nginx")
(UNIT,) = blocks("ini")
(ENVIRONMENT,) = blocks("properties")
(COMMAND,) = re.findall(r"^ExecStart=(.*)$", UNIT, re.MULTILINE)


def filled(text, **instead):
    """A text with replacements, each of which must occur."""
    for old, new in instead.values():
        assert old in text, old
        text = text.replace(old, new)
    return text


@pytest.fixture
def certificate(tmp_path):
    """A self-made certificate with its key."""
    if not shutil.which("openssl"):
        pytest.skip("needs openssl on the path")
    chain, key = tmp_path / "fullchain.pem", tmp_path / "key.pem"
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=lots.example"]
    subprocess.run([*made, "-keyout", str(key), "-out", str(chain)], check=True, capture_output=True)
    return chain, key


@pytest.fixture
def behind(start, nginx, certificate, database_url, tmp_path):
    """Starts gunicorn and nginx by the guide; returns the public server and the prefix."""
    pytest.importorskip("gunicorn", reason="needs gunicorn: pip install 'lots[gunicorn]'")

    def run(prefixed, through_socket):
        below, above, plain = free_port(), free_port(), free_port()
        chain, key = certificate
        run_folder = tmp_path / "run"
        run_folder.mkdir()
        named = dict(line.split("=", 1) for line in ENVIRONMENT.strip().splitlines())
        assert {"LOTS_DATABASE", "LOTS_PORT", "LOTS_PROXY"} <= set(named)
        named |= {"LOTS_DATABASE": database_url, "LOTS_PORT": str(below)}
        named |= {"PROMETHEUS_MULTIPROC_DIR": named["PROMETHEUS_MULTIPROC_DIR"].replace("/run/lots", str(run_folder))}
        program, *options = shlex.split(COMMAND)
        assert program.endswith("/bin/gunicorn")
        at = {}
        if through_socket:
            (bind,) = re.findall(r"`(--bind unix:\S+ --umask 007)`", GUIDE)
            options += shlex.split(bind.replace("/run/lots", str(run_folder)))
            assert "`LOTS_PROXY=unix`" in GUIDE
            named |= {"LOTS_PROXY": "unix"}
            at = {"socket": run_folder / "lots.sock"}
        start([sys.executable, "-m", "gunicorn", *options], below, at=at, **named)

        instead = {
            "port": ("listen 443 ssl;", f"listen 127.0.0.1:{above} ssl;"),
            "plain": ("listen 80;", f"listen 127.0.0.1:{plain};"),
            "chain": ("/etc/ssl/lots/fullchain.pem", str(chain)),
            "key": ("/etc/ssl/lots/key.pem", str(key)),
        }
        server = filled(WHOLE, **instead)
        if prefixed:
            head, _, _ = server.rpartition("    location / {")
            server = f"{head}{PREFIXED}}}\n"
        if through_socket:
            server = SOCKET.replace("/run/lots", str(run_folder)) + server[server.index("server {\n    listen") :]
        else:
            server = filled(server, below=("127.0.0.1:8080", f"127.0.0.1:{below}"))
        config = tmp_path / "nginx.conf"
        user = "user root;" if os.geteuid() == 0 else ""
        config.write_text(MAIN.format(here=tmp_path, user=user, inside=server))
        front = start([nginx, "-p", str(tmp_path), "-c", str(config)], above, at={"tls": True})
        return front, "/filament" if prefixed else ""

    return run


class Form(HTMLParser):
    """The hidden fields of a form."""

    def __init__(self, html):
        super().__init__()
        self.hidden = {}
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        """Stores a hidden field."""
        known = dict(attrs)
        if known.get("type") == "hidden":
            self.hidden[known["name"]] = known["value"]


def ask(front, token, method, path, body=None, status=200):
    """Requests the API and returns the answer, which must have this status."""
    found, headers, answer = front.ask(method, path, body, Authorization=f"Bearer {token}")
    assert (status, True) == (found, "X-Request-Id" in headers), answer
    return headers, answer


def clear_a_delivery(front, prefix, token):
    """Sets up a grade, logs a delivery, measures the requested readings, and asks for clearance."""
    api = f"{prefix}/v1"
    headers, supplier = ask(front, token, "POST", f"{api}/suppliers", {"code": "QWT", "name": "Quillwort"}, 201)
    assert f"{api}/suppliers/{supplier['id']}" == headers["Location"]
    body = {
        "code": "PLA-HW",
        "polymer": "PLA",
        "color_name": "White",
        "nominal_diameter_mm": 1.75,
        "density_g_cm3": 1.24,
    }
    _, grade = ask(front, token, "POST", f"{api}/grades", {**body, "filler": "none", "finish": "satin"}, 201)
    ask(front, token, "POST", f"{api}/grades/{grade['id']}/limits", LIMITS, 201)
    came = {"supplier_id": supplier["id"], "grade_id": grade["id"], "supplier_lot": "LOT-1"}
    code = "A 1"
    spools = {"received_at": "2026-11-20T08:00:00Z", "net_mass_g": 1000, "spools": [{"code": code}]}
    _, delivery = ask(front, token, "POST", f"{api}/deliveries", {**came, **spools}, 201)
    spool = "A%201"
    _, label = ask(front, token, "GET", f"{api}/spools/{spool}/label")
    assert f"https://lots.example{prefix}/spools/{spool}" == label["url"]
    _, blocked = ask(front, token, "GET", f"{api}/spools/{spool}/clearance?use=hidden")
    assert blocked["clear"] is False
    reading = {"spool_code": code, "position_m": 1, "d1_mm": 1.75, "d2_mm": 1.75}
    ask(front, token, "POST", f"{api}/diameter-readings", reading, 201)
    _, cleared = ask(front, token, "GET", f"{api}/spools/{spool}/clearance?use=hidden")
    assert (True, []) == (cleared["clear"], cleared["reasons"])
    return delivery["lot"]["id"]


def sign_in(front, prefix, token):
    """Signs in as a browser does; returns cookies and the redirect."""
    status, sent_on, _ = front.ask("GET", f"{prefix}/lots")
    assert 302 == status
    place = urlsplit(urljoin(f"https://lots.example{prefix}/lots", sent_on["Location"]))
    assert ("lots.example", f"{prefix}/sign-in") == (place.netloc, place.path)
    address = f"{place.path}?{place.query}"
    _, first, page = front.ask("GET", address)
    form = urlencode({**Form(page.decode()).hidden, "token": token})
    kind = {"Content_Type": "application/x-www-form-urlencoded", "Origin": "https://lots.example"}
    status, signed, said = front.ask("POST", address, form, Cookie=cookies(first), **kind)
    assert 302 == status, said
    assert "; Secure" in signed["Set-Cookie"]
    return cookies(signed), signed["Location"]


def cookies(headers):
    """The cookies of an answer as a browser returns them, deleted ones empty."""
    pairs = [line.partition(";")[0] for line in headers["Set-Cookie"].splitlines()]
    return "; ".join(pair for pair in pairs if pair.partition("=")[2].strip('"'))


@pytest.mark.parametrize(
    ("prefixed", "through_socket"), [(False, False), (True, False), (True, True)], ids=["root", "prefix", "socket"]
)
def test_a_delivery_is_cleared_through_the_configurations(behind, token, prefixed, through_socket):
    """A delivery is cleared by the API, and its lot is on the pages, signed in over TLS."""
    front, prefix = behind(prefixed, through_socket)
    lot = clear_a_delivery(front, prefix, token("admin"))
    cookie, place = sign_in(front, prefix, token("quality"))
    assert f"{prefix}/lots" == place
    for path in (place, f"{prefix}/lots/{lot}"):
        status, _, page = front.ask("GET", path, Cookie=cookie)
        assert (200, True) == (status, "LOT-1" in page.decode())
        for found in re.findall(r'(?:href|src|action)="([^"#]+)"', page.decode()):
            assert found.startswith((f"{prefix}/", "data:")), found


@pytest.mark.parametrize("engine", ["sqlite"])
def test_what_a_client_writes_into_the_headers_counts_for_nothing(behind, token):
    """The proxy sets or clears client headers, and a large body is refused by the program."""
    front, _ = behind(False, False)
    lies = {"X_Forwarded_Host": "evil.example", "X_Forwarded_Prefix": "/evil", "Forwarded": "for=192.0.2.1"}
    _, headers, _ = front.ask("GET", "/lots", **lies, X_Forwarded_Proto="http")
    assert "evil" not in headers["Location"]
    admin = token("admin")
    status, _, refused = front.ask("POST", "/v1/suppliers", "x" * 5_000_000, Authorization=f"Bearer {admin}")
    assert (413, "/problems/too-large") == (status, refused["type"])
    for number in range(4 * 20 + 1):  # each of four workers counts for itself
        said = {"Authorization": f"Bearer wrong-{number}", "X_Forwarded_For": f"192.0.2.{number}"}
        wrong, _, _ = front.ask("GET", "/v1/me", **said)
    assert 429 == wrong


def test_the_unit_is_one_that_systemd_takes(tmp_path):
    """The unit is accepted by systemd, with an existing command and the hardening options."""
    for line in ("NoNewPrivileges=yes", "ProtectSystem=strict", "StateDirectory=lots", "User=lots"):
        assert f"\n{line}\n" in UNIT
    if not shutil.which("systemd-analyze"):
        pytest.skip("needs systemd-analyze on the path")
    environment = tmp_path / "environment"
    environment.write_text(ENVIRONMENT)
    unit = tmp_path / "lots.service"
    program = shlex.split(COMMAND)[0]
    unit.write_text(filled(UNIT, program=(program, sys.executable), file=("/etc/lots/environment", str(environment))))
    done = subprocess.run(["systemd-analyze", "verify", "--man=no", str(unit)], capture_output=True, text=True)
    ours = [line for line in done.stderr.splitlines() if "lots.service" in line]
    assert (0, []) == (done.returncode, ours), done.stderr
