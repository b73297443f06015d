"""The mixed-model engine, the general fit and the oil fit: oracles are dense normal densities and simulated truth."""

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import multivariate_normal, norm, qmc

from olivetime.ripening import curves, mixed, modes
from olivetime.ripening.mixed import FitError, fit_mixed, fit_oil
from olivetime.ripening.modes import even_noise, even_points


def growth(groups=12, points=6, seed=3, noise=1.0):
    """Logistic growth of several groups, plateau and midpoint varying, unequal numbers of observations."""
    rng = np.random.default_rng(seed)
    rows = []
    for g in range(groups):
        plateau, midpoint = 45 + 4 * rng.standard_normal(), 40 + 5 * rng.standard_normal()
        x = np.sort(rng.uniform(5, 110, points - g % 3))
        y = curves.logistic(x, plateau, midpoint, 15.0) + noise * rng.standard_normal(len(x))
        rows += [(f"g{g:02d}", j, a, b) for j, (a, b) in enumerate(zip(x, y, strict=True))]
    return pd.DataFrame(rows, columns=["group", "visit", "x", "y"])


# --- engine ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("nu", "limits"), [(None, False), (6.0, False), (None, True), (6.0, True)])
@pytest.mark.parametrize("levels", [0, 4])
@pytest.mark.parametrize("border_curve", [False, True])
def test_gradient_of_the_laplace_likelihood_is_exact(nu, limits, levels, border_curve):
    """All outer derivatives against central differences, modes solved anew each time."""
    rng = np.random.default_rng(1)
    groups, slots, problems = 6, 2, 2
    group = np.repeat(np.arange(groups), 8)
    slot = np.tile(np.repeat([0, 1], 4), groups)
    week = np.tile(np.arange(4), groups * 2) if levels else None
    layout = modes.layout_of(
        group,
        slot,
        week,
        size=3,
        random=[0, 1],
        slots=slots,
        group_problem=np.repeat([0, 1], 3),
        problems=problems,
        levels=levels,
        border_curve=border_curve,
    )
    x = np.tile([20.0, 35.0, 50.0, 80.0], groups * slots)
    y = curves.logistic(x, 45 + 3 * rng.standard_normal(groups)[group], 40.0, 15.0) + rng.standard_normal(len(x))
    y[5] += 8

    def evaluate(phi):
        return curves.logistic.derivatives(x, *phi.T)

    below = np.arange(len(x)) % 4 == 0 if limits else None
    problem = modes.Problem(layout, evaluate, y, np.where(x > 60, 2.0, 1.0), nu, below)

    def value(t):
        q_inner = np.diag(np.exp(-t[:4])) + 0.01 * t[4]
        q_border = np.zeros((problems, layout.border, layout.border))
        at = np.arange(layout.border)
        q_border[:, at, at] = np.exp(-t[5])
        mean = np.zeros((problems, layout.border))
        phi0 = np.array([45.0, 40.0, 15.0]) + t[6:9] * [1.0, 1.0, 0.5]
        outer = modes.Outer(phi0, q_inner, q_border, mean, t[9])
        start = np.zeros((groups, layout.inner)), mean
        found = modes.find_modes(problem, outer, *start, close=1e-13)
        assert found.converged
        fit = modes.laplace(problem, outer, found)
        gradient = np.concatenate(
            [
                -np.exp(-t[:4]) * np.diagonal(fit.d_q_inner),
                [0.01 * fit.d_q_inner.sum()],
                [-np.exp(-t[5]) * (np.trace(fit.d_q_border, axis1=1, axis2=2).sum() + fit.d_q_level.sum())],
                fit.d_phi0 * [1.0, 1.0, 0.5],
                [fit.d_log_sigma],
            ]
        )
        return fit.value, gradient

    t = np.array([1.5, 2.0, 1.0, 1.8, 0.3, 0.5, 0.4, -0.3, 0.2, 0.1])
    _, gradient = value(t)
    step = 1e-5
    expected = [(value(t + step * e)[0] - value(t - step * e)[0]) / (2 * step) for e in np.eye(len(t))]
    np.testing.assert_allclose(gradient, expected, rtol=2e-6, atol=2e-6)


@pytest.mark.parametrize(("n", "size"), [(16, 1), (16, 11), (4, 11), (16, 24), (16, 25), (32, 3)])
def test_points_from_the_file_are_those_of_the_library(n, size):
    np.testing.assert_array_equal(even_points(n, size), qmc.Sobol(size, rng=1).random(n))


