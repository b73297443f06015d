"""Curves: values by hand, derivatives against differences."""

import numpy as np
import pytest

from olivetime.ripening import curves

CASES = {
    "logistic": (curves.logistic, (45.0, 40.0, 15.0)),
    "asymptotic": (curves.asymptotic, (101.4, -8.6, -3.2)),
    "gompertz": (curves.gompertz, (45.0, 35.0, 20.0)),
    "richards": (curves.richards, (45.0, 40.0, 15.0, 0.6)),
    "plateau_line": (curves.plateau_line, (45.0, 70.0, 0.6)),
    "line": (curves.line, (3.0, 0.4)),
    **{f"oil_{k}": (c, (np.log(45.0), 40.0, np.log(17.0))) for k, c in curves.OIL_SHAPES.items()},
}
X = np.array([-5.0, 12.0, 33.0, 47.0, 71.0, 74.0, 120.0])


def _differences(function, parameters):
    out = []
    for i, value in enumerate(parameters):
        step = 1e-5 * max(abs(value), 1.0)
        up, down = list(parameters), list(parameters)
        up[i] += step
        down[i] -= step
        out.append((function(*up) - function(*down)) / (2 * step))
    return np.stack(out, axis=-1)


@pytest.mark.parametrize("name", CASES)
def test_gradient_is_the_slope_of_the_value(name):
    curve, parameters = CASES[name]
    expected = _differences(lambda *p: curve(X, *p), parameters)
    np.testing.assert_allclose(curve.gradient(X, *parameters), expected, rtol=1e-6, atol=1e-7)


@pytest.mark.parametrize("name", CASES)
def test_hessian_is_the_slope_of_the_gradient(name):
    curve, parameters = CASES[name]
    expected = _differences(lambda *p: curve.gradient(X, *p), parameters)
    np.testing.assert_allclose(curve.hessian(X, *parameters), expected, rtol=2e-6, atol=1e-6)


@pytest.mark.parametrize("name", CASES)
def test_derivatives_agree_with_the_single_calls_and_broadcast(name):
    curve, parameters = CASES[name]
    columns = [np.array([[p], [1.01 * p]]) for p in parameters]
    value, gradient, hessian = curve.derivatives(X, *columns)
    size = len(parameters)
    assert value.shape == (2, 7)
    assert gradient.shape == (2, 7, size)
    assert hessian.shape == (2, 7, size, size)
    np.testing.assert_allclose(value[0], curve(X, *parameters))
    np.testing.assert_allclose(gradient[0], curve.gradient(X, *parameters))
    np.testing.assert_allclose(hessian[0], curve.hessian(X, *parameters))
    np.testing.assert_allclose(hessian, np.swapaxes(hessian, -1, -2))


@pytest.mark.parametrize(
    ("curve", "parameters", "x", "expected"),
    [
        (curves.logistic, (45.0, 40.0, 15.0), 40.0, 22.5),  # half of the plateau at the midpoint, by hand
        (curves.asymptotic, (100.0, -8.0, -3.0), 0.0, -8.0),  # by hand
        (curves.gompertz, (45.0, 35.0, 20.0), 35.0, 16.554575),  # 45 / e, by hand
        (curves.richards, (45.0, 40.0, 15.0, 1.0), 40.0, 22.5),  # shape 1 is the logistic
        (curves.plateau_line, (45.0, 70.0, 0.6), 10.0, 9.0),  # 45 - 0.6 * 60, far from the corner
        (curves.plateau_line, (45.0, 70.0, 0.6), 200.0, 45.0),
        (curves.line, (3.0, 0.4), 10.0, 7.0),
    ],
)
def test_values_by_hand(curve, parameters, x, expected):
    assert curve(x, *parameters) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("name", curves.OIL_SHAPES)
def test_oil_shapes_share_the_meaning_of_their_parameters(name):
    shape = curves.OIL_SHAPES[name]
    parameters = (np.log(45.0), 40.0, np.log(17.0))
    assert np.exp(shape(40.0, *parameters)) == pytest.approx(22.5, rel=2e-3)  # half the plateau
    slope = (np.exp(shape(40.01, *parameters)) - np.exp(shape(39.99, *parameters))) / 0.02
    assert slope == pytest.approx(45 / (4 * 17), rel=5e-3)  # points of oil a day
    assert np.exp(shape(400.0, *parameters)) == pytest.approx(45.0, rel=1e-4)
    rising = np.exp(shape(np.linspace(-60, 300, 500), *parameters))
    assert np.all(np.diff(rising) >= 0)
    assert np.all(np.isfinite(rising))


@pytest.mark.parametrize("name", ["logistic", "asymptotic", "gompertz", "plateau_line", "line"])
def test_start_is_near_the_truth_of_clean_data(name):
    curve, parameters = CASES[name]
    x = np.linspace(0, 150, 40)
    start = curve.start(x, curve(x, *parameters))
    spread = np.ptp(curve(x, *parameters))
    assert np.sqrt(np.mean((curve(x, *start) - curve(x, *parameters)) ** 2)) < 0.15 * spread


def test_start_without_a_guess_says_what_to_give():
    curve = curves.from_formula("power", ("a", "b"), lambda x, a, b: a * x**b)
    with pytest.raises(ValueError, match=r"curve power: found no starting guess.*a, b.*Give start"):
        curve.start([1.0], [2.0])


def test_a_wrong_number_of_parameters_is_named():
    with pytest.raises(
        ValueError, match=r"curve logistic: found 2 parameters, expected 3 \(plateau, midpoint, scale\)"
    ):
        curves.logistic(1.0, 45.0, 40.0)


def test_a_width_of_zero_is_refused():
    with pytest.raises(ValueError, match="expected above 0"):
        curves.smooth_corner(0.0)


def test_a_curve_from_its_formula_alone_has_usable_derivatives():
    own = curves.from_formula("logistic", ("a", "m", "s"), lambda x, a, m, s: a / (1 + np.exp(-(x - m) / s)))
    parameters = (45.0, 40.0, 15.0)
    np.testing.assert_allclose(
        own.gradient(X, *parameters), curves.logistic.gradient(X, *parameters), rtol=1e-7, atol=1e-9
    )
    np.testing.assert_allclose(
        own.hessian(X, *parameters), curves.logistic.hessian(X, *parameters), rtol=1e-4, atol=1e-6
    )
