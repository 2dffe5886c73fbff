"""A shop's first days in a browser: from an empty database to a contained lot, on the pages alone and by the keyboard alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import pytest

from tests.browser.keyboard import Typist

# Somebody at each desk, and a second person of quality; quality and production are two people each for the gate.
DESKS = (
    ("Ottilie", "quality"),
    ("Ferdinand", "quality"),
    ("Perpetua", "receiving"),
    ("Leopold", "production"),
    ("Benedikta", "purchasing"),
)


@dataclass
class Shop:
    """A shop as it grows: who may sign in, who sits where, and what later days need to know."""

    sit_down: Callable[..., Typist]
    width: int
    script: bool
    link: str
    tokens: dict[str, str] = field(default_factory=dict)
    seats: dict[str, Typist] = field(default_factory=dict)
    known: dict[str, Any] = field(default_factory=dict)

    def person(self, name: str) -> Typist:
        """Somebody at their own desk, with the first page open."""
        if name not in self.seats:
            somebody = self.seats[name] = self.sit_down(self.width, script=self.script)
            somebody.go("/")
            if name in self.tokens:
                # A scanner types the token and ends it with Enter.
                keys = somebody.count.keys
                somebody.fill("token", self.tokens[name])
                somebody.count.keys = keys
                somebody.enter()
        return self.seats[name]


def administrator(shop: Shop) -> None:
    """The one-time link, the shop's details, and somebody for each desk."""
    admin = shop.seats["Wilhelmina"] = shop.sit_down(shop.width, script=shop.script)
    admin.page.goto(shop.link)
    admin.look()
    admin.type("Wilhelmina")
    admin.enter()
    assert "Token of Wilhelmina" == admin.heading()
    admin.follow("Continue")
    assert "State the shop's name and its time zone." in admin.main()
    admin.follow("Shop's details")
    admin.type("Saltmarsh Yard Prints")
    admin.fill("time_zone", "Europe/Berlin")
    admin.key("Escape")
    admin.pick("date_form", "28.11")
    admin.pick("decimal_sign", "1,748")
    admin.press("Save")
    assert "Set-up" == admin.heading()
    admin.follow("People")
    for name, role in DESKS:
        admin.fill("name", name)
        admin.radio("role", role)
        admin.press("Add person")
        assert f"Token of {name}" == admin.heading()
        shop.tokens[name] = admin.page.locator(".token-text").inner_text()
        admin.follow("Continue")
    assert all(name in admin.main() for name, _ in DESKS)
    admin.follow("Set-up")
    assert "5 people at the desks" in admin.main()
    # Wilhelmina sets up no colours and no instruments herself.
    assert "stated" in admin.main()


def quality(shop: Shop) -> None:
    """What deliveries and readings need: a supplier, instruments that passed a check, a shade, a grade and its limits."""
    tech = shop.person("Ottilie")
    tech.follow("Suppliers")
    tech.type("QWT")
    tech.fill("name", "Quillwort Extrusion")
    tech.enter()
    assert "Quillwort Extrusion" in tech.main()
    tech.follow("Set-up")

    tech.follow("Instruments")
    for code, kind, sure, artefact, readings in (
        ("MIC-1", "Micrometer", "0,002", "pin 1,750 mm", "1,750\n1,751\n1,750"),
        ("SPEC-1", "Spectrophotometer", "0,1", "white tile", "95,1 -0,4 1,2"),
    ):
        if not tech.heading() == "Instruments":
            tech.go("/setup/instruments")
        tech.fill("code", code)
        tech.pick("kind", kind)
        tech.fill("standard_uncertainty", sure)
        tech.fill("check_interval_days", "365")
        tech.press("Add instrument")
        assert code in tech.heading()
        print(tech.main())
        tech.follow(f"Record a check")
        tech.fill("artefact", artefact)
        tech.fill("readings", readings)
        tech.pick("result", "Pass")
        tech.press("Store check")
        assert "Check passed" in tech.status()

    tech.choose("Home")
    assert "A reference is the colour that lots are compared with." in tech.main()
    tech.follow("Shades")
    tech.fill("code", "SG")
    tech.fill("name", "Signal green")
    tech.press("Add shade")
    tech.follow("Approve the first reference")
    for axis, value in enumerate(("52,4", "-38,2", "21,6")):
        tech.fill(f"lab-{axis}", value)
    tech.pick("instrument_id", "SPEC-1")
    tech.fill("approved_by", "Ottilie")
    tech.press("Look at it first")
    assert "Approve this reference of shade SG?" == tech.heading()
    tech.press("Approve revision 1")

    tech.follow("Filament lots")
    tech.follow("Grades")
    tech.follow("Add a grade")
    tech.type("PETG-SG-175")
    tech.fill("polymer", "PETG")
    tech.fill("color_name", "Signal green")
    tech.fill("nominal_diameter_mm", "1,75")
    tech.fill("density_g_cm3", "1,27")
    tech.pick("shade_id", "SG")
    tech.pick("filler_kind", "No")
    tech.press("Add")
    assert "Its lots stay in quarantine until it has limits." in tech.status()
    tech.enter()
    assert "This grade has no limits, so its lots stay in quarantine." in tech.main()
    tech.press("Fill in common practice: colour")
    tech.unfold("Diameter: not required")
    tech.press("Fill in common practice: diameter")
    tech.tick("uses-cosmetic-color")
    tech.tick("uses-cosmetic-diameter")
    tech.tick("uses-hidden-diameter")
    tech.fill("sampling-fixed", "2")
    tech.press("Check")
    assert "Nothing is stored yet." in tech.status(), tech.main()
    tech.press("Set limits")
    print("--", tech.heading(), tech.main()[:500])
    tech.follow("Filament lots")
    assert "To set up" not in tech.main()


STORY = (administrator, quality)