@pytest.mark.parametrize(("n", "size"), [(16, 1), (16, 11), (4, 11), (16, 16), (16, 25), (32, 3), (1, 4)])
def test_even_noise_has_the_moments_of_a_standard_normal(n, size):
    noise = even_noise(n, size)
    np.testing.assert_allclose(noise.mean(axis=0), 0, atol=1e-12)
    expected = np.eye(size) if n > size else np.full(size, float(n > 1))
    np.testing.assert_allclose(noise.T @ noise / n if n > size else noise.var(axis=0), expected, atol=1e-12)
    assert np.abs(noise).max() < 4


def test_the_skewness_tells_more_than_half_of_the_way_from_mode_to_mean():
    # the exact mean of one group's effect by scipy's quadrature
    y, sigma, sd = np.array([1.2, 2.1, 1.6]), 0.5, 1.0
    layout = modes.layout_of(
        np.zeros(3, int),
        np.zeros(3, int),
        None,
        size=1,
        random=[0],
        slots=1,
        group_problem=np.zeros(1, int),
        problems=1,
        levels=0,
        border_curve=False,
    )

    def evaluate(phi):
        e = np.exp(phi[:, 0])
        return e, e[:, None], e[:, None, None]

    problem = modes.Problem(layout, evaluate, y, np.ones(3), None)
    outer = modes.Outer(np.zeros(1), np.eye(1) / sd**2, np.zeros((1, 0, 0)), np.zeros((1, 0)), np.log(sigma))
    found = modes.find_modes(problem, outer, np.zeros((1, 1)), np.zeros((1, 0)), close=1e-13)
    fit = modes.laplace(problem, outer, found)

    def density(u):
        return np.exp(-0.5 * np.sum((y - np.exp(u)) ** 2) / sigma**2 - 0.5 * u**2 / sd**2)

    mean = quad(lambda u: u * density(u), -8, 4)[0] / quad(density, -8, 4)[0]
    mode = found.inner[0, 0]
    assert mean < mode - 0.02  # skewed to the left
    assert abs(mode + fit.lean_inner[0, 0] - mean) < 0.5 * abs(mode - mean)


# --- general fit -------------------------------------------------------------------------------------------------


def _dense_log_density(fit, data, weights, level):
    """Log density of a straight-line model at the fit's estimates, by the dense covariance of all observations."""
    x, y = data["x"].to_numpy(), data["y"].to_numpy()
    design = np.column_stack([np.ones_like(x), x])
    sds = fit.random_sd.to_numpy()
    between = fit.random_corr.to_numpy() * np.outer(sds, sds)
    same = data["group"].to_numpy()[:, None] == data["group"].to_numpy()
    covariance = (design @ between @ design.T) * same + np.diag(fit.sigma**2 / weights)
    if level is not None:
        covariance = covariance + fit.level_sd**2 * (level[:, None] == level)
    return multivariate_normal(design @ fit.fixed.to_numpy(), covariance).logpdf(y)


@pytest.mark.parametrize("with_level", [False, True])
def test_straight_lines_have_the_likelihood_of_the_dense_normal_density(with_level):
    rng = np.random.default_rng(5)
    data = growth()
    shared = rng.normal(0, 2, 6)[data["visit"]]
    data["y"] = 10 + 0.4 * data["x"] + shared + rng.normal(0, 3, 12)[data["group"].str[1:].astype(int)]
    data["y"] += rng.standard_normal(len(data))
    weights = np.where(data["x"] > 60, 2.0, 1.0)
    level = data["visit"].to_numpy() if with_level else None
    fit = fit_mixed(
        curves.line, data["x"], data["y"], data["group"], random=["intercept", "slope"], weights=weights, level=level
    )
    # the slopes do not differ in truth: near a spread of zero the two ways of summing part in the tenth digit
    np.testing.assert_allclose(fit.loglik, _dense_log_density(fit, data, weights, level), rtol=1e-9)
    assert fit.converged
    if with_level:  # and no nearby value is likelier
        assert 0.5 < fit.level_sd < 4
        np.testing.assert_allclose(fit.level_effects - fit.level_effects.mean(), _centred(shared, data), atol=0.8)


def _centred(shared, data):
    by_visit = pd.Series(shared).groupby(data["visit"].to_numpy()).first()
    return by_visit - by_visit.mean()


