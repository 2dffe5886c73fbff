"""Limits of a grade: their form with proposals, a check on lots before they are set, and a comparison with older revisions."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from flask import g, render_template, request, url_for
from markupsafe import Markup

from lots.api.http.fields import NUMBER
from lots.api.pictures import limits_effect
from lots.api.setup.form_fields import FormField, form_fields
from lots.api.setup.grades import GradeLimits
from lots.api.setup.limits import LimitsArgs
from lots.domain.assessment.limits_revision import DEFINING, GENERAL, USES
from lots.domain.characteristics.registry import DECLARED
from lots.domain.words import hyphenated, listed
from lots.pages.setup.schema_forms import beside, body_of, proposed, typed_of, words_of
from lots.pages.site.calls import Refusal, Shown, Told, attempt, checked, every, label_of, once
from lots.pages.site.frame import pages, refused
from lots.pages.site.session import signed_in
from lots.services.assessment import impact
from lots.services.setup import catalog
from lots.services.views import View


@dataclass(frozen=True, slots=True)
class _Tried:
    """The result of checking drafted limits: doubts, and the effect on lots."""

    doubts: Sequence[tuple[str, str]]
    lots: Sequence[impact.Effect]


def _terms() -> tuple[FormField, ...]:
    return form_fields(LimitsArgs, "decision_rule", "guard_z", "instruments")


def _sampling() -> FormField:
    return form_fields(LimitsArgs, "sampling")[0]


def _blocks() -> tuple[FormField, ...]:
    return form_fields(LimitsArgs, *DECLARED)


def _note() -> FormField:
    return form_fields(LimitsArgs, "note")[0]


@pages.get(f"/grades/<{NUMBER}:number>/limits")
@signed_in((GradeLimits, "GET"))
def limits(number: int) -> Any:
    """Shows the revisions of a grade's limits, and the form for the next one, filled with the current values."""
    revisions = _revisions(number)
    if isinstance(revisions, Refusal):
        return refused(revisions, url_for("pages.grades"))
    return _form(number, _typed(revisions[-1]) if revisions else {}, revisions)


@pages.post(f"/grades/<{NUMBER}:number>/limits")
@signed_in((GradeLimits, "POST"))
def limits_sent(number: int) -> Any:
    """Fills in proposals, checks drafted limits on lots, or sets limits that were checked unchanged."""
    typed, step = request.form.to_dict(), request.form.get("step", "check")
    revisions = _revisions(number)
    if isinstance(revisions, Refusal):
        return refused(revisions, url_for("pages.grades"))
    if step.startswith("propose-"):
        return _form(number, _with_proposals(step.removeprefix("propose-"), typed), revisions)
    body = _body(typed)
    if step == "set" and typed.get("tried") == _digest(body, len(revisions)):
        done = once(partial(_set, number, body), LimitsArgs)
        return done if not isinstance(done, Refusal) else (_form(number, typed, revisions, not_done=done), done.status)
    tried = attempt(partial(_try, number, body), LimitsArgs)
    if isinstance(tried, Refusal):
        return _form(number, typed, revisions, not_done=tried), tried.status
    return _form(number, typed, revisions, tried=tried, changed=step == "set")


@pages.get(f"/grades/<{NUMBER}:number>/limits/<{NUMBER}:revision>")
@signed_in((GradeLimits, "GET"))
def limits_revision(number: int, revision: int) -> Any:
    """Shows one revision of a grade's limits, its changes, and the lots in stock that were assessed under older ones."""
    revisions = _revisions(number)
    if isinstance(revisions, Refusal):
        return refused(revisions, url_for("pages.grades"))
    shown = next((one for one in revisions if one["revision"] == revision), None)
    if shown is None:
        missing = Refusal(404, f"Limits revision {revision} of this grade does not exist.")
        return refused(missing, url_for("pages.limits", number=number))
    before = next((one for one in revisions if one["revision"] == revision - 1), None)
    newest = revisions[-1]["revision"] == revision
    return render_template(
        "setup/limits_revision.html",
        grade=catalog.get("grade", number),
        shown=shown,
        said=_in_words(shown),
        before=before,
        changes=_changes(before, shown) if before else [],
        older=impact.under_older_limits(number, revision) if newest else [],
        newest=newest,
    )


def _revisions(number: int) -> list[View] | Refusal:
    return attempt(lambda: every(partial(catalog.limits_revisions, number)))


def _set(number: int, body: Mapping[str, Any]) -> str:
    made = catalog.add_limits(number, checked(LimitsArgs, body), g.me["name"])
    return url_for("pages.limits_revision", number=number, revision=made["revision"])


def _try(number: int, body: Mapping[str, Any]) -> _Tried:
    drafted, doubts = catalog.drafted_limits(number, checked(LimitsArgs, body))
    said = [(label_of(LimitsArgs, one["pointer"]), f"{one['detail']} {one['hint']}") for one in doubts]
    return _Tried(said, impact.effect_of_limits(number, drafted))


def _body(typed: Mapping[str, str]) -> dict[str, Any]:
    """Returns the form as the body of the API."""
    uses = {use: [name for name in DECLARED if f"uses-{use}-{name}" in typed] for use in USES}
    named = {use: needs for use, needs in uses.items() if needs}
    body = body_of([*_terms(), _sampling(), *_blocks(), _note()], typed)
    return {**body, **({"uses": named} if named else {})}


