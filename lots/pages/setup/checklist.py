"""The set-up steps of a shop in order, each with its count, what is missing, and who adds it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flask import g, render_template, url_for

from lots.api.instruments.calibration_checks import Instruments
from lots.api.setup.grades import GradeLimits, Grades
from lots.api.setup.people import People
from lots.api.setup.shades import Shades
from lots.api.setup.shop import Shop
from lots.api.setup.suppliers import Suppliers
from lots.domain.words import counted
from lots.pages.setup.people import CALLED
from lots.pages.site.frame import pages
from lots.pages.site.session import Call, may, may_call, roles_of, signed_in
from lots.services.setup.shop import SetUp, set_up


@dataclass(frozen=True, slots=True)
class Step:
    """One set-up step: how much there is, and what is missing, in words.

    Args:
        number: its place in the order, from 1.
        url: of its form; "" if the signed-in person may not open it.
        act: the text of the link.
        ask: whom to ask, if the signed-in person may not do it; else "".
    """

    number: int
    title: str
    there: str
    missing: str
    done: bool
    url: str
    act: str
    ask: str


@dataclass(frozen=True, slots=True)
class _StepState:
    """A set-up step before the rights of the signed-in person are applied."""

    title: str
    there: str
    done: bool
    missing: str
    act: str
    endpoint: str
    call: Call


def setup_steps() -> list[Step]:
    """Returns every step in order, for the signed-in person. One query."""
    return _steps(set_up())


def steps_for_home() -> list[Step]:
    """Returns the open steps for Home, if the signed-in person does one of them or no lot can be received yet. One query."""
    found = set_up()
    steps = [step for step in _steps(found) if not step.done]
    receives = found.suppliers and found.grades
    return steps if any(not step.ask for step in steps) or not receives else []


@pages.app_context_processor
def _for_home() -> dict[str, Any]:
    return {"steps_for_home": steps_for_home if g.get("me") else list}


@pages.get("/setup")
@signed_in()
def setup() -> str:
    """Shows the set-up steps in order."""
    return render_template("setup/setup.html", steps=setup_steps())


def _steps(found: SetUp) -> list[Step]:
    steps = []
    for number, said in enumerate((*_people(found), *_catalog(found)), start=1):
        resource, method = said.call
        url = _url(said.endpoint)
        ask = "" if may_call(resource, method) else _whom_to_ask(said.call)
        steps.append(Step(number, said.title, said.there, said.missing, said.done, url, said.act, ask))
    return steps


def _url(endpoint: str) -> str:
    """Returns the address of a page; empty where the signed-in person may not open it."""
    return url_for(endpoint) if may(endpoint) else ""


def _whom_to_ask(call: Call) -> str:
    roles = roles_of(call)
    return f"Ask {' or '.join(roles)}." if roles else "Ask an administrator."


def _people(found: SetUp) -> tuple[_StepState, ...]:
    nobody = [CALLED[role].lower() for role, count in found.people.items() if not count]
    count = sum(found.people.values())
    return (
        _StepState(
            "Shop",
            "stated" if found.named else "not stated",
            found.named,
            "" if found.named else "State the shop's name and its time zone. Until then times are in UTC.",
            "Shop details",
            "pages.shop",
            (Shop, "PATCH"),
        ),
        _StepState(
            "People and roles",
            f"{counted(count, 'person', 'people')} at the desks" if count else "nobody at the desks",
            count > 0 and not nobody,
            f"Nobody has the role {_listed(nobody)}." if nobody else "",
            "People",
            "pages.people",
            (People, "POST"),
        ),
        _StepState(
            "Suppliers",
            counted(found.suppliers, "supplier") if found.suppliers else "none",
            found.suppliers > 0,
            "" if found.suppliers else "Deliveries are logged by supplier.",
            "Supplier list",
            "pages.supplier_list",
            (Suppliers, "POST"),
        ),
        _StepState(
            "Instruments",
            counted(found.instruments, "instrument") if found.instruments else "none",
            found.instruments > 0,
            "" if found.instruments else "Readings name the instrument that they were taken with.",
            "Instruments",
            "pages.instruments",
            (Instruments, "POST"),
        ),
    )


def _catalog(found: SetUp) -> tuple[_StepState, ...]:
    bare = found.shades - found.shades_with_reference
    unlimited = found.grades - found.grades_with_limits
    lacks = f"{counted(bare, 'shade')} {'has' if bare == 1 else 'have'} no reference. Lots without one cannot pass on colour."
    open_ended = f"{counted(unlimited, 'grade')} {'has' if unlimited == 1 else 'have'} no limits. Lots without limits cannot be released."
    return (
        _StepState(
            "Shades with reference",
            _of(found.shades_with_reference, found.shades, "shade", "a reference"),
            found.shades > 0 and not bare,
            lacks if bare else "" if found.shades else "A reference is the colour that lots are compared with.",
            "Shades",
            "pages.shades",
            (Shades, "POST"),
        ),
        _StepState(
            "Grades",
            counted(found.grades, "grade") if found.grades else "none",
            found.grades > 0,
            "" if found.grades else "A grade is a filament as it is bought, with its polymer, colour and diameter.",
            "Grades",
            "pages.grades",
            (Grades, "POST"),
        ),
        _StepState(
            "Limits",
            _of(found.grades_with_limits, found.grades, "grade", "limits"),
            found.grades > 0 and not unlimited,
            open_ended if unlimited else "" if found.grades else "Limits are set for each grade.",
            "Limits by grade",
            "pages.grades",
            (GradeLimits, "POST"),
        ),
    )


def _of(some: int, every: int, what: str, has: str) -> str:
    return f"{some} of {counted(every, what)} with {has}" if every else "none"


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"