@pytest.mark.parametrize("covariance", ["full", "diagonal"])
def test_the_truth_of_many_groups_is_found(covariance):
    data = growth(groups=300, points=8)
    fit = fit_mixed(
        curves.logistic, data["x"], data["y"], data["group"], random=["plateau", "midpoint"], covariance=covariance
    )
    assert fit.converged
    assert abs(fit.fixed["plateau"] - 45) < 3 * fit.fixed_se["plateau"]
    assert abs(fit.fixed["midpoint"] - 40) < 3 * fit.fixed_se["midpoint"]
    assert abs(fit.fixed["scale"] - 15) < 3 * fit.fixed_se["scale"]
    assert fit.random_sd["plateau"] == pytest.approx(4, rel=0.15)
    assert fit.random_sd["midpoint"] == pytest.approx(5, rel=0.15)
    assert fit.sigma == pytest.approx(1, rel=0.1)
    assert (fit.random_corr.iloc[0, 1] == 0) == (covariance == "diagonal")


def test_the_order_of_rows_does_not_matter():
    data = growth()
    shuffled = data.sample(frac=1, random_state=1)
    fits = [
        fit_mixed(curves.logistic, d["x"], d["y"], d["group"], random=["plateau", "midpoint"]) for d in (data, shuffled)
    ]
    np.testing.assert_allclose(fits[0].fixed, fits[1].fixed, rtol=1e-7)
    np.testing.assert_allclose(fits[0].fitted[shuffled.index], fits[1].fitted, rtol=1e-6)


def test_draws_have_the_spread_of_the_fit():
    data = growth(groups=40)
    fit = fit_mixed(curves.line, data["x"], data["y"], data["group"], random=["intercept"])
    draws = fit.draw(4000, np.random.default_rng(0))
    assert draws.fixed.shape == (4000, 2)
    assert draws.parameters.shape == (4000, 40, 2)
    np.testing.assert_allclose(draws.fixed.mean(axis=0), fit.fixed, atol=4 * fit.fixed_se.max() / np.sqrt(4000))
    np.testing.assert_allclose(draws.fixed.std(axis=0), fit.fixed_se, rtol=0.1)
    # a group's intercept given the rest: s2 n / (s2 n + e2) of its own mean, by hand; here only its spread
    own = fit.group_parameters().to_numpy()
    np.testing.assert_allclose(draws.parameters.mean(axis=0), own, atol=0.5)


def test_at_gives_a_group_its_own_curve_and_a_stranger_the_typical_one():
    data = growth(groups=30, points=10, noise=0.5)
    fit = fit_mixed(curves.logistic, data["x"], data["y"], data["group"], random=["plateau", "midpoint"])
    np.testing.assert_allclose(fit.at(data["x"], data["group"]), fit.fitted, rtol=1e-9)
    typical = curves.logistic(np.array([50.0]), *fit.fixed)
    np.testing.assert_allclose(fit.at([50.0]), typical)
    np.testing.assert_allclose(fit.at([50.0], "nobody"), typical)


def test_log_error_is_a_constant_share_of_the_value():
    rng = np.random.default_rng(2)
    data = growth(groups=80, noise=0.0)
    data["y"] *= np.exp(0.05 * rng.standard_normal(len(data)))
    fit = fit_mixed(curves.logistic, data["x"], data["y"], data["group"], random=["plateau", "midpoint"], error="log")
    assert fit.sigma == pytest.approx(0.05, rel=0.15)
    assert fit.fixed["plateau"] == pytest.approx(45, abs=2)


def test_a_doubtful_observation_counts_less_under_student_errors():
    data = growth(groups=30)
    clean = fit_mixed(
        curves.logistic, data["x"], data["y"], data["group"], random=["plateau", "midpoint"], error="student"
    )
    data.loc[7, "y"] += 40
    fit = fit_mixed(
        curves.logistic, data["x"], data["y"], data["group"], random=["plateau", "midpoint"], error="student"
    )
    assert fit.weights[7] < 0.05
    assert np.median(fit.weights) > 0.8
    np.testing.assert_allclose(fit.fixed, clean.fixed, rtol=0.02)


