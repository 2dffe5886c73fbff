"""Query budgets: counted statements, read from indexes."""

import logging
import re
from contextlib import contextmanager
from pathlib import Path

import pytest

from lots.store.engine import database
from tests.bench.history import fill
from tests.journeys.supply import whites
from tests.shop import CONDITIONS, FULL_LIMITS, MEASURED, SIMPLE_LIMITS, WHITE
from tests.store.rows import connected, counts

# The loads of one job, found by its index.
OF_A_SUBQUERY = ("SCAN there",)


class Statements(logging.Handler):
    """Collects peewee's logged statements without transactions."""

    def __init__(self):
        super().__init__(logging.DEBUG)
        self.seen = []

    def emit(self, record):
        """Stores one statement with its values, without messages of the pool."""
        if not isinstance(record.msg, tuple):
            return
        sql, values = record.msg
        if not re.match(r"BEGIN|COMMIT|ROLLBACK|SAVEPOINT|RELEASE|PRAGMA", sql):
            self.seen.append((sql, values or ()))


@contextmanager
def statements():
    """Yields the list of statements of the block."""
    log, handler = logging.getLogger("peewee"), Statements()
    level = log.level
    log.addHandler(handler)
    log.setLevel(logging.DEBUG)
    try:
        yield handler.seen
    finally:
        log.removeHandler(handler)
        log.setLevel(level)


def asked(shop, role, method, path, body=None):
    """The statements of a request, the token's included."""
    with statements() as seen:
        answer = shop.call(role, method, path, body)
    assert answer.status_code < 300, answer.get_data(as_text=True)
    return seen


@pytest.fixture
def spools(shop):
    """Spools of three released lots; those of the second and third are loaded for job J-1."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    first, second, third = (shop.good_lot(supplier, grade, f"L-{n}", spools=2)["spools"] for n in range(3))
    shop.load(second[0]["code"])
    shop.load(third[0]["code"])
    return [spool["code"] for spool in first]


def test_clearance_takes_two_queries_and_one_more_each_with_a_job_and_a_machine(shop, spools):
    """Clearance needs two statements for token and spool, one more with a job and one more with a machine."""
    path = f"/spools/{spools[0]}/clearance?use=cosmetic"
    assert 2 == len(asked(shop, "production", "GET", path))
    assert 3 == len(asked(shop, "production", "GET", f"{path}&job=J-1"))
    assert 3 == len(asked(shop, "production", "GET", f"{path}&machine=P1"))
    assert 4 == len(asked(shop, "production", "GET", f"{path}&job=J-1&machine=P1"))


@pytest.mark.thorough
@pytest.mark.parametrize("engine", ["sqlite"])
def test_clearance_takes_the_same_steps_after_a_million_readings(shop, spools):
    """The steps of SQLite's virtual machine for a clearance do not depend on readings, lots, spools and loads."""
    plain, whole = (f"/spools/{spools[0]}/clearance?use=cosmetic{more}" for more in ("", "&job=J-1&machine=P1"))
    file = Path(database.db.obj.database)
    database.close()
    # A neighbour for every row that is looked up, so that no search ends because its index does.
    fill(file, 100, lots=3, spools=6, loads=2)
    few = _steps(shop, plain), _steps(shop, whole)
    for readings in (10_000, 100_000, 1_000_000):
        # Most belong to the requested lot, the others to lots of the job.
        fill(file, readings)
        assert few == (_steps(shop, plain), _steps(shop, whole))
    fill(file, 1_000_000, lots=1_500, spools=1_500, loads=4_000)
    assert few == (_steps(shop, plain), _steps(shop, whole))
    assert {"reading": 1_000_000, "lot": 1_506, "spool": 1_512, "load": 4_004}.items() <= counts().items()


def _steps(shop, path):
    """The number of SQLite steps for a request."""
    taken = [0]

    def count():
        taken[0] += 1

    # A connection reads the tables' definitions first, which is not counted.
    database.db.obj.close_all()
    shop.get("production", path)
    database.connect()
    database.db.connection().set_progress_handler(count, 1)
    database.disconnect()
    shop.get("production", path)
    database.db.obj.close_all()
    return taken[0]


def test_clearance_writes_nothing(shop, spools):
    """A clearance writes nothing."""
    seen = asked(shop, "production", "GET", f"/spools/{spools[0]}/clearance?use=cosmetic&job=J-1")
    assert ["SELECT"] * 3 == [sql.split()[0] for sql, _ in seen]


@pytest.fixture
def respooled(shop, spools):
    """Spools respooled from two lots, from three, and from the first of these and another lot; the third lot is loaded for J-1."""
    more = [shop.good_lot({"id": 1}, {"id": 1}, f"M-{n}", spools=1)["spools"][0]["code"] for n in range(3)]
    for code, parents in (("TWO", more[:2]), ("THREE", more), ("AGAIN", ["TWO", spools[1]])):
        body = {"code": code, "parents": [{"spool_code": parent, "mass_g": 50} for parent in parents]}
        shop.post("production", "/spools", body)


