"""Statistics over cases against published worked examples and reference libraries.

Where the value in a table was recalled and not looked up, the comment says "from memory".
"""

import numpy as np
import pytest

from coreg.cohort.bland_altman import bland_altman, repeatability
from coreg.cohort.concordance import concordance, intraclass
from coreg.cohort.kappa import cohen_kappa, fleiss_kappa
from coreg.cohort.regression import deming, passing_bablok

# Bland & Altman, Lancet 1986;327:307-310: peak expiratory flow rate in l/min, two readings each
# with the Wright meter and the mini meter (as listed in public R scripts).
PEFR = np.array(
    [
        (494, 490, 512, 525), (395, 397, 430, 415), (516, 512, 520, 508), (434, 401, 428, 444),
        (476, 470, 500, 500), (557, 611, 600, 625), (413, 415, 364, 460), (442, 431, 380, 390),
        (650, 638, 658, 642), (433, 429, 445, 432), (417, 420, 432, 420), (656, 633, 626, 605),
        (267, 275, 260, 227), (478, 492, 477, 467), (178, 165, 259, 268), (423, 372, 350, 370),
        (427, 421, 451, 443),
    ],
    dtype=float,
)  # fmt: skip
WRIGHT, MINI = PEFR[:, 0], PEFR[:, 2]

# Shrout & Fleiss, Psychol Bull 1979;86:420-428, table 2 (from memory): 6 targets, 4 judges.
JUDGED = np.array(
    [(9, 2, 5, 8), (6, 1, 3, 2), (8, 4, 6, 8), (7, 1, 2, 6), (10, 5, 6, 9), (6, 2, 4, 7)]
)

# Fleiss, Psychol Bull 1971;76:378-382 (cell counts from memory): 30 patients, 6 raters.
DIAGNOSES = np.array(
    [
        (0, 0, 0, 6, 0), (0, 3, 0, 0, 3), (0, 1, 4, 0, 1), (0, 0, 0, 0, 6), (0, 3, 0, 3, 0),
        (2, 0, 4, 0, 0), (0, 0, 4, 0, 2), (2, 0, 3, 1, 0), (2, 0, 0, 4, 0), (0, 0, 0, 0, 6),
        (1, 0, 0, 5, 0), (1, 1, 0, 4, 0), (0, 3, 3, 0, 0), (1, 0, 0, 5, 0), (0, 2, 0, 3, 1),
        (0, 0, 5, 0, 1), (3, 0, 0, 1, 2), (5, 1, 0, 0, 0), (0, 2, 0, 4, 0), (1, 0, 2, 0, 3),
        (0, 0, 0, 0, 6), (0, 1, 0, 5, 0), (0, 2, 0, 1, 3), (2, 0, 0, 4, 0), (1, 0, 0, 4, 1),
        (0, 5, 0, 1, 0), (4, 0, 0, 0, 2), (0, 2, 0, 4, 0), (1, 0, 5, 0, 0), (0, 0, 0, 0, 6),
    ]
)  # fmt: skip


def test_bland_altman_1986_bias_and_limits():
    found = bland_altman(WRIGHT, MINI, method="approximate", multiplier=2)
    assert found.bias == pytest.approx(-2.1, abs=0.05)  # published
    assert found.sd == pytest.approx(38.8, abs=0.05)  # published
    # Published from rounded values: -2.1 -+ 2 x 38.8 (from memory).
    assert (found.lower, found.upper) == pytest.approx((-79.7, 75.5), abs=0.15)
    assert (found.bias, found.sd) == pytest.approx((-2.117647, 38.765130), abs=1e-6)  # computed
    assert (found.lower, found.upper) == pytest.approx((-79.647907, 75.412613), abs=1e-6)


def test_bland_altman_1986_intervals():
    """Published intervals from memory; the computed ones to 1e-6 beside them."""
    found = bland_altman(WRIGHT, MINI, method="approximate", multiplier=2)
    assert found.bias_ci == pytest.approx((-22.0, 17.8), abs=0.1)
    assert found.lower_ci == pytest.approx((-114.3, -45.1), abs=0.2)
    assert found.upper_ci == pytest.approx((41.0, 110.1), abs=0.2)
    assert found.bias_ci == pytest.approx((-22.048838, 17.813544), abs=1e-6)
    assert found.lower_ci == pytest.approx((-114.169742, -45.126072), abs=1e-6)