def test_a_prior_holds_a_plateau_that_nobody_has_seen():
    data = growth(groups=8, points=4)
    data = data[data["x"] < 45]
    prior = {
        "plateau": (45.0, 1.0),
        "midpoint": (40.0, 10.0),
        "scale": (15.0, 3.0),
        "sd(plateau)": (4.0, 0.4),
        "sd(midpoint)": (5.0, 0.4),
        "sigma": (1.0, 0.4),
    }
    fit = fit_mixed(
        curves.logistic,
        data["x"],
        data["y"],
        data["group"],
        random=["plateau", "midpoint"],
        prior=prior,
        start=(45.0, 40.0, 15.0),
        covariance="diagonal",
    )
    assert fit.converged
    assert abs(fit.fixed["plateau"] - 45) < 1.5
    held = fit.parameters.set_index("name")
    assert held.loc["plateau", "prior_mean"] == 45.0
    assert 0 < held.loc["plateau", "se"] < 1.05  # no wider than the prior
    assert np.all(np.isfinite(fit.draw(50, np.random.default_rng(0)).parameters))


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"covariance": "some"}, "covariance is 'some', expected one of full, diagonal"),
        ({"error": "poisson"}, "error is 'poisson'"),
        ({"method": "magic"}, "method is 'magic'"),
        ({"random": ["height"]}, r"random is \('height',\), expected names among plateau, midpoint, scale"),
        ({"start": (1.0, 2.0)}, "start has 2 values, expected 3"),
        ({"prior": {"platau": (1, 1)}}, "prior for platau, expected names among"),
        ({"weights": np.ones(3)}, "lengths of x, y, weights and group are"),
    ],
)
def test_wrong_arguments_are_named(change, match):
    data = growth()
    arguments = {"random": ["plateau"], **change}
    with pytest.raises(ValueError, match=match):
        fit_mixed(curves.logistic, data["x"], data["y"], data["group"], **arguments)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda d: d.assign(y=np.nan), "curve logistic: .* without a number, expected finite x, y.*Drop these rows"),
        (lambda d: d.iloc[:3], "3 observations, expected at least 4. Wait for more samples"),
        (lambda d: d.assign(x=7.0), "all observations at one x, expected at least two. Wait for a second"),
        (lambda d: d.assign(y=0.0), "y of zero or below, expected y above 0 for error='log'"),
    ],
)
def test_data_that_cannot_be_fitted_say_so_in_four_parts(change, match):
    data = change(growth())
    with pytest.raises(FitError, match=match) as caught:
        fit_mixed(curves.logistic, data["x"], data["y"], data["group"], random=["plateau"], error="log")
    assert all((caught.value.where, caught.value.found, caught.value.expected, caught.value.do))


# --- oil -----------------------------------------------------------------------------------------------------------


def oil_samples(blocks=12, past=1, weeks=5, seed=0, shape="logistic", cultivars=2, cv=0.06):
    """Weekly samples of blocks over seasons; the last season is 2026 and still running."""
    rng = np.random.default_rng(seed)
    lasting = rng.normal(0, 1, (blocks, 3)) * [0.035, 4.0, 0.06]
    rows, truth = [], []
    for season in range(2026 - past, 2027):
        typical = np.array([np.log(45), 43.0, np.log(17)]) + rng.normal(0, 1, 3) * [0.03, 3.0, 0.05]
        for b in range(blocks):
            phi = typical + lasting[b] + rng.normal(0, 1, 3) * [0.03, 3.0, 0.05]
            x = (
                25
                + 7.0 * np.arange(weeks if season == 2026 else 11)
                + rng.normal(0, 1, weeks if season == 2026 else 11)
            )
            y = np.exp(curves.OIL_SHAPES[shape](x, *phi) + cv * rng.standard_normal(len(x)))
            rows += [
                (a, v, f"b{b}", f"c{b % cultivars}", f"w{j}", season) for j, (a, v) in enumerate(zip(x, y, strict=True))
            ]
            if season == 2026:
                truth.append(phi)
    columns = ["x", "y", "block", "cultivar", "week", "season"]
    return pd.DataFrame(rows, columns=columns), np.array(truth)


def fitted(data, **more):
    return fit_oil(*(data[c] for c in ["x", "y", "block", "cultivar", "week", "season"]), current=2026, **more)


