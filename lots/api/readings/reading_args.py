"""Request schemas for readings of each kind."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from marshmallow import ValidationError, validates_schema

from lots.api.http.fields import MAX_ID, Instant, Said, Strict, StrictBoolean, StrictInteger, Text
from lots.api.readings.measured_fields import asked
from lots.api.setup.shades import ConditionsArgs
from lots.domain.characteristics.declaring.declaration import Characteristic, Values
from lots.domain.characteristics.declaring.limit_fields import Problem
from lots.domain.characteristics.registry import DECLARED


class ReadingArgs(Strict):
    """The fields that all readings share."""

    spool_code = Text(60, required=True, metadata={"label": "Spool", "description": "spool code as on its label"})
    instrument_id = StrictInteger(
        1,
        MAX_ID,
        allow_none=True,
        metadata={
            "label": "Instrument",
            "description": "number of the instrument; without it the uncertainty is unknown",
        },
    )
    measured_at = Instant(metadata={"label": "Measured at", "description": "time of measurement; now by default"})
    screening = StrictBoolean(
        load_default=False,
        metadata={"description": "true for a screening reading, which is stored but not used in the assessment"},
    )
    note = Text(2000, lines=True, allow_none=True, metadata={"label": "Note"})


def _args_of(declared: Characteristic) -> type[ReadingArgs]:
    """Returns the request schema for readings of a characteristic, the shared fields first."""
    made: dict[str, Any] = {"__doc__": declared.about, "__module__": __name__, "example": _example(declared)}
    made |= asked(declared)
    if declared.sent is not None:
        made |= {"whole_reading": _whole_reading(declared.sent)}
    return type(f"{declared.schema}Args", (ReadingArgs,), made)


def _example(declared: Characteristic) -> dict[str, Any]:
    """Returns an example reading with the required fields of a characteristic."""
    said = {"spool_code": "A-1", "measured_at": "2026-11-25T14:00:00+01:00"}
    whole = {one.name: one for one in declared.fields if one.needed or one.stand_in is not None}
    # The example has L*, a*, b* instead of a spectrum.
    shown = {name: one for name, one in whole.items() if one.type != "spectrum" or one.needed}
    values = {name: one.stand_in if one.example in (None, "") else one.example for name, one in shown.items()}
    light = {name: ConditionsArgs.example for name, one in shown.items() if one.type == "conditions"}
    return said | values | light


def _whole_reading(problems: Callable[[Values], Sequence[Problem]]) -> Any:
    """Returns a schema rule that checks the whole reading as sent, even if single fields are invalid."""

    def whole_reading(_: Any, __: Any, sent: Any, **___: Any) -> None:
        found = problems(sent) if isinstance(sent, dict) else ()
        wrong: dict[str, Any] = {}
        for path, detail, hint in found:
            *around, name = path.split("/")
            place = wrong
            for part in around:
                place = place.setdefault(part, {})
            place.setdefault(name, []).append(Said(detail, hint))
        if wrong:
            raise ValidationError(wrong)

    return validates_schema(pass_original=True, skip_on_field_errors=False)(whole_reading)


ARGS = {name: _args_of(declared) for name, declared in DECLARED.items()}
