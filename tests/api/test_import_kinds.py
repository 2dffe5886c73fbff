import pytest

from tests.files import faults, places, take, text
from tests.shop import CONDITIONS, FULL_LIMITS, MEASURED, RECEIVED, SIMPLE_LIMITS
from tests.store.rows import counts

SAID = {name: str(value) for name, value in CONDITIONS.items()}
COLOR = "spool_code,L,a,b,measured_at"
EXCHANGE = """CGATS.17
CREATED "2026-11-20T10:00:00Z"
ILLUMINATION_NAME "D65"
OBSERVER_ANGLE "10"
MEASUREMENT_GEOMETRY "di:8"
FILTER "UV-cut"
NUMBER_OF_FIELDS 4
BEGIN_DATA_FORMAT
SAMPLE_NAME LAB_L LAB_A LAB_B
END_DATA_FORMAT
NUMBER_OF_SETS 2
BEGIN_DATA
S-1 95.01 -0.80 1.52
S-2 94.98 -0.79 1.49
END_DATA
"""
WAVELENGTHS = [*range(400, 701, 20)]
SPECTRAL = f"spool_code,{','.join(f'nm{nm}' for nm in WAVELENGTHS)}"
BARE = {name: said for name, said in SAID.items() if name not in ("illuminant", "observer_deg")}
DELIVERY = "supplier_code,grade_code,supplier_lot,order_ref,received_at,spool_code,net_mass_g"


@pytest.fixture
def at(shop):
    """A shop with a lot of the spools S-1, S-2 and S-3 that lacks readings of every kind."""
    grade = shop.grade("PLA-HW-175", FULL_LIMITS)
    spools = {"spools": [{"code": f"S-{n}", "net_mass_g": 1000} for n in (1, 2, 3)]}
    body = {
        "supplier_id": shop.supplier()["id"],
        "grade_id": grade["id"],
        "supplier_lot": "Q-71",
        "received_at": RECEIVED,
    }
    shop.lot_id = shop.post("receiving", "/deliveries", {**body, **spools})["lot_id"]
    return shop


def stored(shop, kind, *names):
    """These fields of the readings of a kind."""
    items = shop.get("quality", f"/lots/{shop.lot_id}/readings?kind={kind}")["items"]
    return [tuple(item.get(name) for name in names) for item in items]


def test_colours_with_their_conditions_in_columns(at):
    """Each row has its own conditions in columns."""
    header = f"{COLOR},{','.join(CONDITIONS)},plaque"
    take(at, "color", text(header, f"S-1,95.02,-0.79,1.48,{MEASURED},D65,10,d/8,SCI,excluded,P1"))
    assert [([95.02, -0.79, 1.48], {**CONDITIONS}, "P1")] == stored(at, "color", "lab", "conditions", "plaque")


def test_colours_with_their_conditions_said_once(at):
    """Conditions missing in the columns come from the options of the file."""
    take(at, "color", text(COLOR, f"S-1,95.02,-0.79,1.48,{MEASURED}"), **SAID)
    assert [([95.02, -0.79, 1.48], {**CONDITIONS})] == stored(at, "color", "lab", "conditions")


def test_conditions_that_nobody_said_are_asked_for_by_name(at):
    """Each missing condition is reported once by name, not in every row."""
    rows = [f"S-1,95.0,-0.8,1.5,{MEASURED}"] * 3
    asked = {column for row, column in places(at, "color", text(COLOR, *rows), uv="excluded") if row == 1}
    assert {"illuminant", "observer_deg", "geometry", "specular"} == asked


def test_a_condition_said_twice_is_refused(at):
    """A condition in a column and in the options is refused."""
    header = f"{COLOR},specular"
    said = dict(SAID)
    assert (1, "specular") in places(at, "color", text(header, f"S-1,95,-0.8,1.5,{MEASURED},included"), **said)


