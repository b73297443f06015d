import numpy as np
import pytest
from statsmodels.miscmodels.ordinal_model import OrderedModel

from olivetime.ripening.colour import (
    LINKS,
    PRIOR,
    OrdinalFamily,
    fit_colour,
    maturity_index,
    maturity_index_sd,
    thresholds,
)
from olivetime.ripening.effects import find_mode

ALPHA = np.array([-3.0, -1.2, 0.3, 1.5, 2.8, 4.2, 5.5])


def shares(eta, alpha=ALPHA):
    below = 1 / (1 + np.exp(-(alpha - np.asarray(eta)[..., None])))
    edge = np.ones((*np.shape(eta), 1))
    return np.diff(np.concatenate([0 * edge, below, edge], axis=-1), axis=-1)


def season(rng, blocks_n=40, dates=(0, 7, 14, 21), fruits=50, sample_sd=0.3, block_sd=0.9, slope_sd=0.25):
    """Invented samples: x, block, counts and the blocks' true intercept and slope (per 20 days)."""
    block = np.repeat(np.arange(blocks_n), len(dates))
    x = np.tile(np.asarray(dates, dtype=float), blocks_n)
    own = rng.normal(size=(blocks_n, 2)) * [block_sd, slope_sd]
    truth = np.array([0.0, 1.4]) + own
    eta = truth[block, 0] + truth[block, 1] * (x - 10) / 20 + rng.normal(0, sample_sd, len(x))
    return x, block, rng.multinomial(fruits, shares(eta)).astype(float), truth


def test_index_of_one_class_is_that_class():
    # formula: sum of class times count over the count (Seville network's text, quoted in trade notes)
    assert maturity_index([[100, 0, 0, 0, 0, 0, 0, 0], [0, 0, 0, 0, 0, 0, 0, 40]]) == pytest.approx([0.0, 7.0])


def test_index_and_its_counting_error():
    # by hand from the formula; counts invented: 5*0 + 20 + 70 + 75 + 40 + 25 = 230 over 100; sd 1.193 with n - 1
    counts = [5, 20, 35, 25, 10, 5, 0, 0]
    assert maturity_index(counts) == pytest.approx(2.30)
    assert maturity_index_sd(counts) == pytest.approx(0.119, abs=0.0005)
    assert maturity_index_sd(counts) * 10 == pytest.approx(1.193, abs=0.0005)


def test_index_of_nothing_is_not_a_number():
    assert np.isnan(maturity_index(np.zeros(8)))


