"""Generated clients: one does a day's work on a served shop, and generators and a linter find no fault.

`pytest -m clients` runs these. The npm tools are installed into a folder of the run.
"""

from __future__ import annotations

import importlib
import json
import os
import shutil
import subprocess
import sys
import threading
from datetime import UTC, datetime

import pytest

from tests.shop import CONDITIONS, SIMPLE_LIMITS, WHITE

pytestmark = pytest.mark.clients

# Exact versions, so that a new rule of a tool is met when somebody chooses to.
NPM = ("@redocly/cli@2.77.0", "openapi-typescript@7.13.0", "typescript@5.9.3")
RULES = """extends: [recommended]
rules:
  info-license: off  # the project states no licence
  # Every finding fails.
  no-invalid-media-type-examples: error
  no-unused-components: error
  operation-4xx-response: error
"""
QUIET = {"REDOCLY_TELEMETRY": "off", "REDOCLY_SUPPRESS_UPDATE_NOTICE": "true", "NO_COLOR": "1"}
MEASURED = datetime(2026, 11, 20, 11, tzinfo=UTC)


@pytest.fixture
def engine():
    """SQLite alone: the document is the same on either engine."""
    return "sqlite"


@pytest.fixture
def document(app, tmp_path):
    """The document as a file."""
    path = tmp_path / "openapi.json"
    path.write_bytes(app.test_client().get("/v1/openapi.json").get_data())
    return path


def run(*command, cwd, may_end=(0,)):
    """Runs a tool and returns its output; its exit status must be one of these."""
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, env={**os.environ, **QUIET})
    assert done.returncode in may_end, (done.stdout + done.stderr)[-4000:]
    return done.stdout + done.stderr


@pytest.fixture
def generated(document, tmp_path, monkeypatch):
    """The folder of a client by openapi-python-client, importable as `made_client`."""
    pytest.importorskip("openapi_python_client", reason="needs the extra dev: pip install -e '.[dev]'")
    (tmp_path / "generator.yaml").write_text("post_hooks: []\n")
    options = ["--meta", "none", "--config", "generator.yaml", "--output-path", "made_client", "--fail-on-warning"]
    command = [sys.executable, "-m", "openapi_python_client", "generate", "--path", str(document), *options]
    said = run(*command, cwd=tmp_path)
    assert "WARNING" not in said
    assert "Unable" not in said
    monkeypatch.syspath_prepend(tmp_path)
    yield tmp_path / "made_client"
    for name in [name for name in sys.modules if name.split(".")[0] == "made_client"]:
        del sys.modules[name]


@pytest.fixture
def served(app):
    """The address of the shop on the server of `lots serve`."""
    import waitress.server

    server = waitress.server.create_server(app, host="127.0.0.1", port=0, threads=2)
    thread = threading.Thread(target=server.run)
    thread.start()
    yield f"http://127.0.0.1:{server.effective_port}"
    server.trigger.pull_trigger(server.close)
    thread.join(timeout=30)
    server.task_dispatcher.shutdown()


def test_a_generated_client_has_every_operation_and_schema(document, generated):
    """The generated client has every operation and schema of the document."""
    said = json.loads(document.read_text("utf-8"))
    operations = [name for item in said["paths"].values() for name in item if name != "parameters"]
    assert len(operations) == len([path for path in generated.glob("api/*/*.py") if path.name != "__init__.py"])
    models = importlib.import_module("made_client.models")
    # A name that Python has already, such as Warning, gets an underscore.
    made = {name.removesuffix("_") for name in vars(models)}
    assert set() == set(said["components"]["schemas"]) - made


