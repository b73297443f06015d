"""The season's end: what was learned is near the invented season's truth, and the page says it in four languages."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from finished_season import finished

from olivetime.harvest.lessons import is_over, lessons, picked_fraction
from olivetime.harvest.value import industrial_oil_pct
from olivetime.languages import LANGUAGES
from olivetime.report import season_end
from olivetime.report.sheet import DisplayTable
from olivetime.report.tables import Week


@pytest.fixture(scope="module")
def over():
    simulated, season = finished(6)
    return simulated, season, lessons(season)


def _week(season, locale="en_US", units="metric"):
    stage = season.blocks[["block_id", "block_name", "cultivar"]].assign(style_index=0)
    info = {
        "name": season.name, "place": season.place, "as_of": season.as_of.isoformat(), "locale": locale,
        "units": units, "currency": "USD",
    }  # fmt: skip
    week = object.__new__(Week)
    object.__setattr__(week, "info", info)
    object.__setattr__(week, "stage", stage)
    return week


def test_tickets_are_the_fruit_of_the_truth(over):
    simulated, season, _ = over
    row = season.picks.iloc[0]
    first = simulated.farm.start
    course = simulated.courses[row["block_id"]]
    at = (row["picked_on"] - pd.Timestamp(first)).days
    # by hand: area times tonnes on the tree times what a harvester takes off; fat within its error
    assert row["net_t"] == pytest.approx(row["area_ha"] * course["crop_t_ha"][at] * 0.93)
    assert row["oil_fresh_pct"] == pytest.approx(course["oil_fresh_pct"][at], rel=0.1)
    assert season.picks["area_ha"].sum() <= season.blocks["area_ha"].sum() + 1e-6


def test_a_season_is_over_when_nine_tenths_are_picked_or_its_last_day_is_there(over):
    _, season, learned = over
    assert learned.over
    early = replace(season, as_of=season.picks["picked_on"].min().date())
    assert is_over(early)  # all tickets are there
    assert picked_fraction(replace(early, picks=season.picks.iloc[:0])) == 0
    assert not is_over(replace(early, picks=season.picks.iloc[:0]))
    # a block picked twice over counts once
    twice = pd.concat([season.picks, season.picks])
    assert picked_fraction(replace(season, picks=twice)) <= 1.0


def test_plateaus_carried_forward_hold_the_truth(over):
    simulated, season, learned = over
    truth = simulated.parameters.set_index("block_id")["plateau_dry_pct"]
    cultivar = season.blocks.set_index("block_id")["cultivar"]
    for row in learned.curves.itertuples(index=False):
        mean = truth[cultivar.index[cultivar == row.cultivar]].mean()
        # the truth is another model than the one fitted: three standard errors and a point
        assert abs(row.plateau_dry_pct - mean) <= 3 * row.plateau_se_pct + 1.0
    held = learned.courses[learned.courses["day"] == learned.courses["day"].max()]
    assert (held["oil_dry_p10_pct"] <= held["oil_dry_p50_pct"]).all()
    assert set(learned.blocks["says"]) <= {"higher", "lower", "not told apart from the cultivar"}


def test_the_mills_own_share_is_found(over):
    simulated, season, learned = over
    # the invented mill leaves 0.12 of the fat-free dry matter, the records say 0.10
    truth = simulated.farm.assumed["mill_keeps_fraction"]
    weight = learned.extraction["crop_t"] / learned.extraction["crop_t"].sum()
    assert float((learned.extraction["corrector_fraction"] * weight).sum()) == pytest.approx(truth, abs=0.02)
    picks = season.picks[season.picks["block_id"].isin(season.blocks["block_id"])]
    expected = industrial_oil_pct(picks["oil_fresh_pct"].to_numpy(), picks["moisture_pct"].to_numpy(), 0.10)
    told = learned.extraction["expected_pct"].to_numpy()
    assert expected.min() - 1e-9 <= told.min() <= told.max() <= expected.max() + 1e-9
    assert lessons(replace(season, picks=season.picks.iloc[:0])).extraction.empty


def test_waiting_is_told_in_the_weather_that_came(over):
    _, season, learned = over
    rows = learned.waiting
    assert set(rows["block_id"]) == set(season.picks["block_id"])
    assert (rows["lost_ha"] >= -1e-6).all()
    assert (rows["lost_ha"] + 1e-6 >= rows[["earlier_ha", "later_ha"]].max(axis=1)).all()
    # by hand: a block's best day is worth what was got and what was lost
    assert (rows["value_ha"] > 0).all()


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_page_says_it_in_every_language_and_unit(over, language):
    _, season, learned = over
    texts = []
    for units in ("metric", "us"):
        week = _week(season, f"{language}_US" if language in ("en", "es") else f"{language}_{language.upper()}", units)
        parts = season_end.page_parts(learned, week)
        first, rest = season_end.says(learned, week.info)
        texts.append(first + rest)
        for part in (*parts["curves"], *parts["mill"], *parts["waiting"]):
            if isinstance(part, DisplayTable):
                assert part.rows or "differ" in part.caption or part.empty
                texts += [part.caption, *part.headings]
            else:
                assert part.startswith("<figure")
                assert 'alt=""' not in part
    english = season_end.says(learned, _week(season).info)
    assert (texts[0] == "".join(english)) == (language == "en")
    # money an acre is less than money a hectare
    assert season_end.per_area(100.0, {"units": "us", "locale": "en_US"}) == pytest.approx(100 * 0.40468564224)
    assert not any("{" in text for text in texts)


def test_nothing_picked_and_nothing_sampled_say_so(over):
    _, season, _ = over
    bare = lessons(replace(season, picks=season.picks.iloc[:0], as_of=season.picks["picked_on"].min().date()))
    week = _week(season)
    assert not bare.over
    assert "The season goes on: 0 %" in season_end.says(bare, week.info)[0]
    assert season_end.waiting_table(bare, week.info, {}).rows == ()
    assert "No ticket" in season_end.picture(bare, week, "waiting")
    with pytest.raises(ValueError, match="found 'poem', expected courses or waiting"):
        season_end.picture(bare, week, "poem")
    assert np.isfinite(bare.curves["plateau_dry_pct"]).all()
