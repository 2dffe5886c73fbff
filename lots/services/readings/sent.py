"""Bodies of readings, with types checked by the API, and the warnings about them."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple, NotRequired, Required, TypedDict

from lots.store.tables.setup import KeptConditions, KeptSpectrum


class Light(TypedDict):
    """Illuminant and observer of a computed colour."""

    illuminant: str
    observer_deg: int


class SentConditions(KeptConditions):
    """Measuring conditions of a colour.

    With a spectrum, illuminant and observer may be missing until they are taken from the reference.
    """


class SentReading(TypedDict, total=False):
    """Common fields of readings, and those used by checks across characteristics.

    Other fields depend on the characteristic.
    """

    spool_code: Required[str]
    instrument_id: int | None
    measured_at: datetime
    screening: bool
    note: str | None
    printer: str | None
    test_print: str | None
    build: str | None
    lab: list[float]
    spectrum: KeptSpectrum | None
    conditions: SentConditions


class Slip(NamedTuple):
    """A likely mistake in a reading: its field, the problem and the remedy, "" where the remedy is obvious."""

    field: str
    detail: str
    hint: str = ""


class Warned(TypedDict):
    """A warning about a stored reading.

    `helps` is False where it cannot help to release its lot; absent for likely mistakes.
    """

    field: str
    detail: str
    hint: str
    helps: NotRequired[bool]