def test_bland_altman_1986_repeatability():
    assert repeatability(PEFR[:, 0], PEFR[:, 1]) == pytest.approx(43.2, abs=0.15)  # from memory
    assert repeatability(PEFR[:, 2], PEFR[:, 3]) == pytest.approx(56.4, abs=0.15)  # from memory


def test_bland_altman_equals_pingouin():
    pingouin = pytest.importorskip("pingouin", reason="pingouin is in the test extra only")
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    axes = pingouin.plot_blandaltman(WRIGHT, MINI)
    drawn = sorted({round(float(line.get_ydata()[0]), 4) for line in axes.get_lines()})
    plt.close("all")
    found = bland_altman(WRIGHT, MINI, multiplier=1.96)
    for value in (found.lower, found.bias, found.upper):
        assert min(abs(value - d) for d in drawn) < 1e-3


@pytest.mark.parametrize(
    ("form", "published", "computed"),
    [
        ("ICC(1,1)", 0.17, 0.165742),
        ("ICC(2,1)", 0.29, 0.289764),
        ("ICC(3,1)", 0.71, 0.714841),
        ("ICC(1,k)", 0.44, 0.442797),
        ("ICC(2,k)", 0.62, 0.620051),
        ("ICC(3,k)", 0.91, 0.909316),
    ],
)
def test_shrout_and_fleiss_1979(form, published, computed):
    """Published values from memory; four judges, so k is 4."""
    found = intraclass(JUDGED)[form]
    assert round(found.value, 2) == published
    assert found.value == pytest.approx(computed, abs=1e-6)


def test_shrout_and_fleiss_1979_tests_and_limits():
    """F and p computed; limits as pingouin 0.7.0 prints them for the same table."""
    found = intraclass(JUDGED)
    assert (found["ICC(1,1)"].f, found["ICC(1,1)"].p) == pytest.approx((1.794678, 0.164769), 1e-5)
    assert found["ICC(3,1)"].f == pytest.approx(11.027248, 1e-6)
    limits = {
        "ICC(1,1)": (-0.13, 0.72), "ICC(2,1)": (0.02, 0.76), "ICC(3,1)": (0.34, 0.95),
        "ICC(1,k)": (-0.88, 0.91), "ICC(2,k)": (0.07, 0.93), "ICC(3,k)": (0.68, 0.99),
    }  # fmt: skip
    for form, expected in limits.items():
        assert (found[form].low, found[form].high) == pytest.approx(expected, abs=0.0051)


@pytest.mark.filterwarnings("ignore:The inplace keyword")  # pandas, about pingouin
def test_intraclass_equals_pingouin_on_random_ratings():
    pingouin = pytest.importorskip("pingouin", reason="pingouin is in the test extra only")
    import pandas

    rng = np.random.default_rng(3)
    ratings = rng.normal(size=(12, 1)) + rng.normal(0, 0.5, size=(12, 3)) + [0, 0.3, -0.2]
    long = pandas.DataFrame(
        {
            "target": np.repeat(np.arange(12), 3),
            "judge": np.tile(np.arange(3), 12),
            "score": ratings.ravel(),
        }
    )
    table = pingouin.intraclass_corr(long, "target", "judge", "score")
    for ours, value in zip(intraclass(ratings).values(), table["ICC"], strict=True):
        assert ours.value == pytest.approx(float(value), abs=1e-6)


def test_lin_1989_on_lines_with_known_concordance():
    """No published example with data was found: closed forms, and computed reference values."""
    x = np.arange(1.0, 6.0)
    assert concordance(x, x + 1).value == pytest.approx(0.8)
    assert concordance(x, 2 * x).value == pytest.approx(8 / 19)
    found = concordance(WRIGHT, MINI)
    assert found.value == pytest.approx(0.942742431, abs=1e-9)
    assert found.pearson == pytest.approx(0.94, abs=0.005)  # published, from memory
    assert found.bias_correction == pytest.approx(0.999430693, abs=1e-9)
    # Computed from a variance recalled from memory.
    assert (found.low, found.high) == pytest.approx((0.850491872, 0.978726279), abs=1e-8)


