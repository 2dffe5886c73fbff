"""The details of the shop: name, addresses, time zone, formats of dates and numbers, labels and costs."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from zoneinfo import available_timezones

from lots.services import clock
from lots.services.errors import Fault, Invalid, Stale
from lots.services.setup.place import Place, zone
from lots.services.setup.roles import PEOPLE
from lots.services.views import View
from lots.store import audit
from lots.store.engine.database import transaction
from lots.store.setup import catalog
from lots.store.setup.set_up import counts
from lots.store.tables.models import ShopDetails

# A4 (ISO 216), mm.
SHEET_MM = (210.0, 297.0)
# The id of the only row.
_NUMBER = 1


@dataclass(frozen=True, slots=True)
class Details:
    """The details of the shop, or their defaults.

    Args:
        name, address: as printed on papers; None if not stated.
        site: the URL of the shop for phones and scanners, such as https://lots.example; None if not stated.
        time_zone, date_form, decimal_sign: see `Place`.
        label_width_mm, label_height_mm: of one label, mm, > 0.
        label_margin_mm: empty margin at each edge of a label, mm, >= 0.
        sheet_top_mm, sheet_left_mm: from the edge of an A4 sheet to its first label, mm, >= 0.
        label_paper: "sheet" or "roll".
        usual_quarantine_days: usual time in quarantine, > 0. Longer times are reported to purchasing. Common practice, no source.
        bench_cost_per_h, bench_currency: cost of an hour at the bench, >= 0, ISO 4217; None if not stated.
        minutes_per_reading: time per reading at the bench, > 0. Common practice, no source.
    """

    name: str | None = None
    address: str | None = None
    site: str | None = None
    time_zone: str = "UTC"
    date_form: str = "YYYY-MM-DD"
    decimal_sign: str = "point"
    label_width_mm: float = 70.0
    label_height_mm: float = 36.0
    label_margin_mm: float = 2.0
    sheet_top_mm: float = 4.5
    sheet_left_mm: float = 0.0
    label_paper: str = "sheet"
    usual_quarantine_days: int = 7
    bench_cost_per_h: float | None = None
    bench_currency: str | None = None
    minutes_per_reading: float = 4.0

    @property
    def place(self) -> Place:
        """The formats of dates and numbers."""
        return Place(self.time_zone, self.date_form, self.decimal_sign)

    @property
    def columns(self) -> int:
        """The number of labels across a sheet."""
        return int((SHEET_MM[0] - self.sheet_left_mm) / self.label_width_mm + 1e-9)

    @property
    def rows(self) -> int:
        """The number of labels down a sheet."""
        return int((SHEET_MM[1] - self.sheet_top_mm) / self.label_height_mm + 1e-9)


def details() -> Details:
    """Returns the details of the shop. One query."""
    return _details_of(catalog.shop())


def _details_of(row: ShopDetails | None) -> Details:
    """Returns the details in a row, with defaults for missing ones."""
    stated = {name: getattr(row, name) for name in Details.__slots__} if row else {}
    return Details(**{name: value for name, value in stated.items() if value is not None})


def view() -> View:
    """Returns the details of the shop for the API, with their version, which is 0 before the first change. One query."""
    row = catalog.shop()
    said = _details_of(row)
    at: tuple[datetime | None, str | None] = (row.recorded_at, row.recorded_by) if row else (None, None)
    return {
        "id": _NUMBER,
        **asdict(said),
        "version": row.version if row else 0,
        "recorded_at": at[0],
        "recorded_by": at[1],
    }


def change(version: int, values: Mapping[str, object], by: str) -> View:
    """Changes the details of the shop if they still have `version`.

    Raises:
        Stale: they were changed since.
        Invalid: the time zone does not exist, a cost has no currency, or no label fits on a sheet.
    """
    with transaction():
        row = catalog.shop()
        if (row.version if row else 0) != version:
            raise _stale()
        said = replace(details(), **values)  # type: ignore[arg-type]  # the schema of the request knows the types
        if faults := _faults(said):
            raise Invalid(*faults)
        now = clock.now()
        if values:
            if not catalog.describe_shop(_NUMBER, version, asdict(said), by, now):
                raise _stale()
            audit.note(None, "shop described", by, now, {"shop_details": [_NUMBER]}, values)
        return view()


def _stale() -> Stale:
    return Stale("The details of the shop were changed since you read them. Read them again, and repeat your change.")


def _faults(said: Details) -> list[Fault]:
    found = []
    try:
        zone(said.time_zone)
    except LookupError:
        near = difflib.get_close_matches(said.time_zone, available_timezones(), 1, 0.5)
        hint = f"Did you mean {near[0]}?" if near else "Give an IANA name, such as Europe/Berlin."
        found.append(Fault("/time_zone", f'"{said.time_zone}" is not a time zone.', hint))
    if (said.bench_cost_per_h is None) != (said.bench_currency is None):
        empty = "bench_cost_per_h" if said.bench_cost_per_h is None else "bench_currency"
        says = "The hourly cost and its currency must be given together."
        found.append(Fault(f"/{empty}", says, "Give both, or neither."))
    if min(said.label_width_mm, said.label_height_mm) <= 2 * said.label_margin_mm:
        detail = f"Margins of {said.label_margin_mm:g} mm leave no space on a label."
        found.append(Fault("/label_margin_mm", detail, "Give a smaller margin."))
    if said.label_paper == "sheet" and said.columns < 1:
        found.append(
            Fault(
                "/label_width_mm",
                f"A label {said.label_width_mm:g} mm wide does not fit on an A4 sheet.",
                "Give a smaller width, or print on a roll.",
            )
        )
    if said.label_paper == "sheet" and said.rows < 1:
        found.append(
            Fault(
                "/label_height_mm",
                f"A label {said.label_height_mm:g} mm high does not fit on an A4 sheet.",
                "Give a smaller height, or print on a roll.",
            )
        )
    return found


@dataclass(frozen=True, slots=True)
class SetUp:
    """The numbers of entries in the set-up."""

    named: bool
    # Role of a desk -> people with a valid token.
    people: Mapping[str, int]
    suppliers: int
    instruments: int
    shades: int
    shades_with_reference: int
    grades: int
    grades_with_limits: int


def set_up() -> SetUp:
    """Returns the numbers of entries for the set-up checklist. One query."""
    found = counts(PEOPLE, clock.now())
    return SetUp(
        named=found["shop"] > 0,
        people={role: found[role] for role in PEOPLE},
        suppliers=found["supplier"],
        instruments=found["instrument"],
        shades=found["shade"],
        shades_with_reference=found["shade with reference"],
        grades=found["grade"],
        grades_with_limits=found["grade with limits"],
    )
