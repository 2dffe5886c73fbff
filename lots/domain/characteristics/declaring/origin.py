"""Where a reading comes from: its instrument, and for a print the printer, the recipe and the build, and whether it is of the control spool."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from lots.domain.code_identity import identity

# Characters of each name in a key.
_KEPT = 95
# The parts of a source in words, in the order of `Origin.source`.
SOURCE_PARTS = ("instrument", "printer", "build")


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a reading comes from; None where nobody said.

    Args:
        instrument: its code.
        printer: that printed what was measured.
        test_print: recipe and revision, such as COUPON/2.
        build: what one printer printed in one go.
        control: True for a print of the control spool, which says nothing of the lot itself.
    """

    instrument: str | None = None
    printer: str | None = None
    test_print: str | None = None
    build: str | None = None
    control: bool = False

    @classmethod
    def of(cls, values: Mapping[str, Any], instrument: str | None = None) -> Origin:
        """Returns the origin that the stored values of a reading state."""
        said = values.get
        return _shared(instrument, said("printer"), said("test_print"), said("build"), bool(said("control")))

    @property
    def source(self) -> tuple[str, str, str]:
        """What differs between readings that may not simply be put together: instrument, printer, build, however they were typed."""
        return (self.instrument or "", identity(self.printer or ""), identity(self.build or ""))

    @property
    def named(self) -> tuple[str, str, str]:
        """The same as typed, for people."""
        return (self.instrument or "", self.printer or "", self.build or "")

    @property
    def build_key(self) -> str | None:
        """The build across the shop: a build's name belongs to its printer. None without a build."""
        return None if self.build is None else _key(self.printer, self.build)

    @property
    def together(self) -> str:
        """What may have been printed in one go: prints of one build, or, where none is named, of one printer."""
        return _key(self.printer, self.build)

    @property
    def control_of(self) -> str | None:
        """The chart that a control belongs to, by printer and recipe; None for a print of the lot."""
        return chart_of(self.printer, self.test_print) if self.control else None


@lru_cache(maxsize=1024)
def _shared(
    instrument: str | None, printer: str | None, recipe: str | None, build: str | None, control: bool
) -> Origin:  # kept by place
    """One origin for all readings of one source: a list of thousands states few."""
    return Origin(instrument, printer, recipe, build, control)


def chart_of(printer: str | None, test_print: str | None) -> str:
    """Returns the chart that controls by a recipe on a printer belong to."""
    return _key(printer, test_print)


def _key(*names: str | None) -> str:
    """Names that a person may type in several ways, as one text; no name holds a tab."""
    return "\t".join(identity(name or "")[:_KEPT] for name in names)


UNKNOWN = Origin()


def origin_of(reading: Any) -> Origin:
    """Returns where a reading comes from, as judging knows it; unknown where its characteristic keeps none."""
    found: Origin = getattr(reading, "origin", UNKNOWN)
    return found


def of_the_lot(reading: Any) -> bool:
    """Returns True for a reading of the lot's own filament, False for one of the control spool."""
    return not origin_of(reading).control
