"""The age of a spool and its effect on loading."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from lots.domain.production.spool_life import SpoolLife

CAME = datetime(2026, 1, 1, tzinfo=UTC)


def day(number: float) -> datetime:
    """A moment so many days after the receipt of the spool."""
    return CAME + timedelta(days=number)


def test_a_spool_without_rules_never_gets_too_old():
    """A spool of a grade without day limits never expires."""
    assert [] == SpoolLife(CAME, opened_at=day(1)).against("S1", day(5000))


@pytest.mark.parametrize(("at", "reasons"), [(365, 0), (365.001, 1)])
def test_shelf_life_includes_its_last_moment(at, reasons):
    """A spool is valid up to the last moment of its shelf life."""
    assert reasons == len(SpoolLife(CAME, shelf_life_days=365).against("S1", day(at)))


def test_drying_begins_the_open_days_anew():
    """An opened spool expires and is valid again after drying."""
    stale = SpoolLife(CAME, opened_at=day(10), open_life_days=14)
    assert ["S1 was opened" in reason for reason in stale.against("S1", day(25))] == [True]
    dried = SpoolLife(CAME, opened_at=day(10), dried_at=day(24), open_life_days=14)
    assert [] == dried.against("S1", day(25))
    assert "dried" in dried.against("S1", day(39))[0]


def test_drying_a_sealed_spool_does_not_open_it():
    """Drying a sealed spool starts no open time."""
    assert [] == SpoolLife(CAME, dried_at=day(1), open_life_days=14).against("S1", day(100))


def test_whichever_rule_ends_first_wins():
    """The use-by date is the earlier of shelf life and open time."""
    life = SpoolLife(CAME, opened_at=day(360), shelf_life_days=365, open_life_days=14)
    assert day(365) == life.use_by
    assert day(374) == SpoolLife(CAME, opened_at=day(360), shelf_life_days=400, open_life_days=14).use_by


@pytest.mark.parametrize(("at", "reasons"), [(500, 0), (500.001, 1)])
def test_a_re_inspection_extends_the_shelf_life_to_its_date(at, reasons):
    """After a re-inspection the spool is valid up to the new date, included; later the refusal names the date and the remedy."""
    life = SpoolLife(CAME, shelf_life_days=365, reinspected_until=day(500))
    found = life.against("S1", day(at))
    assert reasons == len(found)
    assert day(500) == life.use_by
    assert all("extended to 2027-05-16. Ask quality to inspect the lot again." in reason for reason in found)


def test_a_re_inspection_never_shortens_a_shelf_life_nor_extends_the_open_days():
    """A re-inspection never shortens a later delivery's own date, and never extends the open time."""
    assert day(365) == SpoolLife(CAME, shelf_life_days=365, reinspected_until=day(300)).use_by
    opened = SpoolLife(CAME, day(10), None, 365, 14, day(500))
    assert [True] == ["S1 was opened" in reason for reason in opened.against("S1", day(25))]
    assert [] == SpoolLife(CAME, shelf_life_days=None, reinspected_until=day(1)).against("S1", day(5000))
