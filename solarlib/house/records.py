"""What an owner keeps: one row a day, one row a billing period, and computed bills beside those that were sent."""

from itertools import product

import numpy as np
import pandas as pd

from solarlib.bill.accounts import ledger
from solarlib.files.days import KEPT_FLOWS, by_day
from solarlib.files.records import read_kept
from solarlib.health.yields import final_yield
from solarlib.house.flows import file_of
from solarlib.house.health import yield_band
from solarlib.house.periods import sources
from solarlib.house.year_bills import ratings
from solarlib.quantities import refuse_if

DAY_H = 25.0  # of the longest local day
_CENT = 0.01  # a range of a bill that is narrower is not told


def days_of(files):
    """Return one row a local day from all files with the array's power or energy or with a meter's registers.

    Parameters
    ----------
    files : sequence of flows.Checked

    Returns
    -------
    DataFrame
        As from `days.by_day`. A day that several files tell of rests on the least measured of them.
    """
    *told, all_files = sources(files)
    told.append({name: flow for name, flow in all_files.items() if not any(name in flows for flows in told)})
    kept = [{n: it for n, it in flows.items() if n in KEPT_FLOWS and np.median(it.hours) <= DAY_H} for flows in told]
    refuse_if(not any(kept), "no_regular_readings", "files")
    table = pd.concat([by_day(flows) for flows in kept if flows], ignore_index=True)
    table["peak_time"] = table["peak_time"].replace("", np.nan)
    # of words for the quality the last: part, empty, complete
    how = {name: "first" for name in table.columns[1:]} | {"measured_share": "min", "quality": "max"}
    table = table.groupby("date", sort=True).agg(how).reset_index()
    return table.assign(peak_time=table["peak_time"].astype(object).fillna(""))


def bills_of(periods, house):
    """Return the ledger of the periods by the house's tariffs, the bank empty before the first; see `accounts.ledger`.

    Generation that is not known for every period is left out: a tariff that needs it says so. Where energies have a
    range, so have the bills, each with what was carried to it: from ``bill_low`` to ``bill_high``.
    """
    if "generation_kwh" in periods and periods["generation_kwh"].isna().any():
        periods = periods.drop(columns="generation_kwh")
    rules = house.tariffs if house.later else house.tariff
    book = ledger(periods, rules, **ratings(house))
    unsure = any(name.startswith("case ") or name.endswith("_low_kwh") for name in periods)
    cases = _cases(periods) if unsure else ()
    bills = [book["bill"], *(ledger(case, rules, **ratings(house))["bill"] for case in cases)]
    return book.assign(bill_low=np.min(bills, axis=0), bill_high=np.max(bills, axis=0))


def _cases(periods):
    """Yield periods as they may have been: most in with least out or the other way, and the least or the most made."""
    for case, made in product(range(1, 5 if "case 4 delivered_kwh" in periods else 3), ("low", "high")):
        prefix, edges = f"case {case} ", ("high", "low") if case % 2 else ("low", "high")
        bounds = {f"{name}_kwh": f"{name}_{edge}_kwh" for name, edge in zip(KEPT_FLOWS, (made, *edges))}
        bounds |= {name.removeprefix(prefix): name for name in periods if name.startswith(prefix)}
        table = periods.assign(**{name: periods[bound] for name, bound in bounds.items() if bound in periods})
        if "generation_kwh" in table:  # what went out was made before
            table["generation_kwh"] = table[["generation_kwh", "received_kwh"]].max(axis=1)
        yield table


def sent_bills(path):
    """Return the bills that were sent, {day of the reading that closes the period: amount}.

    Parameters
    ----------
    path : path
        The name of an example, or a CSV with the columns ``period_end`` (such as 2026-04-01) and ``bill_usd``.
    """
    table = read_kept(file_of(path))
    refuse_if(list(table) != ["period_end", "bill_usd"], "no_sent_bills", path, columns=", ".join(table))
    odd = table[table["bill_usd"].isna()]
    refuse_if(len(odd), "no_amount", path, days=odd["period_end"].tolist())
    return dict(zip(table["period_end"], table["bill_usd"]))


