"""The origin of a reading: instrument, and for a print the printer, recipe, build and whether it is a control."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from lots.domain.code_identity import identity

# Characters of each name in a key.
_KEY_LENGTH = 95
# The parts of a source in words, in the order of `Origin.source`.
SOURCE_PARTS = ("instrument", "printer", "build")


@dataclass(frozen=True, slots=True)
class Origin:
    """The origin of a reading; None where not stated.

    Args:
        instrument: its code.
        printer: printer of the specimen.
        test_print: recipe and revision, such as COUPON/2.
        build: name of the print job on one printer.
        control: True for a print of the control spool.
    """

    instrument: str | None = None
    printer: str | None = None
    test_print: str | None = None
    build: str | None = None
    control: bool = False

    @classmethod
    def of(cls, values: Mapping[str, Any], instrument: str | None = None) -> Origin:
        """Returns the origin from the stored values of a reading."""
        said = values.get
        return _cached_origin(instrument, said("printer"), said("test_print"), said("build"), bool(said("control")))

    @property
    def source(self) -> tuple[str, str, str]:
        """Instrument, printer and build as keys, independent of spelling. Readings of different sources are not simply pooled."""
        return (self.instrument or "", identity(self.printer or ""), identity(self.build or ""))

    @property
    def named(self) -> tuple[str, str, str]:
        """Instrument, printer and build as typed."""
        return (self.instrument or "", self.printer or "", self.build or "")

    @property
    def build_key(self) -> str | None:
        """A key of printer and build, None without a build."""
        return None if self.build is None else _key(self.printer, self.build)

    @property
    def together(self) -> str:
        """A key of prints that may share a build: printer and build, or printer alone where no build is stated."""
        return _key(self.printer, self.build)

    @property
    def control_of(self) -> str | None:
        """The control chart of a control print, by printer and recipe; None for a print of the lot."""
        return chart_of(self.printer, self.test_print) if self.control else None


@lru_cache(maxsize=1024)
def _cached_origin(
    instrument: str | None, printer: str | None, recipe: str | None, build: str | None, control: bool
) -> Origin:
    """Returns a cached origin, since long lists of readings share few."""
    return Origin(instrument, printer, recipe, build, control)


def chart_of(printer: str | None, test_print: str | None) -> str:
    """Returns the key of the control chart of a recipe on a printer."""
    return _key(printer, test_print)


def _key(*names: str | None) -> str:
    """Returns a key of some names, independent of spelling; no name contains a tab."""
    return "\t".join(identity(name or "")[:_KEY_LENGTH] for name in names)


UNKNOWN = Origin()


def origin_of(reading: Any) -> Origin:
    """Returns the origin of a reading, `UNKNOWN` where its type has none."""
    found: Origin = getattr(reading, "origin", UNKNOWN)
    return found


def of_the_lot(reading: Any) -> bool:
    """Returns whether a reading is of the lot and not of the control spool."""
    return not origin_of(reading).control
