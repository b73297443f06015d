"""Checks across the columns and tables of a season; each fault is one finding.

Every function takes converted tables, adds findings to their `place` and marks rows that can't be used
(`_bad`). Nothing is raised here.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
import pandas as pd

from olivetime.records.cells import closest, name_key
from olivetime.records.columns import KEYS
from olivetime.records.convert import BAD, ROW, Converted, texts_in
from olivetime.records.findings import ERROR, NOTE, WARNING, Finding, shown
from olivetime.records.samples import dry_from_fresh, fresh_from_dry, maturity_index, moisture_from
from olivetime.records.typed import LENIENT_TABLES, NAMED_THINGS, row_list

# Dry, fresh and moisture of one sample are tied by an identity; rounding and separate portions of the same
# sample explain this many points of difference (our choice), and no more than the second.
IDENTITY_WARNING_POINTS = 0.7
IDENTITY_ERROR_POINTS = 1.5
# A fall of dry-basis oil faster than this within ten days is odd (our choice): oil once made is not lost.
FALL_POINTS = 6.0
FALL_DAYS = 10
MATURITY_TOLERANCE = 0.05
COUNTED_USUALLY = (50, 100, 200)
AREA_SLACK = 1.02
# An earlier season of which a table has so few rows may be a wrong year; one so long ago surely is (our choices).
FEW_ROWS = 2
# Rain that rises so often, and so many times for each fall, is added up since some day (our choice). Measured rain of
# Seattle (4 years), Beijing, Chicago, Mumbai and San Diego (2 each) rose 0.92 to 1.04 times for each fall.
ADDED_UP_RISES = 10
ADDED_UP_RISES_A_FALL = 5
OLD_SEASONS = 60
CLASS_COLUMNS = tuple(f"class{i}_n" for i in range(8))

Tables = Mapping[str, Converted]


def check_duplicates(name: str, table: Converted) -> None:
    """Report rows with the same key: a warning when they say the same, else an error."""
    keys = list(KEYS[name])
    frame = table.frame
    named = name in NAMED_THINGS
    if len(keys) == 1 and not named and _all_differ(table.codes.get(keys[0]), len(frame)):
        return
    if named and len({*map(name_key, texts_in(frame[keys[0]]))}) == len(frame):
        return
    key_frame = frame[keys].copy()
    for key in keys:
        if key in table.codes:
            # Numbers are compared faster than texts.
            key_frame[key] = table.codes[key]
    if named:
        key_frame[keys[0]] = [name_key(text) for text in frame[keys[0]]]
    positions = np.flatnonzero(key_frame.duplicated(keep=False).to_numpy() & ~frame[BAD].to_numpy())
    if not len(positions):
        return
    values = frame.drop(columns=[ROW, BAD])
    for members in key_frame.iloc[positions].groupby(keys, sort=False).indices.values():
        where = positions[np.sort(members)]
        if len(where) < 2:
            continue
        rows = row_list(frame[ROW].iloc[where].tolist())
        texts = [_day(v) if isinstance(v, pd.Timestamp) else str(v) for v in frame[keys].iloc[where[0]]]
        what = f"{' and '.join(keys)} {shown(', '.join(texts))}"
        first, value = int(where[0]), ", ".join(texts)
        if len(values.iloc[where].drop_duplicates()) == 1:
            frame.loc[where[1:], BAD] = True
            says = f"{what} stands in {rows} with the same values"
            do = "The first was used; delete the others."
            table.place.add("duplicate", WARNING, says, "one row", do, index=first, column=keys[0], value=value)
            continue
        frame.loc[where, BAD] = True
        spelt = sorted(set(frame[keys[0]].iloc[where])) if named else []
        if len(spelt) > 1:
            says = f"{keys[0]} {' and '.join(map(shown, spelt))} can't be told apart ({rows})"
            expected, do = "", "Give each its own name."
        else:
            says, expected = f"{what} stands in {rows} with different values", "one row"
            do = "None of them was used; keep one."
        level = WARNING if name in LENIENT_TABLES else ERROR
        touches = map(int, where[1:])
        table.place.add(
            "duplicate", level, says, expected, do, index=first, column=keys[0], value=value, touches=touches
        )


def _all_differ(code: np.ndarray | None, n: int) -> bool:
    return code is not None and n > 0 and int(code.max()) + 1 == n


def _spans(table: Converted, first: str, last: str) -> None:
    """Report rows whose last day comes before the first."""
    frame = table.frame
    for i in np.flatnonzero((frame[first] > frame[last]).to_numpy() & ~frame[BAD].to_numpy()):
        says = f"{first} is {_day(frame[first].iloc[i])}, after {last} {_day(frame[last].iloc[i])}"
        table.place.add("dates-crossed", ERROR, says, "", "Correct one of the dates.", index=int(i), column=last)
        frame.loc[i, BAD] = True


def _day(stamp: pd.Timestamp) -> str:
    return stamp.date().isoformat()


def check_blocks(tables: Tables) -> None:
    """Dates of blocks, and links to rows that have faults of their own."""
    table = tables["blocks"]
    frame = table.frame
    _spans(table, "closed_from", "closed_to")
    _spans(table, "pick_after", "pick_before")
    name = frame["block_name"].to_numpy(dtype=object)
    frame["block_name"] = pd.Series(np.where(name == "", frame["block_id"], name), dtype="str")
    for column, other, key in (
        ("cultivar", "cultivars", "cultivar"),
        ("station_id", "stations", "station_id"),
        ("contract_id", "contracts", "contract_id"),
    ):
        target = tables[other].frame
        faulty = dict(zip(target.loc[target[BAD], key], target.loc[target[BAD], ROW], strict=True))
        faulty = {k: row for k, row in faulty.items() if k and k not in set(target.loc[~target[BAD], key])}
        linked = np.flatnonzero(frame[column].isin(list(faulty)).to_numpy() & ~frame[BAD].to_numpy())
        # One line for each faulty row, however many blocks hang on it.
        for value in dict.fromkeys(frame[column].iloc[linked]):
            rows = [int(i) for i in linked if frame[column].iloc[i] == value]
            where = f"{tables[other].place.file}, row {faulty[value]}"
            says = f"{column} is {shown(value)}, which has an error of its own ({where})"
            if len(rows) > 1:
                says = f"{says}; {len(rows)} blocks hang on it"
            table.place.add(
                *("faulty-link", ERROR, says, "", "Mend that row."),
                index=rows[0],
                column=column,
                value=value,
                touches=rows[1:],
            )
            frame.loc[rows, BAD] = True


def check_years(table: Converted, day: str, seasons: np.ndarray, label: int) -> None:
    """Warn of rows that a wrong year may have put into an earlier season, where nobody would miss them.

    Parameters
    ----------
    table : Converted
    day : str
        Column of the date.
    seasons : ndarray of int, shape (rows,)
        Season of each row; below 0 where there is none.
    label : int
        This season's.
    """
    good = ~table.frame[BAD].to_numpy() & (seasons >= 0)
    labels, counts = np.unique(seasons[good], return_counts=True)
    now = int(counts[labels == label].sum())
    for season, n in zip(labels.tolist(), counts.tolist(), strict=True):
        if not (season < label and ((n <= FEW_ROWS < now) or season < label - OLD_SEASONS)):
            continue
        where = np.flatnonzero(good & (seasons == season))
        rows = row_list(table.frame[ROW].iloc[where].tolist())
        says = f"{day} puts {rows} into the season of {season}; no other row is of that season"
        do = "Correct the year, if it is a slip; the rows count as that season's until then."
        first = int(where[0])
        value = _day(table.frame[day].iloc[first])
        table.place.add("lone-season", WARNING, says, "", do, index=first, column=day, value=value)


def check_aliases(tables: Tables) -> None:
    """Report aliases that are the name of a block; such a spelling can't mean another."""
    table = tables["aliases"]
    frame = table.frame
    blocks = {name_key(name): name for name in tables["blocks"].frame["block_id"] if name}
    for i in np.flatnonzero(~frame[BAD].to_numpy()):
        written, meant = frame["as_written"].iloc[i], frame["block_id"].iloc[i]
        own = blocks.get(name_key(written))
        if own is not None and own != meant:
            says = f"as_written {shown(written)} is the name of block {shown(own)}, and block_id is {shown(meant)}"
            do = "Delete the row; the block keeps its own name."
            table.place.add("alias-of-block", WARNING, says, "", do, index=int(i), column="as_written", value=written)
            frame.loc[i, BAD] = True


