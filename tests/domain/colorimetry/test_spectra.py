"""Colours of spectra. Sources: the reference curves (Ohta 1997) with results by colour-science; ASTM E308 whites; colormath."""

import math
import subprocess
import sys
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.colorimetry.color_difference import delta_e
from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.spectra import (
    BadSpectrum,
    Spectrum,
    lab_from_spectrum,
    mean_spectrum,
    white_of,
    xyz_from_spectrum,
)
from lots.domain.colorimetry.spectral_weights import TABULATED, computed_weights, weights
from tests.domain.builders import reference_csv, reference_json
from tests.domain.strategies import numbers
from tests.examples import examples
from tests.tolerances import (
    BETWEEN_SPECTRAL_METHODS,
    PRINTED_5,
    PRINTED_WHITE,
    PRINTED_WHITE_OF_C,
    SAME_FORMULA,
    TABULATED_WEIGHTS,
    TABULATED_WEIGHTS_IN_LAB,
    WEIGHTS_8,
)

with warnings.catch_warnings():
    # colour-science warns when matplotlib is missing; nothing is drawn here. colormath's source has an escape Python warns of.
    warnings.simplefilter("ignore")
    import colour
    from colormath.color_conversions import convert_color
    from colormath.color_exceptions import InvalidIlluminantError
    from colormath.color_objects import LabColor, SpectralColor

THOROUGH = examples(200)
REFERENCE = reference_json("spectral_reference.json")
WHITE_ERRORS = reference_json("colormath_disagreements.json")["spectral_perfect_diffuser_Lab"]
OBSERVERS = {2: "CIE 1931 2 Degree Standard Observer", 10: "CIE 1964 10 Degree Standard Observer"}
CONDITIONS = [(illuminant, observer) for illuminant in TABULATED for observer in OBSERVERS]
ORANGE = tuple(REFERENCE["curves"][0]["reflectance"])
CURVES = [(curve, result) for curve in REFERENCE["curves"] for result in curve["results"]]
CURVE_IDS = [f"{c['name']}-{r['illuminant']}-{r['observer']}".replace(" ", "-") for c, r in CURVES]


def cut(start_nm: int, end_nm: int, step_nm: int = 10, values: tuple[float, ...] = ORANGE) -> Spectrum:
    """Part of a reference curve, which goes from 380 to 780 nm in steps of 10."""
    first, last, by = (start_nm - 380) // 10, (end_nm - 380) // 10, step_nm // 10
    return Spectrum(start_nm, step_nm, values[first : last + 1 : by])


