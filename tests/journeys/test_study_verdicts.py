"""Effects of instrument studies over HTTP: rating of the instrument, continuation of series, and validity.

Bounds of 10 and 30 %: AIAG, Measurement Systems Analysis, 4th edition, chapter II section D (from memory).
"""

import pytest

from tests.journeys.supply import COLOR
from tests.journeys.test_instrument_studies import (
    BEFORE,
    LATER,
    REPEATED,
    STATED_U,
    gauge_sd,
    instrument,
    plaques,
    repeats_apart,
    study,
)


@pytest.mark.parametrize(
    ("kind", "more", "pointer"),
    [
        ("repeatability", {"measure": "color.dL", "trials": repeats_apart(0.1, 95)}, "/measure"),
        ("agreement", {"other_instrument_id": 2, "plaques": plaques(0.1)}, "/kind"),
    ],
)
def test_a_micrometer_reads_no_colour(shop, kind, more, pointer):
    """A study of a measure that a kind of instrument cannot have is refused; an unknown kind is accepted."""
    mic, other = instrument(shop, kind="micrometer"), instrument(shop, "SPEC-1", kind="spectrophotometer")
    (error,) = study(shop, mic, kind, 422, **more)["errors"]
    assert pointer == error["pointer"]
    assert "MIC-1 is a micrometer, which does not measure L*" in error["detail"]
    assert "Its measures are diameter, shrinkage." in error["hint"]
    body = {"other_instrument_id": mic["id"], "plaques": plaques(0.1)}
    assert ["/other_instrument_id"] == [e["pointer"] for e in study(shop, other, "agreement", 422, **body)["errors"]]
    assert ["/measure"] == [e["pointer"] for e in study(shop, other, "repeatability", 422, **REPEATED)["errors"]]
    study(shop, mic, "repeatability", **REPEATED)


def test_a_study_that_was_superseded_or_voided_says_so(shop):
    """A superseded study has its end and successor; after its void the one before counts."""
    gauge = instrument(shop)
    first, second = (
        study(shop, gauge, "repeatability", at=at, measure="diameter", trials=repeats_apart(d))
        for at, d in ((BEFORE, 0.004), (LATER, 0.002))
    )
    says = shop.get("quality", f"/studies/{first['id']}")["says"]
    # sqrt(8 * 0.004^2 / 5) = 0.00506, by hand.
    assert "until 2026-11-20 12:00 UTC have a standard uncertainty of at least 0.0051 mm" in says[-1]
    assert f"Study {second['id']} supersedes this study from then on." in says[-1]
    listed = shop.get("quality", f"/instruments/{gauge['id']}/studies")["items"]
    assert says == listed[0]["says"]
    voided = shop.post("quality", f"/studies/{second['id']}/void", {"reason": "the pins were mixed up"})
    (only,) = voided["says"]
    assert only.startswith("This study was voided by")
    assert only.endswith(": the pins were mixed up.")
    assert "until a newer study" in shop.get("quality", f"/studies/{first['id']}")["says"][-1]


def test_the_list_of_instruments_shows_the_uncertainty_in_force(shop):
    """The list shows the stated uncertainty or a larger studied one; an unknown kind shows the studied measures."""
    mic, other = instrument(shop, u=STATED_U, kind="micrometer"), instrument(shop, "G-1")
    stated = [(name, STATED_U, "stated", None) for name in ("diameter", "shrinkage")]

    def in_force():
        names = ("characteristic", "standard_uncertainty", "source", "study_id")
        items = shop.get("quality", "/instruments")["items"]
        return [[tuple(line[name] for name in names) for line in item["in_force"]] for item in items]

    assert ["stated"] * 2 == [line["source"] for line in mic["in_force"]]
    assert [stated, []] == in_force()
    for on in (mic, other):
        study(shop, on, "repeatability", at=BEFORE, measure="diameter", trials=repeats_apart(0.004))
    sd = pytest.approx(gauge_sd(0.004))
    assert [[("diameter", sd, "study", 1), stated[1]], [("diameter", sd, "study", 2)]] == in_force()


@pytest.mark.parametrize(
    ("width", "words"),
    [
        # The gauge takes six times 0.00506: by AIAG under 10 % is good, up to 30 % usable, above too coarse.
        (0.4, "MIC-1 is good for measuring diameter. Its measurement spread is 7.6 % of the tolerance"),
        (0.2, "MIC-1 is usable for measuring diameter. Its measurement spread is 15.2 % of the tolerance"),
        (0.1, "MIC-1 is too coarse for measuring diameter. Its measurement spread is 30.4 % of the tolerance"),
        (None, "of the spread of all readings (no tolerance was stated)"),
    ],
)
def test_a_study_of_repeatability_says_what_the_instrument_is_worth(shop, width, words):
    """The first sentence of a repeatability study rates the instrument."""
    more = {} if width is None else {"tolerance_width": width}
    assert words in study(shop, instrument(shop), "repeatability", **REPEATED, **more)["says"][0]


def test_repeats_that_never_differ_are_not_good(shop):
    """Repeats that never differ have no rating, because of too few digits."""
    made = study(
        shop, instrument(shop), "repeatability", measure="diameter", trials=repeats_apart(0.0), tolerance_width=0.1
    )
    assert "MIC-1 cannot be rated." in made["says"][0]


@pytest.mark.parametrize(
    ("offsets", "words"),
    [
        ((0.02, 0.02, 0.02), "has a constant bias from 1 to 3 mm. It reads 0.02 mm too high."),
        ((0.0, 0.0, 0.0), "has no significant bias from 1 to 3 mm"),
        ((0.0, 0.02, 0.04), "has no constant bias from 1 to 3 mm"),
    ],
)
def test_a_study_of_linearity_says_whether_the_offset_is_straight(shop, offsets, words):
    """Pins of 1, 2 and 3 mm, each measured 0.001 on either side of a constant bias, give the words on linearity."""
    artefacts = [
        {"code": f"pin {at}", "reference": at, "readings": [at + offset - 0.001, at + offset + 0.001]}
        for at, offset in zip((1.0, 2.0, 3.0), offsets, strict=True)
    ]
    made = study(shop, instrument(shop), "linearity", measure="diameter", artefacts=artefacts)
    assert words in made["says"][0]
    assert "mm per mm" in " ".join(made["says"])


@pytest.mark.parametrize(
    ("step", "n", "words"),
    [
        (0.02, 3, "may continue from SPEC-1 to SPEC-2. The step is small enough for its limit"),
        (0.4, 3, "may not continue from SPEC-1 to SPEC-2. The step is not proved to be small enough"),
        (0.02, 1, "One plaque does not show"),
    ],
)
def test_a_study_of_agreement_says_whether_a_series_may_go_on(shop, step, n, words):
    """An agreement study compares with a third of the grade's limit of 1.0; without a grade it asks for one."""
    grade = shop.grade(limits=COLOR)
    first, second = instrument(shop, "SPEC-1"), instrument(shop, "SPEC-2")
    body = {"other_instrument_id": second["id"], "plaques": plaques(step, n)}
    made = study(shop, first, "agreement", **body, grade_id=grade["id"])
    assert words in made["says"][0]
    assert f"of grade {grade['code']}" in made["says"][0]
    assert "State a grade to learn" in study(shop, first, "agreement", **body)["says"][0]
    assert [grade["id"], None] == [s["grade_id"] for s in shop.get("quality", "/instruments/1/studies")["items"]]
