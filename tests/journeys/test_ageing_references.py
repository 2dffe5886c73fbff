"""Ageing references over HTTP: a working copy and its offset, tile and plaque in sessions, resulting doubts and due dates.

tests/domain/instruments/test_reference_stability.py tests the rule of movement; here colours are clearly apart or alike.
That tile and plaque together separate instrument from plaque is common practice, no source.
"""

from datetime import UTC, datetime, timedelta

import pytest

from lots.services import clock
from lots.services.assessment import integrity_checks
from lots.store.upkeep.integrity import snapshot
from tests.api.test_queries import asked
from tests.pages.reading import Browser
from tests.shop import CONDITIONS, SIMPLE_LIMITS, WHITE
from tests.store.rows import connected, counts
from tests.tolerances import SAME_SUM

START = datetime(2025, 1, 10, 8, tzinfo=UTC)
DAY = timedelta(days=1)
TILE = [97.0, -0.1, 0.4]
COLOR = {"sampling": {"fixed": 1}, "color": {"lot_max": 1.0}}


def day(number):
    """A moment so many days after the start."""
    return START + number * DAY


def on(number):
    """Sets the day within the block."""
    return clock.clock_set_to(day(number))


def three(lab, b=0.0):
    """Three readings with a spread of 0.01, this much yellower than a colour."""
    return [[lab[0] + d, lab[1] + d, lab[2] + b + d] for d in (-0.01, 0.0, 0.01)]


def tile(b=0.0, code="T-1"):
    """Readings of the tile."""
    return {"artefact": "tile", "code": code, "readings": three(TILE, b)}


def master(b=0.0):
    """Readings of the master."""
    return {"artefact": "master", "readings": three(WHITE, b)}


def copy(b=0.0, code="W1"):
    """Readings of a working copy."""
    return {"artefact": "copy", "code": code, "readings": three(WHITE, 0.25 + b)}


@pytest.fixture
def shade(shop):
    """A white approved on the first day, measured again every 180 days; its instrument is SPEC-1."""
    with on(0):
        body = {"code": "HW", "name": "Harbour White", "remeasure_every_days": 180}
        made = shop.post("quality", "/shades", body)
        shop.approve(made["id"], WHITE)
        shop.post(
            "quality", "/instruments", {"code": "SPEC-1", "kind": "spectrophotometer", "check_interval_days": 3650}
        )
    return made


def copied(shop, shade, number, status=201, **more):
    """A working copy 0.25 yellower than the master, made that day."""
    body = {
        "code": "W1",
        "master": three(WHITE),
        "copy": three(WHITE, 0.25),
        "conditions": CONDITIONS,
        "instrument_id": 1,
        "measured_at": day(number).isoformat(),
        **more,
    }
    with on(number):
        return shop.post("quality", f"/shades/{shade['id']}/working-copies", body, status)


def session(shop, shade, number, *read, status=201, **more):
    """A session of that day."""
    body = {
        "measured_at": day(number).isoformat(),
        "instrument_id": 1,
        "conditions": CONDITIONS,
        "read": list(read),
        **more,
    }
    with on(number):
        return shop.post("quality", f"/shades/{shade['id']}/remeasurements", body, status)


def lots_on(shop, shade, *numbers):
    """A lot of the shade assessed on each of these days: their numbers."""
    with on(0):
        supplier, grade = shop.supplier(), shop.grade(limits=COLOR, shade_id=shade["id"])
    made = []
    for number in numbers:
        at = day(number).isoformat()
        with on(number):
            got = shop.receive(supplier, grade, f"Q-{number}", spools=1, received_at=at)
            shop.color(got["spools"][0]["code"], WHITE, measured_at=at)
        made.append(got["lot_id"])
    return made


def due(shop, number):
    """Due items on that day, by kind and code."""
    with on(number):
        return {(item["what"], item["code"]): item for item in shop.get("quality", "/due")["items"]}