def test_a_respooled_spool_takes_two_queries_more_however_many_lots_it_holds(shop, respooled):
    """A respooled spool needs two more statements: its other lots with their masses, and the lots of a respooled parent."""
    for code, extra in (("TWO", 2), ("THREE", 2), ("AGAIN", 3)):
        path = f"/spools/{code}/clearance?use=cosmetic"
        assert 2 + extra == len(asked(shop, "production", "GET", path))
        assert 4 + extra == len(asked(shop, "production", "GET", f"{path}&job=J-1&machine=P1"))


def test_a_refusal_takes_four_queries_more_however_much_is_in_stock(shop, spools):
    """A refusal needs four more statements, for three lots in stock and for thirty: lots, instrument comparisons, four lots' data and spools."""
    path = f"/spools/{spools[0]}/clearance?use=cosmetic&mass_g=2000"
    shop.decide(1, "block")
    few = f"/spools/{spools[0]}/clearance?use=cosmetic&mass_g=500&job=J-1"
    assert (3, 7) == (len(asked(shop, "production", "GET", path)), len(asked(shop, "production", "GET", few)))
    for number in range(27):
        shop.good_lot({"id": 1}, {"id": 1}, f"N-{number}", spools=1)
    seen = asked(shop, "production", "GET", few)
    assert 7 == len(seen)
    with connected():
        read = [len(database.db.execute_sql(sql, values).fetchall()) for sql, values in seen[-4:]]
    assert [29, 0, 4, 4] == read


@pytest.mark.parametrize("engine", ["sqlite"])
def test_what_else_would_do_is_found_among_what_is_in_stock(shop, spools, respooled):
    """A refusal searches only the index of the stock, also for a respooled spool."""
    shop.decide(1, "block")
    for code in (spools[0], "AGAIN"):
        seen = asked(shop, "production", "GET", f"/spools/{code}/clearance?use=cosmetic&job=J-1&mass_g=500")
        with connected():
            for sql, values in seen:
                plan = [row[-1] for row in database.db.execute_sql(f"EXPLAIN QUERY PLAN {sql}", values).fetchall()]
                walked = [step for step in plan if step.startswith("SCAN") and "spool_in_stock" not in step]
                walked = [step for step in walked if step not in OF_A_SUBQUERY]
                assert [] == walked, (sql, plan)


@pytest.mark.parametrize("engine", ["sqlite"])
def test_clearance_reads_from_indexes(shop, spools):
    """No statement of a clearance scans a table."""
    seen = asked(shop, "production", "GET", f"/spools/{spools[0]}/clearance?use=cosmetic&job=J-1")
    with connected():
        for sql, values in seen:
            plan = [row[-1] for row in database.db.execute_sql(f"EXPLAIN QUERY PLAN {sql}", values).fetchall()]
            assert plan
            assert [] == [step for step in plan if step.startswith("SCAN") and step not in OF_A_SUBQUERY], sql


@pytest.mark.parametrize("engine", ["sqlite"])
@pytest.mark.parametrize(
    ("role", "method", "path", "body"),
    [
        ("quality", "POST", "/diameter-readings", {"d1_mm": 1.75, "d2_mm": 1.75}),
        ("quality", "POST", "/color-readings", {"lab": WHITE, "conditions": CONDITIONS}),
        ("production", "POST", "/loads", {"machine": "P3", "job": "J-1", "use": "cosmetic"}),
        ("quality", "GET", "/lots/1/assessment", None),
        ("quality", "GET", "/lots/1/readings?kind=color", None),
        ("quality", "GET", "/lots/1/replicates", None),
        ("quality", "GET", "/lots/1/exposure", None),
        ("quality", "GET", "/lots/1/reinspections", None),
        ("quality", "GET", "/voids?held=true", None),
        ("quality", "GET", "/lots/1", None),
        ("quality", "GET", "/lots?limit=50", None),
        ("quality", "GET", "/lots/uses?order=newest&limit=50", None),
        ("receiving", "GET", "/deliveries?order=newest&limit=12", None),
    ],
)
def test_no_desk_walks_through_the_big_tables(shop, spools, role, method, path, body):
    """Readings, spools, lots, loads and decisions are found by an index or the start number of a page."""
    whole = {"spool_code": spools[0], **body} if body else None
    with connected():
        for sql, values in asked(shop, role, method, path, whole):
            if not sql.startswith("SELECT"):
                continue
            database.connect()
            plan = [row[-1] for row in database.db.execute_sql(f"EXPLAIN QUERY PLAN {sql}", values).fetchall()]
            tables = {alias for _, alias in re.findall(r'"(\w+)" AS "(t\d)"', sql)}  # not the rows of a subquery
            walked = [step for step in plan if step.startswith("SCAN") and step.split()[1] in tables]
            assert [] == walked or "LIMIT" in sql, sql


