"""The trace of a job: its spools, lots, machines and times."""

from __future__ import annotations

from typing import Any

from flask import redirect, render_template, request, url_for

from lots.api.production.tracing import Job
from lots.api.setup.names import Jobs
from lots.pages.site.calls import Refusal, Shown, attempt
from lots.pages.site.frame import pages
from lots.pages.site.session import signed_in
from lots.services import exposure
from lots.services.setup import names

# The newest jobs that the page lists.
_NEWEST = 50


@pages.get("/jobs")
@signed_in((Job, "GET"), (Jobs, "GET"))
def jobs() -> Any:
    """Asks for a job by its name, and lists the newest."""
    if name := request.args.get("job", "").strip():
        return redirect(url_for("pages.job", name=name))
    return render_template("production/jobs.html", jobs=names.newest_jobs(_NEWEST))


@pages.get("/jobs/<path:name>")
@signed_in((Job, "GET"))
def job(name: str) -> Any:
    """Shows the lots that a job was certainly or possibly printed from."""
    found: Shown | Refusal = attempt(lambda: exposure.job(name))
    if isinstance(found, Refusal):
        like = [one["name"] for one in found.more.get("candidates", ())]
        return render_template("production/job.html", name=name, refused=found, like=like), found.status
    by_lot = {one["lot"]["id"]: one for one in found["lots"]}
    return render_template("production/job.html", name=name, job=found, by_lot=by_lot)
