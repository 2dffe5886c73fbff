"""Steps of picks, matches and lists of loads at two sizes, by count."""

from __future__ import annotations

from datetime import timedelta

import pytest

from lots.domain.production import alike_spools
from lots.services.production import clearance, job_colors
from lots.store.engine import database
from lots.store.engine.compiled_queries import Prepared, insert
from lots.store.tables.models import Load
from tests.api.test_queries import statements
from tests.services.production.test_other_spools import fill
from tests.shop import SIMPLE_LIMITS
from tests.store.rows import connected


@pytest.fixture
def steps(monkeypatch):
    """Counts statements, rows of compiled queries and expensive calls per lot during a request."""
    counted = {
        "judged": (clearance, "clear"),
        "limits read": (clearance, "limits_from"),
        "colour limits read": (job_colors, "color_limits"),
        "comparisons": (alike_spools, "delta_e_among_each"),
    }

    def of(ask):
        seen = dict.fromkeys(["rows", *counted], 0)

        def noting(name, call):
            def noted(*given, **named):
                seen[name] += 1
                return call(*given, **named)

            return noted

        read = Prepared.all

        def reading(self, **values):
            found = read(self, **values)
            seen["rows"] += len(found)
            return found

        with monkeypatch.context() as patched, statements() as sent:
            for name, (module, call) in counted.items():
                patched.setattr(module, call, noting(name, getattr(module, call)))
            patched.setattr(Prepared, "all", reading)
            answer = ask()
        return answer, {**seen, "statements": len(sent)}

    return of


@pytest.fixture
def stocked(shop):
    """Fills a shop up to a number of lots in stock, each with one spool."""
    shop.good_lot(shop.supplier(), shop.grade(limits=SIMPLE_LIMITS), "FIRST", spools=1)
    return fill


@pytest.mark.parametrize("match_max", [1.0, None])
def test_a_pick_judges_each_lot_once_and_reads_its_limits_once(shop, stocked, steps, match_max):
    """Ten times the stock is ten times the assessments, with equal statements, limits and comparisons."""
    needed = {"grade_id": 1, "use": "general", "mass_g": 100, "match_max": match_max}

    def ask():
        return shop.post("production", "/picks", needed, 200)

    for lots in (200, 2_000):
        stocked(lots)
        answer, seen = steps(ask)
        assert {"lots": lots, "spools": lots} == answer["considered"]
        # A row for each lot and for each spool, and one for the token.
        assert 2 * lots + 1 == seen.pop("rows")
        assert lots == seen.pop("judged")
        assert seen == {
            "limits read": 1,
            "colour limits read": 1,
            "comparisons": 0 if match_max is None else 1,
            "statements": 4,
        }


def test_matches_read_each_lot_once_and_its_limits_once(shop, stocked, steps):
    """One statement reads the stock of any size."""
    for lots in (200, 2_000):
        stocked(lots)
        answer, seen = steps(lambda: shop.get("production", "/lots/1/matches"))
        assert lots - 1 == len(answer["items"]) + answer["left_out"]
        assert lots + 1 == seen.pop("rows")
        assert seen == {"judged": 0, "limits read": 0, "colour limits read": 2, "comparisons": 0, "statements": 3}


@pytest.fixture
def loaded(shop):
    """Fills a shop up to so many ended loads of one spool on machine P1, with one spool on P2 for another job."""
    grade, supplier = shop.grade(limits=SIMPLE_LIMITS), shop.supplier()
    first, second = sorted(spool["code"] for spool in shop.good_lot(supplier, grade, "A", spools=2)["spools"])
    shop.unload(shop.load(first, machine="P1", job="J-1")["id"], 900)
    shop.load(second, machine="P2", job="J-2")

    def grown(history):
        with connected():
            row = Load.select().where(Load.id == 1).get()
            names = [one for one in Load._meta.sorted_fields if one.name != "id"]
            same = {
                one.name: getattr(row, one.object_id_name if hasattr(one, "rel_model") else one.name) for one in names
            }
            start = Load.select().count()
            later = [timedelta(minutes=n) for n in range(start, history)]
            rows = [{**same, "loaded_at": row.loaded_at + by, "unloaded_at": row.unloaded_at + by} for by in later]
            for place in range(0, len(rows), 500):
                insert(Load, rows[place : place + 500])

    return grown


@pytest.fixture
def work(monkeypatch):
    """Counts the statements of a request and, on SQLite, its instructions in thousands."""

    def of(ask):
        done = [0]

        def count():
            done[0] += 1

        run = type(database.db.obj).execute_sql

        def watched(self, *given, **named):
            connection = self.connection()
            if hasattr(connection, "set_progress_handler"):
                connection.set_progress_handler(count, 1_000)
            return run(self, *given, **named)

        with monkeypatch.context() as patched, statements() as sent:
            patched.setattr(type(database.db.obj), "execute_sql", watched)
            answer = ask()
        return answer, len(sent), done[0]

    return of


@pytest.mark.parametrize(
    "filters",
    ["limit=20", "limit=20&open=true", "limit=20&job=J-2", "limit=20&machine=P2", "limit=20&spool_code=L1-S002"],
)
def test_a_page_of_loads_takes_as_much_after_200_loads_as_after_2000(shop, loaded, work, filters):
    """A page of loads comes from an index, with equal work for any history."""
    found = []
    for history in (200, 2_000):
        loaded(history)
        answer, sent, done = work(lambda: shop.get("production", f"/loads?{filters}"))
        found.append((len(answer["items"]), sent, done))
    (few, sent, done), (many, sent_later, done_later) = found
    assert few == many
    assert few == (20 if filters == "limit=20" else 1)
    assert sent == sent_later
    assert done_later <= done + 1
