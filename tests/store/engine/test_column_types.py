import math
from datetime import UTC, datetime, timedelta, timezone

import pytest

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.models import Supplier
from tests.store.rows import connected

MOMENT = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def test_a_time_without_an_offset_is_refused():
    """A time without an offset is refused."""
    with pytest.raises(ValueError, match="offset"):
        Instant().db_value(datetime(2026, 11, 25, 12, 0))
    assert Instant().db_value(None) is None
    assert Instant().python_value(None) is None


@pytest.mark.parametrize("hours", [-12, -3.5, 0, 5.75, 13.75])
def test_a_time_is_kept_in_utc_whatever_its_offset(hours):
    """A time is stored in UTC and returned as the same moment, whatever its offset."""
    local = MOMENT.astimezone(timezone(timedelta(hours=hours)))
    assert "2026-11-25T12:00:00.000000Z" == Instant().db_value(local)
    assert MOMENT == Instant().python_value(Instant().db_value(local))
    assert timedelta(0) == Instant().python_value(Instant().db_value(local)).utcoffset()


def test_order_as_text_is_order_in_time():
    """Times as text sort by time, with whole seconds, fractions and offsets."""
    steps = [
        timedelta(0),
        timedelta(microseconds=1),
        timedelta(milliseconds=1),
        timedelta(seconds=1),
        timedelta(days=400),
    ]
    moments = [sign * step + MOMENT for sign in (-1, 1) for step in steps]
    zones = [UTC, timezone(timedelta(hours=14)), timezone(timedelta(hours=-12))]
    kept = [(moment, Instant().db_value(moment.astimezone(zone))) for moment in moments for zone in zones]
    assert [text for _, text in sorted(kept)] == sorted(text for _, text in kept)
    assert 1 == len({len(text) for _, text in kept})


def test_a_time_comes_back_from_the_database_as_it_went_in(shop):
    """A time is restored to the microsecond, also on an engine with another time zone."""
    shop.supplier()
    precise = MOMENT + timedelta(microseconds=123456)
    with connected():
        Supplier.update(recorded_at=precise.astimezone(timezone(timedelta(hours=13.75)))).execute()
        assert precise == Supplier.get().recorded_at
        assert 1 == Supplier.select().where(Supplier.recorded_at == precise).count()
        assert 0 == Supplier.select().where(Supplier.recorded_at < precise).count()
        with pytest.raises(ValueError, match="offset"):
            list(Supplier.select().where(Supplier.recorded_at < datetime(2026, 11, 25)))


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, [1, math.nan], {"a": {"b": math.inf}}])
def test_nan_and_infinity_are_refused(value):
    """NaN and infinity are refused, because JSON has neither."""
    with pytest.raises(ValueError, match="not JSON compliant"):
        Json().db_value(value)


@pytest.mark.parametrize(
    "value", [[], {}, 0, "", False, [95.02, -0.79, 1.48], {"n\u00e4me": [None, "\U0001f600", 1e-300]}]
)
def test_a_document_comes_back_as_it_went_in(value):
    """A JSON document is restored to the last bit."""
    assert value == Json().python_value(Json().db_value(value))


def test_nothing_is_kept_as_nothing():
    """None is stored as NULL, not as the JSON null."""
    assert Json().db_value(None) is None
    assert Json().python_value(None) is None
