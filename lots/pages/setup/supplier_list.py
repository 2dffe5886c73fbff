"""Suppliers: their list, and the forms that add and correct them."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for

from lots.api.http.fields import NUMBER
from lots.api.setup.suppliers import OneSupplier, SupplierArgs, SupplierChange, Suppliers
from lots.pages.site.calls import Refusal, attempt, checked, every, once, version_read
from lots.pages.site.frame import pages, refused
from lots.pages.site.session import signed_in
from lots.services.setup import catalog


@pages.get("/setup/suppliers")
@signed_in((Suppliers, "GET"))
def supplier_list() -> str:
    """Shows all suppliers, and the form for a new one."""
    return _list({}, None)


@pages.post("/setup/suppliers")
@signed_in((Suppliers, "POST"))
def supplier_added() -> Any:
    """Adds a supplier."""
    typed = request.form.to_dict()
    body = {name: text for name in ("code", "name", "contact") if (text := typed.get(name, "").strip())}

    def add() -> str:
        catalog.add("supplier", checked(SupplierArgs, body), g.me["name"])
        return url_for("pages.supplier_list")

    done = once(add, SupplierArgs)
    return (_list(typed, done), done.status) if isinstance(done, Refusal) else done


@pages.get(f"/setup/suppliers/<{NUMBER}:number>")
@signed_in((OneSupplier, "GET"))
def supplier_details(number: int) -> Any:
    """Shows one supplier, and the form that corrects name and contact."""
    return _one(number, None, None)


@pages.post(f"/setup/suppliers/<{NUMBER}:number>")
@signed_in((OneSupplier, "PATCH"))
def supplier_changed(number: int) -> Any:
    """Corrects a supplier."""
    typed, version = request.form.to_dict(), version_read()
    body = {"name": typed.get("name", "").strip(), "contact": typed.get("contact", "").strip() or None}

    def change() -> str:
        catalog.change("supplier", number, version, checked(SupplierChange, body), g.me["name"])
        return url_for("pages.supplier_list")

    done = once(change, SupplierChange)
    return _one(number, typed, done) if isinstance(done, Refusal) else done


def _list(typed: Mapping[str, str], not_done: Refusal | None) -> str:
    return render_template(
        "setup/suppliers.html",
        suppliers=every(partial(catalog.listed, "supplier")),
        typed=typed,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )


def _one(number: int, typed: Mapping[str, str] | None, not_done: Refusal | None) -> Any:
    found = attempt(lambda: catalog.get("supplier", number))
    if isinstance(found, Refusal):
        return refused(found, url_for("pages.supplier_list"))
    page = render_template(
        "setup/supplier.html",
        supplier=found,
        typed={"name": found["name"], "contact": found["contact"] or ""} if typed is None else typed,
        refused=not_done,
        faults=not_done.beside() if not_done else {},
    )
    return page, not_done.status if not_done else 200