@pytest.mark.parametrize("link", LINKS)
def test_derivatives_of_a_sample_agree_with_differences(link):
    rng = np.random.default_rng(4)
    phi = np.array([-2.0, 0.1, 0.4, -0.2])
    counts = rng.multinomial(30, np.ones(5) / 5, size=(1, 6)).astype(float)
    mean = np.full((1, 6), np.nan)
    counts[0, 4:] = 0
    mean[0, 4:] = (1.7, 2.6)
    family = OrdinalFamily(counts, mean, np.full((1, 6), 0.02), link, 4)
    eta = rng.normal(0.3, 0.5, (1, 6))
    a, b = rng.normal(size=(2, 1, 6))
    values = family.value(eta, phi)
    step = 1e-5
    up, down = family.value(eta + step, phi), family.value(eta - step, phi)
    for k in range(3):
        np.testing.assert_allclose((up[k] - down[k]) / (2 * step), values[k + 1], rtol=1e-5, atol=1e-5)

    def total(phi):
        l0, l1, l2, _ = family.value(eta, phi)
        return (l0 + a * l1 + b * l2).sum()

    numeric = [(total(phi + e) - total(phi - e)) / (2 * step) for e in np.eye(4) * step]
    np.testing.assert_allclose(family.gradient(eta, phi, a, b), numeric, rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("link", LINKS)
def test_gradient_of_the_likelihood_agrees_with_differences(link):
    rng = np.random.default_rng(1)
    block, x = np.repeat(np.arange(10), 6), np.tile(np.arange(6.0), 10) * 7
    counts = rng.multinomial(50, np.ones(8) / 8, size=60).astype(float)
    mean = np.full(60, np.nan)
    counts[::7], mean[::7] = 0, 3 + rng.normal(0, 0.5, 9)
    fit = fit_colour(
        counts,
        x,
        block,
        cultivar=block % 3,
        week=np.tile(np.arange(6), 10),
        season=(np.arange(60) % 6 > 2).astype(int),
        mean_index=mean,
        prior=PRIOR,
        link=link,
    )
    layout, family = fit.effects.layout, fit.effects.family
    psi = fit.effects.psi + rng.normal(0, 0.1, len(fit.effects.psi))
    step = 1e-5
    numeric = [
        (find_mode(layout, family, psi + e).loglik - find_mode(layout, family, psi - e).loglik) / (2 * step)
        for e in np.eye(len(psi)) * step
    ]
    np.testing.assert_allclose(find_mode(layout, family, psi).gradient, numeric, rtol=1e-5, atol=2e-5)


def test_counts_agree_with_one_row_per_fruit_in_statsmodels():
    # an outside program: statsmodels' OrderedModel on the same fruit, one row each, no random effects
    rng = np.random.default_rng(8)
    x, _, counts, _ = season(rng, blocks_n=12, sample_sd=0, block_sd=0, slope_sd=0, fruits=20)
    fit = fit_colour(counts[:, :7] + counts[:, 7:] * (np.arange(7) == 6), x)
    merged = counts.copy()
    merged[:, 6] += merged[:, 7]
    label = np.repeat(np.tile(np.arange(7), len(x)), merged[:, :7].astype(int).ravel())
    rows = np.repeat(np.repeat(x, 7), merged[:, :7].astype(int).ravel())
    other = OrderedModel(label, rows[:, None] / 20, distr="logit").fit(method="newton", disp=False)
    assert fit.loglik == pytest.approx(other.llf, abs=1e-7)
    assert fit.coefficients.set_index("name").loc["slope", "value"] * 20 == pytest.approx(other.params[0], rel=1e-6)
    assert fit.coefficients.set_index("name").loc["slope", "se"] * 20 == pytest.approx(other.bse[0], rel=1e-4)


def test_fit_does_not_depend_on_the_scale_or_the_order_of_samples():
    rng = np.random.default_rng(3)
    x, block, counts, _ = season(rng, blocks_n=15)
    first = fit_colour(counts, x, block)
    order = rng.permutation(len(x))
    second = fit_colour(counts[order], x[order] * 15 + 400, block[order], centre=500.0, scale=77.0)
    # the spread of slopes goes to zero here, where the likelihood is flat to the sixth digit
    assert first.loglik == pytest.approx(second.loglik, abs=1e-5)
    np.testing.assert_allclose(first.fitted_index[order], second.fitted_index, atol=1e-5)


def test_spread_is_recovered():
    rng = np.random.default_rng(11)
    x, block, counts, _ = season(rng, blocks_n=300)
    spread = fit_colour(counts, x, block, prior=PRIOR, centre=10, scale=20).spread.set_index("name")["sd"]
    # the values it was simulated with: 0.9, 0.25, 0.3
    assert spread["block"] == pytest.approx(0.9, abs=0.12)
    assert spread["block slope"] == pytest.approx(0.25, abs=0.07)
    assert spread["sample"] == pytest.approx(0.3, abs=0.04)


def test_ranges_keep_their_word():
    """Eighty per cent ranges of the maturity index two to five weeks ahead hold about 80 % of the truth."""
    rng = np.random.default_rng(21)
    ahead = np.array([35.0, 42.0, 49.0, 56.0])
    inside, narrow = [], []
    for _ in range(12):
        x, block, counts, truth = season(rng)
        true_index = maturity_index(shares(truth[:, :1] + truth[:, 1:] * (ahead - 10) / 20))
        for overdispersion, kept in ((True, inside), (False, narrow)):
            fit = fit_colour(counts, x, block, prior=PRIOR, overdispersion=overdispersion)
            drawn = fit.draw(400, rng).maturity_index(np.broadcast_to(ahead, (40, 4)))
            low, high = np.quantile(drawn, [0.1, 0.9], axis=0)
            kept.append(((low <= true_index) & (true_index <= high)).mean())
    assert 0.74 < np.mean(inside) < 0.87
    assert np.mean(narrow) < np.mean(inside) - 0.04


def test_an_index_without_counts_says_what_counts_say():
    rng = np.random.default_rng(5)
    x, block, counts, _ = season(rng, fruits=100)
    only_index = counts.copy()
    reported = np.full(len(x), np.nan)
    reported[::2] = maturity_index(counts[::2])
    only_index[::2] = 0
    full = fit_colour(counts, x, block, prior=PRIOR, centre=10, scale=20)
    half = fit_colour(only_index, x, block, mean_index=reported, prior=PRIOR, centre=10, scale=20)
    assert half.converged
    assert np.abs(full.fitted_index - half.fitted_index).max() < 0.12
    alone = fit_colour(
        np.zeros_like(counts), x, block, mean_index=maturity_index(counts), prior=PRIOR, centre=10, scale=20
    )
    assert alone.converged
    assert np.abs(full.fitted_index - alone.fitted_index).max() < 0.25


def test_classes_never_seen_stay_finite_with_priors():
    rng = np.random.default_rng(6)
    x, block, counts, _ = season(rng, blocks_n=6, dates=(0, 7))
    counts[:, 2] += counts[:, 3:].sum(1)
    counts[:, 3:] = 0
    fit = fit_colour(counts, x, block, prior=PRIOR)
    assert fit.converged
    assert np.isfinite(fit.coefficients[["value", "se"]].to_numpy()).all()


def test_draws_of_share_and_index_agree():
    rng = np.random.default_rng(9)
    x, block, counts, _ = season(rng, blocks_n=8)
    draws = fit_colour(counts, x, block, prior=PRIOR).draw(30, rng)
    when = np.tile(np.linspace(0, 400, 5), (8, 1))
    share = draws.class_share(when)
    mean_share, index = draws.shares_and_index(when)
    assert share.shape == (30, 8, 5, 8)
    np.testing.assert_allclose(share.sum(-1), 1.0)
    np.testing.assert_allclose(share.mean(0), mean_share, atol=1e-6)
    np.testing.assert_allclose(share @ np.arange(8), index, atol=1e-5)
    assert index.min() >= 0
    assert index.max() <= 7
    assert (np.diff(index, axis=2) >= -1e-6).mean() > 0.99


def test_a_block_without_samples_has_the_widest_range():
    rng = np.random.default_rng(10)
    x, block, counts, _ = season(rng, blocks_n=20)
    fit = fit_colour(counts, x, block, cultivar=block % 2, prior=PRIOR)
    drawn = fit.draw(800, rng, blocks=[0, "new", "other"], cultivars=[0, 0, "unheard of"])
    index = drawn.maturity_index(np.full((3, 1), 25.0))[:, :, 0]
    spread = np.quantile(index, 0.9, axis=0) - np.quantile(index, 0.1, axis=0)
    assert spread[0] < 0.5 * spread[1]
    assert spread[1] < spread[2]
    assert thresholds(fit.effects.psi[:7]).shape == (7,)


def test_same_seed_same_draws():
    x, block, counts, _ = season(np.random.default_rng(1), blocks_n=5)
    fit = fit_colour(counts, x, block, prior=PRIOR)
    one, two = (fit.draw(5, np.random.default_rng(7)).maturity_index(x[:5, None]) for _ in range(2))
    np.testing.assert_array_equal(one, two)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"counts": np.ones(8)}, r"counts has shape \(8,\), expected \(samples, classes\)"),
        ({"counts": -np.ones((3, 8))}, "negative or missing number"),
        ({"counts": np.zeros((3, 8))}, "without fruit and without a maturity index"),
        ({"link": "cauchit"}, "link is 'cauchit', expected one of logit, probit, cloglog"),
        ({"n_quadrature": 5}, "n_quadrature is 5, expected 1 for a model with several random effects"),
    ],
)
def test_wrong_arguments_are_refused(change, message):
    given = {"counts": np.ones((3, 8)), "x": np.arange(3.0), "group": [0, 0, 1]} | change
    with pytest.raises(ValueError, match=message):
        fit_colour(given.pop("counts"), **given)


