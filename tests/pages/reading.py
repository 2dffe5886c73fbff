"""A page as a person in a browser without script has it, and somebody who fills its forms."""

from __future__ import annotations

import io
from html.parser import HTMLParser
from urllib.parse import urlencode

SITE = "https://lots.example.org:8443"
FILE = "spool_code,d1_mm,d2_mm\nL1-S001,1.75,1.76\nL1-S001,1.75,1.77\n"


class Page(HTMLParser):
    """A page without script: its words, its links, and its forms with their values."""

    def __init__(self, answer):
        super().__init__(convert_charrefs=True)
        self.status, self.html = answer.status_code, answer.get_data(as_text=True)
        self.forms, self.links, self.said, self.headings, self.every_link = [], {}, [], [], []
        self._select = self._area = self._link = None
        self._open = []
        self.feed(self.html)

    def handle_starttag(self, tag, attrs):
        """Opens a form, a field, a link."""
        known = dict(attrs)
        self._open.append(tag)
        name, fields = known.get("name"), self.forms[-1]["fields"] if self.forms else {}
        if tag == "form":
            self.forms.append({"action": known.get("action"), "fields": {}, "buttons": {}, "files": set()})
        elif tag == "input" and known.get("type") == "file":
            self.forms[-1]["files"].add(name)
        elif tag == "input" and (known.get("type") != "checkbox" or "checked" in known):
            fields[name] = known.get("value", "")
        elif tag == "select":
            self._select = name
        elif tag == "option" and (self._select not in fields or "selected" in known):
            fields[self._select] = known["value"]
        elif tag == "textarea":
            self._area, fields[name] = name, ""
        elif tag == "a":
            self._link = known.get("href")
            self.every_link.append(self._link)
        elif tag == "button":
            self._open[-1] = ("button", known.get("name"), known.get("value"))

    def handle_endtag(self, tag):
        """Closes it."""
        if tag == "textarea":
            fields = self.forms[-1]["fields"]
            # A browser leaves out a line break right behind the tag, and sends every one as CR LF.
            text = fields[self._area].replace("\r\n", "\n").removeprefix("\n")
            fields[self._area] = text.replace("\n", "\r\n")
            self._area = None
        if tag == "a":
            self._link = None

    def handle_data(self, data):
        """Keeps words; of a link, a button or a text area with it."""
        if self._area is not None:
            self.forms[-1]["fields"][self._area] += data
            return
        last = self._open[-1] if self._open else ""
        if isinstance(last, tuple) and last[1] and data.strip():
            self.forms[-1]["buttons"][data.strip()] = (last[1], last[2])
        if last == "h1":
            self.headings.append(data)
        if self._link and data.strip():
            self.links.setdefault(data.strip(), self._link)
        self.said.append(data)

    @property
    def text(self):
        """All it says."""
        return " ".join(" ".join(self.said).split())

    def form(self, field):
        """The form that has this field."""
        return next(form for form in self.forms if field in form["fields"] or field in form["files"])


def sign_in(client, token, base=SITE, **more):
    """Opens the sign-in page and sends its form with a token; the answer as it came."""
    fields = Page(client.get("/sign-in", base_url=base)).form("token")["fields"]
    return client.post("/sign-in", data={**fields, "token": token, **more}, base_url=base)


class Browser:
    """Somebody signed in, without script."""

    def __init__(self, shop, role):
        self.client, self.at = shop.app.test_client(), "/"
        assert 302 == sign_in(self.client, shop.tokens[role]).status_code

    def raw(self, address, **sent):
        """One answer, as it came."""
        return self.client.open(address, base_url=SITE, method="POST" if sent else "GET", **sent)

    def go(self, address, **sent):
        """The page at an address, behind any redirect; every page has one first heading."""
        self.at = address
        answer = self.raw(address, **sent)
        if answer.status_code in (302, 303):
            return self.go(answer.headers["Location"])
        page = Page(answer)
        assert 1 == page.html.count("<h1")
        return page

    def send(self, page, field, button=None, **typed):
        """Fills the form that has a field and sends it, with `button` if the form has several."""
        form = page.form(field)
        filled = {**form["fields"], **typed}
        if button:
            name, value = form["buttons"][button]
            filled[name] = value
        action = form["action"] or self.at
        if "seal" not in filled:
            return self.go(f"{action}?{urlencode(filled)}")
        return self.go(action, data=filled)


def typed(desk, lot="Q-71", **more):
    """The fields that the clerk fills from a packing slip."""
    told = {"supplier_id": str(desk.quillwort["id"]), "grade_id": str(desk.white["id"]), "supplier_lot": lot}
    return {**told, "spool_count": "3", "net_mass_g": "1000", **more}


def log(desk, clerk, lot="Q-71", **more):
    """Logs a delivery at the page and answers what came then."""
    return clerk.send(clerk.go("/receiving"), "supplier_lot", **typed(desk, lot, **more))


def tried(who, content, name="d.csv", **more):
    """A file sent to be tried."""
    page = who.go("/bench/file")
    fields = page.form("file")["fields"] | more
    return who.go("/bench/file", data={**fields, "file": (io.BytesIO(content.encode()), name)})
