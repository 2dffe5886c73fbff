"""Pictures of the readings of a lot, narrow for a column or a phone, and wide."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from flask import abort, request, url_for

from lots.api.documents.lot_pictures import BondPicture, ColorMap, DiameterProfile, ShrinkagePicture
from lots.api.http.fields import NUMBER
from lots.api.pictures import bond, color_map, diameter, shrinkage
from lots.api.pictures.sheet import NARROW, WIDE, Look
from lots.domain.characteristics.bond.declared_bond import BOND
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.diameter import DIAMETER
from lots.domain.characteristics.shrinkage.declared_shrinkage import SHRINKAGE
from lots.pages.site.calls import Refusal, attempt
from lots.pages.site.frame import pages, refused
from lots.pages.site.pictures import sent
from lots.pages.site.place import place
from lots.pages.site.session import signed_in
from lots.services.assessment.counting import OnRecord
from lots.services.documents import lot_pictures


@dataclass(frozen=True, slots=True)
class LotPicture:
    """A picture of a lot: the name of its characteristic, its heading, and functions for its figures, its drawing and its words."""

    name: str
    heading: str
    figures: Callable[[int], Mapping[str, Any]]
    draw: Callable[[Any, Look], str]
    says: Callable[[OnRecord], str]


def _shrinkage_says(record: OnRecord) -> str:
    return f"Shrinkage of lot {record.lot.supplier_lot} and of the supplier's lots before it, along each axis, with the limits."


PICTURES = {
    one.name: one
    for one in (
        LotPicture(
            COLOR.name,
            COLOR.title,
            lot_pictures.color_map,
            color_map.draw,
            lambda record: str(lot_pictures.color_map_of(record)["says"]),
        ),
        LotPicture(
            DIAMETER.name,
            "Diameter along the spools",
            lot_pictures.diameter_profile,
            diameter.draw,
            lambda record: str(lot_pictures.diameter_profile_of(record)["says"]),
        ),
        LotPicture(SHRINKAGE.name, SHRINKAGE.title, lot_pictures.shrinkage_picture, shrinkage.draw, _shrinkage_says),
        LotPicture(
            BOND.name,
            BOND.title,
            lot_pictures.bond_picture,
            bond.draw,
            lambda record: str(lot_pictures.bond_picture_of(record)["says"]),
        ),
    )
}


def measured(record: OnRecord) -> Iterator[tuple[LotPicture, str]]:
    """Yields the pictures of a lot that has readings for them, each with its text alternative. No query if the record was assessed."""
    kinds = {row.kind for row in record.readings}
    return ((one, one.says(record)) for one in PICTURES.values() if one.name in kinds)


@pages.get(f"/lots/<{NUMBER}:number>/pictures/<name>.svg")
@signed_in(*((one, "GET") for one in (ColorMap, DiameterProfile, ShrinkagePicture, BondPicture)))
def lot_picture(number: int, name: str) -> Any:
    """Returns one picture of a lot as SVG, narrow unless ?size=large."""
    wanted = PICTURES.get(name) or abort(404)
    figures = attempt(lambda: wanted.figures(number))
    if isinstance(figures, Refusal):
        return refused(figures, url_for("pages.lots"))
    look = WIDE if request.args.get("size") == "large" else NARROW
    return sent(wanted.draw(figures, look.at(place())))
