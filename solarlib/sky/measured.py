"""A year of hours from a table of measured or downloaded light, whatever its columns, units, stamps and year are.

Nothing about its clock is believed: where the sun stands in the light itself tells zone, stamp side and summer time.
"""

import csv
import re
from dataclasses import dataclass, replace
from datetime import timezone
from io import StringIO
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd

from solarlib.quantities import HOURS_PER_YEAR, TYPICAL_YEAR, counted, refusal, refuse_if, texts_beside, year_index
from solarlib.sky.climate import estimated_beam, typical_year
from solarlib.sky.clock import check_seasons, minutes_off, monthly_light, set_right
from solarlib.sky.numerics import ratio
from solarlib.sky.sun import clear_sky, position
from solarlib.sky.weather import LIGHT, Place, standard_offset
from solarlib.sky.world import world_means

_WORDS = texts_beside(__file__, "measured")
_HOUR, _DAY = pd.Timedelta(hours=1), pd.Timedelta(days=1)
_LIMIT = SimpleNamespace(**_WORDS["limits"])


@dataclass(frozen=True)
class HourlyFile:
    """A table of light as a source of weather: its path, and pairs (quantity, heading) where headings do not tell."""

    path: str
    columns: tuple = ()


def read_hours(source: HourlyFile, place: Place) -> pd.DataFrame:
    """Read a year of light in hours or finer, of any real year.

    Parameters
    ----------
    source : HourlyFile
        Text with one row a time: ghi, and dni, dhi, temp_air, wind_speed where known. Columns and units by their
        headings, that of the light checked with the sun; the time in one column, two, or in year, month, day, hour.
    place : weather.Place
        Where it was measured.

    Returns
    -------
    DataFrame, 8760 rows
        As `weather.read_weather`, in the standard time of the place; of more than a year the last hours. 29 February is
        left out. ``attrs["told"]`` tells of an estimated beam, ``attrs["account"]`` of each row that was read, of unit
        and clock, and what was filled or made.

    Raises
    ------
    InputError
        No light, no time or less than a year in it; rows farther apart than an hour; more than 5 % missing; a unit, a
        clock, seasons or columns that the sun contradicts.
    """
    name = Path(source.path).name
    rows, heading, said = _rows(source, name)
    year = _one_year(rows, name, place, said)
    year = _filled(_in_watts(year, heading, place, name, said), name, said)
    year = set_right(year, name, place.latitude, place.longitude)
    _check_light(year, place, name)
    return _completed(year, place, name, said)


def _less(table, kept, words, said):
    """Return the rows that are kept, and say how many rows of the file the others are."""
    if gone := int(table["rows"][~kept].sum()):
        said.append(f"{gone:,} {words}")
    return table[kept]


def _plain(heading):
    return " ".join(re.findall(r"[a-z0-9]+", str(heading).lower())) or "-"


def _headings(lines, named, name):
    """Return the number of the line of headings, the separator, the headings, and those of our columns."""
    for number, line in enumerate(lines[:200]):
        mark = max("\t;,|", key=line.count)
        cells = enumerate(next(csv.reader([line], delimiter=mark), []), 1)
        heads = [cell.strip() or f"column {place}" for place, cell in cells]
        found = {}
        for key, words in _WORDS["headings"].items():
            words, other = (rf"{re.escape(named[key])}\b", "^$") if key in named else (words, _WORDS["never"]["light"])
            fits = [head for head in heads if re.match(words, _plain(head)) and not re.search(other, _plain(head))]
            if fits:
                found[key] = fits[0]
        if len(heads) > 1 and "ghi" in found:
            if missing := sorted(set(named) - set(found)):
                raise refusal("no_such_heading", name, key=missing[0], words=named[missing[0]], heads=", ".join(heads))
            return number, mark, heads, found
    raise refusal("no_heading_of_light", name)


