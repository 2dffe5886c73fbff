"""A characteristic unknown to the program: declared here in one object, registered, and used everywhere.

No other file knows it. The program is imported again with it, as with one more file in
`lots/domain/characteristics/` and its name in the registry. Hardness by durometer, Shore D from 0 to 100 (ISO 868; from memory):
the data are invented, the program is tested.
"""

import csv
import io
import json
import sys
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

MONDAY = "2026-11-{:02d}T08:00:00Z"
HARD = {"sampling": {"fixed": 2}, "hardness": {"shore_d": [70, 82], "readings_per_spool_min": 2}}


SEED = {
    "shop.json": json.dumps(
        {
            "shop": "Saltmarsh Yard Prints",
            "address": "1 Saltmarsh Yard",
            "suppliers": [{"code": "QWT", "name": "Quillwort Extrusion"}],
            "shades": [],
            "grades": [
                {
                    "code": "PLA-HARD-175",
                    "polymer": "PLA",
                    "color_name": "Harbour White",
                    "finish": "plain",
                    "filler": "none",
                    "nominal_diameter_mm": 1.75,
                    "density_g_cm3": 1.24,
                    "shade": None,
                    "cautions": [],
                    "limits": {"sampling": {"fixed": 1}, "hardness": {"shore_d": [70, 82]}},
                }
            ],
            "instruments": [],
            "baselines": [],
        }
    ),
    "deliveries.csv": "supplier,grade,supplier_lot,order_ref,due_at,received_at,spool_codes,net_mass_g,cost,currency\n"
    f"QWT,PLA-HARD-175,H-1,PO-1,{MONDAY.format(3)},{MONDAY.format(2)},H-1-1,1000,20,EUR\n",
    "checks.csv": "instrument,checked_at,result,artefact\n",
    "loads.csv": "spool_code,machine,job,use,loaded_at,unloaded_at,remaining_mass_g\n",
    "readings/hardness.csv": "spool_code,shore_d,measured_at\n"
    f"H-1-1,76,{MONDAY.format(4)}\nH-1-1,77.5,{MONDAY.format(4)}\n",
}
pytestmark = pytest.mark.xdist_group("extension")


def hardness():
    """The declaration and its four functions."""
    from dataclasses import dataclass

    from lots.domain.characteristics.declaring.case import Part
    from lots.domain.characteristics.declaring.declaration import (
        BENCH,
        Characteristic,
        Entry,
        Field,
        Form,
        Judged,
        Measure,
        RepeatFigure,
        Repeats,
        Studied,
    )
    from lots.domain.characteristics.declaring.figures import of_units
    from lots.domain.characteristics.declaring.limit_fields import LimitField, LimitsBlock, fewest
    from lots.domain.characteristics.declaring.plausibility import Doubt
    from lots.domain.characteristics.declaring.spool_means import judge_means, spool_means
    from lots.domain.conformity.limits import Limit

    @dataclass(frozen=True)
    class Reading:
        spool: str
        shore_d: float
        uncertainty: float | None
        resolution: float | None

    @dataclass(frozen=True)
    class Limits:
        range: Limit
        least: int

    def assess(case):
        readings, limits = case.of("hardness")
        means = spool_means(readings, lambda reading: reading.shore_d)
        figures = {"hardness.shore_d": of_units([one.value for one in means.values()])} if means else {}
        if not limits or not case.judging:
            return Part(figures=figures)
        finding = judge_means(
            "hardness.shore_d", means, limits.range, limits.least, "hardness", case.coverage, case.rule
        )
        return Part(findings=[finding], figures=figures)

    def doubts(values, nominal_mm):
        shore_a = Doubt("shore_d", "0 Shore D is no plastic.", "Is this a reading of another scale?")
        return [shore_a] if values["shore_d"] == 0 else []

    return Characteristic(
        name="hardness",
        title="Hardness",
        path="/hardness-readings",
        schema="Hardness",
        summary="Store hardness by durometer.",
        about="Hardness of a printed plaque, Shore D.",
        measured_by=BENCH,
        fields=(
            Field("shore_d", "Shore D", needed=True, low=0, high=100, example=76.5, stand_in=75.0, said="the hardness"),
            Field("side", "of the plaque", type="choice", longest=6, words=("top", "bottom"), stand_in="top"),
        ),
        reading=lambda taken: Reading(taken.spool, taken.values["shore_d"], taken.uncertainty, taken.resolution),
        says=lambda values: f"{values['shore_d']:g} Shore D",
        doubts=doubts,
        limits=LimitsBlock(
            about="Limits on hardness.",
            fields=(
                LimitField("shore_d", "lowest and highest, Shore D", type="pair", asks=True, low=0, high=100),
                fewest("readings_per_spool_min", "fewest readings of a spool"),
            ),
            read=lambda block: Limits(Limit(*block["shore_d"], "Shore D"), block.get("readings_per_spool_min", 1)),
            terms=lambda limits, _: f"Hardness from {limits.least} readings or more per spool.",
        ),
        assess=assess,
        judged=(Judged("hardness.shore_d", "Hardness", follows="hardness.shore_d"),),
        decimals=1,
        measures=(
            Measure(
                "hardness.shore_d",
                "Mean hardness",
                "Shore D",
                "harder",
                "softer",
                decimals=1,
                limit=lambda limits, _: limits.range,
                spread=True,
                capable=True,
            ),
        ),
        repeats=Repeats(
            figures=(
                RepeatFigure("hardness.shore_d", "hardness", "Shore D", settles=("hardness.shore_d",), over="spool"),
            ),
            of=lambda reading: [("hardness.shore_d", reading.shore_d, (), 1.0)],
        ),
        studied=(Studied("hardness", "hardness", "Shore D", 0, 100),),
        instruments=("durometer",),
        instrument_unit="Shore D",
        method="A durometer was pressed onto printed plaques (ISO 868).",
        form=Form(
            "Hardness", "Spot", 4, (Entry("shore_d", "Shore D", needed=True),), about="Read each spot after 15 s."
        ),
    )