def check_spans(tables: Tables) -> None:
    """First and last days of harvesters."""
    _spans(tables["harvesters"], "ready_from", "ready_to")


def check_station_blocks(tables: Tables) -> None:
    """Find the block in which each logger stands; stations are read before blocks, so names are matched here."""
    table = tables["stations"]
    frame, aliases = table.frame, tables["aliases"].frame
    names = [name for name in texts_in(tables["blocks"].frame["block_id"]) if name]
    exact = set(names)
    meant = dict(zip(aliases["as_written"], aliases["block_id"], strict=True)) | {name: name for name in names}
    by_key = {name_key(written): block for written, block in meant.items() if block}
    for i, text in enumerate(frame["block_id"].tolist()):
        if text == "" or text in exact:
            continue
        block = by_key.get(name_key(text), "")
        frame.loc[i, "block_id"] = block
        if block:
            says, do, level, code = f"block_id `{shown(text)}` was taken for {shown(block)}", "", NOTE, "name-matched"
        else:
            near = closest(text, names)
            says, level, code = f"no such block as `{shown(text)}`", WARNING, "unknown-name"
            do = f"Did you mean {shown(near)}? " if near else ""
        do += "The station was used all the same." if level == WARNING else "Nothing to do."
        table.place.add(code, level, says, "", do, index=i, column="block_id", value=text)