def _rows(source, name):
    """Return numbers by our names on the moments of their rows, the heading of the light, and what is to be said."""
    refuse_if(not Path(source.path).is_file(), "no_hourly_file", "hourly file", path=source.path)
    raw = Path(source.path).read_bytes()
    text = raw.decode("utf-16") if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else raw.decode("utf-8-sig", "replace")
    lines = text.splitlines()
    above, mark, heads, found = _headings(lines, {key: _plain(head) for key, head in source.columns}, name)
    body = "\n".join(lines[above + 1 :])
    read = sum(map(bool, lines[above + 1 :]))
    how = {"sep": mark, "index_col": False, "on_bad_lines": "skip", "skipinitialspace": True, "low_memory": False}
    times = [head for head in dict.fromkeys(heads) if head not in found.values()]
    how |= {"names": heads, "dtype": dict.fromkeys(times, str), "na_values": ["-", "null"]}
    refuse_if(len(set(heads)) < len(heads) or not read, "no_table_of_light", name, rows=read, heads=", ".join(heads))
    table = pd.read_csv(StringIO(body), **how)
    values = pd.DataFrame({key: _numbers(table[head], key, mark) for key, head in found.items()})
    values = values.assign(rows=1.0).set_axis(_moments(table[times], name))
    said = [f"{read:,} rows read"]
    kept = values[values.index.notna()].sort_index(kind="stable")
    if odd := read - len(kept):
        said.append(f"{odd:,} without a time of their own")
    return kept, found["ghi"], said


def _numbers(column, key, mark):
    """Return a column in numbers that can be: degC and m/s by its heading, light as it is written."""
    if not pd.api.types.is_numeric_dtype(column):
        texts = column.astype(str).str.strip()
        column = pd.to_numeric(texts if mark == "," else texts.str.replace(",", "."), errors="coerce")
    low, high = _WORDS["ranges"][key]
    for words, (factor, zero) in _WORDS["other_units"].items():
        if key not in LIGHT and re.search(words, _plain(column.name)):
            column = (column - zero) * factor
    return column.where(column.between(low, high) & ~column.isin(_WORDS["missing"]["codes"])).to_numpy(dtype=float)