def ours(name):
    """Whether a module must be imported again."""
    return name == "lots" or name.startswith("lots.") or name in ("tests.shop", "tests.contract", "tests.pages.reading")


@pytest.fixture(scope="module")
def anew(tmp_path_factory):
    """The program with hardness, on its own empty shop; the original program is restored afterwards."""
    kept = {name: sys.modules.pop(name) for name in list(sys.modules) if ours(name)}
    try:
        import_module("lots.domain.characteristics.registry").register(hardness())
        app, settings = import_module("lots.app"), import_module("lots.settings")
        url = f"sqlite:///{tmp_path_factory.mktemp('anew') / 'shop.sqlite3'}"
        made = app.create_app(settings.Settings(database=url))
        access, roles = import_module("lots.services.setup.access"), import_module("lots.services.setup.roles")
        database = import_module("lots.store.engine.database")
        database.connect()
        tokens = {role: access.add_token(f"{role} person", role) for role in roles.ROLES}
        database.disconnect()
        shop = import_module("tests.shop").Shop(made, tokens)
        browser = import_module("tests.pages.reading").Browser
        yield SimpleNamespace(shop=shop, browser=browser, url=url, cli=import_module("lots.cli"))
        database.close()
    finally:
        for name in [name for name in sys.modules if ours(name)]:
            del sys.modules[name]
        sys.modules.update(kept)


@pytest.fixture(scope="module")
def shop(anew):
    """People in a shop with hardness: two suppliers and a grade with limits on it."""
    anew.shop.quillwort, anew.shop.ninebark = anew.shop.supplier("QWT"), anew.shop.supplier("NBK")
    anew.shop.hard, anew.shop.followed = (anew.shop.grade(f"PLA-HARD-{n}", limits=HARD) for n in (1, 2))
    return anew.shop


@pytest.fixture(scope="module")
def lots(shop):
    """Eight released lots of one supplier and two of the other, each measured twice on each of its two drawn spools."""
    made = []
    for number in range(10):
        supplier = shop.quillwort if number < 8 else shop.ninebark
        lot = shop.receive(supplier, shop.followed, f"H-{number}", received_at=MONDAY.format(number + 1))
        read(shop, lot, 76 + 0.1 * number, 76.4 + 0.1 * number)
        made.append(lot)
    return made


def read(shop, lot, *values, status=201):
    """These hardnesses of each drawn spool, as one list."""
    readings = [
        {"spool_code": code, "shore_d": value, "measured_at": "2026-11-20T10:00:00Z"}
        for code in lot["sample"]["spool_codes"]
        for value in values
    ]
    return shop.post("receiving", "/hardness-readings", readings, status)


