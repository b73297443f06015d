"""The grades of sixteen published olive oils and the worked limits of the named standards."""

import pytest

from olivetime.harvest.grades import grade

# Free acid [%], peroxide value [meq/kg], K232, K270, delta K of 16 oils from Greece, Italy and Spain: published
# by D.L. Massart et al., Handbook of Chemometrics and Qualimetrics, part B (1998), tables 35.1 and 35.4
# (carried as the data set `oliveoil` of the R package pls).
OILS = {
    "G1": (0.73, 12.7, 1.900, 0.139, 0.003), "G2": (0.19, 12.3, 1.678, 0.116, -0.004),
    "G3": (0.26, 10.3, 1.629, 0.116, -0.005), "G4": (0.67, 13.7, 1.701, 0.168, -0.002),
    "G5": (0.52, 11.2, 1.539, 0.119, -0.001), "I1": (0.26, 18.7, 2.117, 0.142, 0.001),
    "I2": (0.24, 15.3, 1.891, 0.116, 0.0), "I3": (0.30, 18.5, 1.908, 0.125, 0.001),
    "I4": (0.35, 15.6, 1.824, 0.104, 0.0), "I5": (0.19, 19.4, 2.222, 0.158, -0.003),
    "S1": (0.15, 10.5, 1.522, 0.116, -0.004), "S2": (0.16, 8.14, 1.527, 0.1063, -0.002),
    "S3": (0.27, 12.5, 1.555, 0.093, -0.002), "S4": (0.16, 11.0, 1.573, 0.094, -0.003),
    "S5": (0.24, 10.8, 1.331, 0.085, -0.003), "S6": (0.30, 11.4, 1.415, 0.093, -0.004),
}  # fmt: skip


def _grade(standard, oil):
    acid, peroxide, k232, k270, delta_k = OILS[oil]
    return grade(
        standard, free_acid_pct=acid, peroxide_meq_kg=peroxide, k232=k232, k270=k270, delta_k=delta_k
    )


@pytest.mark.parametrize("standard", ["EU 2019", "EU 2008", "USDA 2010", "Australia"])
def test_all_sixteen_oils_keep_the_wide_limits(standard):
    assert all(_grade(standard, oil).grade == "extra virgin" for oil in OILS)


def test_eight_of_sixteen_keep_the_strict_californian_limits():
    passed = {oil for oil in OILS if _grade("California seal", oil).grade == "extra virgin"}
    assert passed == {"G2", "G3", "S1", "S2", "S3", "S4", "S5", "S6"}


@pytest.mark.parametrize("oil", ["G1", "G4", "G5"])
def test_three_greek_oils_miss_the_seal_by_free_acid(oil):
    assert [text.split()[0] for text in _grade("California seal", oil).failed] == ["free_acid_pct"]


@pytest.mark.parametrize("oil", ["I1", "I2", "I3", "I4", "I5"])
def test_italian_oils_miss_the_seal_by_peroxide(oil):
    assert [text.split()[0] for text in _grade("California seal", oil).failed] == ["peroxide_meq_kg"]


# Regulation (EEC) 2568/91, Annex I, as of 20 October 2019.
def test_limits_of_the_2019_regulation_are_inclusive():
    clean = {"defects_median": 0.0, "fruity_median": 2.0}
    assert grade("EU 2019", free_acid_pct=0.80, peroxide_meq_kg=20.0, **clean).grade == "extra virgin"
    assert grade("EU 2019", free_acid_pct=0.81, peroxide_meq_kg=20.0, **clean).grade == "virgin"
    assert grade("EU 2019", free_acid_pct=0.3, defects_median=0.1, fruity_median=2.0).grade == "virgin"
    assert grade("EU 2019", free_acid_pct=0.3, defects_median=3.5, fruity_median=0.0).grade == "lampante"


# The same annex (2019: virgin up to 3.5; 2008: up to 2.5); USDA 2010 as quoted (virgin up to 2.5).
@pytest.mark.parametrize(
    ("standard", "expected"), [("EU 2019", "virgin"), ("EU 2008", "lampante"), ("USDA 2010", "lampante")]
)
def test_a_median_of_defects_of_three_depends_on_the_standard(standard, expected):
    assert grade(standard, free_acid_pct=0.3, defects_median=3.0, fruity_median=2.0).grade == expected
