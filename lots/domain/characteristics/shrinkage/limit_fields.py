"""Fields of the shrinkage block of a limits revision."""

from __future__ import annotations

from lots.domain.characteristics.declaring.limit_fields import LimitField, fewest
from lots.domain.characteristics.declaring.printing import by_test_print
from lots.domain.characteristics.shrinkage.lot_shrinkage import AXES

LIMIT_FIELDS = (
    *(
        LimitField(
            f"{axis}_percent",
            f"mean shrinkage along {axis.upper()}, from lowest to highest",
            label=f"Shrinkage {axis.upper()}, %",
            type="pair",
            proposal=(0.0 if axis == "z" else 0.1, 0.5),
            asks=True,
            low=-10,
            high=10,
        )
        for axis in AXES
    ),
    LimitField(
        "step_max_percent",
        "largest step from the last accepted lot, per axis",
        label="Step from the last lot, at most, %",
        proposal=0.15,
        above=0,
        high=10,
    ),
    LimitField(
        "control_difference_max_percent",
        "largest difference between coupons of the lot and of the control spool in one build",
        label="Difference from the control spool, at most, %",
        above=0,
        high=10,
    ),
    fewest("tests_per_axis_min", "fewest coupons measured per axis", "Fewest coupons per axis", 2),
    by_test_print(),
    LimitField(
        "basis",
        "part: lengths with the bead; material: without the bead, from outside and inside lengths or lengths of at least 5 : 1",
        label="Basis",
        type="choice",
        words=("part", "material"),
    ),
    LimitField(
        "designed_mm",
        "with basis part: only coupons of this designed length count",
        label="Designed length, mm",
        above=0,
        high=2000,
    ),
    LimitField(
        "age_h",
        "age of coupons, hours after printing, from earliest to latest",
        label="Age of coupons, h",
        ends="earliest and latest",
        proposal=(20, 30),
        source="ASTM D955 measures mouldings after 24 h. The range is common practice, no source",
        type="pair",
        low=0,
        high=10_000,
        order=("The earliest age is above the latest.", "Write [earliest, latest] in hours."),
    ),
)
