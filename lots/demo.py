"""The demo: an invented shop's year from `seed_data/`, and one more delivery played through the API."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any, cast

import click
from flask import Flask

from lots.app import create_app
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.diameter import DIAMETER
from lots.domain.characteristics.registry import DECLARED
from lots.domain.words import counted
from lots.services import clock
from lots.services.drift import baselines
from lots.services.files import cell_parsing
from lots.services.instruments import calibration_checks as checking
from lots.services.production import loads
from lots.services.readings import recording
from lots.services.readings.sent import SentReading
from lots.services.receiving import receiving
from lots.services.receiving.bodies import NewDelivery
from lots.services.setup import access, catalog, shade_revisions, test_prints
from lots.services.setup import shop as details
from lots.settings import Settings
from lots.store.engine import database

FOLDER = Path(".demo")


# The parser of a cell by the type of its field. Other types are text.
_CELLS: dict[str, Callable[[str], Any]] = {
    "number": float,
    "whole": int,
    "truth": cell_parsing.truth,
    "lab": json.loads,
}
_PEOPLE = {
    "receiving": "Perpetua",
    "quality": "Ansel",
    "purchasing": "Ottoline",
    "production": "Corin",
    "admin": "Hester",
}


def seed_folder() -> Path:
    """Returns the folder of the demo data: beside the package in a checkout, inside it when installed."""
    inside = Path(__file__).parent / "seed_data"
    return inside if inside.is_dir() else Path(__file__).parent.parent / "seed_data"


def build(folder: Path = FOLDER) -> tuple[Flask, dict[str, str], dict[str, Any]]:
    """Creates a new database in `folder` and fills it with the shop's year.

    Returns:
        The application on it, a token per role, and a summary of the data.
    """
    folder.mkdir(exist_ok=True)
    path = folder / "shop.sqlite3"
    for old in (path, Path(f"{path}-wal"), Path(f"{path}-shm")):
        old.unlink(missing_ok=True)
    app = create_app(Settings(database=f"sqlite:///{path}"), new=True)
    database.connect()
    try:
        tokens = {role: access.add_token(name, role) for role, name in _PEOPLE.items()}
        return app, tokens, {"path": str(path), **_load_year(seed_folder())}
    finally:
        database.disconnect()


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8-sig") as file:
        return list(csv.DictReader(file))


def _load_year(folder: Path) -> dict[str, Any]:
    shop = json.loads((folder / "shop.json").read_text("utf-8"))
    deliveries = _rows(folder / "deliveries.csv")
    first = datetime.fromisoformat(deliveries[0]["received_at"]) - timedelta(days=1)
    with clock.clock_set_to(first):
        grades, instruments = _set_up(shop)
    events: list[Event] = sorted(
        [
            *_checks(folder, instruments),
            *_deliveries(deliveries),
            *_readings(folder, deliveries, grades, instruments),
            *_loads(folder),
        ],
        key=lambda e: e[0],
    )
    bar = click.progressbar(events, label="Loading the demo data", file=sys.stderr, hidden=_no_terminal())
    with bar as shown:
        for moment, act in shown:
            with clock.clock_set_to(moment):
                act()
    lots = {(row["supplier"], row["grade"], row["supplier_lot"]) for row in deliveries}
    return {"shop": shop["shop"], "suppliers": len(shop["suppliers"]), "lots": len(lots)}


def _no_terminal() -> bool:
    return not sys.stderr.isatty()


def _set_up(shop: dict[str, Any]) -> tuple[dict[str, Any], dict[str, int]]:
    """Adds the shop's details, suppliers, instruments, shades, test prints and grades.

    Returns:
        The measuring conditions of each grade, and the id of each instrument by its code.
    """
    stated = ("address", "bench_cost_per_h", "bench_currency")
    details.change(0, {"name": shop["shop"], **{name: shop[name] for name in stated if name in shop}}, _PEOPLE["admin"])
    for supplier in shop["suppliers"]:
        catalog.add("supplier", supplier, _PEOPLE["purchasing"])
    instruments: dict[str, Any] = {
        i["code"]: catalog.add("instrument", i, _PEOPLE["quality"])["id"] for i in shop["instruments"]
    }
    shades: dict[str, Any] = {}
    made: Any
    measured: Any
    for shade in shop["shades"]:
        made = catalog.add("shade", {"code": shade["code"], "name": shade["name"]}, _PEOPLE["quality"])
        for revision in shade["revisions"]:
            measured = {name: value for name, value in revision.items() if name != "instrument"}
            measured["instrument_id"] = instruments.get(revision.get("instrument"))
            shade_revisions.approve(made["id"], measured, _PEOPLE["quality"])
        shades[shade["code"]] = (made["id"], shade["revisions"][-1]["conditions"])
    for one in shop.get("test_prints", ()):
        made = test_prints.add({"code": one["code"], "name": one["name"]}, _PEOPLE["quality"])
        for recipe in one["revisions"]:
            test_prints.add_revision(made["id"], dict(recipe), _PEOPLE["quality"])
    conditions = {}
    for grade in shop["grades"]:
        limits, shade_code = grade["limits"], grade["shade"]
        plain = {name: value for name, value in grade.items() if name not in ("limits", "shade")}
        shade_id, asked = shades.get(shade_code, (None, None))
        made = catalog.add("grade", {**plain, "shade_id": shade_id}, _PEOPLE["quality"])
        catalog.add_limits(made["id"], dict(limits), _PEOPLE["quality"])
        conditions[grade["code"]] = asked
    for baseline in shop["baselines"]:
        chosen: baselines.BaselineBody = {
            "supplier_code": baseline["supplier"],
            "grade_code": baseline["grade"],
            "given": baseline["given"],
            "reason": baseline["reason"],
        }
        baselines.choose(chosen, _PEOPLE["quality"])
    return conditions, instruments


Event = tuple[datetime, Callable[[], Any]]


def _checks(folder: Path, instruments: dict[str, int]) -> Iterator[Event]:
    for row in _rows(folder / "checks.csv"):
        at = datetime.fromisoformat(row["checked_at"])
        values: checking.Checked = {"checked_at": at, "result": row["result"], "artefact": row["artefact"]}
        yield at, partial(checking.add_check, instruments[row["instrument"]], values, _PEOPLE["quality"])


def _deliveries(rows: list[dict[str, str]]) -> Iterator[Event]:
    for row in rows:
        mass = float(row["net_mass_g"])
        values: NewDelivery = {
            "supplier_code": row["supplier"],
            "grade_code": row["grade"],
            "supplier_lot": row["supplier_lot"],
            "order_ref": row["order_ref"],
            "received_at": datetime.fromisoformat(row["received_at"]),
            "due_at": datetime.fromisoformat(row["due_at"]),
            "cost": float(row["cost"]),
            "currency": row["currency"],
            "spools": [{"code": code, "net_mass_g": mass} for code in row["spool_codes"].split()],
        }
        if ordered := row.get("ordered_at"):
            values["ordered_at"] = datetime.fromisoformat(ordered)
        yield datetime.fromisoformat(row["received_at"]), partial(receiving.receive, values, _PEOPLE["receiving"])


def _readings(
    folder: Path, deliveries: list[dict[str, str]], conditions: dict[str, Any], instruments: dict[str, int]
) -> Iterator[Event]:
    """Yields one event per delivery and kind, at the time of its last reading, so that each lot is assessed in steps."""
    came_in = {code: number for number, row in enumerate(deliveries) for code in row["spool_codes"].split()}
    for kind, declared in DECLARED.items():
        groups: dict[int, list[SentReading]] = {}
        path = folder / "readings" / f"{kind}.csv"
        for row in _rows(path) if path.exists() else ():
            delivery = came_in[row["spool_code"]]
            groups.setdefault(delivery, []).append(
                _reading(row, declared, conditions[deliveries[delivery]["grade"]], instruments)
            )
        for items in groups.values():
            moment = max(item["measured_at"] for item in items)
            yield moment, partial(recording.record, kind, items, _PEOPLE["quality"], as_list=True)


def _reading(
    row: dict[str, str], declared: Characteristic, conditions: Any, instruments: dict[str, int]
) -> SentReading:
    item: Any = {
        "spool_code": row["spool_code"],
        "measured_at": datetime.fromisoformat(row["measured_at"]),
        "screening": row.get("screening") == "true",
    }
    if row.get("instrument_code"):
        item["instrument_id"] = instruments[row["instrument_code"]]
    for field in declared.fields:
        if field.type == "conditions":
            item[field.name] = conditions
        elif row.get(field.name):
            item[field.name] = _CELLS.get(field.type, str)(row[field.name])
        elif field.columns and all(row.get(column) for column in field.columns):
            item[field.name] = [float(row[column]) for column in field.columns]
    sent: SentReading = item
    return sent


def _loads(folder: Path) -> Iterator[Event]:
    numbers: dict[int, int] = {}

    def load(index: int, row: dict[str, str]) -> None:
        spool, machine, job, use = (row[name] for name in ("spool_code", "machine", "job", "use"))
        asked: loads.LoadSent = {"spool_code": spool, "machine": machine, "job": job, "use": use}
        answer, loaded = loads.load(asked, _PEOPLE["production"])
        if not loaded:
            raise RuntimeError(f"the demo data load a spool without clearance: {answer['reasons']}")
        numbers[index] = cast(int, answer["id"])

    def unload(index: int, row: dict[str, str]) -> None:
        loads.unload(numbers[index], float(row["remaining_mass_g"]), None, _PEOPLE["production"])

    for index, row in enumerate(_rows(folder / "loads.csv")):
        yield datetime.fromisoformat(row["loaded_at"]), partial(load, index, row)
        if row["unloaded_at"]:
            yield datetime.fromisoformat(row["unloaded_at"]), partial(unload, index, row)


def tell(app: Flask, tokens: dict[str, str], loaded: dict[str, Any], say: Callable[[str], None]) -> None:
    """Plays one delivery through the API, from receiving to a refused load, and prints each step.

    Args:
        say: prints a line.
    """
    story = json.loads((seed_folder() / "story.json").read_text("utf-8"))
    client = app.test_client()

    def ask(role: str, method: str, path: str, body: Any = None) -> Any:
        headers = {"Authorization": f"Bearer {tokens[role]}"}
        return client.open(f"/v1{path}", method=method, json=body, headers=headers).get_json()

    say(
        f"{loaded['shop']} is an invented shop with {counted(loaded['lots'], 'lot')} from {counted(loaded['suppliers'], 'supplier')}. All data are invented."
    )
    lot = _show_receiving(story, ask, say)
    _show_measuring(story, ask, say)
    _show_loading(story, lot, ask, say)


def _show_receiving(story: dict[str, Any], ask: Callable[..., Any], say: Callable[[str], None]) -> dict[str, Any]:
    came = story["delivery"]
    body = {
        "supplier_code": came["supplier"],
        "grade_code": came["grade"],
        "supplier_lot": came["supplier_lot"],
        "order_ref": came["order_ref"],
        "received_at": clock.now().isoformat(),
        "spools": [{"code": code, "net_mass_g": came["net_mass_g"]} for code in came["spool_codes"]],
    }
    received = ask("receiving", "POST", "/deliveries", body)
    lot: dict[str, Any] = received["lot"]
    say("")
    say(f"1. {_PEOPLE['receiving']} logs a delivery.")
    say(
        f"   Lot {came['supplier_lot']} of {lot['supplier']['name']}: {counted(len(came['spool_codes']), 'spool')} of {lot['grade']['color_name']}, order {came['order_ref']}."
    )
    say(f"   Status: {_status(lot)}. {received['sample']['says']} (random seed {received['sample']['seed']})")
    return lot


def _show_measuring(story: dict[str, Any], ask: Callable[..., Any], say: Callable[[str], None]) -> None:
    grade = next(
        g
        for g in json.loads((seed_folder() / "shop.json").read_text("utf-8"))["grades"]
        if g["code"] == story["delivery"]["grade"]
    )
    shades = json.loads((seed_folder() / "shop.json").read_text("utf-8"))["shades"]
    conditions = next(s for s in shades if s["code"] == grade["shade"])["revisions"][-1]["conditions"]
    numbers = {i["code"]: i["id"] for i in ask("quality", "GET", "/instruments")["items"]}
    checked = list(story["instruments"].values())
    for code in checked:
        check = {"checked_at": clock.now().isoformat(), "result": "pass", "artefact": "check piece of the day"}
        ask("quality", "POST", f"/instruments/{numbers[code]}/checks", check)
    readings = {
        kind: [{**item, **_read_with(story["instruments"].get(kind), numbers)} for item in items]
        for kind, items in story["readings"].items()
    }
    colors = [{**item, "conditions": conditions} for item in readings.pop(COLOR.name)]
    diameters = readings.pop(DIAMETER.name)
    last = colors[-1]["spool_code"]

    say("")
    say(f"2. {_PEOPLE['receiving']} and {_PEOPLE['quality']} measure the lot.")
    say(f"   The calibration checks of {', '.join(checked)} pass.")
    slip = {**diameters[0], "d1_mm": 0.0689}
    refused = ask("receiving", "POST", DIAMETER.path, slip)["errors"][0]
    say(f"   A typing error is rejected: {refused['detail']} {refused['hint']}")
    for kind, items in ((DIAMETER.name, diameters), *readings.items()):
        ask("quality", "POST", DECLARED[kind].path, items)
        say(f"   {counted(len(items), f'{DECLARED[kind].said} reading')} stored.")
    early = [item for item in colors if item["spool_code"] != last]
    answer = ask("receiving", "POST", COLOR.path, early)
    say(
        f"   Colour of the first {len({item['spool_code'] for item in early})} spools stored. {answer['lots'][0]['says']}"
    )
    for item in colors[len(early) :]:
        answer = ask("receiving", "POST", COLOR.path, item)
    lab = " ".join(f"{value:.2f}" for value in colors[-1]["lab"])
    say(f"   Colour of the last spool, {last}, stored: L*a*b* {lab}.")
    say(f"   {answer['lot']['says']}")


def _read_with(code: str | None, numbers: dict[str, int]) -> dict[str, int]:
    return {} if code is None else {"instrument_id": numbers[code]}


def _show_loading(
    story: dict[str, Any], lot: dict[str, Any], ask: Callable[..., Any], say: Callable[[str], None]
) -> None:
    spool = story["delivery"]["spool_codes"][0]
    load, good = story["load"], story["good_spool"]
    say("")
    say(f"3. {_PEOPLE['production']} checks spool {spool} for the {load['use']} job {load['job']}.")
    refused = ask("production", "POST", "/loads", {"spool_code": spool, **load})
    say(f"   Do not load (HTTP status {refused['status']}). Reasons:")
    for reason in refused["reasons"]:
        say(f"   - {reason}")
    answer = ask("production", "GET", f"/spools/{good['spool_code']}/clearance?use={load['use']}&job={good['job']}")
    settings = answer["settings"]
    say(f"   Check of spool {good['spool_code']} of lot {answer['supplier_lot']}: {answer['says']}")
    say(
        f"   Set the flow factor to {settings['flow_factor']:.4f} and the scale of X, Y and Z to {', '.join(f'{settings[key]:.4f}' for key in ('scale_x', 'scale_y', 'scale_z'))}."
    )
    say(f"   {answer['cautions'][-1]}")
    say("")
    say("4. The history keeps each change of the lot's status:")
    before = ""
    for decision in ask("quality", "GET", f"/lots/{lot['id']}/decisions")["items"]:
        if decision["standing"] != before:
            before = decision["standing"]
            when = decision["decided_at"][:19].replace("T", " ")
            say(f"   {when} UTC  {_status(decision):<13}  {decision['decided_by']}: {decision['reason']}")


def _status(view: dict[str, Any]) -> str:
    standing = str(view["standing"])
    return "in quarantine" if standing == "quarantined" else standing