def test_a_working_copy_keeps_its_offset(shop, shade):
    """The offset is 0.25 (by hand), with the uncertainty of two means of three, each with a standard deviation of 0.01."""
    made = copied(shop, shade, 1, remeasure_every_days=90)
    assert pytest.approx([0.0, 0.0, 0.25], abs=SAME_SUM * 100) == made["offset"]
    assert pytest.approx([0.01 * (2 / 3) ** 0.5] * 3, abs=1e-9) == made["offset_uncertainty"]
    assert (1, True, False) == (made["revision"], made["in_use"], made["moved"])
    assert "W1 differs from the master by L* +0.00, a* +0.00, b* +0.25." in made["says"]
    assert "Assessments use the values of revision 1" in made["says"]
    again = copied(shop, shade, 2)
    listed = shop.get("quality", f"/shades/{shade['id']}/working-copies")["items"]
    assert [(made["id"], False), (again["id"], True)] == [(item["id"], item["in_use"]) for item in listed]
    assert "was replaced" in listed[0]["says"]


def test_the_first_session_has_nothing_to_compare_with(shop, shade):
    """The first session, as approved, agrees and sets the next due date to 180 days later."""
    found = session(shop, shade, 1, tile(), master())
    assert [("cannot tell", None, None)] == [(f["mover"], f["plaque"], f["compared_with"]) for f in found["found"]]
    assert "No comparison yet." in found["says"]
    assert [] == found["in_doubt"]
    assert "agrees with its approved colour" in found["says"]
    assert day(181) == datetime.fromisoformat(due(shop, 1)["master", "HW"]["due_at"])


def test_a_tile_that_stays_and_a_plaque_that_moves(shop, shade):
    """A plaque that moved beside a steady tile lists the decisions since its last agreement, and the shade shows it until a new revision."""
    early, between, late = lots_on(shop, shade, 10, 200, 300)
    session(shop, shade, 1, tile(), master())
    agreed = session(shop, shade, 180, tile(), master())
    assert ["neither"] == [found["mover"] for found in agreed["found"]]
    assert [] == agreed["in_doubt"]
    found = session(shop, shade, 360, tile(), master(0.6))
    (told,) = found["found"]
    assert ("plaque", 1, "moved", "still") == (
        told["mover"],
        told["compared_with"],
        told["plaque"]["state"],
        told["instrument"]["state"],
    )
    assert pytest.approx([0.0, 0.0, 0.6], abs=1e-9) == told["plaque"]["change"]
    assert "The plaque changed. The tile reads as before." in told["says"]
    assert "yellower" in told["says"]

    (entry,) = found["in_doubt"]
    assert (day(180), day(360), None) == tuple(
        entry[name] and datetime.fromisoformat(entry[name]) for name in ("since", "found_at", "until")
    )
    decisions = shop.get("quality", f"/lots/{between}/decisions")["items"][-1:]
    decisions += shop.get("quality", f"/lots/{late}/decisions")["items"][-1:]
    listed = {line["id"]: line for line in entry["decisions"]}
    assert {between, late} == {line["lot_id"] for line in listed.values()}
    assert {decision["id"] for decision in decisions} <= set(listed)
    assert {"Q-200", "Q-300"} == {line["supplier_lot"] for line in listed.values()}
    assert "No decision was changed" in found["says"]
    assert "on 2 lots" in found["says"]
    for lot_id in (early, between, late):
        assert "released" == shop.lot(lot_id)["standing"]

    shown = shop.get("quality", f"/shades/{shade['id']}")
    assert [{name: value for name, value in entry.items() if name != "decisions"}] == shown["in_doubt"]
    assert "It stays flagged until a new revision is approved" in shown["in_doubt"][0]["says"]
    with on(361):
        shop.approve(shade["id"], [95.0, -0.8, 2.1])
    assert [] == shop.get("quality", f"/shades/{shade['id']}")["in_doubt"]
    # Reassessed lots, 0.6 bluer than the new reference, are still within 1.0.
    assert 1 == shop.lot(late)["shade_revision"]
    again = shop.post("quality", f"/lots/{late}/reassess")
    assert ("released", 2) == (again["standing"], again["shade_revision"])
    with connected(), snapshot():
        assert [] == [flaw.line for flaw in integrity_checks.found()]