@pytest.mark.parametrize("engine", ["sqlite"])
@pytest.mark.parametrize("end", ["received_from", "received_to"])
def test_deliveries_of_some_time_are_found_by_an_index(shop, spools, end):
    """Deliveries by time are found by the index of the moment of receipt."""
    seen = asked(shop, "receiving", "GET", f"/deliveries?{end}=2026-11-20T08:00:00Z")
    ((sql, values),) = (one for one in seen if 'FROM "delivery"' in one[0])
    with connected():
        plan = [row[-1] for row in database.db.execute_sql(f"EXPLAIN QUERY PLAN {sql}", values).fetchall()]
    assert any("USING COVERING INDEX delivery_came_at" in step for step in plan), plan


def furnish(shop, supplier, grade, lots, readings):
    """Other lots of the same supplier and grade, with readings."""
    for number in range(lots):
        delivery = shop.receive(supplier, grade, f"other-{number}", spools=1)
        if number < 4:
            spool = delivery["spools"][0]["code"]
            body = [{"spool_code": spool, "d1_mm": 1.75, "d2_mm": 1.75} for _ in range(readings // 4)]
            shop.measure("diameter", body)


@pytest.mark.thorough
@pytest.mark.parametrize("limits", [SIMPLE_LIMITS, FULL_LIMITS], ids=["simple", "full"])
def test_storing_a_reading_costs_the_same_in_a_small_shop_and_a_big_one(shop, limits):
    """The statements for one reading do not grow with other lots and readings.

    Of the 22 one looks up the neighbours of a reading, and one locks the lot on PostgreSQL.
    """
    supplier, grade = shop.supplier(), shop.grade(limits=limits)
    spool = shop.receive(supplier, grade, spools=3)["spools"][0]["code"]
    bodies = {
        "/diameter-readings": {"d1_mm": 1.75, "d2_mm": 1.75},
        "/color-readings": {"lab": WHITE, "conditions": CONDITIONS},
    }
    whole = {path: {"spool_code": spool, "measured_at": MEASURED, **body} for path, body in bodies.items()}
    for path, body in whole.items():  # the first ones move the lot, and so cost more
        asked(shop, "quality", "POST", path, body)
    alone = {path: len(asked(shop, "quality", "POST", path, body)) for path, body in whole.items()}
    furnish(shop, supplier, grade, 40, 200)
    assert alone == {path: len(asked(shop, "quality", "POST", path, body)) for path, body in whole.items()}
    assert max(alone.values()) <= 22


def test_a_list_costs_the_same_however_long(shop):
    """A page needs one statement beside the token's, names and revisions included; deliveries need two more for samples."""
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    shop.good_lot(supplier, grade)
    paths = ("/lots", "/lots/uses", "/deliveries", "/loads", "/lots?standing=released&limit=5", "/lots?order=newest")
    few = {path: len(asked(shop, "admin", "GET", path)) for path in paths}
    furnish(shop, supplier, grade, 12, 12)
    assert few == {path: len(asked(shop, "admin", "GET", path)) for path in paths}
    assert {path: 4 if path == "/deliveries" else 2 for path in paths} == few


def test_a_list_of_readings_costs_the_queries_of_one(shop):
    """A list of readings is inserted with one statement; look-ups and assessment are shared."""
    spools = [spool["code"] for spool in shop.receive(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS))["spools"]]
    body = [{"spool_code": spool, "d1_mm": 1.75, "d2_mm": 1.75} for spool in spools]
    asked(shop, "quality", "POST", "/diameter-readings", body)
    short = len(asked(shop, "quality", "POST", "/diameter-readings", body))
    long = len(asked(shop, "quality", "POST", "/diameter-readings", body * 10))
    assert short == long


@pytest.mark.thorough
@pytest.mark.parametrize("engine", ["sqlite"])
def test_following_suppliers_over_30_lots_takes_the_queries_of_3(shop):
    """Drift, comparison, forecast and the week's list read stored figures in a fixed number of statements, the token's included."""
    white, other = shop.grade(limits=SIMPLE_LIMITS), shop.grade("PLA-WB-175", SIMPLE_LIMITS)
    first, second = shop.supplier("QWT"), shop.supplier("NBK")
    about = f"supplier_id={first['id']}&grade_id={white['id']}"
    budgets = {
        f"/drift?{about}&characteristic=color": 6,
        f"/supplier-comparison?grade_id={white['id']}": 12,
        "/supplier-comparison": 9,
        f"/forecast?{about}": 6,
        # And one for letters about lots that wait, one for the masses of lots that drift, where there are any.
        "/purchasing-summary": 17,
        f"/next-order?grade_id={white['id']}&use=cosmetic": 10,
    }
    for made, more in ((0, 3), (3, 27)):
        for supplier, grade, lots in ((first, white, more), (second, white, more), (second, other, more // 3)):
            numbers = range(made + 1, made + lots + 1)
            whites(supplier, grade, [0.03 * number for number in numbers], first=made + 1)
        for path, budget in budgets.items():
            assert budget == len(asked(shop, "purchasing", "GET", path)), f"{path} after {more} more lots"
