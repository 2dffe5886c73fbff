"""Masters and working copies with their remeasurements: due dates, movements, and decisions in doubt."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypedDict

from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.colorimetry.color_values import Conditions, Lab, mean_lab
from lots.domain.instruments.reference_sessions import Approved, ReferenceHistory, Session, life, seen
from lots.domain.instruments.reference_stability import Doubt
from lots.domain.instruments.uncertainty import known_uncertainty
from lots.domain.instruments.working_copies import working_copy
from lots.services.assessment.uncertainty import found_by_instrument
from lots.services.from_rows import conditions_of
from lots.services.instruments import reference_words
from lots.services.instruments.reference_words import Doubted
from lots.services.views import View, recorded
from lots.store.instruments import references as store
from lots.store.instruments import studies
from lots.store.setup import catalog
from lots.store.tables.models import Decision, Shade, ShadeRevision
from lots.store.tables.setup import KeptConditions
from lots.store.tables.studies import KeptPlaque, Remeasurement, RemeasurementVoid, WorkingCopy

MASTER = "master"


@dataclass(frozen=True, slots=True)
class Plaque:
    """A plaque in use: a master, or a working copy, which has a code.

    `begins` is its approval or production, `as_was` its colour then.
    """

    name: str
    code: str | None
    begins: datetime
    every_days: int | None
    as_was: Approved

    @classmethod
    def of_copy(cls, row: WorkingCopy) -> Plaque:
        """Returns a working copy as a plaque."""
        as_was = Approved(mean_lab(list(_labs(row.copy_readings))), Conditions(**row.conditions))
        return cls(f"copy {row.id}", row.code, row.measured_at, row.remeasure_every_days, as_was)

    @classmethod
    def master(cls, shade: Shade, revision: ShadeRevision) -> Plaque:
        """Returns the master of a shade as a plaque, approved as its newest revision."""
        return cls(MASTER, None, revision.recorded_at, shade.remeasure_every_days, _approved(revision))


class SessionView(TypedDict):
    """A session with its readings and its result for each plaque."""

    id: int
    shade_id: int
    instrument_id: int
    measured_at: datetime
    conditions: KeptConditions
    note: str | None
    recorded_at: datetime
    recorded_by: str
    revision: int
    read: list[View]
    found: list[reference_words.Told]
    voided: View | None


class ReferenceShelf:
    """Masters, working copies and sessions of some shades, read once. Four queries."""

    def __init__(self, shades: Sequence[Shade], also: Iterable[int] = ()) -> None:
        """Reads the data of these shades' newest revisions, and of the revisions numbered `also`."""
        self.shades = shades
        self.revisions = catalog.current_shade_revisions([row.id for row in shades])
        wanted = {row.id for row in self.revisions.values()} | set(also)
        self.copies = store.copies_of(wanted)
        rows = store.sessions_of(wanted)
        self._studies = found_by_instrument(studies.of_repeatability(row.instrument_id for row in rows))
        self._sessions: dict[int, list[Session]] = {}
        for row in rows:
            self._sessions.setdefault(row.shade_revision_id, []).append(self._session(row))

    def _session(self, row: Remeasurement) -> Session:
        (tile,) = (plaque for plaque in row.plaques if plaque["artefact"] == "tile")
        found, stated = self._studies.get(row.instrument_id, []), row.instrument.standard_uncertainty
        known, own = (known_uncertainty(COLOR.name, row.measured_at, said, found) for said in (None, stated))
        return Session(
            row.id,
            row.measured_at,
            row.instrument.code,
            Conditions(**row.conditions),
            tile.get("code") or "",
            _labs(tile["readings"]),
            {_name(plaque): _labs(plaque["readings"]) for plaque in row.plaques if plaque["artefact"] != "tile"},
            known.u,
            own.u or None,
        )

    def copies_in_use(self, shade_id: int) -> list[WorkingCopy]:
        """Returns the newest working copy of each code of a shade's newest revision."""
        revision = self.revisions.get(shade_id)
        return list(
            {row.code: row for row in self.copies if revision and row.shade_revision_id == revision.id}.values()
        )

    def _lives(self, shade: Shade) -> list[tuple[Plaque, ReferenceHistory]]:
        """Returns the approved master of a shade and its working copies in use, each with its history."""
        revision = self.revisions.get(shade.id)
        if revision is None:
            return []
        plaques = [Plaque.master(shade, revision)]
        plaques += map(Plaque.of_copy, self.copies_in_use(shade.id))
        return [(plaque, self._life(plaque, revision.id)) for plaque in plaques]

    def _life(self, plaque: Plaque, revision_id: int) -> ReferenceHistory:
        return life(plaque.name, plaque.begins, self._sessions.get(revision_id, ()), plaque.as_was)

    def due(self) -> list[Due]:
        """Returns each plaque with a schedule and its due date, and each that has moved, due since then."""
        lives = [(shade, plaque, one) for shade in self.shades for plaque, one in self._lives(shade)]
        return [
            Due(shade, plaque, at, moved) for shade, plaque, one in lives for at, moved in _due(one, plaque.every_days)
        ]

    def master_due(self, shade: Shade) -> datetime | None:
        """Returns the due date of a master, None without a revision, and without a schedule unless it moved."""
        return next((item.at for item in self.due() if item.shade.id == shade.id and item.plaque.code is None), None)

    def doubted(self, shade: Shade, session: Remeasurement | None = None) -> list[Doubted]:
        """Returns the plaques of a shade's newest revision that have moved, each with the time of doubt.

        With a session only its own plaques are returned, with the decisions made since each last agreed. This takes a
        query.
        """
        doubts = [(plaque, doubt) for plaque, one in self._lives(shade) for doubt in one.doubts]
        if session is not None:
            doubts = [(plaque, doubt) for plaque, doubt in doubts if _speaks_of(session, plaque, doubt)]
        if not doubts:
            return []
        revision = self.revisions[shade.id]
        entries = [_doubted(shade, revision, plaque, doubt) for plaque, doubt in doubts]
        if session is not None:
            by_color = _by_color(revision)
            for entry, (_, doubt) in zip(entries, doubts, strict=True):
                entry["decisions"] = [_decision_line(row) for row in by_color if doubt.holds(row.decided_at)]
        return entries

    def session_view(self, row: Remeasurement) -> SessionView:
        """Returns a session with its readings and its result for each plaque. A void session has no results."""
        void: RemeasurementVoid | None = getattr(row, "void", None)
        return {
            "id": row.id,
            "shade_id": row.shade_id,
            "instrument_id": row.instrument_id,
            "measured_at": row.measured_at,
            "conditions": row.conditions,
            "note": row.note,
            "recorded_at": row.recorded_at,
            "recorded_by": row.recorded_by,
            "revision": row.shade_revision.revision,
            "read": [
                {"artefact": one["artefact"], "code": one.get("code"), "readings": one["readings"]}
                for one in row.plaques
            ],
            "found": [] if void else self._told(row),
            "voided": None if void is None else _voided(void),
        }

    def _told(self, row: Remeasurement) -> list[reference_words.Told]:
        this, known = self._session(row), self._sessions.get(row.shade_revision_id, ())
        plaques = [plaque for plaque in row.plaques if plaque["artefact"] != "tile"]
        return [
            reference_words.told(
                plaque["artefact"], plaque.get("code"), seen(_name(plaque), this, known, self._as_was(row, plaque))
            )
            for plaque in plaques
        ]

    def _as_was(self, row: Remeasurement, plaque: KeptPlaque) -> Approved | None:
        if plaque["artefact"] == MASTER:
            return _approved(row.shade_revision)
        return next((Plaque.of_copy(copy).as_was for copy in self.copies if copy.id == plaque.get("copy_id")), None)

    def copy_view(self, row: WorkingCopy) -> View:
        """Returns a working copy with its offset, whether it is in use, whether it moved, and its due date."""
        offset = working_copy(row.code, _labs(row.master_readings), _labs(row.copy_readings))
        newest = any(copy.id == row.id for copy in self.copies_in_use(row.shade_id))
        one = self._life(Plaque.of_copy(row), row.shade_revision_id)
        moved = bool(one.doubts)
        return {
            "id": row.id,
            "shade_id": row.shade_id,
            "code": row.code,
            "instrument_id": row.instrument_id,
            "measured_at": row.measured_at,
            "conditions": row.conditions,
            "note": row.note,
            **recorded(row),
            "remeasure_every_days": row.remeasure_every_days,
            "revision": row.shade_revision.revision,
            "master": row.master_readings,
            "copy": row.copy_readings,
            "offset": list(offset.offset),
            "offset_uncertainty": None if offset.u is None else list(offset.u),
            "in_use": newest and not moved,
            "moved": moved,
            "due_at": next((at for at, _ in _due(one, row.remeasure_every_days)), None) if newest else None,
            "says": reference_words.offset(offset, row.shade_revision.revision, newest=newest, moved=moved),
        }