def check_oil_orders(tables: Tables, first: date, last: date) -> None:
    """Warn of oil that is due after the plan ends, and of oil that no block can give."""
    table, blocks = tables["oil_orders"], tables["blocks"].frame
    frame = table.frame
    for i in np.flatnonzero(~frame[BAD].to_numpy() & (frame["due_on"] >= pd.Timestamp(first)).to_numpy()):
        order = frame.loc[i]
        if order["due_on"] > pd.Timestamp(last):
            says, expected = f"due_on is {_day(order['due_on'])}", f"a day up to the season's last, {last.isoformat()}"
            do = "Only fruit milled by the season's end can count."
            table.place.add("due-late", WARNING, says, expected, do, index=int(i), column="due_on")
        fits = ~blocks[BAD] & (blocks["organic"] | ~order["organic"])
        if order["cultivar"]:
            fits &= blocks["cultivar"] == order["cultivar"]
        if not fits.any():
            what = " ".join(filter(None, ("organic" if order["organic"] else "", order["cultivar"])))
            says = f"no block of {shown(what)} can fill this order for oil"
            do = "Correct the order, or the blocks."
            table.place.add("no-block-for-oil", WARNING, says, "", do, index=int(i), column="order_id")


def check_contracts(tables: Tables, currency: str) -> None:
    """Each kind of contract needs its own numbers, in the season's currency; an empty currency is that one."""
    table = tables["contracts"]
    frame = table.frame
    code = frame["currency"].to_numpy(dtype=object)
    frame["currency"] = pd.Series(np.where(code == "", currency, code), dtype="str")
    for i in np.flatnonzero((frame["currency"].str.upper() != currency).to_numpy() & ~frame[BAD].to_numpy()):
        says = f"currency is {shown(frame['currency'].iloc[i])}"
        do = "Enter the prices in the season's currency."
        table.place.add("currency", ERROR, says, currency, do, index=int(i), column="currency")
        frame.loc[i, BAD] = True
    needs = {
        "oil_kg": ("price_oil_kg",),
        "own": ("price_oil_kg",),
        "fruit_flat": ("price_fruit_t",),
        "fruit_oil_scale": ("price_fruit_t", "base_oil_pct", "step_per_point"),
    }
    for i in np.flatnonzero(~frame[BAD].to_numpy()):
        for column in needs.get(frame["kind"].iloc[i], ()):
            if np.isnan(frame[column].iloc[i]):
                name, kind = frame["contract_id"].iloc[i], frame["kind"].iloc[i]
                says = f"contract {shown(name)} of kind {kind} has no {column}"
                table.place.add("no-price", ERROR, says, "", "Fill it in.", index=int(i), column=column)
                frame.loc[i, BAD] = True


