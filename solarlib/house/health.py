"""What a house's array should have given, and how it stands beside similar systems: yields, light, neighbours.

The model knows a typical year, not the year of the readings: it takes the season of a roof out of a comparison, and
says between which yields a period usually lies.
"""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd

from solarlib.files.steps import ONE_DAY, ONE_HOUR
from solarlib.health.ageing import change_a_year
from solarlib.health.common_days import Systems
from solarlib.health.comparison import compare_with_neighbours
from solarlib.health.neighbours import daily_yield
from solarlib.health.shapes import flat_top, hour_shift, midday_dropouts, shade_block
from solarlib.health.yields import corrected_performance_ratio, final_yield, performance_ratio
from solarlib.house.bills import saving
from solarlib.house.flows import first_measured, measured_in
from solarlib.house.year import weather
from solarlib.meter.balance import house_use
from solarlib.quantities import energy_kwh, refuse_if
from solarlib.roof.array import array_power
from solarlib.roof.parts import Plane
from solarlib.sky.sun import clear_sky

SEASON_DAYS = 31  # of the running mean that knows the roof and the season, not the day
BAND = (0.10, 0.90)
_RUN_DAYS, DRAWS, SEED = 5, 500, 0  # days drawn together: a dull day seldom comes alone
CLEAR_SHARE = 0.85  # of the best day's share of a cloudless sky: a day for shapes
LEAST_CLEAR_DAYS = 3
SHAPE_STEP = pd.Timedelta(minutes=15)
LOOKS = (hour_shift, shade_block, flat_top, midday_dropouts)


def typical_yields(house, systems):
    """Return what systems in the house's place give on each day of its typical year. [kWh/kW]

    Parameters
    ----------
    house : House
    systems : dict of str to ArraySystem

    Returns
    -------
    DataFrame, 365 rows
        A column each, on the days of the weather file.
    """
    return pd.DataFrame({name: _typical(house, system) for name, system in systems.items()})


@lru_cache(maxsize=32)
def _typical(house, system):
    made = energy_kwh(array_power(weather(house), house.place, system)["ac_power_w"])
    return daily_yield(made, system.rated_power_w)


def one_roof(system, surface_tilt, surface_azimuth):
    """Return a system of the same make with all its modules on one plane. [deg]"""
    largest = system.largest_plane
    return replace(system, planes=(Plane(largest.module_count, surface_tilt, surface_azimuth, largest.mounting),))


def season(yields):
    """Return the running mean of a month around each day of a typical year, which follows itself."""
    half = SEASON_DAYS // 2
    around = pd.concat([yields.iloc[-half:], yields, yields.iloc[:half]])
    return around.rolling(SEASON_DAYS, center=True).mean().iloc[half:-half]


def on_days(typical, days):
    """Return the rows of a typical year for some dates; 29 February takes the day before."""
    keyed = typical.set_axis(typical.index.month * 100 + typical.index.day)
    wanted = np.where((days.month == 2) & (days.day == 29), 228, days.month * 100 + days.day)
    return keyed.loc[wanted].set_axis(days)


def own_days(days, house):
    """Return the daily yield of a record by day, complete days only. [kWh/kW]

    Parameters
    ----------
    days : DataFrame
        As from `days.by_day`.
    """
    made = days["generation_kwh"].where(days["quality"] == "complete")
    return pd.Series(made.to_numpy(float) / (house.system.rated_power_w / 1000.0), pd.DatetimeIndex(days["date"]))


def yields(house, periods=None, days=None):
    """Return measured and typical energy of the array, by billing period or by month.

    Parameters
    ----------
    house : House
    periods : DataFrame, optional
        ``period_start``, ``period_end``, ``generation_kwh`` (NaN: passed over), as from `periods.periods_of`.
    days : DataFrame, optional
        As from `days.by_day`: without such periods, the complete days of each month.

    Returns
    -------
    DataFrame
        ``from``, ``to`` (not included), ``days`` used, ``measured_kwh``, ``model_kwh`` of the same days of a typical
        year, ``yield_h`` [kWh/kW], ``low_h`` and ``high_h`` (see `yield_band`), ``ratio``.
    """
    spans = _period_spans(periods) or _month_spans(days, house)
    refuse_if(not spans, "no_days_made", "generation")
    typical, rated_kw = typical_yields(house, {"own": house.system})["own"], house.system.rated_power_w / 1000.0
    table = pd.DataFrame(spans, columns=["from", "to", "used", "measured_kwh"])
    used = table.pop("used")
    table.insert(2, "days", used.map(len))
    table["model_kwh"] = [float((on_days(typical, dates) * rated_kw).sum()) for dates in used]
    table["yield_h"] = [final_yield(made, house.system.rated_power_w) for made in table["measured_kwh"]]
    table["low_h"], table["high_h"] = np.transpose([yield_band(house, dates) for dates in used])
    return table.assign(ratio=table["measured_kwh"] / table["model_kwh"].where(table["model_kwh"] > 0))


