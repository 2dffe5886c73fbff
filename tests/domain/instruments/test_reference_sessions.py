"""Sessions with a tile: their comparison, and the history of a plaque. Laws by hypothesis."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.colorimetry.color_values import Conditions, Lab
from lots.domain.instruments.reference_sessions import Approved, Session, life, seen

START = datetime(2026, 1, 1, tzinfo=UTC)
DAY = timedelta(days=1)
ALIKE = Conditions("D65", 10, "d/8", "included")


def session(number, day, b=1.5, tile_b=0.4, noise=0.01, **more):
    """The tile and the master measured once each on a day, with a known standard deviation."""
    said = {
        "instrument": "SPEC-1",
        "conditions": ALIKE,
        "tile_code": "T",
        "tile": (Lab(97, 0, tile_b),),
        "plaques": {"master": (Lab(95, -0.8, b),)},
        "noise": noise,
        **more,
    }
    return Session(number, START + day * DAY, **said)


def told(*sessions):
    """Mover, number of the session compared with, and whether the master moved, by session."""
    found = life("master", START, sessions)
    return [(one.apart and one.apart.mover, one.since, one.moved) for one in found.told]


def test_every_session_is_held_against_the_first_of_its_kind():
    """Slow ageing: 0.15 per step is below 0.2, but 0.30 from the first session is above."""
    sessions = [session(n, 30 * n, 1.5 + 0.15 * n) for n in range(4)]
    assert (None, None, False) == told(*sessions)[0]
    assert [("plaque", 0, True)] * 2 == told(*sessions)[2:]


@pytest.mark.parametrize(
    "more",
    [
        {"instrument": "SPEC-2"},
        {"conditions": Conditions("D65", 10, "d/8", "excluded")},
        {"tile_code": "T2"},
        {"plaques": {"copy 1": (Lab(95, -0.8, 1.5),)}},
    ],
)
def test_what_was_read_otherwise_is_no_beginning(more):
    """Another instrument, other conditions, another tile or plaque: the next session of the first kind has no base."""
    later = session(2, 60)
    assert seen("master", later, [session(1, 30, **more), later]).since is None


def test_a_doubt_lasts_from_the_last_agreement_to_the_next():
    """Still, moved, still again: suspect between the two agreements; a later agreement does not remove it."""
    found = life("master", START, [session(1, 1), session(2, 30), session(3, 60, 2.1), session(4, 90)])
    ((since, found_at, until),) = [(d.since, d.found_at, d.until) for d in found.doubts]
    assert (START + 30 * DAY, START + 60 * DAY, START + 90 * DAY) == (since, found_at, until)
    assert START + 270 * DAY == found.due_at(180)


def test_without_a_scatter_nothing_agrees_and_nothing_is_in_doubt():
    """Single readings of unknown standard deviation change no due date and make nothing suspect."""
    found = life("master", START, [session(1, 1, noise=None), session(2, 30, 2.1, noise=None)])
    assert ((), START + 180 * DAY) == (found.doubts, found.due_at(180))


def test_a_plaque_that_moved_in_one_coordinate_while_another_tells_nothing_is_in_doubt():
    """Equal readings of a* have an unknown standard deviation; the significant change of b* still counts."""

    def read(b):
        return tuple(Lab(95, -0.8, b + d) for d in (-0.01, 0.0, 0.01))

    def tile():
        return tuple(Lab(97 + d, 0, 0.4 + d) for d in (-0.01, 0.0, 0.01))

    sessions = [
        session(number, 30 * number, noise=None, tile=tile(), plaques={"master": read(b)})
        for number, b in ((1, 1.5), (2, 2.1))
    ]
    found = life("master", START, sessions)
    assert found.told[1].moved
    assert found.told[1].apart.plaque.half_width is None
    assert [START + 60 * DAY] == [doubt.found_at for doubt in found.doubts]
    assert START + 60 * DAY == found.due_at(180)


def often(number, day, b=1.5, n=3, **more):
    """A session without a known standard deviation: tile and master measured n times, with differences of 0.01."""
    wobble = (-0.01, 0.0, 0.01)[:n]
    tile = tuple(Lab(97 + d, d, 0.4 + d) for d in wobble)
    return session(
        number,
        day,
        noise=None,
        tile=tile,
        plaques={"master": tuple(Lab(95 + d, -0.8 + d, b + d) for d in wobble)},
        **more,
    )


def test_a_thin_first_session_gives_way_to_one_with_enough_readings():
    """A first session with single readings is replaced as base."""
    found = life("master", START, [often(1, 1, n=1), often(2, 30), often(3, 60), often(4, 90, 2.1)])
    assert [None, 1, 2, 2] == [one.since for one in found.told]
    assert ["neither", "plaque"] == [one.apart.mover for one in found.told[2:]]
    assert [START + 90 * DAY] == [doubt.found_at for doubt in found.doubts]


def test_a_movement_does_not_become_what_later_sessions_agree_with():
    """With the instrument's uncertainty of 0.01 the second session moved, so it is no base and the plaque stays suspect."""
    found = life(
        "master", START, [often(1, 1, n=1, stated=0.01), *(often(n, 30 * n, 2.1, stated=0.01) for n in (2, 3))]
    )
    assert [None, 1, 1] == [one.since for one in found.told]
    assert [None] == [doubt.until for doubt in found.doubts]