def check_samples(tables: Tables) -> None:
    """Bases, counts and dates of samples; the third percentage and the maturity index are worked out."""
    table = tables["samples"]
    frame, place = table.frame, table.place
    received_early = (frame["received_on"] < frame["sampled_on"]).to_numpy() & ~frame[BAD].to_numpy()
    for i in np.flatnonzero(received_early):
        says = f"received_on is {_day(frame['received_on'].iloc[i])}"
        expected = f"a day from sampled_on ({_day(frame['sampled_on'].iloc[i])}) on"
        place.add(
            "dates-crossed",
            ERROR,
            says,
            expected,
            "Correct one of the dates.",
            index=int(i),
            column="received_on",
        )
    frame[BAD] |= received_early
    _bases(table)
    _counts(table)
    _falls(table)


def _bases(table: Converted) -> None:
    frame, place = table.frame, table.place
    fresh, dry, moisture = (frame[c].to_numpy().copy() for c in ("oil_fresh_pct", "oil_dry_pct", "moisture_pct"))
    has = np.isfinite(np.column_stack([fresh, dry, moisture]))
    good = ~frame[BAD].to_numpy()
    expected = dry_from_fresh(fresh, moisture)
    with np.errstate(invalid="ignore"):
        gap = np.abs(expected - dry)
        wide = good & (gap > IDENTITY_WARNING_POINTS)
        wrong = good & (gap > IDENTITY_ERROR_POINTS)
        water = moisture_from(fresh, dry)
        turned = np.abs(dry_from_fresh(dry, moisture) - fresh) <= IDENTITY_WARNING_POINTS
        # Fresh per cent can't exceed dry per cent; without moisture this is the only sign of a swapped basis.
        swapped = good & ~has[:, 2] & (fresh >= dry)
    for i in np.flatnonzero(wide):
        says = (
            f"oil_dry_pct should be 100*{fresh[i]:.4g}/(100-{moisture[i]:.4g})={expected[i]:.1f} but {dry[i]:.4g} given"
        )
        do = "Check which number the laboratory reports on which basis."
        if turned[i]:
            do = "Swap oil_fresh_pct and oil_dry_pct: then all three agree."
        place.add(
            "bases-disagree",
            ERROR if wrong[i] else WARNING,
            says,
            "",
            do,
            index=int(i),
            column="oil_dry_pct",
            value=f"{dry[i]:.4g}",
        )
    for i in np.flatnonzero(swapped):
        says = f"oil_fresh_pct {fresh[i]:.4g} is not below oil_dry_pct {dry[i]:.4g}"
        place.add(
            "bases-disagree",
            ERROR,
            says,
            "",
            "The two may be swapped.",
            index=int(i),
            column="oil_fresh_pct",
            value=f"{fresh[i]:.4g}",
        )
    bad = wrong | swapped
    frame[BAD] |= bad
    pairs = has.sum(axis=1)
    need_fresh = good & ~bad & (pairs == 2) & ~has[:, 0]
    need_dry = good & ~bad & (pairs == 2) & ~has[:, 1]
    need_water = good & ~bad & (pairs == 2) & ~has[:, 2]
    frame["oil_fresh_pct"] = np.where(need_fresh, fresh_from_dry(dry, moisture), fresh)
    frame["oil_dry_pct"] = np.where(need_dry, expected, dry)
    frame["moisture_pct"] = np.where(need_water, water, moisture)
    dry_now = frame["oil_dry_pct"].to_numpy()
    with np.errstate(invalid="ignore"):
        impossible = need_dry & (dry_now > 70)
    for i in np.flatnonzero(impossible):
        says = f"oil on dry matter would be {dry_now[i]:.1f}"
        do = "Check moisture_pct and oil_fresh_pct."
        place.add(
            "bases-disagree",
            ERROR,
            says,
            "at most 70 % of dry matter",
            do,
            index=int(i),
            column="oil_fresh_pct",
            value=f"{fresh[i]:.4g}",
        )
    frame.loc[impossible, BAD] = True
    limit = frame["oil_dry_below_pct"].to_numpy()
    with np.errstate(invalid="ignore"):
        beyond = ~frame[BAD].to_numpy() & (dry_now > limit + IDENTITY_WARNING_POINTS)
    for i in np.flatnonzero(beyond):
        says = f"oil_dry_below_pct is {limit[i]:.4g}, but the oil found is {dry_now[i]:.4g} % of dry matter"
        do = "The limit was not used."
        place.add("bases-disagree", WARNING, says, "", do, index=int(i), column="oil_dry_below_pct")
    frame["oil_dry_below_pct"] = np.where(np.isfinite(dry_now), np.nan, limit)
    lonely = good & (pairs == 1) & (has[:, 0] | has[:, 1])
    if lonely.any():
        where = np.flatnonzero(lonely)
        rows = row_list(frame[ROW].iloc[where].tolist())
        says = f"only one of oil_fresh_pct, oil_dry_pct and moisture_pct is given in {rows}"
        place.add(
            "one-basis",
            WARNING,
            says,
            "two of the three",
            "Such a sample doesn't count for the oil curve.",
            index=int(where[0]),
            column="oil_fresh_pct",
            touches=map(int, where[1:]),
        )