def test_one_object_a_list_and_columns_are_stored_and_judged(shop):
    """A lot is missing its hardness, then incomplete, then released; each form has the answer of any reading."""
    lot = shop.receive(shop.quillwort, shop.hard, "H-forms")
    first, second = lot["sample"]["spool_codes"]
    assert any("hardness" in part for part in shop.lot(lot["lot_id"])["to_measure"])
    one = shop.post("receiving", "/hardness-readings", {"spool_code": first, "shore_d": 76.5, "side": "top"})
    assert ("hardness", 76.5, "top", "quarantined") == (
        one["kind"],
        one["shore_d"],
        one["side"],
        one["lot"]["standing"],
    )
    many = shop.post("quality", "/hardness-readings", [{"spool_code": first, "shore_d": 77}])
    assert [77] == [item["shore_d"] for item in many["items"]]
    columns = {"columns": {"spool_code": [second, second], "shore_d": [76.0, 75.5]}}
    assert "released" == shop.post("receiving", "/hardness-readings", columns)["lots"][0]["standing"]
    finding = finding_of(shop, lot)
    assert ("hardness.shore_d", "pass", "Shore D", 2) == tuple(finding[n] for n in ("code", "verdict", "unit", "n"))
    listed = shop.get("production", f"/lots/{lot['lot_id']}/readings?kind=hardness")["items"]
    assert [76.5, 77, 76.0, 75.5] == [item["shore_d"] for item in listed]


def finding_of(shop, lot):
    """The only finding of a lot of this grade."""
    return shop.get("quality", f"/lots/{lot['lot_id']}/assessment")["findings"][0]


@pytest.mark.parametrize(
    ("sent", "pointer"),
    [
        ({"shore_d": 101}, "/shore_d"),
        ({"shore_d": "76"}, "/shore_d"),
        ({"shore_d": 0}, "/shore_d"),
        ({}, "/shore_d"),
        ({"shore_d": 76, "side": "left"}, "/side"),
        ({"shore_d": 76, "shore_a": 90}, "/shore_a"),
    ],
)
def test_what_makes_no_sense_is_refused_at_its_field(shop, lots, sent, pointer):
    """Ends, types, words, unknown fields and the declaration's own doubts are refused with a pointer."""
    told = shop.post("quality", "/hardness-readings", {"spool_code": lots[0]["spools"][0]["code"], **sent}, status=422)
    assert [pointer] == [fault["pointer"] for fault in told["errors"]]


def test_a_lot_that_is_too_soft_is_blocked_and_reported_to_its_supplier(shop):
    """A lot that is too soft is blocked with its finding, its report in JSON and print, and its stopped loads."""
    lot = shop.receive(shop.ninebark, shop.hard, "H-soft")
    assert "blocked" == read(shop, lot, 60.0, 61.0)["lots"][0]["standing"]
    report = shop.get("quality", f"/lots/{lot['lot_id']}/nonconformity-report")
    assert "A durometer was pressed onto printed plaques (ISO 868)." in [way["says"] for way in report["method"]]
    assert "60 Shore D" in [one["says"] for one in report["readings"]]
    page = text(shop, f"/lots/{lot['lot_id']}/nonconformity-report", "text/html")
    assert "60 Shore D" in page
    assert "Hardness from 2 readings or more per spool." in page


def text(shop, path, form):
    """An answer in another form than JSON."""
    headers = {"Authorization": f"Bearer {shop.tokens['quality']}", "Accept": form}
    answer = shop.client.get(f"/v1{path}", headers=headers)
    assert 200 == answer.status_code, answer.get_data(as_text=True)
    return answer.get_data(as_text=True)


def test_limits_are_read_checked_and_answered(shop):
    """Crossed or empty limits are refused, and a use can require hardness."""
    turned = shop.post("quality", f"/grades/{shop.hard['id']}/limits", {"hardness": {"shore_d": [80, 70]}}, status=422)
    assert ["/hardness/shore_d"] == [fault["pointer"] for fault in turned["errors"]]
    empty = shop.post(
        "quality", f"/grades/{shop.hard['id']}/limits", {"hardness": {"readings_per_spool_min": 2}}, status=422
    )
    assert ["/hardness"] == [fault["pointer"] for fault in empty["errors"]]
    grade = shop.grade("PLA-HARD-USE", limits={**HARD, "uses": {"fit": ["hardness"]}})
    kept = shop.get("quality", f"/grades/{grade['id']}/limits")["items"][0]
    assert [70, 82] == kept["hardness"]["shore_d"]