@pytest.mark.parametrize(
    ("of_tile", "of_master", "mover", "words", "doubted"),
    [
        (0.0, 0.0, "neither", "Tile and plaque are unchanged", 0),
        (0.6, 0.6, "instrument", "The instrument drifted.", 0),
        (0.6, 1.4, "both", "Instrument and plaque changed", 1),
        (0.0, -0.6, "plaque", "bluer", 1),
    ],
)
def test_tile_and_plaque_together_tell_which_moved(shop, shade, of_tile, of_master, mover, words, doubted):
    """Each of the four combinations has its own words; a drifted instrument makes no plaque suspect and must be checked."""
    session(shop, shade, 1, tile(), master())
    found = session(shop, shade, 30, tile(of_tile), master(of_master))
    assert mover == found["found"][0]["mover"]
    assert words in found["says"]
    assert doubted == len(found["in_doubt"])
    assert ("Check the instrument" in found["says"]) is bool(of_tile)


def test_a_session_that_cannot_tell_neither_doubts_nor_agrees(shop, shade):
    """Single readings without a known spread are inconclusive; with the spread from studies of the instrument they are conclusive."""
    once = [{"artefact": "tile", "code": "T-1", "readings": [TILE]}, {"artefact": "master", "readings": [WHITE]}]
    session(shop, shade, 1, *once)
    moved = [once[0], {"artefact": "master", "readings": [[WHITE[0], WHITE[1], WHITE[2] + 0.6]]}]
    found = session(shop, shade, 30, *moved)
    assert ("cannot tell", []) == (found["found"][0]["mover"], found["in_doubt"])
    assert "Measure each at least 3 times" in found["says"]
    trials = [
        {"part": part, "operator": who, "value": value + apart}
        for part, value in (("P1", 0.0), ("P2", 1.0))
        for who in ("ann", "bo")
        for apart in (-0.01, 0.01)
    ]
    with on(31):
        for measure in ("color.dL", "color.da", "color.db"):
            body = {"kind": "repeatability", "measure": measure, "studied_at": day(0).isoformat(), "trials": trials}
            shop.post("quality", "/instruments/1/studies", body)
    (first, second) = shop.get("quality", f"/shades/{shade['id']}/remeasurements")["items"]
    assert ["cannot tell", "plaque"] == [one["found"][0]["mover"] for one in (first, second)]
    assert 1 == len(shop.get("quality", f"/shades/{shade['id']}")["in_doubt"])


def test_what_was_read_otherwise_is_not_compared(shop, shade):
    """A session with another tile, other conditions or another instrument has no earlier one to compare."""
    with on(0):
        shop.post(
            "quality", "/instruments", {"code": "SPEC-2", "kind": "spectrophotometer", "check_interval_days": 3650}
        )
    session(shop, shade, 1, tile(), master())
    for more in (
        {"read": [tile(code="T-2"), master(0.6)]},
        {"conditions": {**CONDITIONS, "specular": "excluded"}},
        {"instrument_id": 2},
    ):
        found = session(shop, shade, 30, tile(), master(0.6), **more)
        assert [None] == [told["compared_with"] for told in found["found"]]
        assert [] == found["in_doubt"]


def test_a_copy_that_moved_is_replaced(shop, shade):
    """A working copy that moved is out of use, the shade says so, and a new copy of its code replaces it."""
    copied(shop, shade, 1)
    session(shop, shade, 1, tile(), master(), copy())
    found = session(shop, shade, 90, tile(), master(), copy(0.6))
    assert [("master", "neither"), ("copy", "plaque")] == [(told["artefact"], told["mover"]) for told in found["found"]]
    assert [("copy", "W1")] == [(entry["artefact"], entry["code"]) for entry in found["in_doubt"]]
    assert "made since working copy W1 last agreed" in found["says"]
    assert "Do not use it. Make a new copy" in found["says"]
    assert "new revision from this master" not in found["says"]
    (item,) = shop.get("quality", f"/shades/{shade['id']}/working-copies")["items"]
    assert (True, False) == (item["moved"], item["in_use"])
    assert "no longer represents" in item["says"]
    listed = due(shop, 91)["working_copy", "W1"]
    assert ("moved", day(90), True) == (listed["why"], datetime.fromisoformat(listed["due_at"]), listed["overdue"])
    # A session of the master alone says nothing of the copy.
    assert [] == session(shop, shade, 91, tile(), master())["in_doubt"]
    copied(shop, shade, 91)
    assert [] == shop.get("quality", f"/shades/{shade['id']}")["in_doubt"]