def test_lin_limits_cover_as_often_as_they_say():
    """Bivariate normal with known concordance: 95 % limits hold it in 92–98 % of 600 samples."""
    rng = np.random.default_rng(5)
    r, shift = 0.8, 0.5
    truth = 2 * r / (2 + shift**2)
    inside = 0
    for _ in range(600):
        x, e = rng.normal(size=(2, 40))
        y = r * x + np.sqrt(1 - r**2) * e + shift
        found = concordance(x, y)
        inside += found.low <= truth <= found.high
    assert 0.92 <= inside / 600 <= 0.98


def test_cohen_1960():
    """Educ Psychol Meas 20:37-46; table and .492 from memory, the rest computed."""
    table = [[88, 14, 18], [10, 40, 10], [2, 6, 12]]
    found = cohen_kappa(table)
    assert found.value == pytest.approx(0.492, abs=0.0006)
    assert found.value == pytest.approx(0.491525, abs=1e-6)
    assert cohen_kappa(table, "linear").value == pytest.approx(0.473684, abs=1e-6)
    assert cohen_kappa(table, "quadratic").value == pytest.approx(0.454545, abs=1e-6)
    assert cohen_kappa([[20, 5], [10, 15]]).value == pytest.approx(0.4)


def test_cohen_error_without_agreement_is_that_of_fleiss_cohen_and_everitt_1969():
    """Psychol Bull 72:323-327, formula from memory. (Cohen 1960 had a rougher one: 0.058946.)"""
    table = np.array([[88, 14, 18], [10, 40, 10], [2, 6, 12]])
    share = table / table.sum()
    rows, columns = share.sum(axis=1), share.sum(axis=0)
    chance = rows @ columns
    variance = (chance + chance**2 - (rows * columns * (rows + columns)).sum()) / (
        table.sum() * (1 - chance) ** 2
    )
    assert cohen_kappa(table).zero_error == pytest.approx(np.sqrt(variance), abs=1e-9)


def test_cohen_equals_scikit_learn():
    from sklearn.metrics import cohen_kappa_score

    from coreg.cohort.kappa import label_table

    rng = np.random.default_rng(0)
    first = rng.integers(0, 4, 300)
    second = np.where(rng.random(300) < 0.7, first, rng.integers(0, 4, 300))
    expected = cohen_kappa_score(first, second)
    assert cohen_kappa(label_table(first, second, 4)).value == pytest.approx(expected)


def test_fleiss_1971():
    found = fleiss_kappa(DIAGNOSES)
    assert found.value == pytest.approx(0.430, abs=0.0005)  # published
    assert found.value == pytest.approx(0.430245, abs=1e-6)
    assert found.zero_error == pytest.approx(0.024374, abs=1e-6)  # formula of 1979, computed
    assert found.low < found.value < found.high


def test_fleiss_second_table():
    """The 10 x 5 table of 14 raters in general encyclopaedias (from memory): 0.210."""
    rows = (
        "0 0 0 0 14/0 2 6 4 2/0 0 3 5 6/0 3 9 2 0/2 2 8 1 1/7 7 0 0 0/3 2 6 3 0/2 5 3 2 2/"
        "6 5 2 1 0/0 2 2 3 7"
    )
    table = np.array([[int(v) for v in row.split()] for row in rows.split("/")])
    assert fleiss_kappa(table).value == pytest.approx(0.210, abs=0.0005)


def test_deming_as_listed_by_two_r_packages_and_a_julia_package():
    """Intercept -0.08974, slope 1.00119 with var_y / var_x = 1/4 (a Julia package's own test)."""
    x = [7, 8.3, 10.5, 9, 5.1, 8.2, 10.2, 10.3, 7.1, 5.9]
    y = [7.9, 8.2, 9.6, 9, 6.5, 7.3, 10.2, 10.6, 6.3, 5.2]
    found = deming(x, y, variance_ratio=0.25)
    assert found.slope == pytest.approx(1.00119, abs=1e-5)
    assert found.intercept == pytest.approx(-0.08974, abs=1e-5)
    assert found.slope == pytest.approx(1.00119423, abs=1e-8)  # computed
    half = (found.slope_ci[1] - found.slope_ci[0]) / 2
    assert half / 2.306004135 == pytest.approx(0.187177, abs=2e-6)  # jackknife error, computed
    assert deming(x, y).slope == pytest.approx(0.94228856, abs=1e-8)  # computed


