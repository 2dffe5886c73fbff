"""The details of the shop: name, addresses, time zone, formats of dates and numbers, labels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any
from zoneinfo import available_timezones

from flask import g, render_template, request, url_for

from lots.api.setup.shop import Shop, ShopChange
from lots.pages.site.calls import Refusal, Shown, attempt, checked, once, version_read
from lots.pages.site.frame import pages
from lots.pages.site.place import details, number
from lots.pages.site.session import signed_in
from lots.services import clock
from lots.services.setup import shop as shop_service
from lots.services.setup.place import DATE_FORMS, DECIMAL_SIGNS, Place, zone

# Optional fields.
_OPTIONAL = ("name", "address", "site", "bench_currency")
_TEXTS = (*_OPTIONAL, "time_zone", "date_form", "decimal_sign", "label_paper")
_SIZES = ("label_width_mm", "label_height_mm", "label_margin_mm", "sheet_top_mm", "sheet_left_mm")
_BENCH = ("usual_quarantine_days", "minutes_per_reading", "bench_cost_per_h")
PAPERS = (("sheet", "A4 sheets"), ("roll", "A roll, one label after the other"))
# A diameter, mm, to show the decimal sign.
_NUMBER = 1.748


@pages.get("/setup/shop")
@signed_in((Shop, "PATCH"))
def shop() -> str:
    """Shows the details of the shop, with an example of dates and numbers."""
    found: Shown = shop_service.view()
    place = details().place
    typed = {name: found[name] or "" for name in _TEXTS} | {name: place.number(found[name]) for name in _SIZES}
    typed |= {name: "" if found[name] is None else place.number(found[name]) for name in _BENCH}
    return _form(typed, found["version"], None)


@pages.post("/setup/shop")
@signed_in((Shop, "PATCH"))
def shop_changed() -> Any:
    """Stores the shop's details; the button *Show example* stores nothing."""
    typed, version = request.form.to_dict(), version_read()
    if typed.get("step") == "example":
        return _form(typed, version, None)

    def change() -> str:
        shop_service.change(version, checked(ShopChange, _body(typed)), g.me["name"])
        return url_for("pages.setup")

    done = once(change, ShopChange)
    if not isinstance(done, Refusal):
        return done
    now: Shown = shop_service.view()
    return _form(typed, now["version"], done), done.status


def _body(typed: Mapping[str, str]) -> dict[str, Any]:
    body: dict[str, Any] = {name: typed.get(name, "").strip() or None for name in _OPTIONAL}
    # A required field that was left empty keeps its value.
    body |= {name: text for name in _TEXTS if name not in _OPTIONAL and (text := typed.get(name, "").strip())}
    body["bench_cost_per_h"] = number(text) if (text := typed.get("bench_cost_per_h", "").strip()) else None
    return body | {name: number(text) for name in (*_SIZES, *_BENCH) if (text := typed.get(name, "").strip())}


def _place(typed: Mapping[str, str]) -> Place | None:
    """Returns the typed time zone, date form and decimal sign; None where one is invalid."""
    form, sign = typed.get("date_form", ""), typed.get("decimal_sign", "")
    try:
        zone(typed.get("time_zone", "").strip())
    except LookupError:
        return None
    known = form in DATE_FORMS and sign in DECIMAL_SIGNS
    return Place(typed["time_zone"].strip(), form, sign) if known else None


def _labels(typed: Mapping[str, str]) -> tuple[int, int] | None:
    """Returns the columns and rows of labels on a sheet of the typed sizes; None without a sheet or with invalid sizes."""
    said = attempt(lambda: checked(ShopChange, {name: number(typed.get(name, "")) for name in _SIZES}))
    if isinstance(said, Refusal) or typed.get("label_paper") != "sheet":
        return None
    known = {field.name for field in fields(shop_service.Details)}
    sheet = replace(shop_service.Details(), **{name: value for name, value in said.items() if name in known})
    return sheet.columns, sheet.rows


def _form(typed: Mapping[str, str], version: int, not_done: Refusal | None) -> str:
    now, place = clock.now(), _place(typed)
    return render_template(
        "setup/shop.html",
        typed=typed,
        version=version,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
        zones=sorted(available_timezones() - {"localtime", "posixrules", "Factory"}),
        date_forms=[(form, f"{Place(date_form=form).day(now)} ({form})") for form in DATE_FORMS],
        signs=[(sign, f"{Place(decimal_sign=sign).number(_NUMBER)} ({sign})") for sign in DECIMAL_SIGNS],
        papers=PAPERS,
        labels=_labels(typed),
        example=None if place is None else (place.moment(now), place.number(_NUMBER)),
    )