def test_a_condition_said_once_is_wrong_once(at):
    """A wrong condition is one error of the file, or one of each row that states it."""
    rows = [f"S-1,95.0,-0.8,1.5,{MEASURED}", f"S-2,95.0,-0.8,1.5,{MEASURED}"]
    assert [(None, "specular")] == places(at, "color", text(COLOR, *rows), **{**SAID, "specular": "excluded"})
    with_column = {name: value for name, value in SAID.items() if name != "specular"}
    wrong = text(f"{COLOR},specular", *(f"{row},excluded" for row in rows))
    assert [(2, "specular"), (3, "specular")] == places(at, "color", wrong, **with_column)


def test_each_coordinate_is_blamed_for_itself(at):
    """An impossible colour points at the wrong coordinate."""
    rows = ("S-1,950,-0.8,1.5", "S-1,95,,1.5", "S-1,95,-0.8,151", "S-1,95,1/2,1.5")
    found = places(at, "color", text(COLOR, *(f"{row},{MEASURED}" for row in rows)), **SAID)
    assert [(2, "L"), (3, "a"), (4, "b"), (5, "a")] == found


def test_a_likely_slip_is_a_warning_with_its_row(at):
    """A missing minus sign is stored with a warning; far from its neighbours it waits for confirmation."""
    rows = [f"S-{n},95.0,-3.0,1.5,{MEASURED}" for n in (1, 2, 3)]
    done = take(at, "color", text(COLOR, *rows, f"S-1,95.0,3.0,1.5,{MEASURED}"), **SAID)
    assert [(5, "lab")] * 2 == [(said["row"], said["column"]) for said in done["warnings"]]


def test_exchange_text_is_read_with_its_conditions(at):
    """Exchange text gives colours by name, conditions from the header and the time of creation."""
    done = take(at, "color", EXCHANGE, name="plaques.txt")
    assert (2, 2) == (done["rows"], done["items"])
    assert [
        ("S-1", [95.01, -0.8, 1.52], "2026-11-20T10:00:00Z"),
        ("S-2", [94.98, -0.79, 1.49], "2026-11-20T10:00:00Z"),
    ] == (stored(at, "color", "spool_code", "lab", "measured_at"))
    assert [({**CONDITIONS},)] * 2 == stored(at, "color", "conditions")


def test_exchange_text_must_say_how_it_was_measured(at):
    """Exchange text without illuminant, observer, geometry or specular component is refused with the keywords; options can give them."""
    bare = "\n".join(line for line in EXCHANGE.splitlines() if '"' not in line)
    found = faults(at, "color", bare, uv="excluded")
    assert {"illuminant", "observer_deg", "geometry", "specular"} == {column for _, column, _ in found}
    assert any("ILLUMINATION_NAME" in words for _, _, words in found)
    done = take(at, "color", bare, **SAID)
    assert 2 == done["items"]


def test_colours_as_spectra_in_columns(at):
    """Each wavelength is a column, and the colour is computed under the reference's illuminant."""
    take(at, "color", text(SPECTRAL, f"S-1,{','.join(['0.85'] * 16)}"), **BARE)
    ((spectrum, conditions, lab),) = stored(at, "color", "spectrum", "conditions", "lab")
    assert {"start_nm": 400, "step_nm": 20, "values": [0.85] * 16} == spectrum
    # L* of Y 85 by ISO/CIE 11664-4; a level spectrum is neutral.
    assert [116 * 0.85 ** (1 / 3) - 16, 0.0, 0.0] == pytest.approx(lab)
    assert CONDITIONS == conditions


def test_a_file_may_hold_spectra_and_colours(at):
    """Rows can hold spectra or colours, and the illuminant is stated for rows that need it."""
    row = f"S-1,{','.join(['0.85'] * 16)},,,"
    take(at, "color", text(f"{SPECTRAL},L,a,b", row, f"S-2,{',' * 16}94.0,0.1,0.2"), **SAID)
    assert [True, False] == [spectrum is not None for (spectrum,) in stored(at, "color", "spectrum")]