def _digest(body: Mapping[str, Any], revisions: int) -> str:
    """Returns a digest of drafted limits and the number of revisions, without the note, which may still change."""
    held = {name: value for name, value in body.items() if name != "note"}
    return hashlib.sha256(json.dumps([revisions, held], sort_keys=True).encode()).hexdigest()[:32]


def _typed(revision: Shown) -> dict[str, str]:
    """Returns a revision as the initial values of the form for the next one, without its note."""
    typed = typed_of([*_terms(), _sampling(), *_blocks()], revision)
    return typed | {f"uses-{use}-{name}": "on" for use, needs in (revision.get("uses") or {}).items() for name in needs}


def _with_proposals(block: str, typed: Mapping[str, str]) -> dict[str, str]:
    """Returns the form, with the proposals of a block in its empty fields."""
    if block == "uses":
        given = {one.path[-1] for one in _blocks() if _given(one, typed)}
        return {**typed, **{f"uses-{use}-{name}": "on" for use, name in DEFINING.items() if name in given}}
    found = {
        name: text for one in (_sampling(), *_blocks()) if one.name == block for name, text in proposed(one).items()
    }
    return {**typed, **{name: text for name, text in found.items() if not typed.get(name, "").strip()}}


def _given(block: FormField, typed: Mapping[str, str]) -> bool:
    return bool(body_of([block], typed))


def _in_words(revision: Shown) -> dict[tuple[str, str], str]:
    """Returns the values of a revision in words, by section and label."""
    found = {
        ("Rules", one.label): words_of(one, revision[one.name])
        for one in _terms()
        if revision.get(one.name) is not None
    }
    for block in (_sampling(), *_blocks()):
        found |= _block_in_words(block.label, block, revision.get(block.name) or {})
    uses = revision.get("uses") or {GENERAL: []}
    for use, needs in uses.items():
        found["Uses", hyphenated(use)] = listed([DECLARED[name].title for name in needs]) if needs else "every block"
    return found


def _block_in_words(section: str, block: FormField, said: Shown) -> dict[tuple[str, str], str]:
    found: dict[tuple[str, str], str] = {}
    for one in block.parts:
        value = said.get(one.path[-1])
        if value is None:
            continue
        if one.kind == "group":
            found |= _block_in_words(section, one, value)
        else:
            found[section, one.label] = words_of(one, value)
    return found


def _changes(before: Shown, after: Shown) -> list[tuple[str, str, str, str]]:
    """Returns the changes of a revision as section, label, before and after; "" where nothing was set."""
    old, new = _in_words(before), _in_words(after)
    keys = dict.fromkeys([*old, *new])
    return [(*key, old.get(key, ""), new.get(key, "")) for key in keys if old.get(key) != new.get(key)]


@dataclass(frozen=True, slots=True)
class _Section:
    """A block in the form: its description, whether it has values, and whether it is open."""

    block: FormField
    about: str
    given: bool
    open: bool


def _section(block: FormField, typed: Mapping[str, str], faults: Mapping[str, object], new: bool) -> _Section:
    about = DECLARED[block.name].limits.about.partition("\n")[0].partition(". ")[0].rstrip(".")
    given = _given(block, typed)
    wrong = any(name == block.name or name.startswith(f"{block.name}-") for name in faults)
    return _Section(block, about, given, given or wrong or (new and block.name == next(iter(DECLARED))))


def _field_of_fault(told: Told) -> tuple[str, str]:
    """Returns the field of a fault and its label, with the section."""
    around = DECLARED[told.path[0]].title if told.path[0] in DECLARED and len(told.path) > 1 else ""
    name = "-".join(told.path)
    fields = {one.name: one for block in (_sampling(), *_blocks()) for one in block.leaves()}
    # One input holds all numbers of a list.
    whole = fields.get("-".join(told.path[:-1]))
    if whole is not None and whole.kind == "list":
        return whole.name, ": ".join(filter(None, (around, whole.label)))
    pair = fields.get(name) and fields[name].kind == "pair"
    return f"{name}-0" if pair else name, ": ".join(filter(None, (around, told.label or told.path[-1])))


def _form(
    number: int,
    typed: Mapping[str, str],
    revisions: Sequence[Shown],
    *,
    tried: _Tried | None = None,
    changed: bool = False,
    not_done: Refusal | None = None,
) -> str:
    faults = beside(not_done)
    places = [_field_of_fault(told) for told in not_done.faults] if not_done else []
    return render_template(
        "setup/limits.html",
        grade=catalog.get("grade", number),
        revisions=revisions,
        typed=typed,
        refused=not_done,
        faults=faults,
        places=list(dict.fromkeys(place for place in places if place[0])),
        terms=_terms(),
        sampling=_sampling(),
        note=_note(),
        blocks=[_section(one, typed, faults, not revisions) for one in _blocks()],
        uses=[(use, hyphenated(use), DEFINING.get(use)) for use in USES],
        titles={name: one.title for name, one in DECLARED.items()},
        tried=tried,
        changed=changed,
        digest=_digest(_body(typed), len(revisions)) if tried else "",
        picture=Markup(limits_effect.draw(tried.lots)) if tried and tried.lots else "",  # noqa: S704  # our own drawing
        sentence=limits_effect.in_a_sentence(tried.lots) if tried else "",
        most=impact.MOST_TRIED,
        moves_of=limits_effect.moves_of,
    )
