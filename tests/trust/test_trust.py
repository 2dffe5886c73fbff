"""Short runs of the harnesses: a kill loses nothing acknowledged, and no load follows a block."""

from __future__ import annotations

import os

import pytest

from tests.trust import blocking, killing, vanishing
from tests.trust.blocking import Done, loads_after_blocks

pytestmark = pytest.mark.thorough


@pytest.fixture
def server(engine: str, request: pytest.FixtureRequest) -> str | None:
    """None for SQLite, the PostgreSQL server otherwise."""
    if engine == "sqlite":
        return None
    request.getfixturevalue("postgres_url")
    return os.environ["LOTS_TEST_POSTGRES"]


def test_a_server_killed_while_people_write_has_lost_nothing_it_acknowledged(server: str | None) -> None:
    """After six kills acknowledged writes are present, lists whole, statuses those of the readings, and repeats get the first answer."""
    report = killing.run(server, kills=6, seed=20)
    assert [] == report.faults
    assert report.acknowledged > 20


def test_a_server_whose_file_vanishes_while_people_write_has_lost_nothing_it_acknowledged() -> None:
    """The file is removed and restored twice, and absent at the server's stop, which ends with status 1."""
    report = vanishing.run(rounds=3)
    assert set() == report.acknowledged - report.stored
    assert len(report.acknowledged) > 30
    assert report.refused > 30
    assert (set(), 1) == (report.others, report.ended)
    assert [200, 503, 200, 503, 200, 503] == report.ready


def test_no_load_is_granted_after_a_block_was_acknowledged(server: str | None) -> None:
    """Six people at three servers on three lots for four seconds have no load after a block."""
    report = blocking.run(server, seconds=4, seed=20)
    assert [] == report.faults
    assert report.loads > 5
    assert report.blocks > 5


def test_the_checker_sees_a_load_between_a_block_and_its_lift() -> None:
    """A load requested after the block's answer and answered before the lift's request is found."""
    block, lift = Done("block", 1, 0.0, 1.0, True), Done("lift", 1, 5.0, 6.0, True)
    assert 1 == len(loads_after_blocks([block, Done("load", 1, 2.0, 3.0, True), lift]))


@pytest.mark.parametrize(
    "load",
    [
        Done("load", 1, 0.5, 3.0, True),
        Done("load", 1, 2.0, 5.5, True),
        Done("load", 1, 2.0, 3.0, False),
        Done("load", 2, 2.0, 3.0, True),
    ],
    ids=["began before the answer", "ended after the lift began", "refused", "another lot"],
)
def test_the_checker_leaves_a_load_that_some_order_explains(load: Done) -> None:
    """A load that overlaps the block or the lift is no finding."""
    block, lift = Done("block", 1, 0.0, 1.0, True), Done("lift", 1, 5.0, 6.0, True)
    assert [] == loads_after_blocks([block, load, lift])
