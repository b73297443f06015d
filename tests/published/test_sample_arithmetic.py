"""Sample arithmetic against numbers that stand outside this project; each says where it comes from.

"read": the source itself was read. "as quoted in": a second source quotes it. "derived": worked out by hand from
a formula or number that was read or quoted.
"""

import numpy as np
import pytest

from olivetime.records.samples import (
    dry_from_fresh,
    fresh_from_dry,
    industrial_yield,
    laboratories_agree,
    maturity_index,
    moisture_from,
    readings_for_gain,
)

# The formula with eight classes is quoted from the Andalusian plant-health network (RAIF); the counts are invented.


@pytest.mark.parametrize(
    ("counts", "index"),
    [
        ([100, 0, 0, 0, 0, 0, 0, 0], 0.0),  # derived: all fruit deep green
        ([0, 0, 0, 0, 0, 0, 0, 100], 7.0),  # derived: all fruit black to the stone
        ([0, 0, 0, 0, 0, 0, 0, 25], 7.0),  # derived: the real total divides, not 100
    ],
)
def test_maturity_index_of_uniform_fruit(counts, index):
    assert maturity_index(counts).index == index


def test_maturity_index_with_spread_and_counting_error():
    result = maturity_index([5, 20, 35, 25, 10, 5, 0, 0])
    # derived from the quoted formula: (20 + 70 + 75 + 40 + 25) / 100
    assert result.index == pytest.approx(2.30, abs=1e-12)
    assert result.sd == pytest.approx(1.193, abs=5e-4)
    assert result.se == pytest.approx(0.119, abs=5e-4)


@pytest.mark.parametrize(
    ("what", "column"),
    [
        ("skin black, flesh white", 4),  # as quoted from RAIF
        ("skin reddish on less than half", 2),  # as quoted from RAIF
        ("skin reddish or purple on more than half", 3),  # as quoted from RAIF
    ],
)
def test_colour_classes_are_described_as_quoted(what, column):
    from olivetime.records.columns import column_of

    assert what in column_of("samples", f"class{column}_n").help


def test_industrial_yield_worked_example():
    # Read: "Estimacion del rendimiento industrial de las aceitunas a partir de los resultados analiticos",
    # 15/12/2009 rev. 3, sections 1 and 2.1.
    result = industrial_yield(25.0, 50.0, corrector=0.10)
    assert result.corrector_pct == pytest.approx(2.50)
    assert result.oil_pct == pytest.approx(22.5)
    assert result.efficiency_pct == pytest.approx(90.0)
    assert result.pomace_kg == pytest.approx(77.5)
    assert result.pomace_fat_pct == pytest.approx(3.23, abs=5e-3)
    assert result.pomace_moisture_pct == pytest.approx(64.52, abs=5e-3)
    assert result.pomace_dry_pct == pytest.approx(32.26, abs=5e-3)


def test_bases_of_the_worked_example():
    # Read (fruit 25 % fat, 50 % water; pomace 10.00 % on fat-free dry matter) and derived (50.0 %, 9.09 %).
    assert dry_from_fresh(25.0, 50.0) == pytest.approx(50.0)
    result = industrial_yield(25.0, 50.0)
    fat_free = result.pomace_dry_pct
    assert 100 * result.pomace_fat_pct / fat_free == pytest.approx(10.00)
    assert 100 * result.pomace_fat_pct / (fat_free + result.pomace_fat_pct) == pytest.approx(9.09, abs=5e-3)


@pytest.mark.parametrize(
    ("fat", "moisture", "corrector", "oil", "efficiency"),
    [
        (20.0, 55.0, 2.50, 17.5, 87.5),  # derived with the formula read in the 2009 note
        (18.0, 58.0, 2.40, 15.6, 86.7),  # derived with the formula read in the 2009 note
    ],
)
def test_industrial_yield_of_other_fruit(fat, moisture, corrector, oil, efficiency):
    result = industrial_yield(fat, moisture)
    assert result.corrector_pct == pytest.approx(corrector)
    assert result.oil_pct == pytest.approx(oil)
    assert result.efficiency_pct == pytest.approx(efficiency, abs=0.05)


def test_rain_moves_fresh_oil_only():
    # The identity is a definition (derived); ten points of water after rain are as quoted from laboratory data
    # of Extremadura.
    assert fresh_from_dry(42.0, 55.0) == pytest.approx(18.9)
    assert fresh_from_dry(42.0, 65.0) == pytest.approx(14.7)
    assert dry_from_fresh(14.7, 65.0) == pytest.approx(42.0)


@pytest.mark.parametrize(
    ("plateau", "fresh", "moisture"),
    [
        # Plateaus read in the abstract of Polari, Crawford and Wang 2021, Agronomy 11(2):313 (taken to be on dry
        # matter); moistures derived.
        (41.8, 18.0, 56.9),  # Arbequina
        (41.8, 20.0, 52.2),
        (45.4, 18.0, 60.4),  # Arbosana
        (45.4, 20.0, 55.9),
        (45.7, 18.0, 60.6),  # Koroneiki
        (45.7, 20.0, 56.2),
    ],
)
def test_moisture_at_which_a_fresh_target_can_be_reached(plateau, fresh, moisture):
    assert moisture_from(fresh, plateau) == pytest.approx(moisture, abs=0.05)


def test_industrial_oil_from_a_hedgerow_trial():
    # Read: Mas, Bota, Medrano and Escalona, abstract (Mallorca, Arbosana): 6,646 kg/ha fruit, 946 kg/ha oil.
    assert pytest.approx(14.23, abs=5e-3) == 100 * 946 / 6646


@pytest.mark.parametrize(
    ("first", "second", "agree"),
    [(20.4, 21.3, True), (20.0, 21.3, False)],  # the one-point rule, as quoted from mills' payment notes
)
def test_laboratories_agree_within_one_point(first, second, agree):
    assert laboratories_agree(first, second) is agree


def test_readings_for_a_weekly_gain():
    # Instrument error 1.99 points read in Gracia and Leon (near infrared on whole fruit); 31 and 4 derived.
    assert readings_for_gain(1.0, 1.99) == 31
    assert readings_for_gain(3.0, 1.99) == 4


def test_draws_of_fruit_scatter_as_the_counting_error_says():
    # By simulation: 100 fruit drawn 4000 times from fixed class shares.
    shares = np.array([0.05, 0.2, 0.35, 0.25, 0.1, 0.05, 0, 0])
    counts = np.random.default_rng(7).multinomial(100, shares, size=4000)
    result = maturity_index(counts)
    assert result.index.std() == pytest.approx(result.se.mean(), rel=0.03)