def test_deming_equals_the_principal_axis_of_equal_errors():
    """With equal error variances the line is the first principal component (scikit-learn)."""
    from sklearn.decomposition import PCA

    rng = np.random.default_rng(2)
    x = rng.normal(5, 2, 40)
    y = 1.2 * x - 0.7 + rng.normal(0, 0.6, 40)
    axis = PCA(n_components=1).fit(np.stack([x, y], axis=1)).components_[0]
    assert deming(x, y).slope == pytest.approx(axis[1] / axis[0])
    # Another ratio is the same after scaling y by the ratio of the standard deviations.
    assert deming(x, y, variance_ratio=4.0).slope == pytest.approx(2 * deming(x, y / 2).slope)


def test_passing_bablok_on_thirty_listed_pairs():
    """A fixture of a public R test file, -0.15 and 1.00 there; limits computed."""
    x = (
        "69.3 27.1 61.3 50.8 34.4 92.3 57.5 45.5 33.3 60.9 56.3 49.9 89.7 28.9 96.3 76.6 83.2 79.4 "
        "51.7 32.5 14.2 99.1 76.8 95.4 84.1 48.8 80.4 84.5 61.4 26.9"
    )
    y = (
        "69.1 26.7 61.4 51.2 34.7 88.5 57.9 45.1 33.4 60.8 66.5 48.2 88.3 29.3 96.4 77.1 82.7 78.9 "
        "51.6 28.8 12.7 98.6 77.3 94.9 83.3 47.0 80.9 84.7 61.3 26.7"
    )
    a, b = (np.array([float(v) for v in text.split()]) for text in (x, y))
    found = passing_bablok(a, b)
    assert (found.slope, found.intercept) == pytest.approx((1.0, -0.15), abs=1e-9)
    assert found.slope_ci == pytest.approx((0.987635, 1.012315), abs=1e-6)
    assert found.intercept_ci == pytest.approx((-0.853079, 0.654946), abs=1e-6)
    swapped = passing_bablok(b, a)
    assert (swapped.slope, swapped.intercept) == pytest.approx((1.0, 0.15), abs=1e-9)


def test_passing_bablok_on_the_flow_readings():
    """Computed reference value: 1.064815, -24.305556."""
    found = passing_bablok(WRIGHT, MINI)
    assert (found.slope, found.intercept) == pytest.approx((1.064815, -24.305556), abs=1e-5)


def test_r_squared_equals_scipy():
    from scipy.stats import pearsonr

    from coreg.cohort.regression import r_squared

    found = r_squared(WRIGHT, MINI, draws=200)
    assert found.value == pytest.approx(pearsonr(WRIGHT, MINI).statistic ** 2)
    assert found.low < found.value < found.high


def test_hedges_g_equals_pingouin():
    pingouin = pytest.importorskip("pingouin", reason="pingouin is in the test extra only")
    from coreg.cohort.groups import compare_groups

    rng = np.random.default_rng(1)
    a, b = rng.normal(0, 1, 9), rng.normal(0.8, 1.3, 12)
    (found,) = compare_groups(
        np.concatenate([a, b]), ["a"] * 9 + ["b"] * 12, [f"animal {i}" for i in range(21)]
    )
    # The correction here is 1 - 3 / (4 n - 9), as in pingouin.
    assert found.hedges_g == pytest.approx(pingouin.compute_effsize(b, a, eftype="hedges"))
    from scipy.stats import ttest_ind

    assert found.p == pytest.approx(ttest_ind(b, a, equal_var=False).pvalue)


def test_mixed_model_equals_the_closed_form_of_a_balanced_design():
    """Balanced random intercepts: REML gives the analysis-of-variance components."""
    from coreg.cohort.groups import mixed_model

    rng = np.random.default_rng(4)
    animals, lesions = 12, 4
    table = rng.normal(0, 2, (animals, 1)) + rng.normal(0, 1, (animals, lesions)) + 10
    found = mixed_model(table.ravel(), np.repeat(np.arange(animals), lesions))
    within = table.var(axis=1, ddof=1).mean()
    between = table.mean(axis=1).var(ddof=1) - within / lesions
    assert found.within_sd == pytest.approx(np.sqrt(within), rel=1e-3)
    assert found.between_sd == pytest.approx(np.sqrt(between), rel=1e-3)
    assert found.mean == pytest.approx(table.mean())
    assert found.converged
