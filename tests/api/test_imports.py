import io
import threading

import pytest

from tests.files import faults, places, send, take, text
from tests.shop import CONDITIONS, MEASURED, RECEIVED, SIMPLE_LIMITS
from tests.store.rows import contents, counts

DIAMETER = "spool_code,position_m,d1_mm,d2_mm,measured_at"
ROW = f"S-1,1,1.75,1.76,{MEASURED}"
SAID = {name: str(value) for name, value in CONDITIONS.items()}


@pytest.fixture
def at(shop):
    """A shop with a lot of the spools S-1, S-2 and S-3 that lacks its readings."""
    grade = shop.grade("PLA-HW-175", SIMPLE_LIMITS)
    spools = {"spools": [{"code": f"S-{n}", "net_mass_g": 1000} for n in (1, 2, 3)]}
    body = {
        "supplier_id": shop.supplier()["id"],
        "grade_id": grade["id"],
        "supplier_lot": "Q-71",
        "received_at": RECEIVED,
    }
    shop.lot_id = shop.post("receiving", "/deliveries", {**body, **spools})["lot_id"]
    return shop


def stored(shop, kind):
    """Readings of the lot as in the list."""
    return shop.get("quality", f"/lots/{shop.lot_id}/readings?kind={kind}&limit=500")["items"]


def test_a_file_of_readings_is_stored_and_its_lot_judged(at):
    """The answer has the number of stored readings and the status of each lot."""
    done = take(at, "diameter", text(DIAMETER, ROW, f"S-2,,1.748,1.752,{MEASURED}"), name="bench/dia\u200bmeters.csv")
    assert (2, 2, False, False) == (done["rows"], done["items"], done["dry_run"], done["already_imported"])
    assert "diameters.csv" == done["file_name"]
    assert [at.lot_id] == done["lot_ids"] == [lot["id"] for lot in done["lots"]]
    assert at.lot(at.lot_id)["to_measure"] == done["lots"][0]["to_measure"]
    assert [(1, 1.75, 1.76), (None, 1.748, 1.752)] == [
        (row.get("position_m"), row["d1_mm"], row["d2_mm"]) for row in stored(at, "diameter")
    ]


def test_the_same_file_again_changes_nothing(at):
    """The same file again, under another name and by another person, returns 200 with the first answer."""
    first = take(at, "diameter", text(DIAMETER, ROW))
    before = contents()
    again = take(at, "diameter", text(DIAMETER, ROW), 200, name="copy.csv", role="receiving")
    assert {**first, "already_imported": True} == again
    assert {**first, "already_imported": True, "dry_run": True} == take(
        at, "diameter", text(DIAMETER, ROW), 200, dry_run="true"
    )
    assert before == contents()