def compare_bills(periods, book, sent):
    """Return a table: day of reading, computed bill, bill sent, difference, and the range of the computed bill if any.

    Bills of other days are refused.
    """
    days = [f"{day:%Y-%m-%d}" for day in periods["period_end"]]
    unknown = sorted(set(sent) - set(days))
    refuse_if(unknown, "no_day_of_reading", "bills", unknown=unknown, days=", ".join(days))
    table = pd.DataFrame({"meter read on": days, "computed": book["bill"].to_numpy(float).round(2)})
    table["sent"] = [sent.get(day, np.nan) for day in days]
    table["difference"] = (table["sent"] - table["computed"]).round(2) + 0.0
    if (book["bill_high"] - book["bill_low"] >= _CENT).any():
        table["least"], table["most"] = (book[name].to_numpy(float).round(2) for name in ("bill_low", "bill_high"))
    return table


def period_record(periods, house, days=None, comparison=None):
    """Return one row a billing period: energies, bank, bill, yield beside its usual range, and how the days were.

    Parameters
    ----------
    periods : DataFrame
        As from `periods.periods_of`.
    house : House
    days : DataFrame, optional
        The record by day, as from `days_of`: counts the complete days.
    comparison : Comparison, optional
        With similar systems: gives the middle ratio of the period, 100 for the days of the baseline.

    Returns
    -------
    DataFrame
        ``period_start``, ``period_end`` (text; the end is not included), ``days``, ``usable_days``, energies, bank,
        bill, ``measured_share``, least and most of what has a range, ``yield_h``, ``yield_low_h``, ``yield_high_h``
        (`health.yield_band`), ``neighbour_ratio_percent``, ``quality``. What cannot be known is empty.
    """
    unknown = pd.Series(np.nan, periods.index)
    made, inward, outward = (periods.get(f"{flow}_kwh", unknown) for flow in KEPT_FLOWS)
    book, rated = bills_of(periods, house), house.system.rated_power_w
    starts, ends = periods["period_start"], periods["period_end"]
    spans = [pd.date_range(*edges, freq="D", inclusive="left") for edges in zip(starts, ends)]
    low, high = np.transpose([yield_band(house, span) for span in spans])
    usable = [np.nan if days is None else _complete(days, span) for span in spans]
    columns = {"period_start": starts.dt.strftime("%Y-%m-%d"), "period_end": ends.dt.strftime("%Y-%m-%d")}
    columns |= {"days": list(map(len, spans)), "usable_days": usable}
    columns |= {"generation_kwh": made, "delivered_kwh": inward, "received_kwh": outward}
    columns |= {"self_consumed_kwh": made - outward, "use_kwh": made + inward - outward, "net_kwh": inward - outward}
    columns |= {"bank_kwh": book["bank_close"], "bill_usd": book["bill"]}
    ranges = [name for name in periods if name.endswith(("_low_kwh", "_high_kwh")) and not name.startswith("case ")]
    columns |= {name: periods[name] for name in [*ranges, "measured_share"] if name in periods}
    columns |= {f"{name}_usd": book[name] for name in ("bill_low", "bill_high")}
    columns["yield_h"] = [final_yield(energy, rated) for energy in made]
    columns |= {"yield_low_h": low, "yield_high_h": high}
    columns["neighbour_ratio_percent"] = [_middle_ratio(comparison, span) for span in spans]
    columns["quality"] = [_quality(complete, len(span)) for complete, span in zip(usable, spans)]
    return pd.DataFrame(columns)


def _complete(days, span):
    """Return how many days of a span are complete in the record by day."""
    return int((days["quality"] == "complete")[days["date"].isin(span.strftime("%Y-%m-%d"))].sum())


def _middle_ratio(comparison, span):
    """Return the middle ratio to similar systems on the days of a span, NaN without a comparison."""
    if comparison is None:
        return np.nan
    return comparison.days["ratio_percent"][comparison.days.index.isin(span)].median()


def _quality(usable, length):
    """Say how many days of a span cannot be used; nothing where that is not known."""
    if np.isnan(usable):
        return ""
    return "complete" if usable == length else f"{length - usable} of {length} days unusable"
