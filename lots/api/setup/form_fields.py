"""Form fields, derived from the schema of a request."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from marshmallow import Schema, fields

from lots.api.http.fields import Numbers, StrictBoolean, Text

Kind = Literal["number", "text", "lines", "choice", "truth", "pair", "list", "group"]


@dataclass(frozen=True, slots=True)
class FormField:
    """One field of a form.

    Args:
        path: Names from the body to the field.
        label, about: Label and one explanatory sentence.
        kind: Input type. A pair has two numbers, a list several, a group has `parts`.
        required: True for a required field.
        words: Words of a choice.
        default: Default value, None without one.
        proposal, source: Proposed value and its source.
        parts: Fields of a group.
    """

    path: tuple[str, ...]
    label: str
    about: str
    kind: Kind
    required: bool
    words: tuple[Any, ...] = ()
    default: Any = None
    proposal: Any = None
    source: str = ""
    parts: tuple[FormField, ...] = ()

    @property
    def name(self) -> str:
        """Name of the field in the form."""
        return "-".join(self.path)

    @property
    def is_common(self) -> bool:
        """True if the proposal is common practice, False if it has a source."""
        return self.source.startswith("common practice")

    def leaves(self) -> Iterator[FormField]:
        """Yields the input fields: this field, or those of its parts."""
        if self.kind != "group":
            yield self
        for part in self.parts:
            yield from part.leaves()


@cache
def form_fields(schema: type[Schema], *names: str, below: tuple[str, ...] = ()) -> tuple[FormField, ...]:
    """Returns the form fields of a request.

    Args:
        schema: Schema of the request.
        names: Fields in this order; all fields by default.
        below: Path of the object of the schema.
    """
    made = schema()
    return tuple(_field((*below, name), made.fields[name]) for name in names or made.fields)


def _field(path: tuple[str, ...], one: fields.Field[Any]) -> FormField:
    said = one.metadata
    about = _sentence(str(said.get("on_form") or said.get("description", "")))
    parts: tuple[FormField, ...] = ()
    if isinstance(one, fields.Nested):
        parts = form_fields(type(one.schema), below=path)
    default = (
        None if callable(one.load_default) or not isinstance(one.load_default, str | int | float) else one.load_default
    )
    label = str(said.get("label") or about.rstrip(".") or path[-1].replace("_", " ").capitalize())
    about = "" if about.rstrip(".").lower() == label.lower() else about
    kept = (tuple(said.get("enum", ())), default, said.get("proposal"), str(said.get("source", "common practice")))
    return FormField(path, label, about, _kind(one), one.required, *kept, parts)


def _kind(one: fields.Field[Any]) -> Kind:
    if isinstance(one, fields.Nested):
        return "group"
    if isinstance(one, StrictBoolean):
        return "truth"
    if isinstance(one, Numbers):
        return "pair"
    if isinstance(one, fields.List):
        return "list"
    if "enum" in one.metadata:
        return "choice"
    if isinstance(one, Text):
        return "lines" if one.lines else "text"
    return "number"


def _sentence(about: str) -> str:
    """Returns the description of a field as a sentence."""
    return f"{about[:1].upper()}{about[1:].rstrip('.')}." if about else ""
