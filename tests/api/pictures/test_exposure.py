"""The picture of a lot's exposure."""

from datetime import UTC, datetime, timedelta

from lots.api.pictures.exposure import MOST, draw
from tests.api.pictures.seen import NASTY, Picture

START = datetime(2026, 11, 20, 8, tzinfo=UTC)


def load(machine="P1", job="J-1", start=0, end=10, **more):
    """A load, with times in hours."""
    found = {
        "machine": machine,
        "job": job,
        "use": "cosmetic",
        "spool_code": "S-1",
        "loaded_at": START + timedelta(hours=start),
        "unloaded_at": None if end is None else START + timedelta(hours=end),
        "still_loaded": end is None,
        "mass_used_g": None if end is None else 250.0,
        "certainty": "certain",
        "gap": None,
    }
    return {**found, **more}


def drawn(*items, **more):
    """The picture of these loads."""
    machines = list(dict.fromkeys(item["machine"] for item in items))
    return Picture(
        draw({"supplier_lot": "Q-71", "machines": machines, "items": list(items), "says": "It says.", **more})
    )


def bars(seen):
    """The bars of time, without that of the key."""
    return [one for one in seen.marks("rect", fill="#1a1a1a") if one.get("height") != "12"]


def test_each_load_is_a_bar_as_long_as_it_lasted():
    """A bar is as long as its load, with machine, spool, job, use and mass beside it."""
    seen = drawn(load(end=10), load("P2", "J-2", 0, 20))
    one, other = (float(bar.get("width")) for bar in bars(seen))
    assert abs(2 * one - other) < 0.05
    assert {"P1", "P2", "S-1", "J-1", "J-2", "for cosmetic, 250 g used"} <= set(seen.words)


def test_a_machine_is_named_once_and_its_loads_stand_in_order_of_time():
    """A machine is named once with its loads in order of time, whatever the order of the answer."""
    words = drawn(load(job="J-9", start=20, end=30), load(job="J-1"), load("P2", "J-2")).words
    assert 1 == words.count("P1")
    assert words.index("J-1") < words.index("J-9") < words.index("P2")


def test_what_is_only_possible_is_hatched_with_its_reason():
    """A possible job is hatched with the unrecorded time in words, without a filled bar."""
    seen = drawn(load(certainty="possibly", gap="machine P1 had no recorded spool for 3 h"))
    assert [] == bars(seen)
    assert "possibly: machine P1 had no recorded spool for 3 h" in seen.words


def test_what_is_still_loaded_goes_on_to_the_edge():
    """An open load ends beyond all known moments, with a text."""
    seen = drawn(load(end=10), load(job="J-2", start=5, end=None))
    ends = [float(bar.get("x")) + float(bar.get("width")) for bar in bars(seen)]
    assert ends[1] > ends[0]
    assert {"→ still loaded: J-2", "for cosmetic"} <= set(seen.words)


def test_a_single_moment_is_drawn_without_trouble():
    """A load of no duration is still visible."""
    (bar,) = bars(drawn(load(end=None)))
    assert float(bar.get("width")) > 3
    (short,) = bars(drawn(load(end=0)))
    assert 3 == float(short.get("width"))


def test_of_many_loads_the_first_of_the_answer_are_drawn():
    """Of many loads the first of the answer, with open ones first, are drawn, and a text counts the rest."""
    seen = drawn(*[load(start=number, end=number + 1) for number in range(MOST + 5)])
    assert MOST == len(bars(seen))
    assert "5 more loads in the figures only." in seen.words


def test_a_lot_never_loaded_is_said_in_words():
    """A lot without loads has a text and no bar, key or axis."""
    assert ["Machines and jobs of lot Q-71", "It says."] == drawn().words


def test_words_cannot_break_the_picture():
    """Names of machines, jobs and spools are escaped as text."""
    seen = drawn(load(NASTY, NASTY, spool_code=NASTY, certainty="possibly", gap=NASTY), supplier_lot=NASTY, says=NASTY)
    assert NASTY.replace("\ufffe", "\ufffd") in seen.words