@pytest.mark.parametrize(
    ("cells", "where"),
    [
        ({420: "85"}, "nm420"),
        ({440: ""}, "nm440"),
        ({440: "x"}, "nm440"),
        ({400: ""}, "nm420"),
        ({700: ""}, "nm400"),
    ],
    ids=["percent", "gap", "text", "late", "short"],
)
def test_faults_of_spectra_point_at_their_columns(at, cells, where):
    """Percent, gaps, words and wrong wavelengths point at their columns, and an unknown spool is reported too."""
    before = counts()
    row = ",".join(cells.get(nm, "0.85") for nm in WAVELENGTHS)
    assert [(2, "spool_code"), (2, where)] == places(at, "color", text(SPECTRAL, f"X-1,{row}"), **BARE)
    assert before == counts()


def test_a_row_with_a_colour_and_a_spectrum_is_refused(at):
    """A row with a colour and a spectrum is refused."""
    row = f"S-1,{','.join(['0.85'] * 16)},94,0,0"
    assert [(2, "nm400")] == places(at, "color", text(f"{SPECTRAL},L,a,b", row), **BARE)


@pytest.mark.parametrize(
    ("fields", "values"),
    [
        (" ".join(f"SPECTRAL_NM{nm}" for nm in WAVELENGTHS), " ".join(["0.85"] * 16)),
        (" ".join(f"SPECTRAL_NM_{nm}" for nm in WAVELENGTHS), " ".join(["0.85"] * 16)),
        (" ".join(f"nm{nm}" for nm in WAVELENGTHS), " ".join(["0.85"] * 16)),
        (" ".join(["SPECTRAL_NM SPECTRAL_DEC"] * 16), " ".join(f"{nm} 0.85" for nm in WAVELENGTHS)),
        (" ".join(["SPECTRAL_NM SPECTRAL_PCT"] * 16), " ".join(f"{nm}.0 85.00" for nm in WAVELENGTHS)),
    ],
    ids=["joined", "underscored", "short", "factor", "percent"],
)
def test_exchange_text_may_hold_spectra(at, fields, values):
    """The L*, a*, b* beside spectra apply under the file's own illuminant D50 and are accepted with it."""
    wrong_light = EXCHANGE.replace('"D65"', '"D50"').replace("NUMBER_OF_FIELDS 4\n", "")
    file = wrong_light.replace("LAB_B\n", f"LAB_B {fields}\n").replace("1.52\n", f"1.52 {values}\n")
    done = take(at, "color", file.replace("1.49\n", f"1.49 {values}\n"))
    assert any("computed from the spectra" in note for note in done["notes"])
    expected = {"start_nm": 400, "step_nm": 20, "values": [0.85] * 16}
    assert [(expected, CONDITIONS)] * 2 == stored(at, "color", "spectrum", "conditions")


def test_wavelengths_of_exchange_text_must_be_the_same_in_every_row(at):
    """A row with other wavelengths in exchange text is named by its line."""
    fields = " ".join(["SPECTRAL_NM SPECTRAL_DEC"] * 16)
    rows = [" ".join(f"{nm + shift} 0.85" for nm in WAVELENGTHS) for shift in (0, 10)]
    file = EXCHANGE.replace("NUMBER_OF_FIELDS 4\n", "").replace("LAB_B\n", f"LAB_B {fields}\n")
    file = file.replace("1.52\n", f"1.52 {rows[0]}\n").replace("1.49\n", f"1.49 {rows[1]}\n")
    assert {(13, None)} == set(places(at, "color", file))


def test_exchange_text_and_options_must_not_contradict_each_other(at):
    """An option that contradicts the file is refused."""
    assert [(None, "illuminant")] == places(at, "color", EXCHANGE, illuminant="D50")
    assert 2 == take(at, "color", EXCHANGE, illuminant="D65")["items"]