def test_a_session_that_was_a_mistake_is_voided(shop, shade):
    """A voided session stays visible without effect, and its doubt ends."""
    session(shop, shade, 1, tile(), master())
    found = session(shop, shade, 30, tile(), master(0.6))
    etag = shop.call("quality", "GET", f"/shades/{shade['id']}").headers["ETag"]
    answer = shop.post("quality", f"/remeasurements/{found['id']}/void", {"reason": "dust on the plaque"})
    assert ([], [], "dust on the plaque") == (answer["found"], answer["in_doubt"], answer["voided"]["reason"])
    shown = shop.call("quality", "GET", f"/shades/{shade['id']}", If_None_Match=etag)
    assert (200, []) == (shown.status_code, shown.get_json()["in_doubt"])
    assert [None, "dust on the plaque"] == [
        item["voided"] and item["voided"]["reason"]
        for item in shop.get("quality", f"/shades/{shade['id']}/remeasurements")["items"]
    ]
    shop.post("quality", f"/remeasurements/{found['id']}/void", {"reason": "again"}, 409)


def test_agreeing_again_ends_the_doubt_and_not_the_mark(shop, shade):
    """Decisions made before a new agreement stay listed, and later ones are not."""
    _, after = lots_on(shop, shade, 40, 120)
    session(shop, shade, 1, tile(), master())
    session(shop, shade, 60, tile(), master(0.6))
    found = session(shop, shade, 90, tile(), master())
    (entry,) = found["in_doubt"]
    assert day(90) == datetime.fromisoformat(entry["until"])
    assert after not in {line["lot_id"] for line in entry["decisions"]}
    assert {"Q-40"} == {line["supplier_lot"] for line in entry["decisions"]}
    assert "It agreed again at" in entry["says"]


def test_what_is_due_and_what_is_late(shop, shade):
    """A master is due 180 days after its last agreement, a copy 90 days after it was made, an instrument when its check expires; soonest first."""
    copied(shop, shade, 1, remeasure_every_days=90)
    found = due(shop, 50)
    assert [day(91), day(180), day(3650)] == [datetime.fromisoformat(item["due_at"]) for item in found.values()]
    assert [("working_copy", "W1"), ("master", "HW"), ("instrument", "SPEC-1")] == list(found)
    assert [False] * 3 == [item["overdue"] for item in found.values()]
    session(shop, shade, 1, tile(), master())
    session(shop, shade, 100, tile(), master())
    with on(281):
        answer = shop.get("quality", "/due")
    assert ["W1", "HW"] == [item["code"] for item in answer["items"] if item["overdue"]]
    assert day(280) == datetime.fromisoformat(answer["items"][1]["due_at"])
    assert "The master of HW has been due for remeasurement since 2025-10-17 08:00 UTC." == answer["items"][1]["says"]
    assert "2 items are overdue." == answer["says"]
    session(shop, shade, 290, tile(), master(0.6))
    assert day(290) == datetime.fromisoformat(due(shop, 291)["master", "HW"]["due_at"])
    check = {"checked_at": day(300).isoformat(), "result": "fail"}
    with on(300):
        shop.post("quality", "/instruments/1/checks", check)
    assert day(300) == datetime.fromisoformat(due(shop, 301)["instrument", "SPEC-1"]["due_at"])