def test_the_guarded_rule_holds_what_its_uncertainty_does_not_settle(shop):
    """81.9 of 82 is near with a durometer of 0.5 under the guarded rule."""
    grade = shop.grade("PLA-HARD-GUARDED", limits={**HARD, "decision_rule": "guarded"})
    durometer = {"code": "DUR-1", "kind": "durometer", "standard_uncertainty": 0.5, "check_interval_days": 365}
    number = shop.post("quality", "/instruments", durometer)["id"]
    lot = shop.receive(shop.quillwort, grade, "H-near")
    readings = [
        {"spool_code": code, "shore_d": value, "instrument_id": number}
        for code in lot["sample"]["spool_codes"]
        for value in (81.8, 82.0)
    ]
    assert "quarantined" == shop.post("quality", "/hardness-readings", readings)["lots"][0]["standing"]
    assert "near" == finding_of(shop, lot)["verdict"]


def test_files_go_in_and_come_out(shop, anew, tmp_path):
    """Files are imported by command and HTTP with errors at row and column, and exports are imported without a change."""
    lot = shop.receive(shop.quillwort, shop.hard, "H-file")
    first, second = lot["sample"]["spool_codes"]
    rows = [f"{code},{value},top,2026-11-20T10:00:00Z" for code in (first, second) for value in (76, 77)]
    file = tmp_path / "hardness.csv"
    file.write_text("\n".join(["spool_code,shore_d,side,measured_at", *rows]), encoding="utf-8")
    wrong = file.read_text(encoding="utf-8").replace(",77,", ",177,", 1)
    faults = send(shop, "hardness", wrong, 422)["errors"]
    assert [("3", "shore_d")] == [(str(fault["row"]), fault["column"]) for fault in faults]
    done = CliRunner().invoke(anew.cli.main, ["import", "hardness", str(file)], env={"LOTS_DATABASE": anew.url})
    assert (0, "released") == (done.exit_code, shop.lot(lot["lot_id"])["standing"]), done.output
    out = text(shop, f"/lots/{lot['lot_id']}/readings?kind=hardness", "text/csv")
    table = list(csv.DictReader(io.StringIO(out)))
    assert ["76", "77", "76", "77"] == [f"{float(row['shore_d']):g}" for row in table]
    assert "lab" not in table[0]
    send(shop, "hardness", out)
    assert 8 == len(shop.get("quality", f"/lots/{lot['lot_id']}/readings?kind=hardness")["items"])
    assert "hardness" in CliRunner().invoke(anew.cli.main, ["import", "--help"]).output


def send(shop, kind, content, status=201):
    """A file over HTTP, by the receiving clerk."""
    data = {"kind": kind, "file": (io.BytesIO(content.encode()), f"{kind}.csv")}
    headers = {"Authorization": f"Bearer {shop.tokens['receiving']}"}
    answer = shop.client.post("/v1/imports", data=data, headers=headers)
    assert status == answer.status_code, answer.get_data(as_text=True)
    return answer.get_json()


def test_the_bench_enters_it_and_the_lot_page_and_record_word_it(shop, anew):
    """The bench has the form, and bench, lot page and record word the stored reading."""
    lot = shop.receive(shop.quillwort, shop.hard, "H-page")
    clerk = anew.browser(shop, "receiving")
    page = clerk.go(f"/bench?kind=hardness&spool={lot['sample']['spool_codes'][0]}")
    assert "Read each spot after 15 s." in page.text
    stored = clerk.send(page, "shore_d-0", "Store", **{"shore_d-0": "76.5", "shore_d-1": "77"})
    assert "76.5 Shore D" in stored.text
    shown = clerk.go(f"/lots/{lot['lot_id']}")
    assert "76.5 Shore D" in shown.text
    assert "76.5 Shore D" in text(shop, f"/lots/{lot['lot_id']}/record", "text/html")


def test_quality_sets_its_limits_and_adds_its_instrument_on_the_pages(shop, anew):
    """The form of limits has its section with a check of its effect, and a durometer is a kind of instrument."""
    grade = shop.grade("PLA-HARD-3")
    quality = anew.browser(shop, "quality")
    page = quality.go(f"/grades/{grade['id']}/limits")
    assert "Limits on hardness." in page.text
    page = quality.send(page, "note", "Check", **{"hardness-shore_d-0": "70", "hardness-shore_d-1": "82"})
    page = quality.send(page, "note", "Set limits")
    assert "Hardness" in page.text
    (kept,) = shop.get("quality", f"/grades/{grade['id']}/limits")["items"]
    assert {"shore_d": [70, 82], "readings_per_spool_min": 1} == kept["hardness"]
    assert "Durometer: hardness" in quality.go("/setup/instruments").text