def _period_spans(periods):
    """Return (from, to, days, generation) of each billing period whose generation is known. [kWh]"""
    if periods is None or "generation_kwh" not in periods:
        return []
    known = periods[np.isfinite(periods["generation_kwh"])]
    rows = zip(known["period_start"], known["period_end"], known["generation_kwh"])
    return [(start, end, pd.date_range(start, end, inclusive="left"), float(made)) for start, end, made in rows]


def _month_spans(days, house):
    """Return the same of the complete days of each month."""
    made = own_days(days, house).dropna() if days is not None else pd.Series(index=pd.DatetimeIndex([]))
    months, rated_w = [month for _, month in made.groupby(made.index.to_period("M"))], house.system.rated_power_w
    energies = [float(month.sum() * rated_w / 1000.0) for month in months]
    return [(m.index[0], m.index[-1] + ONE_DAY, m.index, energy) for m, energy in zip(months, energies)]


def yield_band(house, days):
    """Return between which yields some days lie in eight of ten years like the typical one. [kWh/kW]

    Parameters
    ----------
    house : House
    days : DatetimeIndex, rising

    Returns
    -------
    low, high : float
        10 and 90 % of sums of days drawn in runs of 5 from the period and a fortnight around it. What makes whole
        years differ is not in one typical year: the true band is somewhat wider.
    """
    typical = typical_yields(house, {"own": house.system})["own"]
    level = on_days(season(typical), days).to_numpy()
    around = pd.date_range(days[0] - pd.Timedelta(days=14), days[-1] + pd.Timedelta(days=14 + _RUN_DAYS), freq="D")
    relative = (on_days(typical, around) / on_days(season(typical), around).clip(lower=1e-9)).to_numpy()
    rng = np.random.default_rng(SEED)
    begins = rng.integers(0, len(relative) - _RUN_DAYS + 1, (DRAWS, -(-len(days) // _RUN_DAYS)))
    drawn = relative[begins[:, :, None] + np.arange(_RUN_DAYS)].reshape(DRAWS, -1)[:, : len(days)]
    low, high = np.quantile(drawn @ level, BAND)
    return float(low), float(high)


def ageing(house, days):
    """Return whether the array of a record by day wears out, its season taken out by the model.

    The weather of the years stays in it; see `ageing.change_a_year`.
    """
    own = own_days(days, house)
    model = on_days(season(typical_yields(house, {"own": house.system})["own"]), own.index)
    return change_a_year(own / model.where(model > 0))


def cost_a_year(house, share):
    """Return energy and money that a lasting loss of a share of the array costs in the typical year. [kWh, money]"""
    made = float(typical_yields(house, {"own": house.system})["own"].sum() * house.system.rated_power_w / 1000.0)
    whole, left = (float(saving(house, size=size)["saving"]) for size in (1.0, 1.0 - share))
    return share * made, whole - left


def own_shares(periods):
    """Return self-consumption and self-sufficiency over all periods with known flows, and of each. [-]

    Returns
    -------
    DataFrame
        Rows: "all" and the period starts. ``self_consumption``: self-used energy over generation; ``self_sufficiency``:
        self-used energy over use (trade terms; `common practice, no source`). NaN where nothing was made or used.
    """
    names = ["generation_kwh", "delivered_kwh", "received_kwh"]
    flows = periods.set_index("period_start").reindex(columns=names).dropna()
    refuse_if(flows.empty, "no_days_made", "generation")
    flows.loc["all"] = flows.sum()
    refuse_if((flows["received_kwh"] > flows["generation_kwh"]).any(), "more_sent", "generation")
    use = house_use(*(flows[name] for name in names))
    shares = {"self_consumption": use.self_consumption_share, "self_sufficiency": use.self_sufficiency_share}
    return pd.DataFrame(shares)


def neighbours_of(files):
    """Return the daily yields of similar systems of all files, and their roofs as far as they are told.

    Returns
    -------
    DataFrame, dates
        [kWh/kW]
    dict of column to (tilt, azimuth)
    """
    parts, roofs = [], {}
    told = [(file.table[title], column) for file in files for title, column in file.neighbours.items()]
    for energy, column in told:
        part = energy.rename(f"neighbour {column.name}")
        parts.append(part.set_axis(_dates(part)))
        if column.tilt_deg is not None:
            roofs[part.name] = column.tilt_deg, column.azimuth_deg
    refuse_if(not parts, "no_neighbours", "neighbours")
    table = pd.concat(parts, axis=1)
    twice = table.columns[table.columns.duplicated()]
    refuse_if(len(twice), "neighbour_twice", "neighbours", names=twice)
    return table, roofs


def _dates(table):
    """Return the local dates of the rows of a table or series."""
    return table.index.tz_localize(None).normalize()


def beside_neighbours(house, days, files, model_roofs=True):
    """Compare a house's record by day with its neighbours; see `comparison.compare_with_neighbours`.

    Parameters
    ----------
    house : House
    days : DataFrame
        As from `days.by_day`; a note with the word snow sets its day aside.
    files : sequence of Checked
        One or more with neighbours.
    model_roofs : bool
        Where the roof of each neighbour is known, let a model take the seasons of the roofs out.
    """
    own = own_days(days, house)
    neighbours, roofs = neighbours_of(files)
    untold = [name for name in neighbours if name not in roofs]
    models, notes = (None, None), ()
    if model_roofs and not untold:
        systems = {"own": house.system} | {name: one_roof(house.system, *roofs[name]) for name in neighbours}
        model = season(typical_yields(house, systems))
        models = on_days(model["own"], own.index), on_days(model.drop(columns="own"), neighbours.index)
    elif model_roofs and len(untold) < neighbours.shape[1]:
        notes = (f"No roof was modelled, because that of {', '.join(untold)} is not told.",)
    snow = pd.Series(days["note"].fillna("").str.contains("snow", case=False).to_numpy(), own.index)
    systems = Systems(own, neighbours, *models, _daily_air(files), snow)
    found = compare_with_neighbours(systems, house.system.module_count)
    return replace(found, notes=found.notes + notes)


def _daily_air(files):
    air = measured_in(files, "air_temperature")
    return None if air is None else air.series.groupby(_dates(air.series)).mean()


def shapes(files, house):
    """Return what the clearest days of the array's readings look like beside a cloudless sky.

    Returns
    -------
    tuple of Evidence
        See `health.shapes`: hours, shade, a limit, dropouts.
    int
        Clear days that were used.

    Raises
    ------
    InputError
        There are fewer than three clear days, or intervals longer than an hour.
    """
    array = first_measured(files, "generation")
    refuse_if(array.step > ONE_HOUR, "long_intervals", array.origin, hours=array.step / ONE_HOUR)
    own = array.power_w()
    own = _coarser(own, SHAPE_STEP) if array.step < SHAPE_STEP else own
    own.index.freq = None
    expected = _cloudless(own.index, house)
    days = own.index.normalize()
    whole = own.groupby(days).count() == expected.groupby(days).count()
    light = expected.groupby(days).sum()
    share = (own.groupby(days).sum() / light.where(light > 0)).where(whole)
    clear = share.index[share >= CLEAR_SHARE * share.max()]
    refuse_if(len(clear) < LEAST_CLEAR_DAYS, "few_clear_days", array.origin, count=len(clear), least=LEAST_CLEAR_DAYS)
    own = own.where(days.isin(clear))
    return tuple(look(own, expected) for look in LOOKS), len(clear)


def _cloudless(index, house):
    """Return the house's power under a cloudless sky, at the mean temperature and wind of the typical hour. [W]"""
    typical = weather(house)[["temp_air", "wind_speed"]]
    means = typical.groupby([typical.index.month, typical.index.hour]).mean()
    at = pd.MultiIndex.from_arrays([index.month, index.hour])
    sky = clear_sky(index, house.place).assign(**{name: means[name].loc[at].to_numpy() for name in means})
    return array_power(sky, house.place, house.system)["ac_power_w"]


def performance(files, house):
    """Return the performance ratio of the time in which power and light are both measured, and its corrected form.

    Returns
    -------
    dict
        ``hours``, ``performance_ratio``, and ``corrected`` to cells of 25 degC (None without measured temperature).

    Raises
    ------
    InputError
        No file has light on the plane of the modules.
    """
    light, array = first_measured(files, "light"), first_measured(files, "generation")
    step = max(light.step, array.step)
    table = pd.DataFrame({"power": _coarser(array.power_w(), step), "light": _coarser(light.even(), step)}).dropna()
    refuse_if(not len(table), "no_common_time", light.origin, other=array.origin)
    hours, system, corrected = step / ONE_HOUR, house.system, None
    made, reference = table.sum() * hours / 1000.0
    ratio = performance_ratio(final_yield(made, system.rated_power_w), reference)
    warmth = measured_in(files, "cell_temperature")
    if warmth is not None:
        cells = _coarser(warmth.even(), step).reindex(table.index)
        slope = sum(n * one.rated_power_w * one.temperature_coefficient_per_c for one, n in system.modules.items())
        slope /= system.rated_power_w
        corrected = corrected_performance_ratio(table["power"], table["light"], cells, system.rated_power_w, slope)
    return {"hours": len(table) * hours, "corrected": corrected, "performance_ratio": ratio}


def _coarser(values, step):
    """Return means over longer intervals, only where nothing is missing."""
    groups = values.resample(step)
    return groups.mean().where(groups.count() == groups.size())