@pytest.mark.parametrize("shape", ["logistic", "plateau_line", "gompertz"])
def test_a_past_season_tells_the_shape_and_the_coming_weeks_fall_in_the_range(shape):
    data, truth = oil_samples(blocks=24, shape=shape, seed=4)
    fit = fitted(data)
    weights = fit.shapes.pivot(index="cultivar", columns="shape", values="weight")
    np.testing.assert_allclose(weights.sum(axis=1), 1)
    assert weights[shape].mean() > 0.7
    x = np.tile([60.0, 67.0, 74.0], (24, 1))
    low, mid, high = np.quantile(fit.draw(400, np.random.default_rng(1)).dry_pct(x), [0.05, 0.5, 0.95], axis=0)
    order = [int(b[1:]) for b in fit.block_ids]
    true = np.exp(curves.OIL_SHAPES[shape](x, *truth[order].T[:, :, None]))
    assert np.mean((true >= low) & (true <= high)) > 0.75
    assert np.mean(np.abs(mid - true)) < 2.5


def test_blocks_without_samples_get_their_cultivars_curve():
    data, _ = oil_samples()
    table = pd.DataFrame({"block_id": ["b3", "new", "b0", "alone"], "cultivar": ["c1", "c1", "c0", "c9"]})
    fit = fitted(data[data["block"] != "b0"], blocks=table)
    assert fit.block_ids == ("b3", "new", "b0", "alone")
    summary = fit.blocks.set_index("block_id")
    assert summary.loc["new", "borrowed_fraction"] > 0.99
    assert summary.loc["b3", "borrowed_fraction"] < 0.95
    assert summary.loc["new", "samples_n"] == 0
    assert summary.loc["b3", "samples_n"] == 5
    draws = fit.draw(300, np.random.default_rng(0))
    oil = draws.dry_pct(np.tile(np.arange(20.0, 120.0), (4, 1)))
    assert oil.shape == (300, 4, 100)
    assert np.all(np.isfinite(oil))
    spread = oil[:, :, 40].std(axis=0)
    assert spread[0] < spread[1] < spread[3]  # known block, known cultivar, neither


def test_draws_never_fall_and_stay_below_their_plateau():
    data, _ = oil_samples()
    draws = fitted(data).draw(200, np.random.default_rng(0))
    oil = draws.dry_pct(np.tile(np.linspace(0, 250, 60), (12, 1)))
    assert np.all(np.diff(oil, axis=-1) >= 0)
    assert np.all(oil <= draws.plateau[:, :, None] * (1 + 1e-9))
    assert np.all((draws.plateau >= 15) & (draws.plateau <= 60.0000001))


def test_weather_of_each_draw_moves_its_own_curve():
    data, _ = oil_samples()
    draws = fitted(data).draw(50, np.random.default_rng(0))
    x = np.tile([40.0, 60.0], (12, 1))
    later = np.broadcast_to(x, (50, 12, 2)).copy()
    later[10] += 5
    same, moved = draws.dry_pct(x), draws.dry_pct(later)
    assert np.all(moved[10] > same[10])
    np.testing.assert_array_equal(np.delete(moved, 10, axis=0), np.delete(same, 10, axis=0))


def test_the_same_seed_gives_the_same_numbers_and_rows_may_come_in_any_order():
    data, _ = oil_samples()
    one, two = fitted(data), fitted(data.sample(frac=1, random_state=2))
    first, again = (f.draw(64, np.random.default_rng(5)).plateau for f in (one, one))
    np.testing.assert_array_equal(first, again)
    np.testing.assert_allclose(one.blocks["plateau_dry_p50_pct"], two.blocks["plateau_dry_p50_pct"], rtol=2e-3)


def test_a_doubtful_sample_is_kept_and_counts_little():
    data, _ = oil_samples()
    clean = fitted(data).draw(400, np.random.default_rng(0)).plateau.mean(axis=0)
    at = data.index[(data["block"] == "b2") & (data["season"] == 2026)][3]
    data.loc[at, "y"] /= 3
    fit = fitted(data)
    row = fit.residuals.loc[at]
    assert len(fit.residuals) == len(data)
    assert row["weight"] < 0.05
    assert row["residual_sd"] < -8
    assert fit.blocks.set_index("block_id").loc["b2", "doubtful_n"] == 1
    np.testing.assert_allclose(fit.draw(400, np.random.default_rng(0)).plateau.mean(axis=0), clean, rtol=0.03)