def test_it_is_followed_over_lots_and_compared_between_suppliers(shop, lots):
    """Drift of the mean has its limits, and each supplier its spread and capability."""
    path = f"/drift?grade_id={shop.followed['id']}&supplier_id={shop.quillwort['id']}&characteristic=hardness"
    (series,) = shop.get("purchasing", path)["series"]
    assert ("hardness.shore_d", "Mean hardness", "Shore D") == tuple(series[n] for n in ("measure", "label", "unit"))
    assert pytest.approx([76.2 + 0.1 * n for n in range(8)]) == [point["value"] for point in series["points"]]
    told = shop.get("purchasing", f"/supplier-comparison?grade_id={shop.followed['id']}")["suppliers"]
    assert all("hardness.shore_d" in [one["measure"] for one in supplier["spread"]] for supplier in told[:1])


def test_repeats_tell_how_it_scatters(shop, lots):
    """Two readings on each of two spools give two degrees of freedom and the finding they settle."""
    said = shop.get("quality", f"/lots/{lots[0]['lot_id']}/replicates")["characteristics"]
    (part,) = [one for one in said if one["characteristic"] == "hardness"]
    (figure,) = part["figures"]
    assert ("hardness.shore_d", pytest.approx(0.2828427, abs=1e-6)) == (figure["figure"], figure["sd"])
    assert ["hardness.shore_d"] == [one["code"] for one in part["decisions"]]


def test_a_durometer_is_studied_and_a_micrometer_is_not(shop):
    """A durometer has a repeatability study, and a micrometer's is refused."""
    trials = [
        {"operator": who, "part": part, "value": value + apart}
        for who in ("Ansel", "Corin")
        for part, value in (("P1", 72.0), ("P2", 76.0), ("P3", 80.0))
        for apart in (0.0, 0.4)
    ]
    for code, kind, status in (("DUR-2", "durometer", 201), ("MIC-9", "micrometer", 422)):
        made = {"code": code, "kind": kind, "check_interval_days": 365}
        number = shop.post("quality", "/instruments", made)["id"]
        study = {"kind": "repeatability", "measure": "hardness", "studied_at": MONDAY.format(20), "trials": trials}
        shop.post("quality", f"/instruments/{number}/studies", study, status)


def test_the_demo_loads_it(anew, tmp_path, monkeypatch):
    """A file of readings named after it is loaded with a demo shop."""
    seed = tmp_path / "seed"
    (seed / "readings").mkdir(parents=True)
    for name, content in SEED.items():
        (seed / name).write_text(content, encoding="utf-8")
    demo = import_module("lots.demo")
    monkeypatch.setattr(demo, "seed_folder", lambda: seed)
    _, tokens, _ = demo.build(tmp_path / "demo")
    try:
        headers = {"Authorization": f"Bearer {tokens['quality']}"}
        lot = anew.shop.client.get("/v1/lots", headers=headers).get_json()["items"][0]
        read = anew.shop.client.get(f"/v1/lots/{lot['id']}/readings?kind=hardness", headers=headers).get_json()["items"]
        assert ("released", [76.0, 77.5]) == (lot["standing"], [reading["shore_d"] for reading in read])
    finally:
        import_module("lots.app").prepare_database(anew.url)


def test_the_recipe_of_the_guide_is_this_declaration():
    """The code in DEVELOPERS.md runs, and is this declaration except for the side and the doubts."""
    guide = (Path(__file__).parent.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    code = guide.partition("## New characteristic")[2].partition("```python\n")[2].partition("```")[0]
    made = {}
    exec(compile(code, "DEVELOPERS.md", "exec"), made)  # noqa: S102  # our own text
    told, here = made["HARDNESS"], hardness()
    same = ("name", "title", "path", "schema", "measured_by", "summary", "about", "method", "instruments", "form")
    assert [getattr(here, name) for name in same] == [getattr(told, name) for name in same]
    assert [one.code for one in (*here.judged, *here.measures)] == [one.code for one in (*told.judged, *told.measures)]
