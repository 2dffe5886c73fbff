"""Every assumption of the simulated year, as data. All names are invented, and no number is from a real shop (no source).

The limits are those of the demo shop with the guarded rule. Scatters are standard deviations.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

SEED = 20261128
LOTS = 200
START = datetime(2026, 1, 5, 8, tzinfo=UTC)
DAYS = 360

SUPPLIERS = {"QWT": "Quillwort Extrusion", "NBK": "Ninebark Polymer", "TTH": "Tansy & Thole", "FRN": "Fernhithe Spools"}
CONDITIONS = {"illuminant": "D65", "observer_deg": 10, "geometry": "d/8", "specular": "included", "uv": "excluded"}

# --- Grades: reference colour, limits, and a conforming lot.

_DIAMETER = {
    "mean_tolerance_mm": 0.03,
    "reading_tolerance_mm": 0.05,
    "ovality_max_mm": 0.05,
    "readings_per_spool_min": 5,
}
_SHRINKAGE = {
    "x_percent": [0.1, 0.5], "y_percent": [0.1, 0.5], "z_percent": [0.0, 0.5], "step_max_percent": 0.15,
    "tests_per_axis_min": 3, "control_difference_max_percent": 0.25, "test_print": "COUPON/1", "age_h": [20, 30],
}  # fmt: skip
_GUARDED = {"decision_rule": "guarded", "guard_z": 1.645}
_MOISTURE = {"max_percent": 0.05, "spools_min": 2}

LIMITS: dict[str, dict[str, Any]] = {
    "WHITE": {
        **_GUARDED,
        "sampling": {"fixed": 5},
        "color": {
            "formula": "CIEDE2000", "weights": [1, 1, 1], "lot_max": 1.0, "spool_max": 1.1, "spread_max": 0.35, "step_max": 0.5,
            "components_max": {"L": 0.8, "a": 0.4, "b": 1.0}, "readings_per_spool_min": 3,
        },
        "diameter": _DIAMETER,
        "shrinkage": _SHRINKAGE,
        "bond": {"mean_min_mpa": 20, "single_min_mpa": 14, "control_ratio_min": 0.7, "tests_min": 5, "test_print": "BAR/1"},
        "surface": {"specks_per_dm2_max": 2, "area_dm2_min": 3, "spools_min": 3},
        "moisture": _MOISTURE,
        "uses": {
            "cosmetic": ["color", "diameter", "surface", "moisture"],
            "fit": ["color", "diameter", "shrinkage", "moisture"],
            "load_bearing": ["color", "diameter", "shrinkage", "bond", "moisture"],
        },
    },
    "BLACK": {
        **_GUARDED,
        "sampling": {"fixed": 3},
        "color": {
            "formula": "CIEDE2000", "weights": [1, 1, 1], "lot_max": 1.2, "spool_max": 1.4, "spread_max": 0.5, "step_max": 0.8,
            "components_max": {"L": 1.2}, "readings_per_spool_min": 3,
        },
        "diameter": _DIAMETER,
        "shrinkage": _SHRINKAGE,
        "bond": {"mean_min_mpa": 24, "single_min_mpa": 18, "control_ratio_min": 0.8, "tests_min": 5, "test_print": "BAR/1"},
        "surface": {"specks_per_dm2_max": 3, "area_dm2_min": 3},
        "moisture": _MOISTURE,
        "uses": {
            "cosmetic": ["color", "diameter", "surface", "moisture"],
            "fit": ["diameter", "shrinkage", "moisture"],
            "load_bearing": ["diameter", "shrinkage", "bond", "moisture"],
        },
    },
    "MATTE": {
        **_GUARDED,
        "sampling": {"fixed": 3},
        "color": {
            "formula": "CIEDE2000", "weights": [1, 1, 1], "lot_max": 1.0, "spool_max": 1.2, "spread_max": 0.5, "step_max": 0.6,
            "components_max": {"L": 1.0}, "readings_per_spool_min": 4,
        },
        "diameter": _DIAMETER,
        "surface": {"specks_per_dm2_max": 2, "area_dm2_min": 3},
        "uses": {"cosmetic": ["color", "diameter", "surface"]},
    },
}  # fmt: skip

GRADES: dict[str, dict[str, Any]] = {
    "WHITE": {
        "lab": [95.0, -0.8, 1.5],
        "bond_mpa": 25.5,
        "demand": {"cosmetic": 0.5, "fit": 0.25, "load_bearing": 0.25},
        "about": {
            "color_name": "Harbour White",
            "finish": "satin",
            "filler": "white pigment",
            "filler_kind": "pigment",
        },
    },
    "BLACK": {
        "lab": [24.5, 0.2, -0.3],
        "bond_mpa": 30.0,
        "demand": {"cosmetic": 0.2, "fit": 0.3, "load_bearing": 0.5},
        "about": {"color_name": "Works Black", "finish": "satin", "filler": "none", "filler_kind": "none"},
    },
    "MATTE": {
        "lab": [18.0, 0.1, -0.4],
        "bond_mpa": 12.0,
        "demand": {"cosmetic": 1.0},
        "about": {"color_name": "Slate Night", "finish": "matte", "filler": "mineral", "filler_kind": "mineral"},
    },
}
EVERY_GRADE = {
    "polymer": "PLA", "nominal_diameter_mm": 1.75, "density_g_cm3": 1.24, "dry_c": 45, "dry_h": 6, "softening_c": 55,
}  # fmt: skip
# Share of the lots that each supplier delivers of each grade.
STREAMS = {
    ("QWT", "WHITE"): 0.20, ("NBK", "WHITE"): 0.17, ("TTH", "WHITE"): 0.15,
    ("QWT", "BLACK"): 0.17, ("FRN", "BLACK"): 0.13,
    ("NBK", "MATTE"): 0.10, ("FRN", "MATTE"): 0.08,
}  # fmt: skip
DRIFTING_STREAM, DRIFT_DIRECTION = ("TTH", "WHITE"), (-0.25, 0.05, 1.0)

# --- Kinds of lots: how many in 200, and how each departs from a good one. Ranges are uniform.

KINDS = {
    "good": 110, "shifted a little": 12, "shifted far": 10, "split": 16, "oval": 8, "wet": 8, "drifting": 14, "weak bond": 8,
    "shrinks too much": 6, "two instruments": 8,
}  # fmt: skip
DEPARTURES: dict[str, tuple[float, float]] = {
    "shifted a little, times lot_max": (1.05, 1.35),
    "shifted far, times lot_max": (1.6, 3.0),
    "split, share of spools": (0.12, 0.5),
    "split, CIEDE2000 from the others": (1.5, 3.0),
    "oval, mm": (0.065, 0.18),
    "oval, share of spools": (0.4, 1.0),
    "wet, %": (0.065, 0.13),
    "weak bond, times the floor": (0.55, 0.92),
    "shrinks too much, % along X and Y": (0.54, 0.72),
    "drifting, times lot_max at the last lot": (1.3, 1.3),
}

SPOOLS = (4, 8)
SPOOL_G = 1000.0
# Standard deviations of true values: of suppliers' means, of lots about them, of spools about their lot.
SUPPLIER_SD = {"lab": (0.20, 0.05, 0.18)}
LOT_SD = {
    "lab": (0.25, 0.08, 0.22), "diameter_mm": 0.005, "shrinkage_percent": 0.025, "bond_share": 0.04, "moisture_percent": 0.004,
}  # fmt: skip
SPOOL_SD = {
    "lab": (0.07, 0.025, 0.06), "diameter_mm": 0.004, "shrinkage_percent": 0.01, "bond_share": 0.03, "moisture_share": 0.12,
}  # fmt: skip
MEANS: dict[str, Any] = {
    "ovality_mm": (0.004, 0.018), "shrinkage_percent": {"x": 0.30, "y": 0.28, "z": 0.16}, "moisture_percent": 0.022,
    "specks_per_dm2": (0.05, 0.45), "control_bond_mpa": 29.5, "dried_percent": 0.018,
}  # fmt: skip

# --- Measuring: noise of one reading, of the print or position, of the day, of the printer's build. Readings are rounded to `resolution`.

NOISE: dict[str, Any] = {
    "color": {
        "reading": (0.05, 0.025, 0.05),
        "print": (0.04, 0.02, 0.04),
        "day": (0.025, 0.012, 0.025),
        "resolution": 2,
    },
    "diameter": {"reading": 0.0015, "position": 0.003, "day": 0.0008, "resolution": 3},
    "shrinkage": {
        "reading_mm": 0.008,
        "coupon_percent": 0.012,
        "build_percent": 0.015,
        "bead_mm": 0.03,
        "resolution": 2,
    },
    "bond": {"bar_share": 0.08, "build_share": 0.03, "reading": 0.15, "resolution": 1},
    "moisture": {"reading": 0.002, "day": 0.001, "resolution": 3},
}
# Checked on the first day, without a failed check in this year.
INSTRUMENTS: dict[str, dict[str, Any]] = {
    "SPEC-1": {
        "kind": "spectrophotometer",
        "standard_uncertainty": 0.05,
        "resolution": 0.01,
        "check_interval_days": 400,
    },
    "SPEC-2": {
        "kind": "spectrophotometer",
        "standard_uncertainty": 0.05,
        "resolution": 0.01,
        "check_interval_days": 400,
    },
    "MIC-1": {"kind": "micrometer", "standard_uncertainty": 0.002, "resolution": 0.001, "check_interval_days": 400},
    "CAL-1": {"kind": "caliper", "standard_uncertainty": 0.015, "resolution": 0.01, "check_interval_days": 400},
    "PULL-1": {"kind": "tensile tester", "standard_uncertainty": 0.3, "resolution": 0.1, "check_interval_days": 400},
    "MOIST-1": {
        "kind": "moisture balance",
        "standard_uncertainty": 0.003,
        "resolution": 0.001,
        "check_interval_days": 400,
    },
}
READ_WITH = {"color": "SPEC-1", "diameter": "MIC-1", "shrinkage": "CAL-1", "bond": "PULL-1", "moisture": "MOIST-1"}
SECOND_COLOR = "SPEC-2"
# What SPEC-2 reads more than SPEC-1, and when the shop makes an agreement study of the two.
SECOND_OFFSET = (-0.10, 0.05, 0.35)
AGREEMENT_STUDY_DAY, AGREEMENT_PLAQUES = 100, 6

# --- The clerk who follows the program, up to a cap of effort for one lot.

FIRST_BENCH_AFTER_D, PRINTS_AFTER_D, ROUND_AFTER_D, PRINT_ROUND_AFTER_D = 1, 2, 1, 2
ROUNDS_MAX, READINGS_MAX = 6, 220
POSITIONS_M = (3, 6, 9, 12, 15)
SURFACE_FIRST_SPOOLS, MOISTURE_FIRST_SPOOLS, COUPON_SPOOLS = 3, 2, 2
# Specimens of the first build, one or two of each drawn spool; further ones of one spool; controls of each build.
FIRST_BARS, BARS, CONTROL_BARS = 5, 5, 5
# Where the program asks for "about N more", no more than this are taken in one round.
MORE_AT_ONCE = 10

# --- Quality's habits, described in quality.py.

BLOCK_BELOW_PROBABILITY = 0.5

# --- Production: each spool is wanted once, for one use, so many days after it came. Refused while its lot is in quarantine, it is tried again.

WANTED_AFTER_D = (2, 45)
TRIED_AGAIN_AFTER_D, TRIES = 10, 3
MACHINES = 40
LOAD_H = 6

# --- Shops without a program: so many readings of colour and of diameter on the first spool of the pallet. The lot is accepted for every use where their
# mean is within these limits.

HABITS = {"one reading": 1, "mean of three": 3, "no measuring": 0}
HABIT_DELTA_E_MAX = 1.0
HABIT_DIAMETER_TOLERANCE_MM = 0.05
HABIT_AFTER_D = 1

# The shop has two benches, each with a printer and a database of its own, so that the year runs on two cores.
BENCHES = (
    (("QWT", "WHITE"), ("QWT", "BLACK"), ("NBK", "MATTE"), ("FRN", "MATTE")),
    (("NBK", "WHITE"), ("TTH", "WHITE"), ("FRN", "BLACK")),
)

BOOTSTRAPS, CONFIDENCE = 2000, 0.95
