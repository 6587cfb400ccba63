"""Pictures of lesson 11: four things to compare, a chart of days, shapes within a day, and years of patience.

All neighbours are made: the house's own typical year on other roofs, each with a scatter of its own.
"""

from functools import lru_cache

import numpy as np
import pandas as pd

from solarlib.health.ageing import LEAST_YEARS, change_a_year
from solarlib.health.chart import MAD_TO_SCATTER, YEAR_DAYS, baseline, cusum, standardised, watch_for
from solarlib.health.neighbours import LEAST_RATIO, log_ratio_to_median, usable_days
from solarlib.health.shapes import hourly_ratio
from solarlib.house.health import one_roof, season, typical_yields
from solarlib.house.year import weather
from solarlib.lessons.tools import Picture, figures
from solarlib.quantities import counted, energy_kwh, in_form, texts_beside
from solarlib.roof.array import array_power
from solarlib.sky.sun import clear_sky

CAPTIONS = texts_beside(__file__, "captions")
COMPARED = ("kWh per kW", "performance ratio", "ratio to neighbours", "ratio, roofs corrected")
ROOFS = texts_beside(__file__, "roofs")  # tilt and azimuth of five neighbours' roofs beside the own largest one. [deg]
FIRST_MONTH = 6  # the change comes on the first day of it
COMPARED_DAYS = 90
SCATTERS = (2, 3, 5, 8)  # percent
WAITS = {"100 days": 100, "1 year": 365, "1000 days": 1000}
BASELINE_DAYS, FAULT_DAY, CHART_DAYS = 60, 60, 120
CASES = ("A", "B", "C", "D")
YEARS = tuple(range(1, 11))
LUCKS = 5
# Of one system's day, so that the ratio to five scatters by 3 %: the median of five normal values has variance 0.28683.
_SITE = 0.03 / np.sqrt(1.28683)
_SEED = 8


@lru_cache(maxsize=12)
def daily_yields(house, roofs="like mine"):
    """Return a made year of a house and five made neighbours: own, neighbours, and their models. [kWh/kW a day]

    Returns
    -------
    own : Series; neighbours : DataFrame; own_model, neighbour_models : the same shapes
        A model is the month-long running mean of what each roof would make: it knows the roof and the season, not
        the day.
    """
    rng = np.random.default_rng(_SEED)
    largest = house.system.largest_plane
    systems = {"own": house.system}
    for number, (steeper, turn) in enumerate(ROOFS[roofs], 1):
        tilt = float(np.clip(largest.surface_tilt + steeper, 0, 75))
        systems[f"neighbour {number}"] = one_roof(house.system, tilt, float((largest.surface_azimuth + turn) % 360))
    clean = typical_yields(house, systems)
    model = season(clean)
    lasting = np.exp(0.04 * rng.standard_normal(6))
    made = clean * lasting * np.exp(_SITE * rng.standard_normal(clean.shape))
    return made["own"], made.drop(columns="own"), model["own"], model.drop(columns="own")


@lru_cache(maxsize=4)
def _surroundings(house):
    """Return the reference yield [h] and the mean air temperature [degC] of each day."""
    light = energy_kwh(array_power(weather(house), house.place, house.system)["poa_global"])
    warm = weather(house)["temp_air"]
    return light.groupby(light.index.normalize()).sum(), warm.groupby(warm.index.normalize()).mean()


def lost(house, dead):
    """Return the share of the energy that `dead` modules take: all of it where the array has no more than so many."""
    return min(dead / house.system.module_count, 1.0)


def compared(house, measure, dead, roofs):
    """Return a measure day by day, as percent of its middle before the change; days set aside are missing.

    Parameters
    ----------
    measure : str
        One of `COMPARED`.
    dead : int
        Modules without power from the first day of June on.
    roofs : str
        A key of `ROOFS`.
    """
    own, neighbours, own_model, models = daily_yields(house, roofs)
    light, warm = _surroundings(house)
    after = own.index.month >= FIRST_MONTH
    now = own.where(~after, own * (1.0 - lost(house, dead)))
    if measure == "kWh per kW":
        values = now
    elif measure == "performance ratio":
        values = now / light.where(light > 0)
    elif measure == "ratio to neighbours":
        values = np.exp(log_ratio_to_median(now, neighbours))
    else:
        values = np.exp(log_ratio_to_median(now, neighbours, own_model, models))
    values = values.where(usable_days(own, neighbours, warm) == "")
    return 100.0 * values / values[~after].median()


