"""What a grade is forbidden and permitted for: kept on its row with reason, person and time, and changed by quality alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from lots.domain.assessment.prohibitions import SHAPES, Material, Prohibition, Statement
from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.whiteness import WHITE_CAUTION, is_white
from lots.services.errors import Fault, Invalid

# Column -> what its entries call their subject.
_LISTS = {"forbidden_uses": "use", "permitted_uses": "use", "forbidden_shapes": "shape"}


def material(row: Any) -> Material:
    """Returns a grade's row as the value that decides what the grade is forbidden for."""
    stated, permitted, shapes = (_statements(name, getattr(row, name)) for name in _LISTS)
    return Material(row.finish, row.filler, row.filler_kind, stated, permitted, shapes)


def added_cautions(grade: Any, reference: Sequence[float] | None) -> list[str]:
    """Returns the cautions that follow from a grade's colour.

    Args:
        grade: its row.
        reference: L*, a*, b* of the reference that its lots are judged against, None without one.
    """
    return [WHITE_CAUTION] if is_white(grade.color_name, Lab(*reference) if reference else None) else []


def cautions_of(lot: Any) -> list[str]:
    """Returns what to mind of a lot's grade: its own cautions, then those that follow from its colour. No query."""
    revision = lot.shade_revision
    return [*lot.grade.cautions, *added_cautions(lot.grade, revision.lab if revision else None)]


def view(row: Any, reference: Sequence[float] | None) -> dict[str, Any]:
    """Returns what the contract shows of a grade's uses: names, each reason behind them, and what is left to review."""
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


def permission_view(granted: Statement) -> dict[str, Any]:
    """Returns a permission of quality as the contract shows it."""
    return {"use": granted.about, "reason": granted.reason, "by": granted.by, "at": granted.at}


def _ground(about: str, one: Prohibition, found: Material) -> dict[str, Any]:
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
class _Asked:
    """What a request says about a grade, and in whose name."""

    values: dict[str, Any]
    reason: str | None
    by: str
    now: datetime

    def statements(self, name: str, held: Sequence[Statement]) -> list[Statement]:
        """A list after the request: what it held stays as it was said, and what is new, or is confirmed, gets this reason."""
        if name not in self.values:
            return list(held)
        kept = {one.about: one for one in held if not (one.from_caution and self.reason)}
        new = [about for about in dict.fromkeys(self.values[name]) if about not in kept]
        said = {about: Statement(about, self.reason or "", self.by, self.now) for about in new}
        return [{**kept, **said}[about] for about in dict.fromkeys(self.values[name])]


def to_store(row: Any | None, values: dict[str, Any], by: str, now: datetime) -> dict[str, Any]:
    """Returns the columns that a request gives a grade, its lists of names made into entries with reason, person and time.

    A reason is needed for each change of these lists and for whatever lifts a prohibition, such as another finish. A reason beside the list of
    forbidden uses confirms those that were carried over from a caution. To forbid a permitted use ends its permission, and a permission ends
    with the last reason against its use.

    Args:
        row: the grade as it is, None for a new one.
        values: as asked for, with the `reason` that belongs to no column.

    Raises:
        Invalid: a reason is missing, or a use is to be permitted that nothing forbids.
    """
    asked = _Asked({name: value for name, value in values.items() if name != "reason"}, values.get("reason"), by, now)
    before = material(row) if row is not None else Material()
    after = _after(before, asked)
    faults = _not_forbidden(before, asked, after)
    if asked.reason is None and (why := _needs_reason(row, before, after)):
        faults.append(Fault("/reason", f"{why} A reason is required.", "Give reason."))
    if faults:
        raise Invalid(*faults)
    kept = {"forbidden_uses": after.stated, "permitted_uses": after.permitted, "forbidden_shapes": after.shapes}
    old = {"forbidden_uses": before.stated, "permitted_uses": before.permitted, "forbidden_shapes": before.shapes}
    # A list that was given is stored even if it is empty: then quality has stated that there is nothing.
    changed = {name: _entries(name, kept[name]) for name in _LISTS if name in asked.values or kept[name] != old[name]}
    return {**asked.values, **changed}


def _after(before: Material, asked: _Asked) -> Material:
    """The grade as the request would make it."""
    given = asked.values
    stated = asked.statements("forbidden_uses", list(before.stated))
    permitted = asked.statements("permitted_uses", list(before.permitted))
    if "permitted_uses" not in given:
        newly = {one.about for one in stated} - {one.about for one in before.stated}
        permitted = [one for one in permitted if one.about not in newly]
    shapes = asked.statements("forbidden_shapes", list(before.shapes))
    about = {name: given.get(name, getattr(before, name)) for name in ("finish", "filler", "filler_kind")}
    bare = Material(**about, stated=tuple(stated), shapes=tuple(shapes))
    grounds = {one.about for one in bare.grounds()}
    kept = tuple(one for one in permitted if one.about in grounds)
    return Material(**about, stated=tuple(stated), permitted=kept, shapes=tuple(shapes))


def _not_forbidden(before: Material, asked: _Asked, after: Material) -> list[Fault]:
    granted = {one.about for one in after.permitted}
    return [
        Fault(
            f"/permitted_uses/{index}", f"Nothing forbids {use} use of this grade.", "Leave it out of permitted_uses."
        )
        for index, use in enumerate(asked.values.get("permitted_uses", ()))
        if use not in granted
    ]


def _needs_reason(row: Any | None, before: Material, after: Material) -> str | None:
    """What about a change asks for a reason; None when nothing does."""

    def names(said: Sequence[Statement]) -> set[str]:
        return {one.about for one in said}

    if names(before.stated) != names(after.stated) or names(before.shapes) != names(after.shapes):
        return "This changes what the grade is forbidden for."
    if names(after.permitted) - names(before.permitted):
        return "This permits what the grade is forbidden for."
    lifted = {one.about for one in before.forbidden()} - {one.about for one in after.forbidden()}
    if row is not None and lifted:
        uses = " and ".join(use.replace("_", "-") for use in sorted(lifted))
        return f"With this change the grade is no longer forbidden for {uses} use."
    return None


def _statements(name: str, kept: Sequence[dict[str, Any]] | None) -> tuple[Statement, ...]:
    about = _LISTS[name]
    return tuple(
        Statement(
            one[about], one["reason"], one["by"], datetime.fromisoformat(one["at"]), bool(one.get("from_caution"))
        )
        for one in kept or ()
    )


def _entries(name: str, said: Sequence[Statement]) -> list[dict[str, Any]]:
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
