"""Forbidden and permitted uses of a grade, with reason, person and time. Only quality changes them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Literal, TypedDict

from lots.domain.assessment.prohibitions import SHAPES, Material, Prohibition, Statement
from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.whiteness import WHITE_CAUTION, is_white
from lots.domain.words import hyphenated
from lots.services.errors import Fault, Invalid
from lots.services.views import View
from lots.store.tables.models import Grade, Lot
from lots.store.tables.setup import KeptStatement

# Column -> the name of the subject in its entries.
_LISTS = {"forbidden_uses": "use", "permitted_uses": "use", "forbidden_shapes": "shape"}


class UsesValues(TypedDict, total=False):
    """The fields of a grade that decide its uses."""

    finish: str | None
    filler: str | None
    filler_kind: str | None
    forbidden_uses: list[str]
    permitted_uses: list[str]
    forbidden_shapes: list[str]
    reason: str | None


def material(row: Grade) -> Material:
    """Returns the material of a grade, which decides its forbidden uses."""
    stated, permitted = _statements("use", row.forbidden_uses), _statements("use", row.permitted_uses)
    shapes = _statements("shape", row.forbidden_shapes)
    return Material(row.finish, row.filler, row.filler_kind, stated, permitted, shapes)


def added_cautions(grade: Grade, reference: Sequence[float] | None) -> list[str]:
    """Returns the cautions caused by a grade's colour.

    Args:
        grade: its row.
        reference: L*, a*, b* of its reference colour; None without one.
    """
    return [WHITE_CAUTION] if is_white(grade.color_name, Lab(*reference) if reference else None) else []


def cautions_of(lot: Lot) -> list[str]:
    """Returns the cautions of a lot's grade: its own, then those caused by its colour. No query."""
    revision = lot.shade_revision
    return [*lot.grade.cautions, *added_cautions(lot.grade, revision.lab if revision else None)]


def view(row: Grade, reference: Sequence[float] | None) -> View:
    """Returns the uses of a grade for the API, with the reasons and with entries to review."""
    found = material(row)
    return {
        "filler_kind": row.filler_kind,
        "forbidden_uses": sorted({one.about for one in found.forbidden()}),
        "permitted_uses": sorted(one.about for one in found.permitted),
        "forbidden_shapes": sorted(one.about for one in found.shapes),
        "forbidden": [
            *(_ground("use", one, found) for one in found.grounds()),
            *(_ground("shape", one, found) for one in found.against_shapes(tuple(SHAPES))),
        ],
        "permitted": [permission_view(one) for one in found.permitted],
        "added_cautions": added_cautions(row, reference),
        "to_review": found.to_review(),
    }


def permission_view(granted: Statement) -> View:
    """Returns a permission of quality for the API."""
    return {"use": granted.about, "reason": granted.reason, "by": granted.by, "at": granted.at}


def _ground(about: str, one: Prohibition, found: Material) -> View:
    return {
        "use": one.about if about == "use" else None,
        "shape": one.about if about == "shape" else None,
        "source": one.source,
        "reason": one.reason,
        "by": one.by,
        "at": one.at,
        "permitted": found.permission(one.about) is not None,
        "says": one.says,
    }


@dataclass(frozen=True, slots=True)
class _Request:
    """A request to change the uses of a grade."""

    values: UsesValues
    reason: str | None
    by: str
    now: datetime

    @property
    def lists(self) -> dict[str, list[str]]:
        """The lists of names in the request."""
        sent = {
            "forbidden_uses": self.values.get("forbidden_uses"),
            "permitted_uses": self.values.get("permitted_uses"),
            "forbidden_shapes": self.values.get("forbidden_shapes"),
        }
        return {name: names for name, names in sent.items() if names is not None}

    def statements(self, name: str, held: Sequence[Statement]) -> list[Statement]:
        """Returns a list after the request. Existing entries keep their reason. New and confirmed entries get the reason of the request."""
        if (names := self.lists.get(name)) is None:
            return list(held)
        kept = {one.about: one for one in held if not (one.from_caution and self.reason)}
        new = [about for about in dict.fromkeys(names) if about not in kept]
        said = {about: Statement(about, self.reason or "", self.by, self.now) for about in new}
        return [{**kept, **said}[about] for about in dict.fromkeys(names)]