def test_faults_of_exchange_text_point_at_its_lines_and_names(at):
    """Counts, cells and spools of exchange text are all checked, with lines and names."""
    wrong = EXCHANGE.replace("SETS 2", "SETS 5").replace("-0.79", "-0,79").replace("S-1", "X-1")
    assert [(None, None), (13, "SAMPLE_NAME"), (14, "LAB_A")] == places(at, "color", wrong)


def test_a_time_in_exchange_text_that_cannot_be_read_is_noted(at):
    """With an unreadable time the readings have the moment of the import, and the answer says so."""
    done = take(at, "color", EXCHANGE.replace("2026-11-20T10:00:00Z", "20 Nov 2026"))
    assert "CREATED" in done["notes"][0]


@pytest.mark.parametrize(
    ("kind", "header", "row", "shown"),
    [
        (
            "shrinkage",
            "spool_code,axis,feature,designed_mm,measured_mm,age_h,printer",
            "S-1,x,outside,100,99.7,24,P1",
            {"axis": "x", "designed_mm": 100, "measured_mm": 99.7, "printer": "P1"},
        ),
        ("bond", "spool_code,break_force_n,area_mm2,control", "S-1,900,40,TRUE", {"stress_mpa": 22.5, "control": True}),
        ("bond", "spool_code,stress_mpa", "S-1,22.5", {"stress_mpa": 22.5, "control": False}),
        ("surface", "spool_code,specks,area_dm2,note", "S-1,3,2.5,=A1", {"specks": 3, "area_dm2": 2.5, "note": "=A1"}),
        ("gloss", "spool_code,geometry_deg,gloss_gu", "S-1,60,41.5", {"geometry_deg": 60, "gloss_gu": 41.5}),
        (
            "moisture",
            "spool_code,moisture_percent,method,screening",
            "S-1,0.02,oven,true",
            {"screening": True, "method": "oven"},
        ),
    ],
)
def test_the_other_kinds_are_read_by_the_names_of_their_fields(at, kind, header, row, shown):
    """Columns of other kinds are named like the JSON fields."""
    take(at, kind, text(header, row))
    assert [tuple(shown.values())] == stored(at, kind, *shown)


@pytest.mark.parametrize(
    ("kind", "header", "row", "where"),
    [
        (
            "shrinkage",
            "spool_code,axis,feature,designed_mm,measured_mm,age_h",
            "S-1,w,outside,100,50,",
            ["axis", "measured_mm", "age_h"],
        ),
        (
            "shrinkage",
            "spool_code,axis,feature,designed_mm,measured_mm,age_h",
            "S-1,x,top,100,no,24",
            ["feature", "measured_mm"],
        ),
        ("bond", "spool_code,break_force_n,area_mm2,control", "S-1,900,,1", ["area_mm2", "control"]),
        ("bond", "spool_code,break_force_n,area_mm2,control", "S-1,x,40,", ["break_force_n"]),
        ("bond", "spool_code,stress_mpa", "S-1,", ["stress_mpa"]),
        ("surface", "spool_code,specks,area_dm2", "S-1,1.5,0", ["specks", "area_dm2"]),
        ("moisture", "spool_code,moisture_percent,screening", "S-9,25,ja", ["spool_code", "screening"]),
        ("moisture", "spool_code,moisture_percent", "S-1,0.0001", ["moisture_percent"]),
        ("gloss", "spool_code,geometry_deg,gloss_gu", "S-1,45,x", ["geometry_deg", "gloss_gu"]),
        ("opacity", "spool_code,over_black,over_white", 'S-1,"[95,0,0]","[90,0,0]"', ["over_black"]),
    ],
)
def test_the_other_kinds_name_each_faulty_cell_and_no_other(at, kind, header, row, where):
    """An error is reported in its own column alone."""
    assert [(2, column) for column in where] == places(at, kind, text(header, row))