def test_a_generated_client_takes_a_delivery_to_its_clearance(generated, served, settings_and_tokens):
    """Set-up, delivery, readings in all three forms, assessment and clearance work through typed functions and models alone."""
    client, models = importlib.import_module("made_client.client"), importlib.import_module("made_client.models")
    tokens = settings_and_tokens[1]

    def call(role, where, body=None, **arguments):
        function = importlib.import_module(f"made_client.api.{where}").sync_detailed
        given = arguments if body is None else {**arguments, "body": body}
        with client.AuthenticatedClient(base_url=served, token=tokens[role]) as speaker:
            answer = function(client=speaker, **given)
        assert answer.status_code < 300, answer.content
        return answer.parsed

    supplier = call("purchasing", "suppliers.post_suppliers", models.SupplierArgs(code="QWT", name="Quality Wire"))
    shade = call("quality", "shades.post_shades", models.ShadeArgs(code="HW", name="Harbour White"))
    conditions = models.ConditionsArgs.from_dict(CONDITIONS)
    approved = models.RevisionArgs(lab=WHITE, conditions=conditions, approved_by="Wilhelmina")
    call("quality", "shades.post_revisions", approved, number=shade.id)
    sort = {"code": "PLA-HW", "polymer": "PLA", "color_name": "Harbour White", "finish": "plain", "filler": "none"}
    sizes = {"nominal_diameter_mm": 1.75, "density_g_cm3": 1.24, "shade_id": shade.id}
    grade = call("quality", "grades.post_grades", models.GradeArgs.from_dict({**sort, **sizes}))
    call("quality", "grades.post_grade_limits", models.LimitsArgs.from_dict(SIMPLE_LIMITS), number=grade.id)

    came = {"supplier_id": supplier.id, "grade_id": grade.id, "spool_count": 2, "net_mass_g": 1000}
    delivery = models.DeliveryArgs(supplier_lot="Q-71", received_at=MEASURED, **came)
    received = call("receiving", "deliveries.post_deliveries", delivery)
    code = received.sample.spool_codes[0]
    sizes = models.DiameterArgs(spool_code=code, d1_mm=1.748, d2_mm=1.752, measured_at=MEASURED)
    one = call("receiving", "readings.post_diameter_readings", sizes)
    assert isinstance(one, models.OneStored)
    assert "quarantined" == one.lot.standing
    assert isinstance(call("receiving", "readings.post_diameter_readings", [sizes, sizes]), models.ManyStored)
    arrays = models.DiameterArraysArgs(spool_code=[code], d1_mm=[1.75], d2_mm=[1.75], position_m=[None])
    columns = call("receiving", "readings.post_diameter_readings", models.DiameterColumnsArgs(columns=arrays))
    assert isinstance(columns, models.ColumnsStored)
    seen = models.ReadConditionsArgs.from_dict(CONDITIONS)
    call("receiving", "readings.post_color_readings", models.ColorArgs(spool_code=code, conditions=seen, lab=WHITE))

    assessment = call("production", "assessments.get_assessment", number=received.lot_id)
    assert {"pass"} == {finding.verdict for finding in assessment.findings}
    use = models.GetSpoolClearanceUse("general")
    assert call("production", "production.get_spool_clearance", code=code, use=use).clear


@pytest.fixture(scope="module")
def npm_tools(tmp_path_factory):
    """A folder with the npm tools, or a skip with the reason."""
    npm = shutil.which("npm") or pytest.skip("needs npm on the path")
    folder = tmp_path_factory.mktemp("npm")
    run(npm, "install", "--no-audit", "--no-fund", "--no-save", "--prefix", str(folder), *NPM, cwd=folder)
    return folder / "node_modules" / ".bin"


def test_types_for_typescript_are_made(document, npm_tools):
    """openapi-typescript writes types for every operation, and they compile."""
    run(npm_tools / "openapi-typescript", document, "-o", "api.ts", cwd=document.parent)
    run(npm_tools / "tsc", "--noEmit", "--strict", "api.ts", cwd=document.parent)
    written = (document.parent / "api.ts").read_text("utf-8")
    operations = [o for item in json.loads(document.read_text("utf-8"))["paths"].values() for o in item.values()]
    names = [operation["operationId"] for operation in operations if isinstance(operation, dict)]
    assert [] == [name for name in names if f"    {name}: {{" not in written]


def test_a_linter_finds_nothing(document, npm_tools):
    """The recommended rules of the linter hold, examples included."""
    (document.parent / "redocly.yaml").write_text(RULES)
    command = [npm_tools / "redocly", "lint", document, "--config", "redocly.yaml", "--format", "json"]
    said = run(*command, "--max-problems", "200", cwd=document.parent, may_end=(0, 1))
    problems = json.loads(said[said.index("{") : said.rindex("}") + 1])["problems"]
    assert [] == [(one["ruleId"], one["message"], one["location"][0]["pointer"]) for one in problems]