def _counts(table: Converted) -> None:
    frame, place = table.frame, table.place
    if not any(column in table.columns for column in CLASS_COLUMNS):
        return
    counts = frame[list(CLASS_COLUMNS)].to_numpy()
    some = np.isfinite(counts).any(axis=1)
    filled = np.nan_to_num(counts)
    result = maturity_index(filled)
    counted = some & (result.fruits_n > 0)
    # A counted sample has numbers in all classes, so that nobody takes an empty class for an unknown one.
    frame[list(CLASS_COLUMNS)] = np.where(counted[:, None], filled, np.nan)
    given = frame["maturity_index"].to_numpy()
    good = ~frame[BAD].to_numpy()
    with np.errstate(invalid="ignore"):
        apart = counted & good & (np.abs(given - result.index) > MATURITY_TOLERANCE)
    for i in np.flatnonzero(apart):
        says = f"maturity_index is {given[i]:.4g}, but the counts give {result.index[i]:.2f}"
        place.add(
            "maturity-disagrees",
            WARNING,
            says,
            "",
            "The counts were used.",
            index=int(i),
            column="maturity_index",
            value=f"{given[i]:.4g}",
        )
    few = counted & good & (result.fruits_n < 20)
    for i in np.flatnonzero(few):
        says = f"only {result.fruits_n[i]:.0f} fruit were sorted by colour"
        place.add(
            "few-fruit",
            WARNING,
            says,
            "50 or 100",
            "The index is uncertain.",
            index=int(i),
            column="class0_n",
        )
    odd = counted & good & ~few & ~np.isin(result.fruits_n, COUNTED_USUALLY)
    if odd.any():
        where = np.flatnonzero(odd)
        says = f"{result.fruits_n[where[0]]:.0f} fruit sorted by colour"
        if len(where) > 1:
            says += f", and odd totals in {len(where) - 1} more rows"
        place.add(
            "odd-total",
            NOTE,
            says,
            "usually 50 or 100",
            "Divided by the fruit really counted.",
            index=int(where[0]),
            column="class0_n",
        )
    frame["maturity_index"] = np.where(counted, result.index, given)