@pytest.mark.parametrize(
    ("kind", "header", "row", "hint"),
    [
        ("opacity", "spool_code,over_black,over_white", "S-1,95,x", "Write it like [94.7, -0.8, 1.3]."),
        ("color", "spool_code,lab", "S-1,95", "Write it like [95.02, -0.79, 1.48], or as columns L, a, b."),
    ],
)
def test_a_cell_that_should_hold_a_colour_is_told_how_to_write_it(at, kind, header, row, hint):
    """Separate colour columns are suggested only for kinds that have them."""
    said = SAID if kind == "color" else {}
    assert f"This is not a list. {hint}" in [words for _, _, words in faults(at, kind, text(header, row), **said)]


def test_an_exported_opacity_comes_in_again(at):
    """The exported ratio of an opacity is ignored and computed again from its colours."""
    row = 'S-1,"[94.7,-0.8,1.3]","[95.0,-0.8,1.5]",0.9917,2026-11-20T09:00:00Z'
    take(at, "opacity", text("spool_code,over_black,over_white,contrast_ratio,recorded_at", row), role="receiving")
    [(black, ratio)] = stored(at, "opacity", "over_black", "contrast_ratio")
    assert [94.7, -0.8, 1.3] == black
    assert ratio == pytest.approx(0.9917, abs=0.001)


def test_rows_become_deliveries_with_samples(at):
    """Spools of one supplier, grade, lot, order and time are one delivery, with its sample."""
    rows = [
        f"QWT,PLA-HW-175,Q-72,PO 1,{RECEIVED},T-1,1000",
        f"QWT,PLA-HW-175,Q-73,PO 1,{RECEIVED},T-2,750",
        "QWT,PLA-HW-175,Q-72,PO 1,2026-11-20T09:00:00+01:00,T-3,1000",
        f"QWT,PLA-HW-175,Q-71,PO 2,{RECEIVED},T-4,1000",
    ]
    done = take(at, "deliveries", text(DELIVERY, *rows), role="receiving")
    assert (4, 3) == (done["rows"], done["items"])
    assert [("Q-72", ["T-1", "T-3"], True), ("Q-73", ["T-2"], True), ("Q-71", ["T-4"], False)] == [
        (made["supplier_lot"], made["spool_codes"], made["new_lot"]) for made in done["deliveries"]
    ]
    assert all(set(made["sample"]["spool_codes"]) <= set(made["spool_codes"]) for made in done["deliveries"])
    assert ["PO 1", "PO 1", "PO 2"] == [row["order_ref"] for row in at.get("receiving", "/deliveries")["items"]][1:]


def test_a_row_may_count_spools_that_are_alike(at):
    """A row with spool_count stands for so many equal spools with generated codes."""
    header = "supplier_code,grade_code,supplier_lot,received_at,spool_count,net_mass_g"
    done = take(at, "deliveries", text(header, f"QWT,PLA-HW-175,Q-72,{RECEIVED},3,750"), role="receiving")
    assert 3 == len(done["deliveries"][0]["spool_codes"])


def test_every_fault_of_deliveries_comes_at_once(at):
    """Errors of suppliers, numbers, masses, codes and times are all reported at row and column."""
    rows = [
        f"QWT,PLA-HW-175,Q-72,,{RECEIVED},T-1,1",
        f"QWX,PLA-HW-175,Q-72,,{RECEIVED},T-2,1000",
        f"QWT,PLA-HW,Q-72,,{RECEIVED},T-1,1000",
        "QWT,PLA-HW-175,,,20.11.2026,T-4,x",
        f"QWT,PLA-HW-175,q 71,,{RECEIVED},T-5,1000",
        f"QWT,PLA-HW-175,Q-75,,{RECEIVED},S-1,1000",
        "QWT,PLA-HW-175,Q-75,,2036-01-01T00:00:00Z,T/7,",
    ]
    before = counts()
    found = places(at, "deliveries", text(DELIVERY, *rows), role="receiving")
    assert [
        (2, "net_mass_g"),
        (3, "supplier_code"),
        (4, "grade_code"),
        (4, "spool_code"),
        (5, "supplier_lot"),
        (5, "received_at"),
        (5, "net_mass_g"),
        (6, "supplier_lot"),
        (7, "spool_code"),
        (8, "received_at"),
        (8, "spool_code"),
        (8, "net_mass_g"),
    ] == found
    assert before == counts()


