"""Fields of printed specimens: printer, recipe, build and control."""

from __future__ import annotations

from lots.domain.characteristics.declaring.declaration import Entry, Field
from lots.domain.characteristics.declaring.limit_fields import LimitField


def printed_fields(what: str, *, control: bool = True) -> tuple[Field, ...]:
    """Returns the fields of a reading for the origin of a print.

    Args:
        what: the print in words, such as "the coupon".
        control: False where the characteristic has its own field for controls.
    """
    fields = (
        Field(
            "printer",
            f"printer of {what}",
            type="text",
            answered="printer of the specimen",
            longest=60,
            source="printer {}",
        ),
        Field(
            "test_print",
            f"recipe of {what} and its revision, such as COUPON/2; the newest revision when only its code is given",
            type="text",
            answered="recipe and revision of the print",
            longest=60,
            example="COUPON/2",
        ),
        Field("build", "name of the build, one print job on this printer", type="text", longest=60),
    )
    about = f"true for {what} of the control spool, printed in the same build"
    of_control = Field("control", about, type="truth", answered="true for a print of the control spool")
    return (*fields, of_control) if control else fields


def printed_entries(*, control: bool = True) -> tuple[Entry, ...]:
    """Returns the bench entries shared by several prints."""
    asked = (
        Entry("printer", "Printer", form="text"),
        Entry("test_print", "Test print, such as COUPON/2", form="text"),
        Entry("build", "Build", form="text"),
    )
    return (*asked, Entry("control", "Control spool", form="tick")) if control else asked


def by_test_print() -> LimitField:
    """Returns the limits field for the required recipe of prints."""
    about = "recipe and revision, such as COUPON/2; prints of other recipes do not count"
    return LimitField("test_print", about, type="text", label="Test print", alike=True)
