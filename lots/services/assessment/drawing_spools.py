"""Further draws of spools.

When findings need more spools than the sample has, the next ones in the order of the delivery's seed are drawn.
"""

from __future__ import annotations

from datetime import datetime

from lots.domain.assessment.standing_by_hand import ENDINGS
from lots.domain.receiving.coverage import draw_more
from lots.services.assessment.lot_assessment import Judged, drawn_of
from lots.store import audit
from lots.store.receiving import deliveries, samples
from lots.store.tables.models import Lot


def first_looks(lot: Lot, kind: str) -> set[str]:
    """Returns the further drawn spools without a reading of this kind.

    Their first readings are no retest. Four queries.
    """
    came = {one.logged.id: one.now.sample for one in deliveries.of_lot(lot.id)}
    changes = samples.changes_of(came, withdrawn=False)
    draws = (drawn_of(sample, changes[number])[1:] for number, sample in came.items())
    return {code for groups in draws for group in groups for code in group} - samples.measured(lot.id, kind)


def draw_wanted(lot: Lot, judged: Judged, by: str, now: datetime) -> bool:
    """Draws and stores the further spools that an assessment needs, and returns whether any were drawn.

    Must run in the caller's transaction. No query where none are needed. Returned and scrapped lots need none.
    """
    wanted = judged.assessment.wanted
    if not wanted or lot.by_hand in ENDINGS:
        return False
    parts = {part.delivery: part for part in judged.coverage.presented}
    changed, codes_of = samples.changes_of(parts), samples.drawable(parts)
    drawn = []
    for one in wanted:
        delivery = samples.delivery(one.delivery)
        if delivery is None:
            raise ValueError(f"a lot has no delivery {one.delivery}")
        # A replaced spool is not drawn again.
        replaced = [row.drawn.code for row in changed[one.delivery].substitutes]
        but = (*parts[one.delivery].sample, *replaced)
        codes = draw_more(codes_of[one.delivery], one.more, delivery.sample["seed"], but)
        if codes:
            drawn.append(samples.add_draw(one.delivery, codes, one.why, by, now).id)
    if drawn:
        audit.note(lot.id, "spools drawn", by, now, {"sample_draw": drawn})
    return bool(drawn)
