"""The drawn sample on the pages: at the bench, on the lot's page, and where quality accepts a substitute."""

from tests.pages.reading import Browser, log
from tests.shop import WHITE

LIMITS = {"sampling": {"fixed": 1}, "color": {"lot_max": 1.0}}
CELLS = {"L-0": str(WHITE[0]), "a-0": str(WHITE[1]), "b-0": str(WHITE[2])}


def received(desk, clerk):
    """The drawn spool of a delivery of three, and one that was not drawn."""
    log(desk, clerk)
    (part,) = desk.get("quality", "/lots/1/sample")["deliveries"]
    return part["drawn"][0], part["not_drawn"][0]


def test_the_bench_says_that_a_spool_was_not_drawn_before_it_is_measured(desk, clerk):
    """It leads to the drawn spool, for the same kind of reading."""
    drawn, other = received(desk, clerk)
    page = clerk.go(f"/bench?spool={other}&kind=color")
    assert f"Spool {other} was not drawn for the sample" in page.text
    assert f"/bench?spool={drawn}&kind=color" in page.links[drawn]
    assert "was not drawn" not in clerk.go(f"/bench?spool={drawn}&kind=color").text


def test_the_bench_tells_no_plain_success_of_a_spool_that_was_not_drawn(desk, clerk):
    """The readings are stored, and a warning with the reason is shown once."""
    _, other = received(desk, clerk)
    entry = {**CELLS, **{name.replace("-0", "-1"): value for name, value in CELLS.items()}}
    page = clerk.send(clerk.go(f"/bench?spool={other}&kind=color"), "L-0", "Store", **entry)
    assert "2 readings stored" in page.text
    assert '<div class="message good"' not in page.html
    told = f"Spool {other} was not drawn for the sample. This reading can reject the lot but cannot release it."
    assert 1 == page.text.count(told)


def test_quality_accepts_a_substitute_from_the_page_of_the_lot(desk, clerk):
    """From the drawn spools and the possible substitutes. The bench then names the substitute."""
    desk.limit(desk.white["id"], LIMITS)
    drawn, other = received(desk, clerk)
    ansel = Browser(desk, "quality")
    page = ansel.go("/lots/1")
    assert "Readings of spools that were not drawn can block the lot but cannot release it." in page.text
    page = ansel.go(page.links["Accept a substitute"])
    page = ansel.send(page, "substitute", substitute=other, reason="damaged in the box")
    assert f"{other} in place of {drawn}, by quality person: damaged in the box" in page.text
    page = ansel.go(page.links["Accept a substitute"])
    assert "missing" in ansel.send(page, "substitute", reason="missing").text
    assert f"Substitute for the drawn spool {drawn}: damaged in the box" in clerk.go(f"/bench?spool={other}").text
    gone = clerk.go(f"/bench?spool={drawn}")
    assert f"Spool {drawn} was replaced in the sample by {other}" in gone.text


def test_a_refused_substitute_says_why(desk, clerk):
    """Somebody measured the spool meanwhile."""
    drawn, other = received(desk, clerk)
    ansel = Browser(desk, "quality")
    page = ansel.go("/lots/1/substitutes")
    desk.color(drawn, WHITE)
    page = ansel.send(page, "substitute", substitute=other, reason="damaged")
    assert 422 == page.status
    assert f"Spool {drawn} was measured." in page.text


def test_the_clerk_sees_what_was_drawn_later(desk, clerk):
    """The delivery's page names the spools that were drawn later, and why."""
    desk.limit(desk.white["id"], {"sampling": {"fixed": 1}, "color": {"spread_max": 0.5}})
    drawn, _ = received(desk, clerk)
    desk.color(drawn, WHITE)
    (more,) = desk.get("quality", "/lots/1/sample")["deliveries"][0]["further_draws"]
    page = clerk.go("/receiving/1")
    assert (
        f"Drawn later: {more['spool_codes'][0]}. Colour spread between spools: measure colour on at least one more spool"
        in page.text
    )
    assert more["spool_codes"][0] in page.links
