"""An invented week for tests of tables, figures and pages: made from a seed, no curve is fitted, no order searched."""

from __future__ import annotations

import numpy as np
import pandas as pd

from olivetime.report.tables import (
    Week,
    good_window,
    grower_id,
    make_week,
)

CULTIVARS = ("Arbequina", "Arbosana", "Koroneiki", "Picual", "Frantoio")
PLACES = ("North", "Creek", "Home", "Road", "Ridge", "South", "Pond", "Mill", "Hill", "Oak")
HOSTILE = (
    "A$$B ranch",
    "<script>alert(1)</script>",
    "W" * 80,
    "\u5317\u56ed\u56db\u53f7",
    "=1+1",
    "Quote \" and ' mark",
    "../../etc",
)


def invented_week(
    n_blocks: int = 9,
    *,
    seed: int = 1,
    units: str = "us",
    hostile: bool = False,
    southern: bool = False,
    target: str = "plateau_fraction",
) -> Week:
    rng = np.random.default_rng(seed)
    as_of = pd.Timestamp("2026-04-20" if southern else "2026-10-19")
    start = as_of - pd.Timedelta(days=79)
    end = as_of + pd.Timedelta(days=70)
    days = pd.date_range(as_of, end, freq="D")
    n_growers = max(1, min(8, n_blocks // 6))
    ids = [f"B{i + 1:02d}" for i in range(n_blocks)]
    names = [f"{PLACES[i % 10]} {i // 10 + 1 + i % 3}" for i in range(n_blocks)]
    growers = [f"Invented grower {i % n_growers + 1}" for i in range(n_blocks)]
    if hostile:
        for i, name in enumerate(HOSTILE[:n_blocks]):
            names[i] = name
        growers[0] = "<b>O'Hara & Sons</b>"
    ranch = [
        f"{g.removeprefix('Invented grower ')[:14]} {'home' if i % 2 else 'river'} ranch" for i, g in enumerate(growers)
    ]
    spot = {r: rng.normal(0, 0.06, 2) for r in sorted(set(ranch))}
    blocks = pd.DataFrame(
        {
            "block_id": ids,
            "block_name": names,
            "grower": growers,
            "grower_id": [grower_id(g) for g in growers],
            "ranch": ranch,
            "cultivar": [CULTIVARS[i % (3 if n_blocks < 12 else 5)] for i in range(n_blocks)],
            "organic": [i % 7 == 3 for i in range(n_blocks)],
            "area_ha": np.round(rng.uniform(4, 28, n_blocks), 1),
            "station_id": "S1",
        }
    )
    blocks["style_index"] = blocks["cultivar"].map({c: i for i, c in enumerate(sorted(set(blocks["cultivar"])))})
    blocks["lat_deg"] = [38.0 + spot[r][0] + rng.normal(0, 0.01) for r in ranch]
    blocks["lon_deg"] = [-121.0 + spot[r][1] + rng.normal(0, 0.01) for r in ranch]

    # Oil per dry weight: a logistic curve of the day, its middle between 35 days ago and today.
    plateau = rng.uniform(40, 47, n_blocks)
    middle = np.sort(rng.uniform(-36, -2, n_blocks))
    scale = rng.uniform(10, 13, n_blocks)
    grid = pd.date_range(as_of - pd.Timedelta(days=60), end, freq="D")
    t = (grid - as_of).days.to_numpy(dtype=float)
    dry = plateau[:, None] / (1 + np.exp(-(t[None, :] - middle[:, None]) / scale[:, None]))
    wobble = np.where(t > 0, 0.4 + 0.035 * t, 0.35)[None, :] * rng.uniform(0.7, 1.6, n_blocks)[:, None]
    moisture = (
        62
        - 0.11 * (t + 60)[None, :]
        + rng.normal(0, 1, n_blocks)[:, None]
        + 1.2 * np.exp(-((t - 6) ** 2) / 18)[None, :]
    )
    fresh, ripe = dry * (1 - moisture / 100), 7 / (1 + np.exp(-(t[None, :] - 18 - middle[:, None]) / 26))
    columns = {}
    for stem, mid, spread, tail in (
        ("oil_dry", dry, wobble, "_pct"),
        ("oil_fresh", fresh, wobble * 0.45, "_pct"),
        ("moisture", moisture, 0.8 + 0 * wobble, "_pct"),
        ("maturity", ripe, 0.15 + 0.1 * wobble, ""),
    ):
        for p, k in (("p10", -1.28), ("p50", 0.0), ("p90", 1.28)):
            columns[f"{stem}_{p}{tail}"] = (mid + k * spread).ravel()
    curves = pd.DataFrame(
        {
            "block_id": np.repeat(ids, len(grid)),
            "day": np.tile(grid, n_blocks),
            "forecast": np.tile(t > 0, n_blocks),
            **columns,
        }
    )

    taken = []
    for i, b in enumerate(ids):
        for k, back in enumerate((35, 28, 21, 14, 7, 0) if i % 9 != 4 else (14, 0)):
            j = int(np.flatnonzero(t == -back)[0])
            oil, wet = dry[i, j] + rng.normal(0, 0.7), moisture[i, j] + rng.normal(0, 0.6)
            taken.append(
                (
                    f"L{i + 1:02d}{k}",
                    b,
                    2026,
                    as_of - pd.Timedelta(days=back),
                    oil,
                    oil * (1 - wet / 100),
                    wet,
                    ripe[i, j],
                    "nmr",
                )
            )
    samples = pd.DataFrame(
        taken,
        columns=[
            "sample_id",
            "block_id",
            "season",
            "sampled_on",
            "oil_dry_pct",
            "oil_fresh_pct",
            "moisture_pct",
            "maturity_index",
            "method",
        ],
    )

    reach = np.array(
        [
            t[np.argmax(row >= 0.93 * p)] if (row >= 0.93 * p).any() else np.nan
            for row, p in zip(dry, plateau, strict=True)
        ]
    )
    half = rng.integers(1, 7, n_blocks)
    verdict = np.where(reach <= 0, "reached", "not yet").astype(object)
    if n_blocks > 5:
        verdict[-1], reach[-1] = "never", np.nan
        verdict[-2] = "may never"

    def on(offset: np.ndarray) -> pd.DatetimeIndex:
        return pd.DatetimeIndex([pd.NaT if np.isnan(r) else as_of + pd.Timedelta(days=int(r)) for r in offset])

    now = int(np.flatnonzero(t == 0)[0])
    stage = blocks.assign(
        samples_n=samples.groupby("block_id").size().reindex(ids).to_numpy(),
        sample_age_d=rng.integers(0, 14, n_blocks),
        borrowed_fraction=rng.uniform(0.05, 0.6, n_blocks),
        doubtful_n=0,
        plateau_dry_p10_pct=plateau - 1.5,
        plateau_dry_p50_pct=plateau,
        plateau_dry_p90_pct=plateau + 1.5,
        oil_dry_now_p10_pct=dry[:, now] - 0.5,
        oil_dry_now_p50_pct=dry[:, now],
        oil_dry_now_p90_pct=dry[:, now] + 0.5,
        oil_fresh_now_p50_pct=fresh[:, now],
        moisture_now_p50_pct=moisture[:, now],
        maturity_now_p50=ripe[:, now],
        target_kind=target,
        target_value=0.93,
        target_dry_pct=0.93 * plateau,
        target_fresh_pct=np.nan,
        reached_chance=(reach <= 0).astype(float),
        never_chance=np.where(verdict == "never", 0.97, np.where(verdict == "may never", 0.3, 0.0)),
        days_p10=reach - half,
        days_p50=reach,
        days_p90=reach + half + 1,
        on_p10=on(reach - half),
        on_p50=on(reach),
        on_p90=on(reach + half + 1),
        verdict=verdict,
    )

    best = np.clip(np.nan_to_num(reach, nan=40) + 3, 0, 60)
    ahead = np.arange(len(days), dtype=float)
    top = blocks["area_ha"].to_numpy() * rng.uniform(2200, 4200, n_blocks)
    worth = top[:, None] * (1 - ((ahead[None, :] - best[:, None]) / 75) ** 2)
    value_by_day = pd.DataFrame(
        {
            "block_id": np.repeat(ids, len(days)),
            "day": np.tile(days, n_blocks),
            "value_p10": (0.88 * worth).ravel(),
            "value_mean": worth.ravel(),
            "value_p90": (1.1 * worth).ravel(),
        }
    )

    crop_t = blocks["area_ha"].to_numpy() * rng.uniform(5, 9, n_blocks)
    hours = blocks["area_ha"].to_numpy() * (1.5 if n_blocks > 12 else 2.6)
    clock, order_rows = {"H1": as_of + pd.Timedelta(hours=6), "H2": as_of + pd.Timedelta(hours=7)}, []
    for rank, i in enumerate(np.argsort(np.nan_to_num(reach, nan=99), kind="stable"), start=1):
        machine = min(clock, key=lambda m: clock[m])
        begin = clock[machine]
        finish = begin + pd.Timedelta(hours=float(hours[i]) * 24 / 14)
        clock[machine] = finish + pd.Timedelta(hours=2)
        lost = worth[i].max() - worth[i]
        d0 = min(max((begin - as_of).days, 0), len(days) - 8)
        order_rows.append(
            {
                "rank": rank,
                "block_id": ids[i],
                "harvester_id": machine,
                "lot": f"{blocks['cultivar'][i]}{', organic' if blocks['organic'][i] else ''}",
                "status": "proposed",
                "why_not": "",
                "start_at": begin,
                "end_at": finish,
                "start_p10": begin - pd.Timedelta(days=1),
                "start_p90": begin + pd.Timedelta(days=2),
                "hours_h": hours[i],
                "move_h": 1.5,
                "move_from": ids[int(np.argsort(reach)[rank - 2])] if rank > 1 else None,
                "crop_t": crop_t[i],
                "crop_p10_t": 0.9 * crop_t[i],
                "crop_p90_t": 1.1 * crop_t[i],
                "oil_fresh_pct": fresh[i, now + d0],
                "oil_dry_pct": dry[i, now + d0],
                "moisture_pct": moisture[i, now + d0],
                "maturity_index": ripe[i, now + d0],
                "paid_oil_kg": 1000 * crop_t[i] * (fresh[i, now + d0] - 2.5) / 100,
                "value": worth[i, d0],
                "value_p10": 0.9 * worth[i, d0],
                "value_p90": 1.1 * worth[i, d0],
                "value_per_h": worth[i, d0] / hours[i],
                "best_on": days[int(best[i])],
                "best_on_loss": lost[d0],
                "frost_value_at_risk": 0.0,
                "frost_chance": 0.0,
                "days_lost_mean": 0.8,
                "moved_gain": np.nan,
                "promised_on": begin.normalize() - pd.Timedelta(days=[0, -1, 0, 2][rank % 4]),
                "truck_loads": float(np.ceil(crop_t[i] / 24)),
                "to_mill_at": begin + pd.Timedelta(hours=3),
                "wait_h": 0.7,
                "cleaning_h": 0.0,
                "moved_days": [0.0, -1.0, 0.0, 2.0][rank % 4],
                "moved_why": ["", "picking it sooner leaves better days to others", "",
                              "its own fruit earns more later"][rank % 4],
                "sample_age_d": int(stage["sample_age_d"][i]),
                "samples_n": int(stage["samples_n"][i]),
                "reason_code": "falling value",
                "reason": f"Loses more by waiting than {names[int(np.argsort(reach)[min(rank, n_blocks - 1)])]}.",
                "runner_up": ids[int(np.argsort(np.nan_to_num(reach, nan=99), kind="stable")[min(rank, n_blocks - 1)])],
                "margin_per_h": 120.0 / rank,
                "waiting_1d": worth[i, d0] - worth[i, d0 + 1],
                "waiting_3d": worth[i, d0] - worth[i, d0 + 3],
                "waiting_7d": worth[i, d0] - worth[i, d0 + 7],
                "waiting_exact": 1.1 * (worth[i, d0] - worth[i, d0 + 7]),
            }
        )
    stage["crop_t"] = crop_t
    order = pd.DataFrame(order_rows).merge(
        blocks.drop(columns=["station_id", "style_index", "lat_deg", "lon_deg"]), on="block_id"
    )
    order = order.merge(good_window(value_by_day), on="block_id")
    day0 = order["start_at"].dt.normalize()
    order["flags"] = np.where(day0 < order["good_from"], "early", np.where(day0 > order["good_to"], "late", ""))
    if n_blocks > 5:
        last = order.index[-1]
        order.loc[last, ["status", "why_not"]] = ["left", "It does not pay its picking before the season ends."]
        order["rank"] = order["rank"].astype("Int64")
        order.loc[last, "rank"] = pd.NA
        order.loc[last, ["start_at", "end_at", "start_p10", "start_p90", "to_mill_at"]] = pd.NaT

    past = pd.date_range(start, as_of - pd.Timedelta(days=1), freq="D")
    both = past.append(days)
    k = np.arange(len(both)) - len(past)
    low = 11 - 0.13 * k + 2.4 * np.sin(k / 3.1) - np.where((k >= 9) & (k <= 10), 12.5, 0)
    high = low + 12 - np.where((k >= 5) & (k <= 6), 6, 0)
    rainy = np.where((k >= 5) & (k <= 6), 0.75, np.where(k > 15, 0.25, 0.05))
    spread = np.where(k >= 0, 0.5 + 0.25 * np.clip(k, 0, 12), 0.0)
    weather = pd.DataFrame(
        {
            "station_id": "S1",
            "day": both,
            "measured": k < 0,
            **{f"temp_min_{p}_c": low + z * spread for p, z in (("p10", -1.28), ("p50", 0), ("p90", 1.28))},
            **{f"temp_max_{p}_c": high + z * spread for p, z in (("p10", -1.28), ("p50", 0), ("p90", 1.28))},
            "rain_p50_mm": np.where(rainy > 0.5, 9.0, 0.0),
            "rain_mean_mm": np.where(rainy > 0.5, 11.0 - k, 3 * rainy),
            "rain_chance": rainy,
            "frost_chance": np.clip((2.0 - low) / 6, 0, 0.9) * (k >= 0),
            "work_h": np.where(k < 0, np.nan, np.where(rainy > 0.5, 1.0, np.where((k == 7) | (k == 4), 9.0, 18.0))),
        }
    )
    frost_chance = np.clip(weather.loc[weather["day"] >= as_of, "frost_chance"].to_numpy() - 0.15, 0, 1)
    standing = order.set_index("block_id")["end_at"].reindex(ids)
    frost = pd.DataFrame(
        {
            "block_id": np.repeat(ids, len(days)),
            "day": np.tile(days, n_blocks),
            "chance": np.clip(
                np.tile(frost_chance, n_blocks)
                + np.repeat(rng.uniform(-0.1, 0.2, n_blocks), len(days)) * (np.tile(frost_chance, n_blocks) > 0),
                0,
                1,
            ),
            "at_risk_t": np.where(
                (standing.isna().to_numpy()[:, None] | (standing.to_numpy()[:, None] > days.to_numpy()[None, :])),
                crop_t[:, None],
                0,
            ).ravel(),
        }
    )
    heat = pd.concat(
        [
            pd.DataFrame(
                {
                    "station_id": "S1",
                    "season": season,
                    "day_of_season": np.arange(80 if season == 2026 else 150),
                    "filled_n": 3 if season == 2026 else 0,
                    "heat_d": np.cumsum(
                        (
                            16
                            - 0.08 * np.arange(80 if season == 2026 else 150)
                            + rng.normal(shift, 2, 80 if season == 2026 else 150)
                        ).clip(0)
                        / 15
                    ),
                }
            )
            for season, shift in ((2024, 0.0), (2025, -1.0), (2026, 0.7))
        ]
    )
    mill_rows = []
    for r in order.dropna(subset=["start_at"]).to_dict("records"):
        span = max((r["end_at"].normalize() - r["start_at"].normalize()).days + 1, 1)
        for d in range(span):
            mill_rows.append(
                (
                    r["start_at"].normalize() + pd.Timedelta(days=d),
                    r["lot"],
                    r["cultivar"],
                    int(blocks.set_index("block_id").loc[r["block_id"], "style_index"]),
                    r["organic"],
                    r["crop_t"] / span,
                )
            )
    mill = pd.DataFrame(mill_rows, columns=["day", "lot", "cultivar", "style_index", "organic", "crop_t"])
    mill = mill.groupby(["day", "lot", "cultivar", "style_index", "organic"], as_index=False)["crop_t"].sum()
    mill["limit_t"] = np.where(mill["day"].dt.day_of_week == 6, 60.0, 180.0)
    mill["crushed_t"] = np.minimum(mill.groupby("day")["crop_t"].transform("sum"), mill["limit_t"])
    mill["waiting_t"] = mill.groupby("day")["crop_t"].transform("sum") - mill["crushed_t"]
    capacity = pd.DataFrame(
        [
            (d, res, lim, used, unit, used > 0.95 * lim)
            for d in days[:14]
            for res, lim, used, unit in (
                ("harvester H1", 18.0, 14.0, "h"),
                ("mill", 180.0, 175.0, "t"),
                ("trucks", 60.0, 33.0, "h"),
            )
        ],
        columns=["day", "resource", "limit", "used", "unit", "binding"],
    )
    total = float(order["value"].sum())
    rules = pd.DataFrame(
        {
            "rule": ["ripest first", "by the calendar of last season", "nearest first"],
            "value": [0.975 * total, 0.962 * total, 0.94 * total],
            "share_of_bound": [0.965, 0.953, 0.93],
        }
    )
    residuals = samples.assign(
        kind="oil",
        day=samples["sampled_on"],
        x=0.0,
        observed=samples["oil_dry_pct"],
        fitted=samples["oil_dry_pct"] + rng.normal(0, 0.7, len(samples)),
        residual_sd=rng.normal(0, 1, len(samples)),
        weight=1.0,
    )
    residuals.loc[residuals.index[min(7, len(residuals) - 1)], ["residual_sd", "weight"]] = [-4.2, 0.2]
    residuals["doubtful"] = residuals["weight"] < 0.5
    residuals["expected_sd"] = np.sort(rng.normal(0, 1, len(samples)))[
        residuals["residual_sd"].rank(method="first").astype(int) - 1
    ]
    newest = samples[samples["sampled_on"] > samples["sampled_on"].max() - pd.Timedelta(days=14)]
    told = newest["oil_dry_pct"].astype(float) + np.tile([0.5, -0.4, 3.9], len(newest))[: len(newest)]
    foretold = pd.DataFrame(
        {
            "sample_id": newest["sample_id"],
            "block_id": newest["block_id"],
            "day": newest["sampled_on"],
            "observed": newest["oil_dry_pct"],
            "told_p10": told - 2.5,
            "told_p50": told,
            "told_p90": told + 2.5,
            "line": told + 1.5,
        }
    )
    twice = samples.groupby("block_id", as_index=False).agg(
        samples_n=("sample_id", "size"), day=("sampled_on", "max"), own=("oil_dry_pct", "last")
    )
    twice = twice[twice["samples_n"] > 1]
    pooled = twice.assign(own_rate=3.4, fitted=twice["own"].astype(float) + 0.6, fitted_rate=2.9)
    odd = residuals[residuals["doubtful"]]
    doubts = pd.DataFrame(
        {
            "sample_id": odd["sample_id"],
            "block_id": odd["block_id"],
            "sampled_on": odd["sampled_on"],
            "kinds": "oil",
            "residual_sd": odd["residual_sd"],
            "weight": odd["weight"],
            "oil_dry_now_pct": 38.2,
            "oil_dry_now_without_pct": 39.6,
            "target_on": as_of + pd.Timedelta(days=9),
            "target_on_without": pd.NaT,
            "moved_n": 2,
            "moved": ", ".join(ids[:2]),
            "first_block": ids[0],
            "gain": 812.0,
            "says": "",
        }
    )
    classes = pd.DataFrame({"block_id": np.repeat(ids, len(days)), "day": np.tile(days, n_blocks)})
    index = ripe[:, t >= 0].ravel()
    raw = np.exp(-((np.arange(8)[None, :] - index[:, None]) ** 2) / 2.2)
    for i in range(8):
        classes[f"class{i}"] = raw[:, i] / raw.sum(axis=1)
    info = {
        "name": "Invented season",
        "place": "Nowhere",
        "as_of": as_of.date().isoformat(),
        "start": start.date().isoformat(),
        "end": end.date().isoformat(),
        "label": 2026,
        "units": units,
        "currency": "USD" if units == "us" else "EUR",
        "locale": "en_US" if units == "us" else "es_ES",
        "over": False,
        "seed": 0,
        "version": "0.1.0",
        "n_scenarios": 16,
        "n_draws": 192,
        "status": "best known",
        "why": "",
        "value": total,
        "value_p10": 0.9 * total,
        "value_p90": 1.1 * total,
        "bound": 1.01 * total,
        "gap_fraction": 0.0099,
        "target_kind": target,
        "target_value": 0.93,
        "main_station": "S1",
        "headline": "",
    }
    growers_table = (
        order.groupby(["grower_id", "grower"])
        .agg(blocks_n=("block_id", "size"), area_ha=("area_ha", "sum"), crop_t=("crop_t", "sum"))
        .reset_index()
    )
    findings = pd.DataFrame(
        [
            (
                "old sample",
                "warning",
                "samples",
                "samples.csv",
                "",
                12,
                "sampled_on",
                f"{ids[0]}",
                f"Block {ids[0]} ({names[0]}) has no sample for 12 days.",
                "Sample it this week.",
            ),
            (
                "one sample",
                "note",
                "samples",
                "samples.csv",
                "",
                None,
                "block_id",
                f"{ids[-1]}",
                f"Block {ids[-1]} has one sample only.",
                "Take another.",
            ),
        ],
        columns=["code", "level", "table", "file", "sheet", "row", "column", "value", "says", "do"],
    )
    assumptions = pd.DataFrame(
        [
            ("industrial_corrector", 0.1, "fraction", "published note", "Paid oil is fat less a tenth of the rest."),
            ("heat_lower", 7.5, "C", "from memory", "Degree days count from here."),
        ],
        columns=["name", "value", "unit", "source", "says"],
    )
    return make_week(
        info,
        {
            "order": order,
            "stage": stage,
            "curves": curves,
            "samples": samples,
            "past_samples": samples.assign(season=2025).head(5),
            "classes": classes,
            "weather": weather,
            "frost": frost,
            "heat": heat,
            "mill": mill,
            "capacity": capacity,
            "prices": pd.DataFrame({"day": days[:3], "harvester_per_h": 100.0, "mill_per_t": 5.0, "truck_per_h": 0.0}),
            "rules": rules,
            "value_by_day": value_by_day,
            "what_ifs": pd.DataFrame(
                {
                    "change": ["2 h longer shifts"],
                    "value_change": [4200.0],
                    "first_block": [names[0]],
                    "moves": ["3 blocks by a day or more"],
                }
            ),
            "growers": growers_table,
            "findings": findings,
            "assumptions": assumptions,
            "sources": pd.DataFrame({"file": ["blocks.csv"], "sha256": ["0" * 64], "rows": [n_blocks]}),
            "parameters": pd.DataFrame(
                [("Arbequina", "population", "plateau", 44.0, 1.0, 45.0, 2.0, 30.0, 60.0, False, "published range")],
                columns=[
                    "cultivar",
                    "part",
                    "name",
                    "value",
                    "se",
                    "prior_mean",
                    "prior_sd",
                    "low",
                    "high",
                    "at_bound",
                    "source",
                ],
            ),
            "residuals": residuals,
            "foretold": foretold,
            "pooled": pooled,
            "doubts": doubts,
            "shapes": pd.DataFrame({"cultivar": ["Arbequina"], "shape": ["logistic"], "weight": [1.0]}),
            "week_effects": pd.DataFrame({"week": [as_of], "effect": [0.01]}),
            "next_samples": pd.DataFrame(
                {
                    "block_id": ids[:4],
                    "rank": range(1, 1 + len(ids[:4])),
                    "why": "only 2 samples",
                    "gain": [900.0, 700.0, 500.0, 100.0][: len(ids[:4])],
                    "fruits_n": 60,
                }
            ),
        },
    )
