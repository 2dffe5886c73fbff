"""Prohibitions of a grade. Source: this project's rules, which fail closed; finish and filler by common practice, no source."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.limits_revision import USES
from lots.domain.assessment.prohibitions import FILLER_KINDS, SHAPES, WEAKENED, Material, Statement, is_matte
from tests.domain.builders import MONDAY

PLAIN = Material("satin", "none", "none")
ABOUT = st.sampled_from(USES)
STATEMENTS = st.lists(
    st.builds(Statement, ABOUT, st.just("why"), st.just("Ines"), st.just(MONDAY), st.booleans()),
    unique_by=lambda one: one.about,
)
FINISHES = st.sampled_from([None, "satin", "matte", "Matt", "gloss"])
FILLERS = st.sampled_from([None, "none", "mineral", "white pigment", "10 % talc"])
MATERIALS = st.builds(
    Material, FINISHES, FILLERS, st.sampled_from([None, *FILLER_KINDS]), STATEMENTS, STATEMENTS, st.just(())
)


def forbids(material):
    """The prohibited uses of a grade."""
    return {one.about for one in material.forbidden()}


def permitting(material, *uses):
    """The grade with quality's permission for uses."""
    return replace(material, permitted=[Statement(use, "30 bars", "Ines", MONDAY) for use in uses])


@pytest.mark.parametrize(
    "finish",
    [
        *("matte", "Matt", "MATTE", "matte black", "semi-matte", "ultramatt", "mat", "Mat noir", "mate"),
        *("m a t t e", "ｍａｔｔｅ", "m\u0430tte", "mat\u200bte", "matt\u00e9"),
    ],
)
def test_a_matte_finish_forbids_what_lives_on_the_bond(finish):
    """A matte finish forbids load-bearing and flexing use in every spelling: wide, spaced, with foreign or invisible letters, or half matte."""
    assert set(WEAKENED) == forbids(replace(PLAIN, finish=finish))


@pytest.mark.parametrize("finish", [None, "satin", "gloss", "silk", "plain", "automatic", "material"])
def test_another_finish_forbids_nothing(finish):
    """A finish other than matte, or none, forbids nothing; letters inside another word are no finish."""
    assert set() == forbids(replace(PLAIN, finish=finish))


@pytest.mark.parametrize(
    ("kind", "forbidden"),
    [("none", ()), ("pigment", ()), ("mineral", WEAKENED), ("fibre", WEAKENED), ("other", ())],
)
@pytest.mark.parametrize("filler", [None, "none", "mineral", "glass fibre"])
def test_a_stated_kind_of_filler_decides_alone(kind, forbidden, filler):
    """A stated filler kind decides alone: mineral and fibre forbid, and the free text has no effect."""
    assert set(forbidden) == forbids(replace(PLAIN, filler_kind=kind, filler=filler))


@pytest.mark.parametrize("filler", ["mineral", "white pigment, chalk", "10 % talc", "GF10", "20 %", "something"])
def test_a_filler_without_a_kind_forbids_until_it_is_stated(filler):
    """A filler of unknown kind counts as weakening, unless its text names pigments alone."""
    found = replace(PLAIN, filler=filler, filler_kind=None)
    assert set(WEAKENED) == forbids(found)
    assert f'the kind of its filler ("{filler}") is not stated' == found.forbidden()[0].reason
    assert set() == forbids(replace(found, filler_kind="pigment"))


@pytest.mark.parametrize(
    "filler", [None, "none", "None", "no filler", "unfilled", "-", "n/a", "white pigment", "Pigment (TiO2)"]
)
def test_a_grade_with_colour_alone_is_only_listed(filler):
    """A grade with only colour, or without a filler, forbids nothing; quality is asked for the kind."""
    found = replace(PLAIN, filler=filler, filler_kind=None)
    assert set() == forbids(found)
    assert ["The kind of filler is missing. State it for the grade."] == found.to_review()


def test_each_reason_is_told():
    """Prohibitions by quality, finish and filler on one use are three reasons, in this order."""
    said = [Statement("flexing", "tabs snapped", "Ines", MONDAY)]
    found = Material("matte", None, "mineral", said).against("flexing")
    assert [
        'The grade is forbidden for flexing use: "tabs snapped" (Ines, 2025-03-03).',
        "The grade is forbidden for flexing use: its finish is matte.",
        "The grade is forbidden for flexing use: it has a mineral filler.",
    ] == [one.says for one in found]


def test_what_was_carried_over_says_so_and_waits_for_quality():
    """A prohibition derived from an older caution applies and is listed until quality confirms it."""
    old = Statement("load_bearing", "never load-bearing", "lots migrate", MONDAY, from_caution=True)
    found = replace(PLAIN, stated=[old])
    said = (
        'The grade is forbidden for load-bearing use: "never load-bearing" (from a caution, not confirmed by quality).'
    )
    assert [said] == [one.says for one in found.forbidden()]
    assert [
        "Forbidden by an old caution and not confirmed: load-bearing. State the forbidden uses with a reason."
    ] == found.to_review()
    assert [] == replace(PLAIN, stated=[replace(old, from_caution=False)]).to_review()


@given(MATERIALS)
def test_nothing_but_a_permission_lifts_a_prohibition(material):
    """A use with a reason against it is prohibited exactly when quality does not permit it; a permission is shown only then."""
    grounds = {one.about for one in material.grounds()}
    permitted = {one.about for one in material.permitted}
    assert grounds - permitted == forbids(material)
    assert grounds & permitted == {use for use in USES if material.permission(use) is not None}
    assert grounds - permitted == {use for use in USES if material.against(use)}


@given(MATERIALS, ABOUT)
def test_to_state_more_never_permits_more(material, use):
    """Another prohibition, a matte finish or a mineral filler only adds to the prohibited uses."""
    said = Statement(use, "why", "Ines", MONDAY)
    for worse in (
        replace(material, stated=[*material.stated, said]),
        replace(material, finish="matte"),
        replace(material, filler_kind="mineral"),
    ):
        assert forbids(material) <= forbids(worse)


@given(MATERIALS, ABOUT)
def test_a_permission_opens_its_use_and_no_other(material, use):
    """A permission applies to the named use alone."""
    assert forbids(replace(material, permitted=())) - {use} == forbids(permitting(material, use))


@given(st.text(max_size=20), st.text(max_size=20))
def test_any_text_around_it_leaves_a_finish_matte(before, after):
    """No words around a matte finish make it another finish."""
    assert is_matte(f"{before} matte {after}")


def test_a_forbidden_shape_speaks_only_against_that_shape():
    """A prohibited shape applies to parts of that shape alone and prohibits no use."""
    found = replace(PLAIN, shapes=[Statement("thin_upright", "the layers part", "Ines", MONDAY)])
    assert ['The grade is forbidden for thin upright tabs: "the layers part" (Ines, 2025-03-03).'] == [
        one.says for one in found.against_shapes(tuple(SHAPES))
    ]
    assert [] == found.against_shapes(())
    assert set() == forbids(found)
