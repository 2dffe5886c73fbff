"""Tables of master data: shop, tokens, sessions, shades, grades, limits and instruments. Also idempotency answers, imports and search keys."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from peewee import (
    BigIntegerField,
    BooleanField,
    CharField,
    Check,
    DoubleField,
    ForeignKeyField,
    IntegerField,
    TextField,
)

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.row import Row


class KeptSpectrum(TypedDict):
    """A stored spectrum."""

    start_nm: int
    step_nm: int
    values: list[float]


class KeptConditions(TypedDict):
    """The measuring conditions of a colour (`Conditions` of the domain), without unstated ones."""

    illuminant: str
    observer_deg: int
    geometry: str
    specular: str
    uv: NotRequired[str | None]
    backing: NotRequired[str | None]
    age_h: NotRequired[float | None]
    face: NotRequired[str | None]
    thickness_mm: NotRequired[float | None]
    texture: NotRequired[str | None]
    aperture_mm: NotRequired[float | None]
    orientation_deg: NotRequired[float | None]


class KeptStatement(TypedDict):
    """Quality's statement on a use or a shape, with its reason. `from_caution` marks an unconfirmed one from an older shop's caution."""

    use: NotRequired[str]
    shape: NotRequired[str]
    reason: str
    by: str
    at: str
    from_caution: NotRequired[bool]


class SchemaVersion(Row):
    """The schema version, in a single row."""

    version = IntegerField()


class ShopDetails(Row):
    """The shop's details, at most one row with id 1. Without it the defaults apply (`lots/services/setup/shop.py`)."""

    name = CharField(200, null=True)
    address = TextField(null=True)
    site = CharField(200, null=True)
    time_zone = CharField(60)
    date_form = CharField(10)
    decimal_sign = CharField(5)
    label_width_mm = DoubleField(constraints=[Check("label_width_mm > 0")])
    label_height_mm = DoubleField(constraints=[Check("label_height_mm > 0")])
    label_margin_mm = DoubleField(constraints=[Check("label_margin_mm >= 0")])
    sheet_top_mm = DoubleField(constraints=[Check("sheet_top_mm >= 0")])
    sheet_left_mm = DoubleField(constraints=[Check("sheet_left_mm >= 0")])
    label_paper = CharField(5)
    version = IntegerField(default=1)
    recorded_at = Instant()
    recorded_by = CharField(120)
    usual_quarantine_days = IntegerField(null=True, constraints=[Check("usual_quarantine_days > 0")])
    bench_cost_per_h = DoubleField(null=True, constraints=[Check("bench_cost_per_h >= 0")])
    bench_currency = CharField(3, null=True)
    minutes_per_reading = DoubleField(null=True, constraints=[Check("minutes_per_reading > 0")])


class SearchKey(Row):
    """A suffix of a name's identity, in hexadecimal, so that an index finds every name that contains a searched text.

    Digits and the letters a to f have the same order in every collation, so one condition works on both engines.
    """

    kind = CharField(8)
    key = CharField(48)
    refers_to = BigIntegerField()

    class Meta:
        indexes = ((("kind", "key", "refers_to"), False), (("kind", "refers_to"), False))


class Token(Row):
    """A bearer token. Only the SHA-256 of its text is stored."""

    name = CharField(120, unique=True)
    role = CharField(20)
    hash = CharField(64, unique=True)
    created_at = Instant()
    expires_at = Instant(null=True)
    last_used_at = Instant(null=True)
    revoked_at = Instant(null=True)


class WebSession(Row):
    """A session of the pages. Only the SHA-256 of its cookie is stored. It ends with its token, at `ends_at`, or at `ended_at`."""

    hash = CharField(64, unique=True)
    token = ForeignKeyField(Token)
    token_id: int
    started_at = Instant()
    ends_at = Instant(index=True)
    ended_at = Instant(null=True)
    address = CharField(64, null=True)


class RepeatedRequest(Row):
    """The stored answer to a POST with an Idempotency-Key."""

    token_name = CharField(120)
    method = CharField(10)
    path = TextField()
    key = CharField(255)
    body_hash = CharField(64)
    status = IntegerField(null=True)
    body = TextField(null=True)
    headers = Json[dict[str, str] | None](null=True)
    recorded_at = Instant(index=True)

    class Meta:
        indexes = ((("token_name", "method", "path", "key"), True),)


class Import(Row):
    """An imported file, identified by the SHA-256 of its kind, options and content, with the summary of its import."""

    kind = CharField(60)
    file_name = CharField(200)
    digest = CharField(64, unique=True)
    rows = IntegerField()
    items = IntegerField()
    lot_ids = Json[list[int]]()
    summary = Json[dict[str, object]]()
    recorded_at = Instant()
    recorded_by = CharField(120)