def _moments(table, name):
    """Return the time of each row: aware where an offset stands beside it, else the clock's reading alone."""
    parts = {part: head for head in table for part, words in _WORDS["clock"].items() if re.match(words, _plain(head))}
    if {"year", "month", "day", "hour"} <= set(parts):
        numbers = pd.DataFrame({part: pd.to_numeric(table[head], errors="coerce") for part, head in parts.items()})
        days = pd.to_datetime(numbers[["year", "month", "day"]], errors="coerce")
        return pd.DatetimeIndex(days + pd.to_timedelta(numbers["hour"] * 60 + numbers.get("minute", 0), unit="min"))
    know, heads = _WORDS["time"], list(table)
    heads = [head for head in heads if re.match(know["heading"], _plain(head))] or heads
    refuse_if(not heads, "no_time_of_light", name, text="nothing", heading="its headings")
    texts = table[heads[0]].fillna("")
    if len(heads) > 1 and ":" not in texts.iloc[0] and ":" in str(table[heads[1]].iloc[0]):
        texts = texts + " " + table[heads[1]].fillna("")
    some = texts.sample(min(1000, len(texts)), random_state=1)  # which form it is, all of a year's days tell
    for pattern, by in ((r"\s+$", ""), (r"(?<=:\d\d)\.\d+", ""), (r" ?(?:Z|UTC)$", "+0000")):
        if some.str.contains(pattern).any():
            texts, some = (part.str.replace(pattern, by, regex=True) for part in (texts, some))
    zone = "%z" if some.str.contains(r":\d\d ?[+-]\d\d:?\d\d$|\+0000$").mean() > 0.9 else ""
    for form in [know["packed"], *(day + hour for day in know["days"] for hour in know["hours"])]:
        how = {"format": form + zone, "errors": "coerce", "utc": bool(zone)}
        if pd.to_datetime(some, **how).notna().mean() > 0.9:
            moments = pd.to_datetime(texts, **how)
            late = texts[moments.isna()].str.replace(r"(?<=[ T])24:", "00:", regex=True)
            return pd.DatetimeIndex(moments.fillna(pd.to_datetime(late, **how) + _DAY))
    raise refusal("no_time_of_light", name, text=repr(texts.iloc[len(texts) // 2]), heading=repr(heads[0]))


def _one_year(rows, name, place, said):
    """Return the hours of the last year on the labels of the typical year, in standard time or what is taken for it."""
    step = (pd.Series(rows.index).diff().mode().tolist() or [pd.Timedelta(0)])[0]
    refuse_if(not pd.Timedelta(minutes=1) <= step <= _HOUR or _HOUR % step, "step_of_light", name, step=step)
    rows = _less(rows, ~rows.index.duplicated(keep="last"), "of a time that is there again", said)
    rows = _less(rows, rows["ghi"].notna(), "without a number of light", said)
    run = (rows["ghi"] != rows["ghi"].shift()).cumsum().to_numpy()
    risen = monthly_light(place.latitude)[rows.index.month - 1] > 2.0  # in months in which the sun rises every day
    still = (np.bincount(run)[run] >= _DAY / step) & risen
    rows = _less(rows, ~still, "of a sensor that stood still for a day or more", said)
    _check_gaps(1 - len(rows) * step / (365 * _DAY), name, said)
    phase = pd.Timedelta(pd.Series(rows.index.as_unit("ns").asi8 % step.value).mode().iloc[0])
    blocks = rows.groupby((rows.index - phase).floor("h") + phase)
    hours = blocks.mean().assign(rows=blocks["rows"].sum())
    hours = _less(hours, hours["rows"] >= 0.5 * (_HOUR / step), "of hours that are not half full", said)
    zone = timezone(standard_offset(place.tz))
    bare = hours.index.tz is None
    clock = hours.tz_localize(zone) if bare else hours.tz_convert(zone)
    year = _typical(clock, [])
    noons = pd.date_range(f"{TYPICAL_YEAR}-01-01 12:00", periods=365, tz=place.tz)
    summer = np.array([bool(noon.dst()) for noon in noons])
    if bare and summer.any() and abs(_change(year, summer, ~summer, place) - 60) < _LIMIT.clock_change_min:
        # Of the hour that comes twice in autumn, the later one was kept.
        clock = hours.tz_localize(place.tz, ambiguous=np.zeros(len(hours), bool), nonexistent="NaT").tz_convert(zone)
        clock = _less(clock, clock.index.notna(), "of a time that the clock skips", said)
        said.append("its clock is changed in summer")
    year = _typical(clock, said)
    june, december = (np.isin(noons.month, months) for months in ((5, 6, 7, 8), (11, 12, 1, 2)))
    change = abs(_change(year, june, december, place))
    refuse_if(change > 90, "not_of_the_sun", name)
    refuse_if(change > 2 * _LIMIT.clock_change_min, "changed_clock", name, change=change, tz=place.tz)
    return year


def _typical(hours, said):
    """Return the hours on the labels of the typical year; the last of several years counts, 29 February does not."""
    when = hours.index.tz_localize(None)
    past = when - pd.to_datetime(pd.DataFrame({"year": when.year, "month": 1, "day": 1})).array
    past -= pd.to_timedelta((when.is_leap_year & (when.month > 2)).astype(int), unit="D")
    moved = hours.set_axis(pd.Timestamp(f"{TYPICAL_YEAR}-01-01", tz=hours.index.tz) + past)
    moved = _less(moved, ~((when.month == 2) & (when.day == 29)), "of 29 February", said)
    moved = _less(moved, ~moved.index.duplicated(keep="last"), "of an earlier year", said)
    return moved.reindex(year_index("1h", hours.index.tz) + (moved.index[0] - moved.index[0].floor("h")))


def _change(year, days, others, place):
    """Return by how much the light of some days comes earlier by the clock than that of others. [min]"""
    light = year[["ghi"]].fillna(0.0)
    given, other = (minutes_off(light[np.repeat(d, 24)], place.latitude, place.longitude) for d in (days, others))
    return (other - given + 720) % 1440 - 720


def _in_watts(year, heading, place, name, said):
    """Return the light in W/m2: by the unit of its heading, or without one by the first that fits the sun."""
    check_seasons(name, place.latitude, year["ghi"].groupby(year.index.month).mean().to_numpy())
    pair = clear_sky(year.index, place)["ghi"], year["ghi"]
    clear, days = (light.to_numpy().reshape(365, 24).sum(axis=1) for light in pair)
    bright = np.nanquantile((days / np.maximum(clear, 1.0))[clear > 0.2 * clear.max()], 0.97)
    units = {unit: f if "W/" in unit else f * year["rows"].median() for unit, f in _WORDS["units"].items()}
    fits = [unit for unit, factor in units.items() if _LIMIT.bright[0] < bright * factor < _LIMIT.bright[1]]
    written = re.search(r"(?<![a-z])(k?wh|k?w|[km]?j)(?![a-z])(?:[^a-z]*(?:per)?[^a-z]*(cm))?", heading, re.I)
    wanted = f"{written[1]}/{written[2] or 'm'}2".lower() if written else ""
    likely = [unit for unit in fits if unit != "J/cm2"] or ["W/m2"]  # that one fits sky light under a wrong heading
    unit = next((unit for unit in units if unit.lower() == wanted), likely[0])
    found = {"share": bright * units[unit], "unit": unit, "allowed": _LIMIT.bright, "fits": " or ".join(fits) or "none"}
    refuse_if(unit not in fits, "unit_of_light", name, **found)
    said.append(f"unit {unit}{'' if written else ' by the sun, for its heading names none'}")
    light = year[[column for column in LIGHT if column in year]] * units[unit]
    return year.assign(**light.clip(lower=0.0).where(light <= _LIMIT.light))


def _filled(year, name, said):
    """Return the year without gaps and without what is known too little of; light is taken from one day together."""
    poor = [c for c in year if c != "ghi" and year[c].isna().mean() > _LIMIT.missing + year["ghi"].isna().mean()]
    year = year.drop(columns=poor)
    light = [column for column in LIGHT if column in year]
    year[light] = year[light].where(year[light].notna().all(axis=1))
    year["rows"] = year["rows"].fillna(0.0)
    used = _less(year, year["ghi"].notna(), "of hours whose light cannot be or is not whole", said)["rows"].sum()
    year = year.drop(columns="rows")
    missing = int(year["ghi"].isna().sum())
    _check_gaps(missing / HOURS_PER_YEAR, name, said)
    said[0] += f", {used:,.0f} used"
    for day in range(1, 20):
        if year.isna().any(axis=None):
            year = year.fillna(year.shift(24 * day)).fillna(year.shift(-24 * day))
    if missing:
        said.append(f"{counted(missing, 'hour')} missing and taken from days beside")
    return year


def _check_gaps(missing, name, said):
    """Refuse a year of which too great a share is missing."""
    found = {"share": 1 - missing, "account": ", ".join(said), "most": _LIMIT.missing}
    refuse_if(missing > _LIMIT.missing, "gaps_in_light", name, **found)


def _check_light(year, place, name):
    """Refuse light that cannot be: at night or beyond the sun, or beam or sky light that is more than all light."""
    solar, ghi = position(year.index, place), year["ghi"].to_numpy()
    cosine = np.maximum(np.cos(np.radians(solar["apparent_zenith"].to_numpy())), 0.0)
    parts = {"light at night or beyond that above the air": (ghi, 1.1 * solar["dni_extra"].to_numpy() * cosine)}
    parts["beam on flat ground that is more than all light"] = np.asarray(year.get("dni", 0.0)) * cosine, ghi
    parts["sky light that is more than all light"] = np.asarray(year.get("dhi", 0.0)), ghi
    for words, (part, most) in parts.items():
        beyond = np.maximum(part - 1.05 * most - 20.0, 0.0).sum() / ghi.sum()
        refuse_if(beyond > _LIMIT.beyond, "impossible_light", name, words=words, share=beyond, most=_LIMIT.beyond)


def _completed(year, place, name, said):
    """Return the hours with what the table did not tell: the split of the light, temperature, wind."""
    solar, ghi, told = position(year.index, place), year["ghi"].to_numpy(), ()
    cosine = np.maximum(np.cos(np.radians(solar["apparent_zenith"].to_numpy())), 0.0)
    said = [*said, *(sentence.removeprefix(f"{name}: ").rstrip(".") for sentence in year.attrs["told"])]
    if "dhi" not in year and "dni" not in year:
        year, told = year.assign(dni=estimated_beam(ghi, solar, place)), ("Beam by estimate.",)
        said.append("beam and sky light are split by estimate")
    if "dhi" not in year:
        year = year.assign(dhi=np.maximum(ghi - year["dni"].to_numpy() * cosine, 0.0))
    if "dni" not in year:
        year = year.assign(dni=ratio(np.maximum(ghi - year["dhi"].to_numpy(), 0.0), cosine, 0.05).clip(max=1100.0))
    world = world_means(place)
    apart = year["temp_air"].mean() - np.mean(world.temp_air) if "temp_air" in year else 0.0
    refuse_if(abs(apart) > _LIMIT.warm_apart, "odd_warmth", name, apart=apart, most=_LIMIT.warm_apart)
    if missing := [column for column in ("temp_air", "wind_speed") if column not in year]:
        by_month = np.minimum(year["ghi"].groupby(year.index.month).mean() * 0.024, 0.8 * monthly_light(place.latitude))
        made = typical_year(place, replace(world, irradiation=tuple(by_month)), np.random.default_rng(1))
        year = year.assign(**{column: made[column].to_numpy() for column in missing})
        said.append(f"{' and '.join(missing)} not in it: made from the world table")
    year.attrs = {"told": told, "account": f"{name}: {'; '.join(said)}."}
    return year[[*LIGHT, "temp_air", "wind_speed"]]
