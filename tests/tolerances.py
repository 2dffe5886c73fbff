"""Tolerances of comparisons in these tests, each with its reason."""

# One formula coded twice in double precision: the last few bits of some thirty operations on numbers up to 150.
SAME_FORMULA = 1e-9

# One function run by math and by numpy differs only in the last bits of arctangent, sine and exponential, for differences up to 200.
SAME_RULE = 1e-12

# The same sum in another order. fsum is exact, so only a division or a root differs, by a last bit.
SAME_SUM = 1e-12

# A reference file prints ten decimals of a difference, twelve of a length: half a unit of the last one, and the last bits.
PRINTED_10 = 0.5e-10 + 1e-11
PRINTED_12 = 0.5e-12 + 1e-12

# colormath takes a mean hue near 360 degrees for one near 0. The rotation term is then exp(-((360 - 275) / 25)^2) of 60 degrees,
# 5.8e-4 degrees, where it should be 0. It moves dE^2 by at most 2 sin(5.8e-4 deg) |C||H| <= 1.01e-5 dE^2, so dE by half of that.
HUE_WRAP_RELATIVE = 5.1e-6

# A millionth of a degree of hue on a chroma of 2 moves a colour by 4e-8; the jump at opposite hues is up to 0.06. On a chroma of 40
# it is 7e-7, and the step at a mean hue of 0 is some 1e-5.
HUE_NUDGE = 1e-6

# Propagating an uncertainty one coordinate at a time neglects curvature and takes the larger of two slopes; well away from zero both
# are a few percent. Simulation with 20,000 draws adds 1 / sqrt(2 * 20,000) = 0.5 %.
PROPAGATION_RELATIVE = 0.05

# Lengths are given to 12 digits and a slope of two of them loses a few: far below the 1e-5 mm of any gauge.
LEAST_SQUARES = 1e-9

# 1.645 is the usual rounding of 1.6449, so its confidence is 95 % within this.
ROUNDED_Z = 2e-5

# An inverse incomplete gamma function and a chi-square quantile agree to a few parts in 1e12.
QUANTILE_RELATIVE = 1e-10

# A table of constants prints eight decimals.
PRINTED_8 = 0.5e-8 + 1e-11

# The handbook prints two or four decimals: half a unit of the last one. Its lower EWMA limit 47.41157 is printed as 47.4115, truncated.
PRINTED_2 = 0.5e-2 + 1e-9
PRINTED_4 = 0.5e-4 + 1e-9
CUT_OFF_4 = 1e-4

# A running sum less its minimum, against point by point: the last bits of a few thousand additions of numbers up to 10.
RUNNING_SUM = 1e-10

# A limit of T2 from n rows differs from the chi-square quantile by some tens over n, relatively: at a million rows a few in 100,000.
MILLION_ROWS = 1e-4

# Columns that nearly follow from each other lose up to nine of sixteen digits when their covariance is inverted.
NEARLY_DEPENDENT = 1e-6

# A simulated mean agrees within four of its standard errors; by chance one in 16,000 does not.
STANDARD_ERRORS = 4

# The handbook prints t to five decimals, and the exact binomial interval to six, where 0.4010281 is printed as 0.401029.
PRINTED_5 = 0.5e-5 + 1e-9
LAST_OF_6 = 1e-6 + 1e-9

# Variances of readings near 1 that are 1e-6 lose six of sixteen digits in the sums; the reference file prints eight of theirs.
VARIANCE_RELATIVE = 1e-7

# scipy's inverse of the noncentral t stops when the noncentrality is known to about a millionth.
NONCENTRAL_T_RELATIVE = 2e-6
# Near and beyond t = 1000 a limit's probability is off by up to this (compared with numerical integration for 1 to 100 degrees of freedom).
NONCENTRAL_T_FAR = 1e-4

# A likelihood is flat at its maximum: a search finds the place to about the root of its accuracy in height.
REML_RELATIVE = 1e-5

# Johnson and Wichern print three decimals of an ellipse's axis, and 8.18 for a limit that is 8.173 with an unrounded F.
PRINTED_3 = 0.5e-3 + 1e-9
ROUNDED_F = 1e-2
# Ten decimals of a covariance of numbers up to 200 give the axes it has to this.
ROUNDED_COVARIANCE = 1e-8

# A difference of two CIELAB coordinates below 100 loses their last bits, 1e-14; means and slopes of a dozen such keep a few of them.
COORDINATES = 1e-12

# A fraction of 7e-12 outside is printed with three digits.
SMALL_PROBABILITY = 0.5e-2

# d2 for ranges of two is 2 / sqrt(pi) = 1.12838; handbooks print 1.128.
ROUNDED_D2 = 4e-4

# A mean of 1000 draws from a beta distribution with a standard deviation below 0.16: four standard errors.
DRAWN_SHARE = 0.02

# A point of an outline is found within 1e-8 of its place, a hundredth of the tolerance on its difference from the limit.
ON_THE_LIMIT = 1e-6

# Labels are drawn to a hundredth of a millimetre, and a PDF gives a page in points, to about as much.
DRAWN_MM = 0.05

# Near one colour a formula is a quadratic form. Half a unit away, both ways taken together, it deviates by up to 1.7 % (CIEDE2000, black).
QUADRATIC_FORM = 0.02

# An average between its limits is followed over 201 cells; run lengths by integration differ by some parts in 10,000.
MARKOV_CHAIN = 1e-3

# Weights of a spectrum are kept in eight decimals: 43 of them are off by 2e-7 in all, at reflectances up to 1. A dark colour in CIELAB
# magnifies that by up to 500 * 7.8 / 35 (Z under A): 2.3e-5.
WEIGHTS_8 = 0.5e-8 + 1e-14
TABULATED_WEIGHTS = 2.2e-7
TABULATED_WEIGHTS_IN_LAB = 2.5e-5

# Whites are printed in three decimals from sums in other steps: those of D65, A and D50 agree within this (ASTM E308).
PRINTED_WHITE = 0.01
# The white of C, tabulated only every 5 nm, depends more on the interpolation.
PRINTED_WHITE_OF_C = 0.06

# A table sum at 10 nm against a sum over a curve interpolated to 1 nm: at most 0.036 in CIELAB on the reference curves.
BETWEEN_SPECTRAL_METHODS = 0.05

# The gauge study prints six decimals, and 1.086446 and 0.302373 for 1.0864466 and 0.3023715, since it squares rounded deviations.
PRINTED_6 = 0.5e-6 + 1e-9
SUM_OF_ROUNDED_6 = 2e-6

# A percentage is printed with one decimal.
PRINTED_1 = 0.05 + 1e-9

# The handbook truncates Rosner's statistics to three decimals: 3.11891 is printed as 3.118.
CUT_OFF_3 = 1e-3

# Two programs that stop their search for the greatest likelihood in their own way, parameters up to some tens.
GLM_RELATIVE = 1e-6

# A proposed limit keeps a hundred-thousandth of itself from the surface, on the safe side.
FOUND_ON_SURFACE = 3e-5

# Numerical integration, roots and sums of some hundred terms agree with a closed form to this.
INTEGRATED = 1e-6

# A search over a grid of 600 steps misses the maximum by less than a hundredth.
GRID_SEARCH = 0.01

# Evidence is divided between two suppliers in 256 steps: the best division lies between two of them, which differ by less than this.
DIVIDED_EVIDENCE = 1e-3