def test_what_moved_is_due_without_a_schedule(shop, shade):
    """A master without a schedule that moved is due since then, with reason and remedy, until a new revision."""
    path = f"/shades/{shade['id']}"
    etag = shop.call("quality", "GET", path).headers["ETag"]
    shop.call("quality", "PATCH", path, {"remeasure_every_days": None}, If_Match=etag)
    session(shop, shade, 1, tile(), master())
    assert [("instrument", "SPEC-1")] == list(due(shop, 2))
    session(shop, shade, 30, tile(), master(0.6))
    item = due(shop, 31)["master", "HW"]
    assert ("moved", day(30)) == (item["why"], datetime.fromisoformat(item["due_at"]))
    for words in ("is due now", "It had moved when measured at 2025-02-09 08:00 UTC.", "Approve a new revision"):
        assert words in item["says"]
    with on(32):
        shop.approve(shade["id"], [95.0, -0.8, 2.1])
    assert [("instrument", "SPEC-1")] == list(due(shop, 33))


def test_a_stated_uncertainty_tells_where_single_readings_do_not(shop, shade):
    """With u 0.02 stated, single readings of tile and master show a movement of 0.6 with its interval, and no more readings are requested."""
    with on(0):
        body = {
            "code": "SPEC-2",
            "kind": "spectrophotometer",
            "check_interval_days": 3650,
            "standard_uncertainty": 0.02,
        }
        other = shop.post("quality", "/instruments", body)
    for number, b in ((1, 0.0), (30, 0.6)):
        lab = [WHITE[0], WHITE[1], WHITE[2] + b]
        read = [{"artefact": "tile", "code": "T-1", "readings": [TILE]}, {"artefact": "master", "readings": [lab]}]
        found = session(shop, shade, number, *read, instrument_id=other["id"])
    (told,) = found["found"]
    assert ("plaque", 3) == (told["mover"], len(told["plaque"]["half_width"]))


def test_what_looks_like_a_slip_is_warned_of(shop, shade):
    """A master far from its approved values and 9.7 typed for 97 on a tile are stored with a warning."""
    far = {"artefact": "master", "readings": three(WHITE, 7.5)}
    typed = {**tile(), "readings": [TILE, [9.7, *TILE[1:]], TILE]}
    found = session(shop, shade, 1, typed, far)
    assert ["read/0/readings/1", "read/1/readings"] == [warning["field"] for warning in found["warnings"]]
    assert "did you mean 97?" in found["warnings"][0]["hint"]
    assert "void this remeasurement" in found["warnings"][0]["hint"]
    assert "b* +7.50 from its approved values" in found["warnings"][1]["detail"]
    made = copied(shop, shade, 1, master=three(WHITE, 7.5), copy=three(WHITE, 7.75))
    assert ["master"] == [warning["field"] for warning in made["warnings"]]
    assert [] == copied(shop, shade, 2)["warnings"]
    assert [] == session(shop, shade, 3, tile(), master(4.9))["warnings"]


def test_a_schedule_can_be_changed(shop, shade):
    """A schedule is changed with the shade's ETag; without a schedule nothing is due."""
    path = f"/shades/{shade['id']}"
    etag = shop.call("quality", "GET", path).headers["ETag"]
    changed = shop.call("quality", "PATCH", path, {"remeasure_every_days": None}, If_Match=etag)
    assert (200, None) == (changed.status_code, changed.get_json()["remeasure_every_days"])
    assert 412 == shop.call("quality", "PATCH", path, {"remeasure_every_days": 30}, If_Match=etag).status_code
    assert 428 == shop.call("quality", "PATCH", path, {"remeasure_every_days": 30}).status_code
    assert [("instrument", "SPEC-1")] == list(due(shop, 1))


BAD = {
    "no tile": ([master()], {}, ["/read"]),
    "two tiles": ([tile(), tile(code="T-2"), master()], {}, ["/read"]),
    "a tile alone": ([tile()], {}, ["/read"]),
    "a tile without a code": ([{**tile(), "code": None}, master()], {}, ["/read/0/code"]),
    "a master with one": ([tile(), {**master(), "code": "M"}], {}, ["/read/1/code"]),
    "a copy nobody made": ([tile(), copy()], {}, ["/read/1/code"]),
    "the master twice": ([tile(), master(), master()], {}, ["/read"]),
    "no colour": ([tile(), {"artefact": "master", "readings": [[950, 0, 0]]}], {}, ["/read/1/readings/0"]),
    "nobody's instrument": ([tile(), master()], {"instrument_id": 9}, ["/instrument_id"]),
    "still to come": ([tile(), master()], {"measured_at": "2025-03-01T00:00:00Z"}, ["/measured_at"]),
    "conditions that are none": (
        [tile(), master()],
        {"conditions": {**CONDITIONS, "observer_deg": 5}},
        ["/conditions"],
    ),
}