def measure_picture(house):
    """Return the picture of a year seen in four ways: measure, dead modules, roofs of the neighbours."""
    figure, ax = figures.new_figure(top=0.86)
    figures.months_axis(ax)
    ax.set(ylim=(50, 150), ylabel="% of before June")
    days = daily_yields(house)[0].index
    x = days.month - 0.5 + (days.day - 1) / days.days_in_month
    dots = figures.line(ax, "pv", x, 0.0 * x, linestyle="none", marker="o", markersize=5)
    ax.axvline(FIRST_MONTH - 0.5, color=figures.INK, linewidth=1.5, linestyle=":")
    ax.plot([0.5, FIRST_MONTH - 0.5], [100, 100], color=figures.INK, linewidth=3.0)
    later = ax.plot([FIRST_MONTH - 0.5, FIRST_MONTH + 2.5], [0, 0], color=figures.INK, linewidth=3.0)[0]
    one = 100.0 / house.system.module_count
    ax.plot([FIRST_MONTH - 0.5, 12.5], [100 - one] * 2, **{"color": "#5F5F5F", "linestyle": "--", "linewidth": 2.0})
    figures.write(ax, CAPTIONS["labels"]["measure"], va="bottom")
    figures.direct_label(ax, 7.3, 152, f"- - one module of {house.system.module_count} less", "loss", va="bottom")

    def update(measure, dead, roofs):
        values = compared(house, measure, dead, roofs)
        dots.set_ydata(values)
        early = values[values.index.month < FIRST_MONTH]
        late = values[values.index.month >= FIRST_MONTH].iloc[:COMPARED_DAYS]
        later.set_ydata([late.median()] * 2)
        spread = MAD_TO_SCATTER * (early - early.median()).abs().median()
        told = CAPTIONS["measure_moved" if early.notna().any() and late.notna().any() else "measure_unknown"]
        told = told.format(spread=spread, days=COMPARED_DAYS, moved=_signed(late.median() - 100))
        return CAPTIONS["measure"].format(told=told, one=_signed(-one))

    return Picture(figure, [dots, later], update)


def chart_days(house, dead, scatter, luck):
    """Return made daily log ratios, cut off as real ones: 60 baseline days, 60 more, then `dead` less. Scatter in %."""
    noise = np.random.default_rng([_SEED, luck]).standard_normal(BASELINE_DAYS + CHART_DAYS)
    values = scatter / 100.0 * noise
    values[BASELINE_DAYS + FAULT_DAY :] += np.log(max(1.0 - lost(house, dead), LEAST_RATIO))
    return pd.Series(values, np.arange(-BASELINE_DAYS, CHART_DAYS))


@lru_cache(maxsize=4)
def quiet_days(scatter=3):
    """Return made log ratios of the baselines of many houses beside similar systems; independent days. Scatter in %.

    The first house has just that scatter, the others scatter by chance as much.
    """
    days = np.random.default_rng(_SEED).standard_normal((BASELINE_DAYS, 50))
    days[:, 0] /= baseline(days[:, 0]).scatter
    return pd.DataFrame(scatter / 100.0 * days)


@lru_cache(maxsize=24)
def _watch(scatter, wait, count):
    return watch_for(quiet_days(scatter), 1.0 / count, wait)