def to_store(row: Grade | None, values: UsesValues, by: str, now: datetime) -> Mapping[str, object]:
    """Returns the columns of a grade after a request. Names in its lists become entries with reason, person and time.

    A reason is required to change these lists, and for any change that lifts a prohibition, such as another finish. A reason with the list of
    forbidden uses confirms entries carried over from a caution. Forbidding a permitted use ends its permission. A permission also ends with
    the last reason against its use.

    Args:
        row: the present grade; None for a new one.
        values: the request, with its `reason`, which is not a column.

    Raises:
        Invalid: a reason is missing, or a permitted use is not forbidden.
    """
    asked = _Request(values, values.get("reason"), by, now)
    before = material(row) if row is not None else Material()
    after = _after(before, asked)
    faults = _not_forbidden(before, asked, after)
    if asked.reason is None and (why := _needs_reason(row, before, after)):
        faults.append(Fault("/reason", f"{why} A reason is required.", "Give the reason."))
    if faults:
        raise Invalid(*faults)
    kept = {"forbidden_uses": after.stated, "permitted_uses": after.permitted, "forbidden_shapes": after.shapes}
    old = {"forbidden_uses": before.stated, "permitted_uses": before.permitted, "forbidden_shapes": before.shapes}
    # An empty list in the request is stored too, because quality thereby states that nothing is forbidden.
    changed = {name: _entries(name, kept[name]) for name in _LISTS if name in asked.lists or kept[name] != old[name]}
    return {**{name: value for name, value in values.items() if name != "reason"}, **changed}


def _after(before: Material, asked: _Request) -> Material:
    """Returns the material after the request."""
    given, lists = asked.values, asked.lists
    stated = asked.statements("forbidden_uses", list(before.stated))
    permitted = asked.statements("permitted_uses", list(before.permitted))
    if "permitted_uses" not in lists:
        newly = {one.about for one in stated} - {one.about for one in before.stated}
        permitted = [one for one in permitted if one.about not in newly]
    shapes = asked.statements("forbidden_shapes", list(before.shapes))
    finish, filler = given.get("finish", before.finish), given.get("filler", before.filler)
    bare = Material(finish, filler, given.get("filler_kind", before.filler_kind), tuple(stated), (), tuple(shapes))
    grounds = {one.about for one in bare.grounds()}
    kept = tuple(one for one in permitted if one.about in grounds)
    return replace(bare, permitted=kept)


def _not_forbidden(before: Material, asked: _Request, after: Material) -> list[Fault]:
    granted = {one.about for one in after.permitted}
    return [
        Fault(
            f"/permitted_uses/{index}",
            f"This grade is not forbidden for {hyphenated(use)} use.",
            "Remove this use from the permitted uses.",
        )
        for index, use in enumerate(asked.lists.get("permitted_uses", ()))
        if use not in granted
    ]


def _needs_reason(row: Grade | None, before: Material, after: Material) -> str | None:
    """Returns why a change requires a reason; None if it does not."""

    def names(said: Sequence[Statement]) -> set[str]:
        return {one.about for one in said}

    if names(before.stated) != names(after.stated) or names(before.shapes) != names(after.shapes):
        return "This changes the forbidden uses or shapes of the grade."
    if names(after.permitted) - names(before.permitted):
        return "This permits a forbidden use of the grade."
    lifted = {one.about for one in before.forbidden()} - {one.about for one in after.forbidden()}
    if row is not None and lifted:
        uses = " and ".join(hyphenated(use) for use in sorted(lifted))
        return f"With this change the grade is no longer forbidden for {uses} use."
    return None


def _statements(about: Literal["use", "shape"], kept: Sequence[KeptStatement] | None) -> tuple[Statement, ...]:
    return tuple(
        Statement(
            one[about], one["reason"], one["by"], datetime.fromisoformat(one["at"]), bool(one.get("from_caution"))
        )
        for one in kept or ()
    )


def _entries(name: str, said: Sequence[Statement]) -> list[View]:
    return [
        {
            _LISTS[name]: one.about,
            "reason": one.reason,
            "by": one.by,
            "at": one.at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z"),
            **({"from_caution": True} if one.from_caution else {}),
        }
        for one in said
    ]