@pytest.mark.parametrize(("read", "more", "pointers"), BAD.values(), ids=BAD)
def test_a_session_that_could_tell_nothing_is_refused_at_its_place(shop, shade, read, more, pointers):
    """A session without information is refused with every error at its place, and nothing is stored."""
    read = [{name: value for name, value in plaque.items() if value is not None} for plaque in read]
    before = counts()
    said = session(shop, shade, 1, *read, status=422, **more)
    assert pointers == [error["pointer"] for error in said["errors"]]
    assert before == counts()


def test_an_instrument_that_is_not_in_order_tells_nothing(shop, shade):
    """After a failed check an instrument takes no session until it is corrected."""
    with on(5):
        shop.post("quality", "/instruments/1/checks", {"checked_at": day(5).isoformat(), "result": "fail"})
    said = session(shop, shade, 6, tile(), master(), status=422)
    assert ["/instrument_id"] == [error["pointer"] for error in said["errors"]]
    assert "failed its check of" in said["detail"]


def test_a_copy_is_read_as_the_master_was_and_needs_one(shop, shade):
    """A copy needs the conditions of the revision, and a shade without a revision has neither copies nor due dates."""
    said = copied(shop, shade, 1, 422, conditions={**CONDITIONS, "specular": "excluded"})
    assert ["/conditions"] == [error["pointer"] for error in said["errors"]]
    bare = shop.post("quality", "/shades", {"code": "NB", "name": "Night Black"})
    assert "no approved revision" in copied(shop, bare, 1, 409)["detail"]
    assert "no approved revision" in session(shop, bare, 1, tile(), master(), status=409)["detail"]


def test_a_new_revision_that_lots_are_not_judged_under_moves_nothing(shop, shade):
    """Sessions of an earlier revision belong to it, and a new revision starts without sessions."""
    shop.grade(limits=SIMPLE_LIMITS, shade_id=shade["id"])
    session(shop, shade, 1, tile(), master())
    with on(2):
        shop.approve(shade["id"], [95.0, -0.8, 2.1])
    found = session(shop, shade, 3, tile(), master(0.6))
    assert (2, [None]) == (found["revision"], [told["compared_with"] for told in found["found"]])
    items = shop.get("quality", f"/shades/{shade['id']}/remeasurements")["items"]
    assert [1, 2] == [item["revision"] for item in items]


def test_the_page_of_quality_lists_what_is_due(shop, shade):
    """The page of quality has a line for each scheduled master and copy, with the words of the API."""
    copied(shop, shade, 1, remeasure_every_days=90)
    page = Browser(shop, "quality").go("/quality")
    words = [item["says"] for item in shop.get("quality", "/due")["items"] if item["what"] != "instrument"]
    assert 2 == len(words)
    assert all(says in page.html for says in words)


@pytest.mark.parametrize("engine", ["sqlite"])
def test_what_is_asked_of_references_costs_the_same_however_many_there_are(shop, shade):
    """Requests on references need a fixed number of statements, the token's included, with one session and with many."""
    path = f"/shades/{shade['id']}"
    budgets = {"/due": 7, path: 6, f"{path}/remeasurements": 7, f"{path}/working-copies": 7}
    numbers = iter(range(1, 20))
    for more in (1, 6):
        for number in [next(numbers) for _ in range(more)]:
            copied(shop, shade, number, code=f"W{number}", remeasure_every_days=90)
            session(shop, shade, number, tile(), master(), copy(code=f"W{number}"))
        with on(20):
            assert budgets == {asking: len(asked(shop, "quality", "GET", asking)) for asking in budgets}
