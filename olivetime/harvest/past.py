"""Past weeks, scored: the tables alone.

Apart from `olivetime.harvest.hindcast`, which makes them, so that pages can show them without loading the planner.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd


@dataclass(frozen=True)
class Hindcast:
    """Past weeks, scored.

    Attributes
    ----------
    forecasts : pandas.DataFrame
        as_of, block_id, sample_id, sampled_on, lead_days, kind, p10, p50, p90, observed, error (p50 - observed),
        inside (observed within the 80 % range), crps (score of the whole distribution), line (straight line of the
        block, NaN with fewer than two samples), last_season (the block on the same date a season ago, NaN without
        samples on both sides), date_error_d and line_date_error_d (days by which dry oil was told too late; NaN where
        it hardly rises), cultivar, lab.
    scores : pandas.DataFrame
        kind, lead_weeks, samples_n, mean_abs_error, bias, inside_fraction, crps, line_mean_abs_error (same samples
        only), against_line_mean_abs_error (ours on the samples that have a line), the same two for last_season, and
        date_mean_abs_error_d, line_date_mean_abs_error_d (same samples).
    orders : pandas.DataFrame
        as_of, status, value, gap_fraction, best_rule, best_rule_value, first_block and picked_next (names of the
        blocks proposed first, and picked in the week that followed, as recorded).
    bias : pandas.DataFrame
        by ("cultivar", "lab" or "block_id"), name, kind, samples_n, bias, se (of the mean, weeks apart), says.
    yields : pandas.DataFrame
        as_of, ticket_id, block_id, picked_on, lead_days, p10, p50, p90, observed (oil got out of the fruit) [%], error,
        inside, within_1_point.
    decisions : pandas.DataFrame
        See `olivetime.harvest.decisions.decisions`.
    memory, ranges : pandas.DataFrame
        See `olivetime.harvest.memory.remember` and `ranges_ahead`.
    says : str
        One sentence with what these weeks show, and no more.
    """

    forecasts: pd.DataFrame
    scores: pd.DataFrame
    orders: pd.DataFrame
    says: str
    bias: pd.DataFrame = field(default_factory=pd.DataFrame)
    yields: pd.DataFrame = field(default_factory=pd.DataFrame)
    decisions: pd.DataFrame = field(default_factory=pd.DataFrame)
    memory: pd.DataFrame = field(default_factory=pd.DataFrame)
    ranges: pd.DataFrame = field(default_factory=pd.DataFrame)