def _falls(table: Converted) -> None:
    """Warn of dry-basis oil that fell faster than fruit can lose it."""
    frame, place = table.frame, table.place
    oil, day = frame["oil_dry_pct"].to_numpy(), frame["sampled_on"].to_numpy().astype("datetime64[D]")
    use = np.flatnonzero(~frame[BAD].to_numpy() & np.isfinite(oil) & ~np.isnat(day))
    if len(use) < 2:
        return
    block = table.codes["block_id"][use].astype(np.int64)
    since = day[use].astype(np.int64) - int(day[use].min().astype(np.int64))
    # One number for each block and day, so that the samples of a block stand together in order of days.
    both = block * (int(since.max()) + 1) + since
    order = np.argsort(both, kind="stable")
    starts = np.flatnonzero(np.diff(both[order], prepend=-1))
    first = order[starts]
    mean = np.add.reduceat(oil[use][order], starts) / np.diff(np.append(starts, len(order)))
    same, gap, fall = np.diff(block[first]) == 0, np.diff(since[first]), -np.diff(mean)
    for j in np.flatnonzero(same & (gap <= FALL_DAYS) & (fall > FALL_POINTS + 0.05)):
        i = int(use[first[j + 1]])
        says = f"oil_dry_pct fell by {fall[j]:.1f} points in {gap[j]:.0f} days"
        do = "Oil is not lost so fast; one of the two samples may be of other fruit."
        place.add("sudden-fall", WARNING, says, f"at most {FALL_POINTS:g}", do, index=i, column="oil_dry_pct")


def _check_rain_added_up(table: Converted) -> None:
    """Report stations whose rain is the sum since some day, as loggers show it; none of it is used.

    A day's rain falls about as often from one day to the next as it rises; a sum falls only when it starts anew.
    """
    frame = table.frame
    rain = frame.loc[frame["rain_mm"].notna(), ["station_id", "day", "rain_mm"]].sort_values("day", kind="stable")
    for station, part in rain.groupby("station_id", sort=True)["rain_mm"]:
        steps = np.diff(part.to_numpy())
        rises, falls = int((steps > 0).sum()), int((steps < 0).sum())
        if rises < ADDED_UP_RISES or ADDED_UP_RISES_A_FALL * falls > rises or (part > 0).mean() < 0.5:
            continue
        frame.loc[part.index, "rain_mm"] = np.nan
        says = f"rain_mm of {shown(str(station))} is above that of the day before {rises} times and below it {falls}"
        do = "Such amounts are added up since some day, and none was used; write what fell each day."
        first = int(part.index[0])
        table.place.add("rain-added-up", WARNING, says, "the rain of each day", do, index=first, column="rain_mm")


def check_weather(tables: Tables, name: str) -> None:
    """Report days whose lowest temperature is above the highest, and rain added up since some day; none is used."""
    table = tables[name]
    frame = table.frame
    if name == "weather_days":
        _check_rain_added_up(table)
    crossed = np.flatnonzero((frame["temp_min_c"] > frame["temp_max_c"]).to_numpy())
    both = int((frame["temp_min_c"].notna() & frame["temp_max_c"].notna()).sum())
    if len(crossed) > 3 and 2 * len(crossed) > both:
        says = f"temp_min_c is above temp_max_c in {len(crossed)} of {both} rows"
        do = "Swap the headings of the two columns; none of these values was used."
        table.place.add("min-above-max", WARNING, says, "", do, index=int(crossed[0]), column="temp_min_c")
        frame.loc[crossed, ["temp_min_c", "temp_max_c"]] = np.nan
        return
    shown_rows = crossed[:20]
    for i in shown_rows:
        low, high = frame["temp_min_c"].iloc[i], frame["temp_max_c"].iloc[i]
        says = f"temp_min_c {low:.4g} is above temp_max_c {high:.4g}"
        table.place.add("min-above-max", WARNING, says, "", "Neither was used.", index=int(i), column="temp_min_c")
    if len(crossed) > len(shown_rows):
        says = f"temp_min_c is above temp_max_c in {len(crossed) - len(shown_rows)} more rows"
        table.place.add(
            "min-above-max",
            WARNING,
            says,
            "",
            "None of them was used.",
            column="temp_min_c",
        )
    frame.loc[crossed, ["temp_min_c", "temp_max_c"]] = np.nan


