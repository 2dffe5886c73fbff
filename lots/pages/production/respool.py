"""Production: respooling of filament from one or more spools onto a new one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.production.spools import Spools, WindArgs
from lots.pages.site.calls import Refusal, Shown, attempt, checked, once
from lots.pages.site.frame import pages
from lots.pages.site.place import number
from lots.pages.site.session import pack, signed_in
from lots.services.documents.search import scanned
from lots.services.production import spools

# Rows of the form at first, and the most that the API takes.
_ROWS, _MOST = 3, 20


@pages.get("/respool")
@signed_in((Spools, "POST"))
def respool() -> str:
    """Shows the form with the spools to respool and the mass taken from each."""
    rows = request.args.get("rows", _ROWS, type=int)
    return _form([{"spool_code": scanned(request.args.get("spool", "")), "mass_g": ""}], rows)


@pages.post("/respool")
@signed_in((Spools, "POST"))
def wound() -> Any:
    """Shows the result of a respooling and stores it after confirmation, or adds rows to the form."""
    typed = _typed()
    if rows := request.form.get("rows", type=int):
        return _form(typed, rows)
    body: dict[str, Any] = {"parents": [_parent(one) for one in typed]}
    if code := request.form.get("code", "").strip():
        body["code"] = code
    if not request.form.get("confirm"):
        shown: Shown | Refusal = attempt(lambda: spools.to_wind(checked(WindArgs, body)), WindArgs)
        if isinstance(shown, Refusal):
            return _form(typed, len(typed), shown), shown.status
        return render_template("production/respool_confirm.html", typed=typed, code=code, shown=shown)

    def wind() -> str:
        made = spools.wind(checked(WindArgs, body), g.me["name"])
        return url_for("pages.spool", code=made["code"], wound=pack("wound", made["warnings"]))

    done = once(wind, WindArgs)
    return (_form(typed, len(typed), done), done.status) if isinstance(done, Refusal) else done


def _typed() -> list[dict[str, str]]:
    """Returns the filled rows, with scanned addresses as spool codes; one empty row if none is filled."""
    pairs = zip(request.form.getlist("spool_code"), request.form.getlist("mass_g"), strict=False)
    rows = [{"spool_code": scanned(code), "mass_g": mass.strip()} for code, mass in pairs]
    return [one for one in rows if one["spool_code"] or one["mass_g"]][:_MOST] or [{"spool_code": "", "mass_g": ""}]


def _parent(typed: dict[str, str]) -> dict[str, Any]:
    said: dict[str, Any] = {"spool_code": typed["spool_code"]} if typed["spool_code"] else {}
    return said | ({"mass_g": number(typed["mass_g"])} if typed["mass_g"] else {})


def _form(typed: Sequence[dict[str, str]], rows: int, refused: Refusal | None = None) -> str:
    many = max(len(typed), _ROWS, min(rows, _MOST))
    blank = {"spool_code": "", "mass_g": ""}
    return render_template(
        "production/respool.html",
        rows=[*typed, *[blank] * (many - len(typed))],
        more=min(many + _ROWS, _MOST) if many < _MOST else None,
        code=request.form.get("code", ""),
        refused=refused,
        faults=_beside(refused),
    )


def _beside(refused: Refusal | None) -> dict[tuple[str, str], list[str]]:
    """Returns the faults by row and field name. The row is "" for a fault of no row."""
    found: dict[tuple[str, str], list[str]] = {}
    for told in refused.faults if refused else ():
        first, *below = told.path
        row, name = (below[0], below[-1]) if first == "parents" and len(below) > 1 else ("", first)
        found.setdefault((row, name), []).append(told.says)
    return found
