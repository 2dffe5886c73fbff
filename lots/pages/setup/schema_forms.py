"""Forms generated from the schema of a request: conversion of typed text to a body, and of a body to a form."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from flask import current_app, request

from lots.api.setup.form_fields import FormField
from lots.domain.words import hyphenated
from lots.pages.site.calls import Refusal
from lots.pages.site.frame import pages
from lots.pages.site.place import number, place

_TRUTHS = {"yes": True, "no": False}


def body_of(asked: Iterable[FormField], typed: Mapping[str, str]) -> dict[str, Any]:
    """Returns the form as the body of a request, without empty fields and groups."""
    body: dict[str, Any] = {}
    for one in asked:
        value = body_of(one.parts, typed) or None if one.kind == "group" else _value(one, typed)
        if value is not None:
            body[one.path[-1]] = value
    return body


def _value(one: FormField, typed: Mapping[str, str]) -> Any:
    if one.kind == "pair":
        ends = [typed.get(name, "").strip() for name in ends_of(one)]
        return [number(end) for end in ends] if any(ends) else None
    text = typed.get(one.name, "").strip()
    if not text:
        return None
    if one.kind == "truth":
        return _TRUTHS.get(text, text)
    if one.kind == "list":
        return [number(part) for part in re.split(r"[;\s]+", text) if part]
    numeric = one.kind == "number" or (one.kind == "choice" and not isinstance(one.words[0], str))
    return number(text) if numeric else text


def typed_of(asked: Iterable[FormField], body: Mapping[str, Any]) -> dict[str, str]:
    """Returns the values of a body as its form shows them, by the names of the fields."""
    typed: dict[str, str] = {}
    for one in asked:
        value = body.get(one.path[-1])
        if value is None:
            continue
        if one.kind == "group":
            typed |= typed_of(one.parts, value)
        elif one.kind == "pair":
            typed |= dict(zip(ends_of(one), map(_written, value), strict=True))
        elif one.kind == "list":
            typed[one.name] = " ".join(map(_written, value))
        else:
            typed[one.name] = _written(value)
    return typed


def proposed(one: FormField) -> dict[str, str]:
    """Returns the proposals of a field, or of the parts of a group, as its form shows them."""
    if one.kind == "group":
        return {name: text for part in one.parts for name, text in proposed(part).items()}
    return typed_of([one], {one.path[-1]: one.proposal})


def words_of(one: FormField, value: Any) -> str:
    """Returns the value of a field in words."""
    if one.kind == "pair":
        return " to ".join(map(_written, value))
    if one.kind == "list":
        return ", ".join(map(_written, value))
    return hyphenated(_written(value)) if one.kind == "choice" else _written(value)


def beside(refusal: Refusal | None) -> dict[str, list[str]]:
    """Returns the faults by the field of the form; "" holds those without a field."""
    found: dict[str, list[str]] = {}
    for told in refusal.faults if refusal else ():
        found.setdefault("-".join(told.path), []).append(told.says)
    return found


def _written(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return place().number(value) if isinstance(value, int | float) else str(value)


@pages.app_template_global()
def ends_of(one: FormField) -> tuple[str, str]:
    """Returns the names of the two boxes of a pair."""
    return f"{one.name}-0", f"{one.name}-1"


@pages.app_template_global()
def options_of(one: FormField) -> list[tuple[Any, str]]:
    """Returns the choices as code and words. An optional field begins with an empty choice."""
    words = (
        [(word, hyphenated(str(word))) for word in one.words]
        if one.kind == "choice"
        else [("yes", "Yes"), ("no", "No")]
    )
    if one.required:
        return words
    left_out = "not stated" if one.default is None else f"{hyphenated(_written(one.default))} (default)"
    return [("", left_out), *words]


@pages.app_template_global()
def proposal_of(one: FormField) -> str:
    """Returns the proposal of a field in words; "" where it has none."""
    return " to ".join(proposed(one).values()) if one.proposal is not None else ""


@pages.app_template_global()
def address_if_there(path: str) -> str:
    """Returns the address of a page of this site; "" where there is no such page."""
    adapter = current_app.url_map.bind("")
    return f"{request.script_root}{path}" if adapter.test(path, "GET") else ""