def chart_picture(house):
    """Return the picture of a chart of days: dead modules, scatter, wait between false messages, luck."""
    count = house.system.module_count
    watches = {(s, wait): _watch(s, wait, count) for s in SCATTERS for wait in WAITS.values()}
    figure, (ax, below) = figures.new_figure(2, 1, hspace=0.12, sharex=True, top=0.97)
    ax.set(xlim=(-BASELINE_DAYS, CHART_DAYS), ylim=(-60, 30), ylabel="off by (%)")
    figures.zero_based(below, 2.0, "sum")
    below.set_xlabel("days after the baseline")
    for panel in (ax, below):
        panel.axvline(0, color=figures.INK, linewidth=1.2)
        panel.axvline(FAULT_DAY, color=figures.INK, linewidth=1.5, linestyle=":")
    below.axhline(1.0, color="#5F5F5F", linewidth=2.0, linestyle="--")
    day = np.arange(-BASELINE_DAYS, CHART_DAYS)
    dots = figures.line(ax, "pv", day, 0.0 * day, linestyle="none", marker="o", markersize=4.5)
    total = figures.line(below, "reading", day[BASELINE_DAYS:], 0.0 * day[BASELINE_DAYS:], linestyle="-")
    mark = below.plot([], [], color=figures.INK, linestyle="none", marker="D", markersize=8, clip_on=False)[0]
    look = {"va": "bottom", "size": 14}
    figures.write(ax, CAPTIONS["labels"]["days"], **look)
    figures.direct_label(ax, FAULT_DAY + 2, -58, "the change, if any", **look)
    figures.write(below, CAPTIONS["labels"]["losses"], **look)

    def update(dead, scatter, wait, luck):
        values, watch = chart_days(house, dead, scatter, luck), watches[scatter, wait]
        plan = watch.plan
        days, before = values.iloc[BASELINE_DAYS:], values.iloc[:BASELINE_DAYS]
        z = standardised(days, baseline(before), plan.limit).to_numpy()
        level = cusum(z, plan.k, plan.h) / plan.h  # starts anew after a message
        dots.set_ydata(100.0 * np.expm1(values))
        total.set_ydata(np.minimum(level, 1.97))
        above = np.flatnonzero(level > 1.0)
        mark.set_data(above, np.minimum(level[above], 1.97))
        early, late = above[above < FAULT_DAY], above[above >= FAULT_DAY] - FAULT_DAY + 1
        found = CAPTIONS["chart_no_change"].format(days=CHART_DAYS - FAULT_DAY, late=_false(len(late)))
        if dead:
            said = {"loss": 100.0 * lost(house, dead), "most": _waited(watch.days_to_notice(lost(house, dead))[1])}
            told = CAPTIONS["chart_message" if len(late) else "chart_no_message"]
            found = told.format(first=counted(late[0], "day") if len(late) else "", days=CHART_DAYS - FAULT_DAY, **said)
        return CAPTIONS["chart"].format(early=_false(len(early)), found=found)

    return Picture(figure, [dots, total, mark], update)


@lru_cache(maxsize=16)
def case_day(house, case, season="summer"):
    """Return (own, expected) power of a cloudless made day in 5-minute steps. [W]

    `case` is one of `CASES`, or "example"; `season` is "summer" or "spring".
    """
    dates = {"summer": ("2026-06-21", "2026-12-21"), "spring": ("2026-04-10", "2026-10-10")}[season]
    index = pd.date_range(dates[house.place.latitude < 0], periods=288, freq="5min", tz=house.place.tz)
    sky = clear_sky(index, house.place).assign(temp_air=18.0, wind_speed=3.0)
    expected = array_power(sky, house.place, house.system)["ac_power_w"]
    own = expected * np.exp(0.015 * np.random.default_rng([_SEED, ord(case[0])]).standard_normal(len(index)))
    step, bright = np.arange(len(index)), expected > 0.15 * expected.max()
    first, last = np.flatnonzero(bright)[[0, -1]]
    noon = expected > 0.85 * expected.max()
    if case == "A":
        own = own.clip(upper=0.72 * expected.max())
    elif case == "B":
        own = own.where(~(noon & (step % 5 < 2)), 0.0)
    elif case == "C":
        shaded = (step >= first) & (step < first + 0.35 * (last - first))
        own = own.where(~shaded, 0.7 * own)
    elif case == "D":
        own = own * (1.0 - min(2.0 / house.system.module_count, 0.5))
    else:
        own = pd.Series(np.roll(own.to_numpy(), 12), index)
    return own, expected