def test_the_same_file_at_the_same_moment_is_stored_once(at):
    """Of two simultaneous imports of a file the second gets the first answer."""
    barrier, answers = threading.Barrier(4), []

    def bring():
        barrier.wait()
        data = {"kind": "diameter", "file": (io.BytesIO(text(DIAMETER, ROW).encode()), "r.csv")}
        headers = {"Authorization": f"Bearer {at.tokens['quality']}"}
        answers.append(at.app.test_client().post("/v1/imports", data=data, headers=headers))

    threads = [threading.Thread(target=bring) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert [200, 200, 200, 201] == sorted(answer.status_code for answer in answers)
    assert {1} == {answer.get_json()["id"] for answer in answers}
    assert 1 == len(stored(at, "diameter"))


def test_another_kind_or_other_options_make_it_another_file(at):
    """Another kind or other options make another file."""
    take(at, "diameter", text(DIAMETER, "S-1,1,1.75,1.76,2026-11-20 11:00"), time_zone="Europe/Berlin")
    take(at, "diameter", text(DIAMETER, "S-1,1,1.75,1.76,2026-11-20 11:00"), time_zone="Europe/London")
    assert ["2026-11-20T10:00:00Z", "2026-11-20T11:00:00Z"] == [row["measured_at"] for row in stored(at, "diameter")]


def test_a_dry_run_says_what_would_be_and_stores_nothing(at):
    """A dry run shows the resulting lot and stores nothing; the import works afterwards."""
    before = contents()
    tried = take(at, "diameter", text(DIAMETER, "S-1,1,1.9,1.9," + MEASURED), 200, dry_run="true")
    assert (None, True, "blocked") == (tried["id"], tried["dry_run"], tried["lots"][0]["standing"])
    assert before == contents()
    assert "blocked" == take(at, "diameter", text(DIAMETER, "S-1,1,1.9,1.9," + MEASURED))["lots"][0]["standing"]


def test_imports_are_listed_in_order(at):
    """Imports are listed in order with person, file and result."""
    for position in (1, 2, 3):
        take(at, "diameter", text(DIAMETER, f"S-1,{position},1.75,1.76,{MEASURED}"), name=f"{position}.csv")
    page = at.get("receiving", "/imports?limit=2")
    assert ["1.csv", "2.csv"] == [row["file_name"] for row in page["items"]]
    assert {"quality person"} == {row["recorded_by"] for row in page["items"]}
    assert ["3.csv"] == [row["file_name"] for row in at.get("receiving", page["next"].removeprefix("/v1"))["items"]]


def test_every_fault_of_every_row_comes_at_once(at):
    """Every cell, field and plausibility error is reported, also in rows with another error."""
    found = faults(
        at,
        "diameter",
        text(
            DIAMETER,
            ROW,
            f"S-1,1,0.0689,1.75x,{MEASURED}",
            f"X-9,-1,,1.75,{MEASURED}",
            "S-2,1,17.5,1.75,2026-11-20 11:00",
            "S-2,1,1.75,1.75",
            "S-3,1,1.75,2.85,2036-01-01T00:00:00Z",
        ),
    )
    assert [
        (3, "d1_mm"),
        (3, "d2_mm"),
        (4, "spool_code"),
        (4, "position_m"),
        (4, "d1_mm"),
        (5, "d1_mm"),
        (5, "measured_at"),
        (6, None),
        (7, "d2_mm"),
        (7, "measured_at"),
    ] == [(row, column) for row, column, _ in found]
    assert "This looks like inches: 0.0689 in is 1.750 mm. Enter millimetres." in found[0][2]
    assert 0 == counts()["reading"] == counts()["import"]


def test_refusals_are_those_of_the_json_requests(at):
    """A reading has the same error in a file and as JSON."""
    body = {"spool_code": "S-1", "d1_mm": 0.0689, "d2_mm": 17.5, "position_m": -2}
    said = {
        f"{e['detail']} {e.get('hint', '')}".strip()
        for e in at.measure("diameter", {**body, "position_m": 1}, 422)["errors"]
    }
    said |= {f"{e['detail']} {e.get('hint', '')}".strip() for e in at.measure("diameter", body, 422)["errors"]}
    assert said == {words for _, _, words in faults(at, "diameter", text(DIAMETER, f"S-1,-2,0.0689,17.5,{MEASURED}"))}


def test_a_fault_points_at_row_and_column_and_at_the_line_where_it_is_another(at):
    """An error names row and column, and the line where line breaks in quotes shift it."""
    said = take(at, "diameter", text(DIAMETER + ",note", ROW + ',"two\r\nlines"', ROW.replace("1.75", "x") + ","), 422)
    assert ["row 3, column d1_mm"] == [error["pointer"] for error in said["errors"]]
    assert (3, 4, "d1_mm") == tuple(said["errors"][0][name] for name in ("row", "line", "column"))


def test_columns_are_checked_before_rows_are_blamed(at):
    """Unknown, double and missing columns are errors of row 1, once each."""
    rows = ["S-1,1.75,1.75,1.75,1.75", "S-2,1.75,1.75,1.75,1.75"]
    found = faults(at, "diameter", text("spool_code,d1_mm,d1_mm,d2mm,D2_MM", *rows))
    assert {1} == {row for row, _, _ in found}
    assert ["D2_MM", "d1_mm", "d2_mm", "d2mm"] == sorted(column for _, column, _ in found)
    assert any("Did you mean d2_mm?" in words for _, column, words in found if column == "D2_MM")
    assert any("Did you mean d2_mm" in words for _, column, words in found if column == "d2mm")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "empty"),
        ("spool_code,d1_mm,d2_mm\r\n", "no rows below the header"),
        ("spool_code;d1_mm;d2_mm\r\nS-1;1.75;1.75\r\n", "Choose ; as the separator"),
        ('spool_code,"d1_mm\r\n', "not closed"),
        ("spool_code,d1_mm,d2_mm\r\nS-1,1.75,1.75\r\n".encode("utf-16"), "UTF-16"),
        ("spool_code,d1_mm,d2_mm,note\r\nS-1,1.75,1.75,M\xfcller\r\n".encode("latin-1"), "0xFC"),
        ("spool_code,d1_mm,d2_mm,\r\nS-1,1.75,1.75,x\r\n", "Column 4 has no name"),
        ("spool_code,d1_mm,d2_mm\r\nS-1,1.75,1.75\x00\r\n", "not a number"),
        ("spool_code,d1_mm,d2_mm\r\nS\x00-1,1.75,1.75\r\n", "control character"),
        ("CGATS.17\r\nBEGIN_DATA\r\n", "single column|Unknown column|required"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "required|Unknown column"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_in_words(at, content, words):
    """An unreadable file is refused with the remedy, and nothing is stored."""
    before = counts()
    said = " ".join(found for _, _, found in faults(at, "diameter", content))
    assert any(word in said for word in words.split("|")), said
    assert before == counts()


def test_semicolons_and_decimal_commas_count_only_when_declared(at):
    """1,75 is refused with the way to declare decimal commas, and then read as 1.75."""
    content = text(DIAMETER.replace(",", ";"), f"S-1;1,5;1,75;1,76;{MEASURED}")
    assert [(2, "position_m"), (2, "d1_mm"), (2, "d2_mm")] == places(at, "diameter", content, delimiter=";")
    take(at, "diameter", content, delimiter=";", decimal="comma")
    assert [(1.5, 1.75)] == [(row["position_m"], row["d1_mm"]) for row in stored(at, "diameter")]


def test_times_without_an_offset_need_the_zone_and_must_have_been_once(at):
    """A time that the clock change skipped or repeated is an error of its cell."""
    rows = [f"S-1,1,1.75,1.75,{time}" for time in ("2026-03-29 02:30", "2026-10-25 02:30", "2026-10-25 04:30")]
    found = faults(at, "diameter", text(DIAMETER, *rows), time_zone="Europe/Berlin")
    assert [(2, "measured_at"), (3, "measured_at")] == [(row, column) for row, column, _ in found]
    assert [(None, None, "time_zone")] == [
        (e.get("row"), e.get("column"), e["pointer"])
        for e in take(at, "diameter", text(DIAMETER, ROW), 422, time_zone="Europe/Berlyn")["errors"]
    ]


def test_an_instrument_may_be_named_by_its_code(at):
    """An unknown instrument code is an error of its cell with a suggestion, and so are id and code together."""
    made = at.post("quality", "/instruments", {"code": "MIC-1", "kind": "micrometer", "check_interval_days": 30})
    take(at, "diameter", text(f"{DIAMETER},instrument_code", f"{ROW},MIC-1", f"{ROW},"))
    assert [made["id"], None] == [row["instrument_id"] for row in stored(at, "diameter")]
    found = faults(at, "diameter", text(f"{DIAMETER},instrument_code", f"{ROW},MIC-2"))
    assert [(2, "instrument_code")] == [(row, column) for row, column, _ in found]
    assert "MIC-1" in found[0][2]
    assert [(2, "instrument_code")] == places(
        at, "diameter", text(f"{DIAMETER},instrument_code,instrument_id", f"{ROW},MIC-1,{made['id']}")
    )


@pytest.mark.parametrize(
    "kind", ["diameter", "color", "gloss", "opacity", "deliveries", "shrinkage", "bond", "surface", "moisture"]
)
def test_each_kind_is_for_the_roles_of_its_json_request(at, kind):
    """Roles equal those of the JSON requests: the clerk imports deliveries and bench readings, quality the rest, a program all."""
    bench = ("diameter", "color", "gloss", "opacity")
    for role in ("receiving", "quality", "integration", "admin"):
        may = role in ("integration", "admin") or kind in bench or (role == "receiving") == (kind == "deliveries")
        answer = send(at, kind, "x,y\r\n1,2\r\n", role=role)
        assert (422 if may else 403) == answer.status_code, role
        if not may:
            assert f"has the role {role}" in answer.get_json()["detail"]


@pytest.mark.parametrize(
    ("form", "pointer"),
    [
        ({"kind": "weather"}, "kind"),
        ({"delimiter": "|"}, "delimiter"),
        ({"decimal": "dot"}, "decimal"),
        ({"dry_run": "yes"}, "dry_run"),
        ({"time_zone": "Mars"}, "time_zone"),
        ({"dryrun": "true"}, "dryrun"),
        ({"specular": "included"}, "specular"),
        ({"decimal": ["comma", "point"]}, "decimal"),
        ({"files": None}, "files"),
    ],
)
def test_a_wrong_field_of_the_form_is_pointed_at(at, form, pointer):
    """Unknown, double and wrong form fields are refused like JSON fields."""
    form = {name: (io.BytesIO(b"x"), "x.csv") if value is None else value for name, value in form.items()}
    data = {"kind": "diameter", "file": (io.BytesIO(text(DIAMETER, ROW).encode()), "r.csv"), **form}
    answer = at.client.post("/v1/imports", data=data, headers={"Authorization": f"Bearer {at.tokens['quality']}"})
    assert 422 == answer.status_code
    assert [pointer] == [error["pointer"] for error in answer.get_json()["errors"]]


def test_a_form_without_kind_or_file_says_what_is_missing(at):
    """A missing kind and a missing file are reported together, and a file sent as text differs from a missing one."""
    headers = {"Authorization": f"Bearer {at.tokens['quality']}"}
    answer = at.client.post(
        "/v1/imports", data={"file": "readings.csv"}, headers=headers, content_type="multipart/form-data"
    )
    assert ["kind", "file"] == [error["pointer"] for error in answer.get_json()["errors"]]
    assert "with the @" in answer.get_json()["errors"][1]["hint"]
    answer = at.client.post("/v1/imports", json={"kind": "diameter"}, headers=headers)
    assert (415, "/problems/wrong-type") == (answer.status_code, answer.get_json()["type"])


def test_a_repeat_with_its_key_gets_the_first_answer(at):
    """Another multipart boundary is still the same request for its key."""
    first = send(at, "diameter", text(DIAMETER, ROW), headers={"Idempotency-Key": "k-1"})
    again = send(at, "diameter", text(DIAMETER, ROW), headers={"Idempotency-Key": "k-1"})
    assert (201, "true") == (again.status_code, again.headers["Idempotent-Replayed"])
    assert first.get_json() == again.get_json()
    other = send(at, "diameter", text(DIAMETER, ROW, ROW), headers={"Idempotency-Key": "k-1"})
    assert (422, "/problems/key-reused") == (other.status_code, other.get_json()["type"])
    assert 1 == len(stored(at, "diameter"))


def test_a_file_past_the_limit_of_the_body_is_413(at):
    """A file over the body limit is refused with 413."""
    headers = {"Authorization": f"Bearer {at.tokens['quality']}", "Content-Type": "multipart/form-data; boundary=b"}
    answer = at.client.post("/v1/imports", data=b"x" * (at.app.config["MAX_CONTENT_LENGTH"] + 1), headers=headers)
    assert 413 == answer.status_code


def test_a_refused_file_can_be_mended_and_sent(at):
    """After a refusal the corrected file is imported and is no repeat."""
    assert [(2, "d1_mm")] == places(at, "diameter", text(DIAMETER, f"S-1,1,x,1.76,{MEASURED}"))
    assert 1 == take(at, "diameter", text(DIAMETER, ROW))["id"]
