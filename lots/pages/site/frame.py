"""The frame of all pages: the menu, the style sheet and the error pages."""

from __future__ import annotations

from importlib.util import find_spec
from typing import Any

from flask import (
    Blueprint,
    Response,
    abort,
    current_app,
    g,
    make_response,
    render_template,
    request,
    send_from_directory,
    url_for,
)
from werkzeug import wrappers
from werkzeug.exceptions import HTTPException

from lots.api.http.routes import Refused
from lots.domain.assessment.standing_by_hand import manual_decision_says
from lots.domain.conformity.step_rule import without_decision
from lots.domain.words import counted, hyphenated
from lots.pages.site import cookies, session
from lots.pages.site.calls import Refusal

pages = Blueprint("pages", __name__, template_folder="../templates")

# The menu: a word and an endpoint for each main page. The decorator of a page names its roles.
TASKS = (
    ("Home", "pages.home"),
    ("Receive", "pages.receiving"),
    ("Measure", "pages.bench"),
    ("Check", "pages.check"),
    ("Loaded", "pages.loaded"),
    ("Lots", "pages.lots"),
    ("Quality", "pages.quality"),
    ("This week", "pages.week"),
    ("Suppliers", "pages.suppliers"),
    ("Set up", "pages.setup"),
)

CSP = (
    "default-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; style-src 'self'; img-src 'self' data:; "
    "script-src 'self'; connect-src 'self'"
)


@pages.before_request
def _load() -> None:
    session.load()
    try:
        _ = request.args
    except UnicodeDecodeError:
        abort(400, "The query of this address is not UTF-8 text. Type the address again, or go to Home.")


@pages.after_request
def _own_policy(answer: Response) -> Response:
    answer.headers["Content-Security-Policy"] = CSP
    if request.endpoint == session.STATIC:
        answer.headers["Cache-Control"] = "public, max-age=3600"
        return answer
    answer.headers["Cache-Control"] = "no-store"
    cookies.drop_former(answer)
    return answer


@pages.app_context_processor
def _shared() -> dict[str, Any]:
    me = g.get("me")
    return {
        "me": me,
        "seal": session.seal if me else lambda: "",
        "once": session.once,
        "tasks": _tasks(),
        "may": session.may,
        "can_open": can_open,
        # Whether the API can make PDF files.
        "pdf": find_spec("fpdf") is not None,
    }


pages.add_app_template_filter(counted)
pages.add_app_template_filter(hyphenated)
pages.add_app_template_global(manual_decision_says)
pages.add_app_template_global(without_decision)


def refused(refusal: Refusal, back: str, title: str = "") -> tuple[str, int]:
    """Returns the page with a refusal and a link back, under the heading `title` or that of a rejected form or address."""
    return render_template("site/refused.html", refused=refusal, back=back, title=title), refusal.status


def answered(done: wrappers.Response | Refusal, back: str) -> Any:
    """Returns the redirect of a stored form, or the page with the refusal and a link back."""
    return refused(done, back) if isinstance(done, Refusal) else done


def can_open(endpoint: str) -> bool:
    """Returns whether a page exists and the signed-in person may open it."""
    return endpoint in current_app.view_functions and session.may(endpoint)


def _tasks() -> list[dict[str, str]]:
    """Returns the menu of the signed-in person. `here` is the value of `aria-current`: "page", or "true" on a page below the entry."""
    path, found = request.script_root + request.path, []
    for title, endpoint in TASKS:
        if can_open(endpoint):
            url = url_for(endpoint)
            below = endpoint != "pages.home" and path.startswith(f"{url}/")
            found.append({"title": title, "url": url, "here": "page" if path == url else "true" if below else ""})
    return found


@pages.get("/static/<any('site.css', 'bench.js', 'bench-scales.js', 'print.js', 'refresh.js'):name>")
def static_file(name: str) -> Response:
    """Returns the style sheet or a script."""
    kind = "text/css" if name.endswith(".css") else "text/javascript"
    return send_from_directory(f"{pages.root_path}/../static", name, mimetype=kind)


@pages.get("/favicon.ico")
def icon() -> tuple[str, int]:
    """Returns an empty answer to the browser's own request for an icon."""
    return "", 204


# Paths for programs, which get problem documents instead of pages.
_FOR_PROGRAMS = ("/v1", "/docs", "/metrics", "/healthz", "/readyz", "/problems")


@pages.app_errorhandler(404)
@pages.app_errorhandler(405)
def _unknown_address(error: HTTPException) -> Any:
    """Answers an unknown address with a page for people, and with the API's problem document for programs."""
    prefers = request.accept_mimetypes.best_match(["application/json", "text/html"], "application/json")
    first = f"/{request.path.split('/')[1]}"
    if first in _FOR_PROGRAMS or prefers != "text/html":
        return current_app.error_handler_spec[None][None][HTTPException](error)
    if request.blueprint != pages.name:
        session.load()
    answer = make_response(render_template("site/nowhere.html", path=request.path), error.code or 404)
    if methods := getattr(error, "valid_methods", None):
        answer.headers["Allow"] = ", ".join(methods)
    return _own_policy(answer)


@pages.errorhandler(Exception)
def _error_page(error: Exception) -> Response:
    """Answers an error of the database or the program with a page, in the words of the API."""
    handlers = current_app.error_handler_spec[None][None]
    problem: Any = next(handlers[kind] for kind in type(error).__mro__ if kind in handlers)(error)
    said = problem.get_json()
    # The frame would query the database for the person and the red bar, which may fail now.
    session.forget()
    shown = {"name": said["title"], "description": said["detail"]}
    answer = make_response(render_template("site/wrong.html", error=shown), problem.status_code)
    if later := problem.headers.get("Retry-After"):
        answer.headers["Retry-After"] = later
    return answer


@pages.errorhandler(Refused)
def _no_paper(error: Refused) -> Any:
    """Shows that a paper cannot be made on this server."""
    said = error.answer.get_json()
    return render_template(
        "site/wrong.html", error={"name": said["title"], "description": said["detail"]}
    ), error.answer.status_code


@pages.errorhandler(HTTPException)
def _wrong(error: HTTPException) -> Any:
    shown = {"name": "Form not accepted", "description": error.description} if error.code == 400 else error
    return render_template("site/wrong.html", error=shown), error.code or 500