class Shade(Row):
    """An approved colour."""

    code = CharField(40, unique=True)
    name = CharField(200)
    remeasure_every_days = IntegerField(null=True, constraints=[Check("remeasure_every_days > 0")])
    version = IntegerField(default=1)
    recorded_at = Instant()
    recorded_by = CharField(120)


class Instrument(Row):
    """A measuring instrument. Its standard uncertainty is in the unit of its readings."""

    code = CharField(40, unique=True)
    kind = CharField(60)
    standard_uncertainty = DoubleField(null=True, constraints=[Check("standard_uncertainty >= 0")])
    check_interval_days = IntegerField(constraints=[Check("check_interval_days > 0")])
    recorded_at = Instant()
    recorded_by = CharField(120)
    resolution = DoubleField(null=True, constraints=[Check("resolution > 0")])
    # Characteristics that it may measure. NULL until stated or until its first reading.
    measures = Json[list[str] | None](null=True)
    version = IntegerField(default=1)


class ShadeRevision(Row):
    """An immutable reference colour with its measuring conditions."""

    shade = ForeignKeyField(Shade, backref="revisions")
    shade_id: int
    revision = IntegerField()
    lab = Json[list[float]]()
    readings = Json[list[list[float]] | None](null=True)
    spectrum = Json[KeptSpectrum | None](null=True)
    conditions = Json[KeptConditions]()
    approved_by = CharField(120)
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
    # The measuring instrument, and the standard uncertainty of each coordinate.
    instrument = ForeignKeyField(Instrument, null=True, index=False)
    instrument_id: int | None
    standard_uncertainty = DoubleField(null=True, constraints=[Check("standard_uncertainty >= 0")])

    class Meta:
        indexes = ((("shade", "revision"), True),)


class Grade(Row):
    """A grade of filament."""

    code = CharField(40, unique=True)
    polymer = CharField(60)
    color_name = CharField(120)
    finish = CharField(60, null=True)
    filler = CharField(120, null=True)
    nominal_diameter_mm = DoubleField(constraints=[Check("nominal_diameter_mm > 0 AND nominal_diameter_mm < 10")])
    density_g_cm3 = DoubleField(constraints=[Check("density_g_cm3 > 0 AND density_g_cm3 < 20")])
    shade = ForeignKeyField(Shade, null=True)
    shade_id: int | None
    cautions = Json[list[str]]()
    brightened = BooleanField(default=False)
    shelf_life_days = IntegerField(null=True, constraints=[Check("shelf_life_days > 0")])
    open_life_days = IntegerField(null=True, constraints=[Check("open_life_days > 0")])
    version = IntegerField(default=1)
    recorded_at = Instant()
    recorded_by = CharField(120)
    filler_kind = CharField(
        10, null=True, constraints=[Check("filler_kind IN ('none', 'pigment', 'mineral', 'fibre', 'other')")]
    )
    forbidden_uses = Json[list[KeptStatement] | None](null=True)
    permitted_uses = Json[list[KeptStatement] | None](null=True)
    forbidden_shapes = Json[list[KeptStatement] | None](null=True)
    # Drying rule, softening temperature, and how long filament stays dry when sealed and when opened.
    dry_c = DoubleField(null=True, constraints=[Check("dry_c > 0")])
    dry_h = DoubleField(null=True, constraints=[Check("dry_h > 0")])
    softening_c = DoubleField(null=True, constraints=[Check("softening_c > 0")])
    dry_for_h = DoubleField(null=True, constraints=[Check("dry_for_h > 0")])
    dry_for_open_h = DoubleField(null=True, constraints=[Check("dry_for_open_h > 0")])


class LimitsRevision(Row):
    """Immutable acceptance limits of a grade."""

    grade = ForeignKeyField(Grade, backref="limits")
    grade_id: int
    revision = IntegerField()
    body = Json[dict[str, object]]()
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
    # The version of the rules at the time; NULL for the second.
    rules = IntegerField(null=True)

    class Meta:
        indexes = ((("grade", "revision"), True),)


class InstrumentCheck(Row):
    """A calibration check of an instrument against a known artefact."""

    instrument = ForeignKeyField(Instrument, backref="checks")
    instrument_id: int
    checked_at = Instant()
    result = CharField(4, constraints=[Check("result IN ('pass', 'fail')")])
    artefact = CharField(200, null=True)
    readings = Json[list[float | list[float]] | None](null=True)
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