def test_a_shared_bad_week_is_seen_as_such():
    data, _ = oil_samples(blocks=40, cultivars=1, past=1)
    bad = (data["week"] == "w3") & (data["season"] == 2026)
    data.loc[bad, "y"] *= 0.92
    weeks = fitted(data).week_effects.set_index(["season", "week"])["effect"]
    assert weeks.loc[(2026, "w3")] == weeks.min()
    assert weeks.loc[(2026, "w3")] < -0.04


def test_a_past_season_narrows_a_blocks_forecast():
    data, _ = oil_samples(blocks=30, past=2, weeks=3)
    x = np.full((30, 1), 75.0)
    with_past = fitted(data).draw(400, np.random.default_rng(0)).dry_pct(x).std(axis=0).mean()
    alone = fitted(data[data["season"] == 2026]).draw(400, np.random.default_rng(0)).dry_pct(x).std(axis=0).mean()
    assert with_past < alone


@pytest.mark.parametrize(
    "change",
    [
        lambda d: d.iloc[[-1]],  # one sample
        lambda d: d[d["block"] == "b0"].iloc[-2:],  # one block, two samples
        lambda d: d.assign(y=30.0),  # all alike
        lambda d: d.assign(x=50.0),  # one date
        lambda d: d.assign(y=np.where(np.arange(len(d)) == 5, 4000.0, d["y"])),  # absurd
        lambda d: d.assign(y=d["y"].iloc[::-1].to_numpy()),  # falling oil
        lambda d: d.assign(week="same"),
        lambda d: d.assign(x=d["x"] + 5000),  # wrong season start
        lambda d: d[d["season"] < 2026],  # nothing yet this season
    ],
)
def test_poor_data_give_finite_draws(change):
    data, _ = oil_samples(blocks=5)
    fit = fitted(change(data), blocks=pd.DataFrame({"block_id": [f"b{i}" for i in range(5)], "cultivar": "c0"}))
    oil = fit.draw(100, np.random.default_rng(0)).dry_pct(np.tile(np.arange(30.0, 130.0), (5, 1)))
    assert np.all(np.isfinite(oil))
    assert np.all((oil >= 0) & (oil <= 60.001))
    assert np.all(np.isfinite(fit.blocks.select_dtypes("number")))


def test_sparse_simulated_seasons_all_fit():
    for seed in range(6):
        data, _ = oil_samples(blocks=40, past=0, weeks=3 + seed % 2, seed=seed, cultivars=1)
        fit = fitted(data)
        assert fit.converged
        plateau = fit.draw(100, np.random.default_rng(0)).plateau
        assert np.all(np.isfinite(plateau))
        assert abs(plateau.mean() - 45) < 8


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (
            lambda d: d.assign(y=-1.0),
            "sample 1 of block b0: x = .*, oil_dry_pct = -1, .*expected finite x, oil above 0",
        ),
        (lambda d: d.assign(season=2027), "season 2027, expected no season after 2026. Check the dates"),
    ],
)
def test_impossible_samples_are_named(change, match):
    data, _ = oil_samples(blocks=3)
    with pytest.raises(FitError, match=match):
        fitted(change(data))


def test_a_block_twice_in_the_table_is_named():
    data, _ = oil_samples(blocks=3)
    table = pd.DataFrame({"block_id": ["b0", "b0"], "cultivar": "c0"})
    with pytest.raises(FitError, match="table of blocks: block b0 twice, expected each block once"):
        fitted(data, blocks=table)


def test_nothing_to_fit_is_an_error():
    data, _ = oil_samples(blocks=3)
    with pytest.raises(FitError, match="no block and no sample, expected at least one block"):
        fitted(data.iloc[:0])


def test_an_unknown_shape_is_named():
    data, _ = oil_samples(blocks=3)
    with pytest.raises(ValueError, match=r"shapes are \('parabola',\), expected names among logistic"):
        fitted(data, shapes=("parabola",))


def test_priors_fill_what_the_caller_leaves_out():
    data, _ = oil_samples(blocks=4, past=0, weeks=2)
    priors = pd.DataFrame({"plateau_dry_pct": [41.0], "source": ["our own trial"]}, index=["c0"])
    table = fitted(data, priors=priors).parameters
    mine = table[(table["cultivar"] == "c0") & (table["name"] == "plateau_dry_pct")]
    np.testing.assert_allclose(mine["prior_mean"], 41.0)
    assert set(mine["source"]) == {"our own trial"}
    other = table[(table["cultivar"] == "c1") & (table["name"] == "plateau_dry_pct")]
    np.testing.assert_allclose(other["prior_mean"], 45.0)
    assert set(other["source"]) == {"assumed"}


