"""The files that the owner of a house brings: read and checked.

Whatever lacks something raises an `InputError` that says what is missing.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property, reduce
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.files.checks import LIMIT, plausibility
from solarlib.files.energies import MOST_KW
from solarlib.files.flow import Flow, flow_of, flow_of_table, joined
from solarlib.files.mapping import TITLES, mapping_from_toml
from solarlib.files.reading import Readings, read
from solarlib.files.steps import ONE_DAY, Measured
from solarlib.files.table import require_file
from solarlib.house.file import House
from solarlib.quantities import refuse_if, texts_beside
from solarlib.sky.sun import position

EXAMPLES = Path(__file__).resolve().parents[2] / "data" / "examples"
SERVICE_W = 1000.0 * MOST_KW
LEFT_OUT = ("above limit", "factor", "stuck", "negative")  # findings whose rows no sum may use
NIGHT_DEG = -3.0  # the sun's elevation below which an array gives nothing
SUN_GRID = pd.Timedelta(minutes=15)
FLOWS = ("generation", "delivered", "received", "net", "load")
_WORDS = texts_beside(__file__, "flows")
READ_SHARE = 0.8  # of the time of bringing a file; the rest is for the checks


@dataclass(frozen=True)
class Checked:
    """One file.

    Attributes
    ----------
    name : str
    readings : Readings
    findings : tuple of Finding
    table : DataFrame
        Without the values that hardly can be.
    neighbours : dict of column title to Column
        What the mapping tells of each similar system: its name, and its roof if that is known.
    house : House, optional
        Gives the limits of what can be.
    snapshot : bool
        Whether its powers are those of moments, not means.
    """

    name: str
    readings: Readings
    findings: tuple
    table: pd.DataFrame
    neighbours: dict = field(default_factory=dict)
    house: House | None = None
    snapshot: bool = False

    def measured(self, title: str) -> Measured | None:
        """Return one column of `table`, None where the file has none such or no regular readings."""
        if title not in self.table or self.readings.step is None:
            return None
        return Measured(self.table[title], self.readings.step, *TITLES[title], self.name)

    @cached_property
    def flows(self) -> dict[str, Flow]:
        """The energies of the house that the file tells of or that follow from them, by quantity."""
        told = {quantity: self._flow(quantity) for quantity in FLOWS}
        return completed({quantity: flow for quantity, flow in told.items() if flow is not None}, self.house)

    def _flow(self, quantity):
        """Return the flow of a quantity from its registers, or else from regular readings; None without any."""
        limits, title = limits_kw(self.house)[quantity], f"{quantity}_kwh"
        parts = [part for column, part in self.readings.intervals.items() if column.quantity == quantity and len(part)]
        if parts:
            odd = self.table.index[self.table[title].isna() & self.readings.table[title].notna()]
            edges = [part.index.append(pd.DatetimeIndex(part["end"].iloc[-1:])) for part in parts]
            known = [part["energy_kwh"].mask(part.index.isin(odd)) for part in parts]
            flows = [flow_of(*pair, limits, self.name) for pair in zip(edges, known)]
            return reduce(lambda one, other: joined(one, other, 1, limits, self.name), flows)
        found = self.measured(title) or self.measured(f"{quantity}_w")
        if found is None or found.step > ONE_DAY or not found.series.notna().any():
            return None
        return flow_of_table(found, limits)

    @property
    def left_out(self) -> int:
        """How many values the checks took out of the sums."""
        return int((self.readings.table.notna() & self.table.isna()).to_numpy().sum())


def silent(*told):
    """Take a word of progress and the share done, and say nothing."""


def file_of(name, ending=".csv"):
    """Return the path of a file; the name of an example, without its ending, stands for that one."""
    shipped = EXAMPLES / f"{name}{ending}"
    return shipped if Path(name).name == str(name) and shipped.is_file() else Path(name)


def bring(path: str | Path, house: House, say: Callable = silent) -> Checked:
    """Read one file, by the mapping in the ``.toml`` beside it, and look for what hardly can be.

    Parameters
    ----------
    path : path
        A CSV file, or the name of an example file without its ending.
    house : House
    say : callable
        ``say(words, share)`` is told the step that runs and the share of it that is done, 0 to 1.

    Raises
    ------
    InputError
        There is no such file or mapping, or they cannot be used; see `reading.read`.
    """
    path = Path(file_of(path))
    require_file(path)
    beside = path.with_suffix(".toml")
    refuse_if(not beside.is_file(), "no_mapping_beside", path.name, name=beside.name)
    mapping = mapping_from_toml(beside)
    readings = read(path, mapping, lambda share: say(f"reading {path.name}", READ_SHARE * share))
    say(f"checking {path.name}", READ_SHARE)
    neighbours = {column.title: column for column in mapping.column if column.quantity == "neighbour"}
    file = replace(with_findings(readings, house, neighbours), snapshot=mapping.snapshot)
    say(f"{path.name} is read and checked", 1.0)
    return file


def with_findings(readings, house, neighbours):
    """Return readings with what the plausibility checks say about them; see `checks.plausibility`."""
    findings, step, table = (), readings.step, readings.table.copy()
    if step is not None:
        high = sun_height(table.index, step, house)
        findings = plausibility(readings.table, step, house.system.rated_power_w, SERVICE_W, high < NIGHT_DEG, high)
    for finding in findings:
        if finding.kind in LEFT_OUT and finding.column in table:
            table.loc[finding.rows, finding.column] = np.nan
    return Checked(readings.account.name, readings, findings, table, neighbours, house)


def limits_kw(house) -> dict:
    """Return the least and the most mean power of each of `FLOWS`. [kW]"""
    array = 1e4 if house is None else LIMIT.most_of_rated * house.system.rated_power_w / 1000.0
    limits = {"generation": (0.0, array), "received": (0.0, array), "delivered": (0.0, MOST_KW)}
    return limits | {"load": (0.0, MOST_KW + array), "net": (-array, MOST_KW)}


def completed(flows: dict[str, Flow], house: House | None) -> dict[str, Flow]:
    """Return flows with those that follow from them; what flows both ways within an interval is then netted."""
    flows, limits, rules = dict(flows), limits_kw(house), list(_WORDS["derived"])
    while rule := next((it for it in rules if it[0] not in flows and {it[1], it[3]} <= set(flows)), None):
        rules.remove(rule)
        name, one, sign, other = rule
        origins = " and ".join(dict.fromkeys([flows[one].origin, flows[other].origin]))
        words = _WORDS["joined"].format(one=one, other=other, origins=origins)
        if found := joined(flows[one], flows[other], sign, limits[name], words):
            flows[name] = found
    if "net" in flows and not {"delivered", "received"} & set(flows):
        net = flows["net"]
        for name, sign in (("delivered", 1), ("received", -1)):
            known, words = np.where(net.measured, sign * net.kwh, np.nan), _WORDS["netted"].format(origin=net.origin)
            flows[name] = flow_of(net.edges, known.clip(0), limits[name], words)
        return completed(flows, house)
    return flows


def sun_height(index, step, house):
    """Return the sun's elevation (no refraction) in the middle of each interval, from a grid of 15 minutes. [deg]

    Readings may have gaps, which a computed position may not. A straight line over 15 minutes is about 0.1 deg off at
    noon in middle latitudes; where the sun passes the zenith, 2 deg. Enough to tell night from day.
    """
    half = pd.Timedelta(step) / 2
    grid = pd.date_range(index[0].floor("D") - SUN_GRID, index[-1] + pd.Timedelta(days=1), freq=SUN_GRID)
    high = position(grid, house.place)["elevation"].to_numpy()
    at = (grid + SUN_GRID / 2).as_unit("ns").asi8
    return pd.Series(np.interp((index + half).as_unit("ns").asi8, at, high), index)


def measured_in(files, quantity):
    """Return the first regular readings of a quantity, None without any; those in W, if any, go before those in kWh."""
    titles = [title for title, (measures, _) in TITLES.items() if measures == quantity]
    found = (file.measured(title) for title in titles for file in files)
    return next((one for one in found if one is not None), None)


def first_measured(files, quantity: str) -> Measured:
    """Return what `measured_in` finds.

    Raises
    ------
    InputError
        No file has any.
    """
    measured = measured_in(files, quantity)
    refuse_if(measured is None, "not_measured", "files", quantity=quantity.replace("_", " "))
    return measured
