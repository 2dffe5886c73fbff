"""Readings as requests bring them once the API has checked their types, and what people are told of them."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple, NotRequired, Required, TypedDict

from lots.store.tables.setup import KeptConditions, KeptSpectrum


class Light(TypedDict):
    """What a colour is computed under."""

    illuminant: str
    observer_deg: int


class SentConditions(KeptConditions):
    """Measuring conditions of a colour. Beside a spectrum the light may be missing until it is completed by that of the reference."""


class SentReading(TypedDict, total=False):
    """What every reading says, and the fields that checks over several characteristics look at. Those of its own characteristic stand beside them."""

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
    """What looks like a slip in a reading: its field, what looks wrong, and what to do; "" where that follows."""

    field: str
    detail: str
    hint: str = ""


class Warned(TypedDict):
    """What is told of a stored reading. `helps` is False where it can count against its lot at most; left out for slips."""

    field: str
    detail: str
    hint: str
    helps: NotRequired[bool]
