"""The picture of interlayer strength."""

from lots.api.pictures.bond import CAUTION, MOST_NAMES, draw
from tests.api.pictures.seen import NASTY, Picture


def bar(stress=22.0, control=False, code="S-1"):
    """A broken specimen."""
    return {"spool_code": code, "stress_mpa": stress, "control": control}


def drawn(*bars, **more):
    """The picture of these specimens."""
    answer = {
        "supplier_lot": "Q-71",
        "bars": list(bars),
        "mean_mpa": 22.0 if bars else None,
        "control_mean_mpa": 30.0 if any(b["control"] for b in bars) else None,
        "mean_min_mpa": 20.0,
        "single_min_mpa": 14.0,
        "says": "It says.",
        "notes": [],
    }
    return Picture(draw({**answer, **more}))


def test_bars_of_the_lot_are_plain_and_controls_hatched():
    """Each specimen is drawn with its stress, and controls are hatched, so that colour is not needed."""
    seen = drawn(bar(22.5), bar(21.5), bar(30.0, control=True))
    assert 3 == len(seen.marks("rect", fill="#9a9a9a"))
    assert {"22.5", "21.5", "30.0", "mean 22.0", "control mean 30.0"} <= set(seen.words)


def test_floors_are_named_and_told_apart_by_their_dashes():
    """Mean and single specimen each have a floor with its own dashes; an unset floor is not drawn."""
    both, mean = drawn(bar()), drawn(bar(), single_min_mpa=None)
    assert {"limit, mean 20", "limit, each specimen 14"} <= set(both.words)
    assert "limit, each specimen 14" not in mean.words
    assert 2 == len(both.marks("line", stroke_dasharray="10 3 2 3"))


def test_it_always_says_that_bars_are_not_parts():
    """The picture always states that specimens are not parts, even without specimens."""
    assert CAUTION in drawn(bar()).words
    assert ["Interlayer strength of lot Q-71", "It says.", CAUTION] == drawn().words


def test_of_many_bars_none_is_labelled():
    """Too many specimens for labels keep their height without labels; the means remain."""
    seen = drawn(*[bar(22.5) for _ in range(MOST_NAMES + 1)])
    assert "22.5" not in seen.words
    assert "mean 22.0" in seen.words


def test_only_control_bars_are_drawn_without_a_mean_of_the_lot():
    """With control specimens alone no mean of the lot is drawn."""
    seen = drawn(bar(30.0, control=True), mean_mpa=None)
    assert "control mean 30.0" in seen.words
    assert not any(words.startswith("mean") for words in seen.words)


def test_words_cannot_break_the_picture():
    """Codes and lot numbers are escaped as text."""
    assert (
        NASTY.replace("\ufffe", "\ufffd") in drawn(bar(code=NASTY), supplier_lot=NASTY, says=NASTY, notes=[NASTY]).words
    )