def check_treatments(tables: Tables) -> list[Finding]:
    """Warn of sprays not allowed on organic blocks, and of sprays on a block that can't be found.

    Returns
    -------
    list of Finding
        Errors for blocks whose names are like an unknown treated block: its interval may be theirs.
    """
    table, blocks = tables["treatments"], tables["blocks"].frame
    organic = set(blocks.loc[blocks["organic"], "block_id"])
    frame = table.frame
    for i in np.flatnonzero(frame["block_id"].isin(list(organic)).to_numpy() & ~frame["organic_ok"].to_numpy()):
        says = f"{shown(frame['product'].iloc[i])} is not marked organic_ok but the block is organic"
        table.place.add(
            "not-organic",
            WARNING,
            says,
            "",
            "Check the product, or the block's certificate.",
            index=int(i),
            column="organic_ok",
        )
    names = texts_in(blocks["block_id"])
    found = []
    for finding in table.place.found:
        if finding.code == "unknown-name" and finding.column == "block_id":
            near = closest(finding.value, names)
            if near:
                found.append(
                    Finding(
                        "treatment-unclear",
                        ERROR,
                        "treatments",
                        finding.file,
                        finding.sheet,
                        finding.row,
                        "block_id",
                        finding.value,
                        f"a treatment of `{shown(finding.value)}` may be meant for this block",
                        "",
                        "Correct the block's name; until then the block isn't offered for picking.",
                        (near,),
                    )
                )
    return found


def check_picks(tables: Tables, seasons: np.ndarray, label: int) -> None:
    """Warn when more of a block was picked this season than its area."""
    table = tables["picks"]
    frame = table.frame
    this = frame[(seasons == label) & ~frame[BAD].to_numpy()]
    if this.empty:
        return
    area = tables["blocks"].frame.drop_duplicates("block_id").set_index("block_id")["area_ha"]
    picked = this.groupby("block_id", sort=True)["area_ha"].sum()
    over = picked[picked > area.reindex(picked.index) * AREA_SLACK]
    for block, hectares in over.items():
        i = int(this.index[this["block_id"] == block][-1])
        says = f"{hectares:.2f} ha were picked in all"
        expected = f"at most the block's {area[block]:.2f} ha"
        table.place.add(
            "picked-too-much", WARNING, says, expected, "Check the tickets' area.", index=i, column="area_ha"
        )


def mill_can_run(tables: Tables, first: date, last: date) -> bool:
    """Whether the mill can mill on any day from `first` to `last`.

    Raises nothing; the caller decides. Rows of unknown or unusable mills do not count.
    """
    mill = tables["mill"].frame
    mill = mill[~mill[BAD]]
    if mill.empty or not ((mill["rate_t_h"] > 0) & (mill["hours_per_day"] > 0)).any():
        return False
    days = tables["mill_days"].frame
    days = days[~days[BAD] & (days["day"] >= pd.Timestamp(first)) & (days["day"] <= pd.Timestamp(last))]
    wanted = (last - first).days + 1
    open_mills = mill[(mill["rate_t_h"] > 0) & (mill["hours_per_day"] > 0)]
    for mill_id, hours in zip(open_mills["mill_id"], open_mills["hours_per_day"], strict=True):
        of_mill = days[days["mill_id"] == mill_id]
        shut = of_mill[of_mill["closed"] | (of_mill["booked_h"] >= hours)]
        if shut["day"].nunique() < wanted:
            return True
    return False