def test_rows_of_one_delivery_must_agree(at):
    """A note that differs within one delivery is an error of the later row."""
    rows = [f"QWT,PLA-HW-175,Q-72,,{RECEIVED},T-{n},1000,{note}" for n, note in ((1, "dented"), (2, ""), (3, "dry"))]
    assert [(4, "note")] == places(at, "deliveries", text(f"{DELIVERY},note", *rows), role="receiving")


def test_a_code_and_a_count_do_not_go_together(at):
    """A code with a count, and more than a thousand spools, are refused."""
    header = f"{DELIVERY},spool_count,confirm_spool_count"
    rows = [f"QWT,PLA-HW-175,Q-72,,{RECEIVED},T-1,1000,2,", *[f"QWT,PLA-HW-175,Q-73,,{RECEIVED},,1000,600,true"] * 2]
    found = places(at, "deliveries", text(header, *rows), role="receiving")
    assert [(2, "spool_count"), (4, None)] == found


def test_far_too_many_spools_are_confirmed_in_the_file(at):
    """A count over 200 is an error of its row unless a column confirms it."""
    row = f"QWT,PLA-HW-175,Q-73,,{RECEIVED},,1000,600"
    assert [(2, "spool_count")] == places(at, "deliveries", text(f"{DELIVERY},spool_count", row), role="receiving")
    confirmed = text(f"{DELIVERY},spool_count,confirm_spool_count", f"{row},true")
    assert 600 == len(take(at, "deliveries", confirmed, role="receiving")["deliveries"][0]["spool_codes"])


def test_a_dry_run_of_deliveries_gives_no_numbers_away(at):
    """A dry run gives no numbers, codes or sample."""
    before = counts()
    rows = [
        f"QWT,PLA-HW-175,Q-72,,{RECEIVED},T-1,1000",
        f"QWT,PLA-HW-175,Q-72,,{RECEIVED},,1000",
        f"QWT,PLA-HW-175,Q-71,,{RECEIVED},,1000",
    ]
    tried = take(at, "deliveries", text(DELIVERY, *rows), 200, role="receiving", dry_run="true")
    assert [(None, None, ["T-1"], None), (None, at.lot_id, [], None)] == [
        (made["id"], made["lot_id"], made["spool_codes"], made["sample"]) for made in tried["deliveries"]
    ]
    assert [None, at.lot_id] == [lot["id"] for lot in tried["lots"]]
    assert ([at.lot_id], "Lot Q-72 would be new.") == (tried["lot_ids"], tried["lots"][0]["says"])
    assert before == counts()


def test_limits_of_the_grade_are_those_of_the_json_request(at):
    """A lot blocked by a file is blocked in the same transaction."""
    at.limit(1, SIMPLE_LIMITS)
    rows = [f"S-{n},1.75,1.95" for n in (1, 2, 3)]
    done = take(at, "diameter", text("spool_code,d1_mm,d2_mm", *rows))
    assert "blocked" == done["lots"][0]["standing"] == at.lot(at.lot_id)["standing"]


def test_a_file_of_more_instruments_than_a_shop_has_is_refused(at):
    """A file with more instruments than allowed is refused before they are looked up."""
    rows = [f"S-1,1.75,1.75,MIC-{n}" for n in range(201)]
    assert [(1, "instrument_code")] == places(at, "diameter", text("spool_code,d1_mm,d2_mm,instrument_code", *rows))