def test_published_plateaus_stand_in_the_default_priors():
    # Polari, Crawford and Wang (2021), Agronomy 11(2):313, abstract: 41.8, 45.4 and 45.7 g/100 g
    table = mixed.default_priors(["Koroneiki", "Arbequina", "Arbosana", "Unheard"])
    np.testing.assert_allclose(table["plateau_dry_pct"], [45.7, 41.8, 45.4, 45.0])
    assert table["source"].str.contains("Polari").tolist() == [True, True, True, False]


# --- results below a laboratory's limit --------------------------------------------------------------------------


def _censored_lines(seed=3):
    """Straight lines of 40 groups of 5, results below 8 known only as below 8."""
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(40), 5)
    x = np.tile(np.arange(5.0), 40)
    y = 6.0 + 2.0 * x + rng.normal(0, 1.5, 40)[group] + rng.normal(0, 1.0, 200)
    return x, np.maximum(y, 8.0), group, y < 8.0


def test_results_below_a_limit_count_with_their_chance():
    # the integral over each group's effect by scipy's quadrature is the exact likelihood
    x, y, group, below = _censored_lines()
    fit = fit_mixed(curves.line, x, y, group, random=["intercept"], below=below)
    sd, sigma = fit.random_sd["intercept"], fit.sigma
    total = 0.0
    for g in range(40):
        mine = group == g

        def density(u, mine=mine):
            away = (y[mine] - fit.fixed["intercept"] - u - fit.fixed["slope"] * x[mine]) / sigma
            each = np.where(below[mine], norm.cdf(away), norm.pdf(away) / sigma)
            return each.prod() * norm.pdf(u, scale=sd)

        total += np.log(quad(density, -8 * sd, 8 * sd, epsabs=0, limit=200)[0])
    assert fit.converged
    assert fit.loglik == pytest.approx(total, abs=0.02 * 40)


def test_results_below_a_limit_do_not_lift_the_curve():
    errors = {"kept": [], "dropped": [], "limit as value": []}
    for seed in range(6):
        x, y, group, below = _censored_lines(seed)
        seen = ~below
        fits = {
            "kept": fit_mixed(curves.line, x, y, group, random=["intercept"], below=below),
            "dropped": fit_mixed(curves.line, x[seen], y[seen], group[seen], random=["intercept"]),
            "limit as value": fit_mixed(curves.line, x, y, group, random=["intercept"]),
        }
        for name, fit in fits.items():
            errors[name].append(fit.fixed["intercept"] - 6.0)  # the truth of the simulation
    assert abs(np.mean(errors["kept"])) < 0.25
    assert np.mean(errors["dropped"]) > 0.4
    assert np.mean(errors["limit as value"]) > 0.4


def test_limits_alone_or_with_a_method_that_cannot_use_them_are_refused():
    x, y, group, below = _censored_lines()
    with pytest.raises(ValueError, match="below with error='student'"):
        fit_mixed(curves.line, x, y, group, random=["intercept"], below=below, error="student")
    with pytest.raises(ValueError, match="below has 1 values, expected 200"):
        fit_mixed(curves.line, x, y, group, random=["intercept"], below=[True])
    with pytest.raises(FitError, match="only results below the limit"):
        fit_mixed(curves.line, x, y, group, random=["intercept"], below=np.ones(200, bool))


def test_oil_below_a_limit_counts_as_such():
    data, _ = oil_samples(blocks=20, past=0, weeks=6, cultivars=1, seed=3)
    limit = float(np.quantile(data["y"], 0.3))
    under = (data["y"] < limit).to_numpy()
    x = np.full((20, 1), data.loc[under, "x"].median())
    limited = data.assign(y=np.maximum(data["y"], limit))

    def early(samples, **more):
        return np.median(fitted(samples, **more).draw(200, np.random.default_rng(0)).dry_pct(x), axis=0).mean()

    seen, told, taken = early(data), early(limited, below=under), early(limited)
    assert abs(told - seen) < 0.4 * abs(taken - seen)
    rows = fitted(limited, below=under).residuals
    assert rows.loc[under, "residual_sd"].isna().all()
    assert np.isfinite(rows.loc[~under, "residual_sd"]).all()
    with pytest.raises(ValueError, match="weights and below differ in length"):
        fitted(data, below=[True])
