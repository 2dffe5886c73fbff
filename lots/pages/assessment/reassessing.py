"""Reassessment of a lot under the newest revisions, with a preview of its effect."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from flask import g, render_template, url_for

from lots.api.assessment.decisions import Reassess
from lots.api.http.fields import NUMBER
from lots.domain.conformity.findings import LABELS
from lots.pages.site.calls import Refusal, attempt, once
from lots.pages.site.frame import answered, pages
from lots.pages.site.results import pack_result, reached_of
from lots.pages.site.session import signed_in
from lots.services.assessment import decisions


@pages.get(f"/lots/<{NUMBER}:number>/reassess")
@signed_in((Reassess, "GET"), (Reassess, "POST"))
def reassessing(number: int) -> Any:
    """Shows what a reassessment would change."""
    found: Any = attempt(lambda: decisions.renewed(number))
    if isinstance(found, Refusal):
        return render_template("lots/no_lot.html", number=number), found.status
    now, would = found["now"], found["would_be"]
    uses = [(use, now["uses"].get(use), would["uses"].get(use)) for use in {**now["uses"], **would["uses"]}]
    return render_template(
        "assessment/reassess.html", lot=found, now=now, would=would, uses=uses, rows=list(_changed(now, would))
    )


def _changed(now: Mapping[str, Any], would: Mapping[str, Any]) -> Iterable[dict[str, Any]]:
    """Yields the findings that would change, each as it is and as it would be."""
    before, after = ({(one["code"], one["subject"]): one for one in some["findings"]} for some in (now, would))
    for key in {**before, **after}:
        is_now, would_be = before.get(key), after.get(key)
        if is_now is None or would_be is None or is_now["message"] != would_be["message"]:
            label = LABELS.get(key[0], key[0]) + (f" ({key[1]})" if key[1] else "")
            yield {"label": label, "now": is_now, "would": would_be}


@pages.post(f"/lots/<{NUMBER}:number>/reassess")
@signed_in((Reassess, "POST"))
def reassessed(number: int) -> Any:
    """Reassesses a lot."""

    def again() -> str:
        done: Any = decisions.reassess(number, g.me["name"])
        result = pack_result("Lot reassessed", done["lot"]["says"], reached=reached_of(done["lot"]))
        return url_for("pages.lot", number=number, result=result)

    return answered(once(again), url_for("pages.lot", number=number))
