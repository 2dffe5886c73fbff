"""Masters and working copies with everything that was read of them since: what is due, what moved, and which decisions that puts in doubt."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from lots.desks import reference_words
from lots.desks.uncertainty import found_by
from lots.domain.instrument_uncertainty import Found, known_uncertainty
from lots.domain.remeasuring import Life, Session, life, seen
from lots.domain.values import Conditions, Lab
from lots.domain.working_copies import working_copy
from lots.store import catalog, studies
from lots.store import references as store

MASTER = "master"


@dataclass(frozen=True, slots=True)
class Plaque:
    """A plaque in use: the master, or a working copy, which has a code; `begins` is when it was approved or made."""

    name: str
    code: str | None
    begins: datetime
    every_days: int | None

    @classmethod
    def of_copy(cls, row: Any) -> Plaque:
        """A working copy."""
        return cls(f"copy {row.id}", row.code, row.measured_at, row.remeasure_every_days)


class Shelf:
    """Masters, working copies and sessions of some shades, read once: four queries, however many shades."""

    def __init__(self, shades: Sequence[Any], also: Iterable[int] = ()) -> None:
        """Reads what there is of these shades' newest revisions, and of the revisions numbered `also`."""
        self.shades = shades
        self.revisions = catalog.current_shade_revisions([row.id for row in shades])
        wanted = {row.id for row in self.revisions.values()} | set(also)
        self.copies = store.copies_of(wanted)
        rows = store.sessions_of(wanted)
        self._studies: dict[int, list[Found]] = {}
        for study in studies.of_repeatability({row.instrument_id for row in rows}):
            self._studies.setdefault(study.instrument_id, []).append(found_by(study))
        self._sessions: dict[int, list[Session]] = {}
        for row in rows:
            self._sessions.setdefault(row.shade_revision_id, []).append(self._session(row))

    def _session(self, row: Any) -> Session:
        (tile,) = (plaque for plaque in row.plaques if plaque["artefact"] == "tile")
        known = known_uncertainty("color", row.measured_at, None, self._studies.get(row.instrument_id, []))
        return Session(
            row.id,
            row.measured_at,
            row.instrument.code,
            Conditions(**row.conditions),
            tile["code"],
            _labs(tile["readings"]),
            {_name(plaque): _labs(plaque["readings"]) for plaque in row.plaques if plaque["artefact"] != "tile"},
            known.u,
        )

    def copies_in_use(self, shade_id: int) -> list[Any]:
        """The newest working copy of each code of a shade's newest revision."""
        revision = self.revisions.get(shade_id)
        return list(
            {row.code: row for row in self.copies if revision and row.shade_revision_id == revision.id}.values()
        )

    def _lives(self, shade: Any) -> list[tuple[Plaque, Life]]:
        """The master of a shade, when one was approved, and its working copies in use, each with what was read of it."""
        revision = self.revisions.get(shade.id)
        if revision is None:
            return []
        plaques = [Plaque(MASTER, None, revision.recorded_at, shade.remeasure_every_days)]
        plaques += map(Plaque.of_copy, self.copies_in_use(shade.id))
        return [(plaque, self._life(plaque, revision.id)) for plaque in plaques]

    def _life(self, plaque: Plaque, revision_id: int) -> Life:
        return life(plaque.name, plaque.begins, self._sessions.get(revision_id, ()))

    def due(self) -> list[tuple[Any, Plaque, datetime]]:
        """Each plaque with a schedule, with its shade and when it is to be measured again."""
        return [
            (shade, plaque, one.due_at(plaque.every_days))
            for shade in self.shades
            for plaque, one in self._lives(shade)
            if plaque.every_days is not None
        ]

    def master_due(self, shade: Any) -> datetime | None:
        """When a master is to be measured again, None without a schedule or a revision."""
        return next((at for row, plaque, at in self.due() if row.id == shade.id and plaque.code is None), None)

    def doubted(self, shade: Any, *, with_decisions: bool) -> list[dict[str, Any]]:
        """The plaques of a shade's newest revision that were found to have moved, each with since when. A query more for decisions."""
        doubts = [(plaque, doubt) for plaque, one in self._lives(shade) for doubt in one.doubts]
        if not doubts:
            return []
        revision = self.revisions[shade.id]
        made = store.decisions(revision.id) if with_decisions else []
        by_color = [row for row in made if any(found["characteristic"] == "color" for found in row.findings)]
        answer = []
        for plaque, doubt in doubts:
            entry = {
                "artefact": MASTER if plaque.code is None else "copy",
                "code": plaque.code,
                "revision": revision.revision,
                "since": doubt.since,
                "found_at": doubt.found_at,
                "until": doubt.until,
                "says": reference_words.doubted(shade.code, plaque.code, revision.revision, doubt),
            }
            held = [_decision_line(row) for row in by_color if doubt.holds(row.decided_at)]
            answer.append({**entry, "decisions": held} if with_decisions else entry)
        return answer

    def session_view(self, row: Any) -> dict[str, Any]:
        """A session with its readings, and what it tells of each plaque; one that was voided tells nothing."""
        void = getattr(row, "void", None)
        names = ("id", "shade_id", "instrument_id", "measured_at", "conditions", "note", "recorded_at", "recorded_by")
        return {
            **{name: getattr(row, name) for name in names},
            "revision": row.shade_revision.revision,
            "read": [{"code": None, **plaque} for plaque in row.plaques],
            "found": [] if void else self._told(row),
            "voided": void and {name: getattr(void, name) for name in ("reason", "voided_at", "voided_by")},
        }

    def _told(self, row: Any) -> list[dict[str, Any]]:
        this, known = self._session(row), self._sessions.get(row.shade_revision_id, ())
        plaques = [plaque for plaque in row.plaques if plaque["artefact"] != "tile"]
        return [
            reference_words.told(plaque["artefact"], plaque.get("code"), seen(_name(plaque), this, known))
            for plaque in plaques
        ]

    def copy_view(self, row: Any) -> dict[str, Any]:
        """A working copy with its offset, whether it is still in use, whether it moved, and when it is due."""
        offset = working_copy(row.code, _labs(row.master_readings), _labs(row.copy_readings))
        in_use = any(copy.id == row.id for copy in self.copies_in_use(row.shade_id))
        one, days = self._life(Plaque.of_copy(row), row.shade_revision_id), row.remeasure_every_days
        moved = bool(one.doubts)
        names = ("id", "shade_id", "code", "instrument_id", "measured_at", "conditions", "note")
        return {
            **{name: getattr(row, name) for name in (*names, "recorded_at", "recorded_by", "remeasure_every_days")},
            "revision": row.shade_revision.revision,
            "master": row.master_readings,
            "copy": row.copy_readings,
            "offset": list(offset.offset),
            "offset_uncertainty": None if offset.u is None else list(offset.u),
            "in_use": in_use,
            "moved": moved,
            "due_at": one.due_at(days) if in_use and days is not None else None,
            "says": reference_words.offset(offset, row.shade_revision.revision, in_use=in_use, moved=moved),
        }


def _name(plaque: dict[str, Any]) -> str:
    return MASTER if plaque["artefact"] == MASTER else f"copy {plaque['copy_id']}"


def _labs(rows: Iterable[Sequence[float]]) -> tuple[Lab, ...]:
    return tuple(Lab(*row) for row in rows)


def _decision_line(row: Any) -> dict[str, Any]:
    names = ("id", "action", "standing", "decided_at")
    return {**{name: getattr(row, name) for name in names}, "lot_id": row.lot_id, "supplier_lot": row.lot.supplier_lot}