@dataclass(frozen=True, slots=True)
class Due:
    """A plaque of a shade with its due date, because it moved or because its interval ends."""

    shade: Shade
    plaque: Plaque
    at: datetime
    moved: bool


def _due(one: ReferenceHistory, every_days: int | None) -> list[tuple[datetime, bool]]:
    """Returns the due date of a plaque, and whether it moved.

    A plaque that moved is due at once, others by their schedule, if any.
    """
    doubt = next((doubt for doubt in one.doubts if doubt.until is None), None)
    if doubt is not None:
        return [(doubt.found_at, True)]
    return [] if every_days is None else [(one.due_at(every_days), False)]


def _doubted(shade: Shade, revision: ShadeRevision, plaque: Plaque, doubt: Doubt) -> Doubted:
    return {
        "artefact": MASTER if plaque.code is None else "copy",
        "code": plaque.code,
        "revision": revision.revision,
        "since": doubt.since,
        "found_at": doubt.found_at,
        "until": doubt.until,
        "says": reference_words.doubted(shade.code, plaque.code, revision.revision, doubt),
    }


def _voided(void: RemeasurementVoid) -> View:
    return {"reason": void.reason, "voided_at": void.voided_at, "voided_by": void.voided_by}


def _approved(revision: ShadeRevision) -> Approved:
    return Approved(Lab(*revision.lab), conditions_of(revision))


def _speaks_of(session: Remeasurement, plaque: Plaque, doubt: Doubt) -> bool:
    """Returns whether a valid session measured a plaque and found that it moved or agreed again."""
    if getattr(session, "void", None) or plaque.name not in {
        _name(read) for read in session.plaques if read["artefact"] != "tile"
    }:
        return False
    return doubt.found_at <= session.measured_at and (doubt.until is None or session.measured_at <= doubt.until)


def _name(plaque: KeptPlaque) -> str:
    return MASTER if plaque["artefact"] == MASTER else f"copy {plaque.get('copy_id')}"


def _labs(rows: Iterable[Sequence[float]]) -> tuple[Lab, ...]:
    return tuple(Lab(*row) for row in rows)


def _by_color(revision: ShadeRevision) -> list[Decision]:
    """Returns the decisions under a revision that have colour findings. One query."""
    made = store.decisions(revision.id)
    return [row for row in made if any(found["characteristic"] == COLOR.name for found in row.findings)]


def _decision_line(row: Decision) -> reference_words.DecisionLine:
    return {
        "id": row.id,
        "action": row.action,
        "standing": row.standing,
        "decided_at": row.decided_at,
        "lot_id": row.lot_id,
        "supplier_lot": row.lot.supplier_lot,
    }