def _hard(name):
    """Counts, x and group on which likelihood alone has no best point, or none that is finite."""
    rng = np.random.default_rng(3)
    x, group = rng.normal(0, 1, 60), np.repeat(np.arange(12), 5)
    noisy = ((1.1 * x + rng.logistic(size=60))[:, None] > np.array([-1.5, 0.0, 1.5])).sum(1)
    classes = {
        "one group": noisy,
        "every sample a group": noisy,
        "the classes split x": np.clip(np.floor((x - x.min()) / np.ptp(x) * 4).astype(int), 0, 3),
        "one class only": np.zeros(60, dtype=int),
        "two classes never seen": np.where(noisy > 1, 3, 0),
        "no time": noisy,
        "two samples": noisy[[0, 7]],
        "one sample": noisy[:1],
    }[name]
    n = len(classes)
    group = {"one group": np.zeros(n, dtype=int), "every sample a group": np.arange(n)}.get(name, group[:n])
    return np.eye(4)[classes], np.ones(n) if name == "no time" else x[:n], group


@pytest.mark.parametrize(
    "name",
    [
        "one group", "every sample a group", "the classes split x", "one class only", "two classes never seen",
        "no time", "two samples", "one sample",
    ],
)  # fmt: skip
@pytest.mark.parametrize("more", [{}, {"overdispersion": False, "random_slope": False}, {"link": "cloglog"}])
def test_no_data_break_a_fit_without_priors(name, more):
    counts, x, group = _hard(name)
    fit = fit_colour(counts, x, group, **more)
    assert np.isfinite(fit.loglik)
    assert np.isfinite(fit.parameters[["value", "se"]].to_numpy()).all()
    share, index = fit.draw(40, np.random.default_rng(0)).shares_and_index(np.zeros((len(fit.groups), 2)))
    assert np.isfinite(share).all()
    assert ((index >= 0) & (index <= 3)).all()