def shape_picture(house):
    """Return the picture of four unknown causes: case, season -> power beside the expected, its ratio by the hour."""
    cases = {(case, season): case_day(house, case, season) for case in CASES for season in ("summer", "spring")}
    top = 1.3 * max(expected.max() for _, expected in cases.values()) / 1000.0
    figure, (ax, side) = figures.new_figure(1, 2, left=0.08, right=0.985, wspace=0.2, width_ratios=(1.6, 1))
    figures.hours_axis(ax, step=6)
    figures.zero_based(ax, top, "power (kW)")
    hour = np.arange(288) / 12.0
    shade = figures.area(ax, "loss", hour, 0 * hour, 0 * hour, hatch="")
    shade.set_alpha(0.45)
    own_line = figures.line(ax, "pv", hour, 0 * hour, linewidth=2.5)
    wish = figures.line(ax, "load", hour, 0 * hour, linewidth=2.0, linestyle="--")
    figures.write(ax, CAPTIONS["labels"]["shape"], top, va="top")
    figures.zero_based(side, 1.3, "own / expected")
    side.set(xlim=(3, 22), xticks=range(3, 22, 3), xlabel="hour")
    side.axhline(1.0, color=figures.INK, linewidth=1.5, linestyle="--")
    dots = figures.line(side, "pv", [], [], linestyle="none", marker="o", markersize=8)

    def update(case, season):
        own, expected = cases[case, season]
        ratio = hourly_ratio(own, expected)
        own_line.set_ydata(own / 1000.0)
        wish.set_ydata(expected / 1000.0)
        shade.set_data(hour, np.minimum(own, expected) / 1000.0, expected / 1000.0)
        dots.set_data(ratio.index + 0.5, ratio)
        zeros = int(((own < 0.05 * expected) & (expected > 0.15 * expected.max())).sum())

        ratios = {"least": ratio.min(), "most": ratio.max(), "peak": own.max() / expected.max()}
        return CAPTIONS["shape"].format(zero=5 * zeros, **ratios)

    return Picture(figure, [shade, own_line, wish, dots], update)


def made_record(years, rate=-0.005, weather=0.02, luck=1):
    """Return a made record of daily yields, seasons taken out, that ages by `rate` a year.

    Years differ by `weather`, days five times as much, and three days of ten are set aside.
    """
    rng = np.random.default_rng([_SEED, luck])
    of_years = rng.standard_normal(YEARS[-1] + 1)
    of_days = rng.standard_normal(int(365.25 * YEARS[-1]) + 2)
    of_days[rng.random(len(of_days)) < 0.3] = np.nan
    days = pd.date_range("2016-01-01", periods=int(round(365.25 * years)), freq="D", tz="UTC")
    age = np.arange(len(days)) / 365.25
    noise = of_years[age.astype(int)] + 5.0 * of_days[: len(days)]
    return pd.Series(np.exp(weather * noise + age * np.log1p(rate)), days)


def ageing_table(rate, weather):
    """Return what full years of records tell of ageing, a column for each luck: 90 % intervals. [% a year]

    Parameters
    ----------
    rate, weather : float
        True change a year, and by how much years differ, as shares.
    """

    def told(years, luck):
        found = change_a_year(made_record(years, rate, weather, luck))
        return f"{_signed(100 * found.low)} to {_signed(100 * found.high)}"

    lucks = range(1, LUCKS + 1)
    rows = {f"{years} years": [told(years, luck) for luck in lucks] for years in YEARS[LEAST_YEARS - 1 :]}
    return pd.DataFrame.from_dict(rows, orient="index", columns=[f"luck {luck}" for luck in lucks])


def _waited(days):
    """Return days of waiting; what no drawn house noticed within its year is told so."""
    return f"{days:.0f}" if np.isfinite(days) else f"more than {YEAR_DAYS}"


def _false(count):
    return {0: "no false message", 1: "one false message"}.get(count, f"{count} false messages")


def _signed(value):
    """Return one decimal with its sign; what rounds to zero is +0.0."""
    return in_form(f"{round(float(value), 1) + 0.0:+.1f}")