def test_a_first_session_that_reads_as_approved_agrees():
    """Within 0.2 in each coordinate, with enough readings, under the approved conditions; 0.2 is included."""
    for approved, agreed in (
        (Approved(Lab(95, -0.8, 1.3), ALIKE), True),
        (Approved(Lab(95, -0.8, 1.29), ALIKE), False),
        (Approved(Lab(95, -0.8, 1.5), Conditions("D65", 10, "d/8", "excluded")), False),
        (None, False),
    ):
        found = life("master", START, [often(1, 30)], approved)
        assert agreed is found.told[0].approved
        assert START + (210 if agreed else 180) * DAY == found.due_at(180)
    assert not life("master", START, [often(1, 30, n=2)], Approved(Lab(95, -0.8, 1.5), ALIKE)).told[0].approved


def test_reading_as_approved_on_another_instrument_ends_no_doubt():
    """After a change of 0.6 on one instrument, agreement on another one with an offset does not count."""
    approved = Approved(Lab(95, -0.8, 1.5), ALIKE)
    sessions = [often(1, 1), often(2, 30, 2.1), often(3, 60, 1.5, instrument="SPEC-2")]
    found = life("master", START, sessions, approved)
    assert [(START + DAY, None)] == [(doubt.since, doubt.until) for doubt in found.doubts]


apart = st.floats(-1, 1)


@given(st.lists(st.tuples(apart, apart), min_size=1, max_size=6), st.randoms(use_true_random=False))
def test_the_order_in_which_sessions_come_does_not_matter(moves, chance):
    """Sessions are sorted by time."""
    sessions = [session(n, 10 * n, 1.5 + plaque, 0.4 + tile) for n, (plaque, tile) in enumerate(moves)]
    assert life("master", START, sessions) == life("master", START, chance.sample(sessions, len(sessions)))


@given(st.lists(apart, min_size=2, max_size=6), apart)
def test_what_the_instrument_does_to_both_alike_moves_no_plaque(moves, shift):
    """A common drift of tile and plaque does not change the plaque's states."""
    still = [session(n, 10 * n, 1.5 + move) for n, move in enumerate(moves)]
    drifted = [session(n, 10 * n, 1.5 + move + shift * n, 0.4 + shift * n) for n, move in enumerate(moves)]
    both = [[one.apart and one.apart.plaque.change for one in life("master", START, s).told] for s in (still, drifted)]
    for one, other in zip(*both, strict=True):
        assert (one is None) == (other is None)
        assert one is None or pytest.approx(one, abs=1e-9) == other


def test_a_session_without_a_tile_or_a_plaque_is_refused():
    """Both are required."""
    for more in ({"tile": ()}, {"plaques": {}}, {"plaques": {"master": ()}}):
        with pytest.raises(ValueError, match="at least one"):
            session(1, 1, **more)