def flat(value: float, start_nm: int = 360, end_nm: int = 780, step_nm: int = 10) -> Spectrum:
    """A surface with a constant reflectance."""
    return Spectrum(start_nm, step_nm, (value,) * ((end_nm - start_nm) // step_nm + 1))


def by_colour_science(spectrum: Spectrum, illuminant: str, observer: int) -> np.ndarray:
    """XYZ by that library's implementation of ASTM E308."""
    with warnings.catch_warnings():
        # It says which of its tables it trims and aligns.
        warnings.simplefilter("ignore")
        return colour.colorimetry.sd_to_XYZ_ASTME308(
            colour.SpectralDistribution(spectrum.values, list(spectrum.wavelengths_nm)),
            colour.MSDS_CMFS[OBSERVERS[observer]],
            colour.SDS_ILLUMINANTS[illuminant],
        )


def by_colormath(values: list[float], illuminant: str, observer: str) -> tuple[float, float, float]:
    """CIELAB by colormath of a curve from 380 to 780 nm, extended by constants to its 340 to 830 nm."""
    whole = [values[0]] * 4 + values + [values[-1]] * 5
    bands = {f"spec_{340 + 10 * i}nm": value for i, value in enumerate(whole)}
    spectral = SpectralColor(observer=observer, illuminant=illuminant.lower(), **bands)
    return convert_color(spectral, LabColor, target_illuminant=illuminant.lower()).get_value_tuple()


@pytest.mark.parametrize(("curve", "expected"), CURVES, ids=CURVE_IDS)
def test_a_curve_has_the_colour_of_the_reference(curve, expected):
    """Six curves under six conditions have the XYZ and L*a*b* of colour-science, and nearly those of another method."""
    spectrum = Spectrum(380, 10, tuple(curve["reflectance"]))
    condition = expected["illuminant"], int(expected["observer"])
    lab = lab_from_spectrum(spectrum, *condition)
    assert pytest.approx(expected["XYZ"], abs=TABULATED_WEIGHTS) == xyz_from_spectrum(spectrum, *condition).as_tuple()
    assert pytest.approx(expected["Lab"], abs=TABULATED_WEIGHTS_IN_LAB) == lab.as_list()
    assert delta_e(Lab(*expected["Lab_1nm_sprague_sum"]), lab, "CIE76") < BETWEEN_SPECTRAL_METHODS


@pytest.mark.parametrize("condition", CONDITIONS)
def test_the_table_of_weights_is_what_colour_science_computes(condition):
    """Every weight kept here is the one that ASTM E2022 gives from the CIE's tables, to eight decimals."""
    assert pytest.approx(np.array(computed_weights(*condition)), abs=WEIGHTS_8) == np.array(weights(*condition))


@pytest.mark.parametrize(
    "spectrum",
    [cut(380, 780), cut(400, 700), cut(390, 720), cut(400, 700, 20), cut(380, 780, 20), cut(380, 700, 20)],
    ids=["whole", "400-700", "390-720", "400-700-by-20", "whole-by-20", "380-700-by-20"],
)
@pytest.mark.parametrize("condition", CONDITIONS)
def test_short_and_coarse_spectra_follow_the_standard(condition, spectrum):
    """Missing ends and steps of 20 nm are treated as colour-science treats them by ASTM E308."""
    theirs = by_colour_science(spectrum, *condition)
    assert pytest.approx(theirs, abs=TABULATED_WEIGHTS) == xyz_from_spectrum(spectrum, *condition).as_tuple()


@pytest.mark.parametrize(
    ("start_nm", "end_nm", "step_nm"), [(360, 780, 10), (400, 700, 10), (400, 700, 20), (380, 720, 20), (390, 710, 10)]
)
@pytest.mark.parametrize("condition", [*CONDITIONS, ("C", 2), ("FL11", 10)])
def test_a_perfect_white_is_neutral(condition, start_nm, end_nm, step_nm):
    """The perfect diffuser is L* 100, a* 0, b* 0 under every condition and for every range and step."""
    lab = lab_from_spectrum(flat(1.0, start_nm, end_nm, step_nm), *condition)
    assert pytest.approx((100.0, 0.0, 0.0), abs=SAME_FORMULA) == tuple(lab.as_list())


@pytest.mark.parametrize("case", WHITE_ERRORS, ids=lambda case: f"{case['illuminant']}-{case['observer']}")
def test_a_perfect_white_is_off_neutral_in_colormath(case):
    """It is up to 0.10 off neutral there, as recorded; therefore colormath's spectra are not used."""
    theirs = by_colormath([1.0] * 41, case["illuminant"], case["observer"])
    assert pytest.approx(tuple(case["Lab_R_1.0"]), abs=PRINTED_5) == theirs
    assert 0.02 < math.hypot(*theirs[1:]) < 0.11


@pytest.mark.parametrize(("illuminant", "observer"), [("D65", "10"), ("D50", "2"), ("C", "2")])
def test_colormath_is_off_the_table_method_by_what_was_recorded(illuminant, observer):
    """On the six curves colormath lies 0.007 to 0.115 (CIE76) from the table method, as recorded."""
    recorded = reference_json("colormath_disagreements.json")["spectral_reference_curves_dE76_vs_E308"]
    apart = [
        delta_e(Lab(*result["Lab"]), Lab(*by_colormath(curve["reflectance"], illuminant, observer)), "CIE76")
        for curve, result in CURVES
        if (result["illuminant"], result["observer"]) == (illuminant, observer)
    ]
    expected = recorded[f"{illuminant}/{observer}"]
    assert (expected["min"], expected["max"]) == (round(min(apart), 4), round(max(apart), 4))


def test_colormath_lacks_illuminant_a_for_ten_degrees():
    """The usual second illuminant of metamerism has no white there for the 10 degree observer."""
    with pytest.raises(InvalidIlluminantError):
        by_colormath([1.0] * 41, "A", "10")


@pytest.mark.parametrize(
    "row", reference_csv("whiteness_yellowness_coefficients.csv"), ids=lambda row: row["condition"]
)
def test_the_white_is_near_the_printed_one(row):
    """The sum of the weights lies within 0.01 of the white that ASTM E308 prints for D65, 0.06 for C."""
    illuminant, observer = row["condition"].split("/")
    printed = tuple(float(row[f"white_{axis}"]) for axis in "XYZ")
    tolerance = PRINTED_WHITE_OF_C if illuminant == "C" else PRINTED_WHITE
    assert pytest.approx(printed, abs=tolerance) == white_of(illuminant, int(observer)).as_tuple()


REFLECTANCES = st.lists(numbers(0, 1), min_size=31, max_size=31).map(tuple)


@THOROUGH
@given(values=REFLECTANCES, share=numbers(0, 1), condition=st.sampled_from(CONDITIONS))
def test_half_the_light_is_half_the_values(values, share, condition):
    """Tristimulus values are in proportion to the reflectance."""
    whole = xyz_from_spectrum(Spectrum(400, 10, values), *condition).as_tuple()
    part = xyz_from_spectrum(Spectrum(400, 10, tuple(share * value for value in values)), *condition).as_tuple()
    assert pytest.approx([share * value for value in whole], abs=SAME_FORMULA) == part


@THOROUGH
@given(values=REFLECTANCES, condition=st.sampled_from(CONDITIONS))
def test_a_spectrum_cut_short_is_as_if_it_went_on_level(values, condition):
    """A spectrum from 400 to 700 nm has the colour of one extended by its end values to 360 and 780 nm."""
    level = (values[0],) * 4 + values + (values[-1],) * 8
    short, whole = (xyz_from_spectrum(s, *condition) for s in (Spectrum(400, 10, values), Spectrum(360, 10, level)))
    assert short == whole


@THOROUGH
@given(value=numbers(0, 1.2), step=st.sampled_from((10, 20)), condition=st.sampled_from(CONDITIONS))
def test_a_gray_is_neutral_at_any_lightness(value, step, condition):
    """A constant reflectance has a* and b* of 0."""
    lab = lab_from_spectrum(flat(value, 400, 700, step), *condition)
    assert pytest.approx((0.0, 0.0), abs=SAME_FORMULA) == (lab.a, lab.b)


@THOROUGH
@given(slope=numbers(-0.002, 0.002), bend=numbers(-5e-6, 5e-6), condition=st.sampled_from(CONDITIONS))
def test_filling_in_a_smooth_curve_gives_it_back(slope, bend, condition):
    """A parabola every 20 nm has the colour of the same one every 10 nm, because the cubic reproduces it."""
    fine = tuple(0.5 + slope * (at - 550) / 4 + bend * (at - 550) ** 2 for at in range(400, 701, 10))
    coarse = xyz_from_spectrum(Spectrum(400, 20, fine[::2]), *condition)
    assert pytest.approx(xyz_from_spectrum(Spectrum(400, 10, fine), *condition).as_tuple(), abs=SAME_FORMULA) == (
        coarse.as_tuple()
    )


def test_a_spectrum_of_spikes_is_never_darker_than_black():
    """Weights and cubics may be slightly negative; the colour is not."""
    for at in range(41):
        spike = tuple(float(i == at) for i in range(41))
        for spectrum in (Spectrum(380, 10, spike), Spectrum(380, 20, spike[::2])):
            assert min(xyz_from_spectrum(spectrum, "LED-B3", 10).as_tuple()) >= 0


def test_a_brightened_white_may_reflect_more_than_it_receives():
    """1.15 at 440 nm makes a white bluer than the perfect one."""
    values = tuple(1.15 if at == 440 else 0.9 for at in range(400, 701, 10))
    assert lab_from_spectrum(Spectrum(400, 10, values)).b < -1


@pytest.mark.parametrize("bad", [-0.001, 2.51, math.nan, math.inf])
def test_a_value_no_surface_has_is_refused_with_its_wavelength(bad):
    """Negative, far too large or invalid values are rejected with their wavelength."""
    with pytest.raises(ValueError, match=r"value at 410 nm is .* from 0 to 2\.5"):
        Spectrum(400, 10, (0.5, bad) + (0.5,) * 29)


@pytest.mark.parametrize(
    ("spectrum", "path"),
    [
        ((400, 10, (0.5,) * 5 + (3.0,) + (0.5,) * 25), "values/5"),
        ((400, 10, (0.5,) * 30), "values"),
        ((410, 10, (0.5,) * 31), "start_nm"),
        ((400, 15, (0.5,) * 31), "step_nm"),
    ],
)
def test_a_refusal_says_at_which_field_it_is(spectrum, path):
    """The error names the field."""
    with pytest.raises(BadSpectrum) as refused:
        Spectrum(*spectrum)
    assert path == refused.value.path


def test_the_mean_of_no_spectra_is_refused():
    """At least one spectrum is required."""
    with pytest.raises(ValueError, match="at least one spectrum"):
        mean_spectrum([])


def test_percent_is_recognised():
    """Values up to 100 are told to be percent."""
    with pytest.raises(ValueError, match="looks like percent; divide it by 100"):
        Spectrum(400, 10, (84.0,) * 31)


@pytest.mark.parametrize(
    ("start_nm", "step_nm", "count", "words"),
    [
        (400, 5, 61, "the step is 5 nm"),
        (350, 10, 43, "the first wavelength is 350 nm"),
        (405, 10, 31, "the first wavelength is 405 nm"),
        (410, 10, 31, "the first wavelength is 410 nm"),
        (400, 10, 30, "end at 690 nm"),
        (400, 10, 40, "end at 790 nm"),
        (400, 10, 0, "end at 390 nm"),
    ],
)
def test_wavelengths_outside_the_standard_are_refused(start_nm, step_nm, count, words):
    """Other steps, other ranges, and numbers of values that do not match are rejected with their value."""
    with pytest.raises(ValueError, match=words):
        Spectrum(start_nm, step_nm, (0.5,) * count)


def test_an_unknown_illuminant_or_observer_is_refused():
    """An illuminant that is not tabulated and a third observer have no weights."""
    with pytest.raises(ValueError, match="illuminant is 'CANDLE'"):
        white_of("CANDLE", 10)
    with pytest.raises(ValueError, match="observers are 2 and 10"):
        white_of("D65", 4)


def test_the_short_name_of_a_fluorescent_lamp_is_understood():
    """F11, the trade's name, is the CIE's FL11."""
    assert weights("FL11", 10) == weights("F11", 10)


def run(program: str) -> str:
    """The output of a new interpreter, with warnings as errors."""
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", program], capture_output=True, text=True, check=True
    ).stdout


def test_colour_science_is_loaded_only_for_an_illuminant_that_is_not_tabulated():
    """A tabulated illuminant does not load it; C does, without a warning and without changing numpy's print options."""
    program = """
import sys, numpy
from lots.domain.colorimetry.spectra import white_of
import lots.domain.colorimetry.metamerism
before = numpy.get_printoptions()
[white_of(light, degrees) for light in ("D65", "D50", "A", "LED-B3") for degrees in (2, 10)]
loaded = "colour" in sys.modules
white_of("C", 2)
print(loaded, "colour" in sys.modules, before == numpy.get_printoptions())
"""
    assert "False True True" == run(program).strip()


def test_without_colour_science_other_illuminants_name_the_extra(monkeypatch):
    """Without the extra, the message names it and the tabulated illuminants; those still work."""
    monkeypatch.setitem(sys.modules, "colour", None)
    with pytest.raises(ValueError, match=r"extra `spectral`, or use one of D65, D50, A, LED-B3"):
        computed_weights("FL2", 10)
    assert pytest.approx(100.0, abs=TABULATED_WEIGHTS) == white_of("D65", 10).Y
