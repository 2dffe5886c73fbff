"""The shop's details over HTTP: defaults, versions, and validation as a whole."""

import pytest

from lots.services.assessment import integrity_checks
from lots.services.setup.shop import Details
from tests.store.rows import connected


def change(shop, said, version=0, role="admin"):
    """Returns the answer to a change."""
    return shop.call(role, "PATCH", "/shop", said, If_Match=f'"shop-1-v{version}"')


def test_a_shop_that_states_nothing_has_the_defaults(shop):
    """Defaults are UTC, ISO 8601 dates, points and labels of 70 x 36 mm, readable by everyone."""
    said = shop.get("production", "/shop")
    assert (0, None, "UTC", "YYYY-MM-DD", "point") == tuple(
        said[name] for name in ("version", "name", "time_zone", "date_form", "decimal_sign")
    )
    assert (70, 36) == (said["label_width_mm"], said["label_height_mm"])


def test_the_administrator_states_it_and_the_history_knows(shop):
    """A change keeps unstated fields, increases the version, is in the history, and leaves no finding."""
    assert 200 == change(shop, {"name": "Saltmarsh Yard Prints", "time_zone": "Europe/Berlin"}).status_code
    answer = change(shop, {"decimal_sign": "comma"}, version=1)
    said = answer.get_json()
    assert ("Saltmarsh Yard Prints", "comma", 2) == (said["name"], said["decimal_sign"], said["version"])
    assert "shop described" in {event["what"] for event in shop.get("quality", "/events")["items"]}
    with connected():
        assert [] == [flaw.line for flaw in integrity_checks.found()]


def test_two_administrators_do_not_overwrite_each_other(shop):
    """A second change on the same version is refused, the first statement included."""
    assert 200 == change(shop, {"name": "One"}).status_code
    assert 412 == change(shop, {"name": "Other"}).status_code
    assert "One" == shop.get("admin", "/shop")["name"]


@pytest.mark.parametrize("role", ["receiving", "quality", "purchasing", "production"])
def test_nobody_else_may(shop, role):
    """Only administrators change the details."""
    assert 403 == change(shop, {"name": "Mine"}, role=role).status_code


@pytest.mark.parametrize(
    ("said", "pointer", "hint"),
    [
        ({"time_zone": "Europe/Berln"}, "/time_zone", "Europe/Berlin"),
        ({"time_zone": "../etc/passwd"}, "/time_zone", "IANA"),
        ({"time_zone": "Mars"}, "/time_zone", "IANA"),
        ({"label_margin_mm": 18}, "/label_margin_mm", "smaller"),
        ({"label_width_mm": 180, "sheet_left_mm": 40}, "/label_width_mm", "roll"),
        ({"label_height_mm": 250, "sheet_top_mm": 60}, "/label_height_mm", "roll"),
        ({"decimal_sign": ","}, "/decimal_sign", "comma"),
        ({"site": "lots.example.org"}, "/site", ""),
    ],
)
def test_what_cannot_be_is_refused(shop, said, pointer, hint):
    """An invalid detail is refused with its place and a valid form, and nothing is stored."""
    answer = change(shop, said)
    (fault,) = answer.get_json()["errors"]
    assert (422, pointer) == (answer.status_code, fault["pointer"])
    assert hint in fault.get("hint", "")
    assert 0 == shop.get("admin", "/shop")["version"]


@pytest.mark.parametrize(
    ("width", "height", "top", "left", "fits"),
    [(70, 36, 4.5, 0, (3, 8)), (70, 37, 0.5, 0, (3, 8)), (105, 74, 0, 0, (2, 4)), (62, 29, 10, 10, (3, 9))],
)
def test_as_many_labels_fit_on_a_sheet_as_there_is_room_for(width, height, top, left, fits):
    """A sheet has as many labels as fit A4, 210 x 297 mm (ISO 216)."""
    sheet = Details(label_width_mm=width, label_height_mm=height, sheet_top_mm=top, sheet_left_mm=left)
    assert fits == (sheet.columns, sheet.rows)
