"""A house file: read, checked entry by entry, and turned into a `House`.

A house file (TOML, see `data/houses/two-storey.toml`) holds the place, weather, modules, planes, converter, losses,
load, meter, tariff and costs. Every lesson starts from one, so a reader who copies a file and edits it sees every
lesson run on their own house. Each key stands once with its range and unit, below or at the field that it fills in
another room; what has a default elsewhere in the library keeps it there.
"""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from functools import lru_cache
from pathlib import Path

from solarlib import schema
from solarlib.bill.accounts import check_joins
from solarlib.bill.tariff import Tariff
from solarlib.bill.tariff_file import placed, tariff_from_table
from solarlib.house.doors import WeatherTable, check_doors, open_weather
from solarlib.house.roofs import CONVERTER, MODULE, RoofTable, check_kinds
from solarlib.house.rules import kinds_of
from solarlib.meter.load import Appliance, household
from solarlib.quantities import refuse_if
from solarlib.roof.parts import ArraySystem, Converter, Losses, Module
from solarlib.roof.wiring import Circuit, of_array
from solarlib.schema import Problems, Table, choice, declared, listing, number, percent, real, text, whole
from solarlib.sky.climate import MonthlyMeans
from solarlib.sky.clock import check_seasons, check_zone
from solarlib.sky.weather import Place, standard_offset
from solarlib.sky.world import WorldTable
from solarlib.worth.lifetime import Costs

HOUSE_FOLDER = Path(__file__).resolve().parents[2] / "data" / "houses"

_RATE, _WEAR = percent(-10, 30), percent(0, 10)


@dataclass(frozen=True)
class Meter:
    """What measures the house: the registers' digits, the cheap sensor's readings, and the known test load.

    The sensor gives one reading each `reading_interval_s` seconds, with a standard deviation of `reading_noise_w`
    and a display step of `reading_step_w`; it knows no direction.
    """

    test_load_w: float = declared(real(10, 10_000, "W"))
    test_load_name: str = declared(text(), default="test load")
    digits: int = declared(whole(3, 8), default=5)
    reading_interval_s: int = declared(choice(5, 10, 15, 20, 30, 60, 120, 180, 300, 600, 900), default=60)
    reading_noise_w: float = declared(real(0, 1000, "W"), default=5.0)
    reading_step_w: float = declared(real(0, 1000, "W"), default=1.0)


@dataclass(frozen=True)
class Spread:
    """How far the yield may be from the expected one, as standard deviations: 0.06 is six percent.

    Every year alike (sun data and model), and from year to year. The defaults: common practice, no source; they are
    the owner's own to set.
    """

    yield_every_year: float = declared(percent(0, 15), default=0.06, key="yield_every_year_percent")
    weather: float = declared(percent(0, 15), default=0.04, key="weather_percent")


@dataclass(frozen=True)
class PricePath:
    """How prices of one kind go on: as in the tariff for `held_years` of the array's life, then they grow or change.

    After those years all that pays for exported energy is `then`, in money of that time, or the price grows by `rate`
    a year, a share; None stands for the outlook's growth of all prices.
    """

    rate: float | None = declared(real(-0.1, 0.3), default=None)
    held_years: int = declared(whole(1, 60), default=1)
    then: Decimal | None = declared(number(0, 1000, "$/kWh"), default=None)


def _price_path(then):
    """Reader of the growth of one kind of price: a share a year, or a table; `then`, whether that may be in it."""
    keys = "rate" + " or then" * then
    allowed = f"a share a year, -0.1 to 0.3 (2.5 % is 0.025), or {{ held_years = 1 to 60, {keys} }}"

    def read(value):
        problems = Problems("")
        path = problems.read(Table(PricePath), value if isinstance(value, dict) else {"rate": value})
        if problems.found or (path.then is not None and (not then or path.rate is not None)):
            raise schema.Refused(allowed)
        return path

    return declared(schema.Reader(allowed, read), default=PricePath())


@dataclass(frozen=True)
class Growth:
    """The table [outlook.growth]: how each kind of price goes on, where it does not grow as all prices do."""

    energy: PricePath = _price_path(then=False)
    fixed: PricePath = _price_path(then=False)
    demand: PricePath = _price_path(then=False)
    export: PricePath = _price_path(then=True)
    payout: PricePath = _price_path(then=False)


@dataclass(frozen=True)
class Outlook:
    """What the owner expects: years of use, and nominal yearly rates as shares: 0.05 is five percent.

    Year 1 of the array's life begins with the month of `first_day`; without it with the month from which the first
    tariff is valid, and if that has no date with January of the typical year.
    """

    years: int = declared(whole(1, 60), default=25)
    discount_rate: float = declared(percent(-10, 50), default=0.05, key="discount_rate_percent")
    price_growth: float = declared(_RATE, default=0.025, key="price_growth_percent")
    inflation: float = declared(_RATE, default=0.025, key="inflation_percent")
    spread: Spread = declared(Table(Spread), default=Spread())
    first_day: date | None = declared(schema.iso_date(), default=None)
    growth: Growth = declared(Table(Growth), default=Growth())


@dataclass(frozen=True)
class House:
    """A house as its file describes it.

    `weather_file` is a path or the name of a file that pvlib ships, or what else opens a door to a year of weather;
    `yearly_kwh` is the use of the whole house, `appliances` (on top of the measured household) included;
    `monthly_kwh`, where it is told, is that of each month. `costs` is None where the file names no costs. `tariff` is
    the first rule set, `later` are those that follow, dated. What `circuit` does not tell is unknown. A zone from
    another side of the world and monthly means with the seasons of the other hemisphere are refused.
    """

    name: str
    place: Place
    weather_file: str | MonthlyMeans | WorldTable
    system: ArraySystem
    yearly_kwh: float
    appliances: tuple[Appliance, ...]
    meter: Meter
    tariff: Tariff
    costs: Costs | None = None
    outlook: Outlook = Outlook()
    later: tuple[Tariff, ...] = ()
    circuit: Circuit = Circuit()
    monthly_kwh: tuple = ()

    def __post_init__(self):
        place = self.place
        check_zone("place", standard_offset(place.tz) / timedelta(hours=1), place.longitude, place.latitude)
        if isinstance(self.weather_file, MonthlyMeans):
            check_seasons("weather.monthly_irradiation_kwh_per_m2_day", place.latitude, self.weather_file.irradiation)

    @property
    def tariffs(self):
        """All rule sets in order of date."""
        return (self.tariff, *self.later)


def _tariffs(given):
    """Return the rule sets of a house file in order of date, each valid until the next one begins."""
    if not isinstance(given, list):
        return (tariff_from_table(given),)
    refuse_if(not given, "no_tariff", "tariff")
    problems, sets = Problems("tariff"), []
    for i, (table, later) in enumerate(zip(given, [*given[1:], None]), 1):
        end = {"valid_to": later["valid_from"]} if isinstance(later, dict) and "valid_from" in later else {}
        table = end | table if isinstance(table, dict) else table
        sets.append(problems.make(tariff_from_table, table, f"[{i}]", key=f"[{i}]"))
    for i, rules in enumerate(sets, 1):
        if i > 1 and rules and rules.valid_from is None:
            problems.add(f"[{i}].valid_from", "nothing", "the first day of these rules: a date like 2026-03-31")
        if rules and rules.valid_from and rules.valid_to and rules.valid_from >= rules.valid_to:
            problems.add(f"[{i}].valid_from", rules.valid_from, f"a day before {rules.valid_to}")
    if not problems.found:
        problems.make(check_joins, sets)
    problems.stop()
    return tuple(sets)


@dataclass(frozen=True)
class _Load:
    """The table [load]."""

    yearly_kwh: float | None = declared(real(100, 1_000_000, "kWh"), default=None)
    monthly_kwh: tuple = declared(listing(real(0, 100_000, "kWh"), 12), default=())
    appliance: tuple = declared(Table(Appliance, many=True), default=())

    def __post_init__(self):
        wrong = (self.yearly_kwh is None) == (not self.monthly_kwh)
        found = "it and monthly_kwh" if self.monthly_kwh else "nothing"
        refuse_if(wrong, "use_twice", "load.yearly_kwh", found=found)


@dataclass(frozen=True)
class _Age:
    """The table [age]."""

    years: float = declared(real(0, 60, "years"), default=ArraySystem.age_years)
    degradation: float = declared(_WEAR, default=ArraySystem.degradation_per_year, key="degradation_percent_per_year")


@dataclass(frozen=True)
class _File:
    """The whole file: its tables."""

    name: str = declared(text())
    place: Place = declared(Table(Place))
    weather: WeatherTable = declared(Table(WeatherTable))
    module: Module = declared(Table(Module, MODULE))
    plane: tuple[RoofTable, ...] = declared(Table(RoofTable, many=True))
    converter: Converter = declared(Table(Converter, CONVERTER))
    load: _Load = declared(Table(_Load))
    meter: Meter = declared(Table(Meter))
    tariff: tuple[Tariff, ...] = declared(_tariffs)
    form: int = declared(whole(1, schema.FORM), default=1)
    other_module: tuple[Module, ...] = declared(Table(Module, MODULE, many=True), default=())
    other_converter: tuple[Converter, ...] = declared(Table(Converter, CONVERTER, many=True), default=())
    losses: Losses = declared(Table(Losses), default=Losses())
    age: _Age = declared(Table(_Age), default=_Age())
    costs: Costs | None = declared(Table(Costs), default=None)
    outlook: Outlook = declared(Table(Outlook), default=Outlook())
    circuit: Circuit = declared(Table(Circuit), default=Circuit())


def read_house(house: str | Path) -> House:
    """Read a house file.

    Parameters
    ----------
    house : str or Path
        The name of a file in `data/houses` without its ending, or the path of a file of your own.

    Returns
    -------
    House

    Raises
    ------
    InputError
        One line that names the file and each wrong key, what was found and what is allowed.

    Examples
    --------
    >>> read_house("two-storey").system.module_count
    15
    """
    path = Path(house) if str(house).endswith(".toml") else HOUSE_FOLDER / f"{house}.toml"
    shipped = ", ".join(sorted(file.stem for file in HOUSE_FOLDER.glob("*.toml")))
    refuse_if(not path.is_file(), "no_house", "house file", house=str(house), shipped=shipped)
    return house_from_table(schema.read_toml(path), path.name, path.parent)


def house_from_table(table, where="house", folder=HOUSE_FOLDER):
    """Return the house that a table describes; see `read_house`. `folder` is where a weather file may lie."""
    problems = Problems(where, Table(_File), table)
    if isinstance(table, dict) and "tariff" in table:
        table = table | {"tariff": placed(table["tariff"], Path(folder))}
    file = problems.read(Table(_File), table)
    if isinstance(table, dict):
        if table.get("plane") == []:
            problems.add("plane", "none", "one table [[plane]] for each roof plane")
        check_doors(problems, table.get("weather"))
        if {"soiling_percent", "soiling_percent_by_month"} <= set(table.get("losses") or ()):
            problems.add("losses.soiling_percent", "it and soiling_percent_by_month", "one of the two")
    problems.stop()
    check_kinds(file, problems)
    planes = [one for i, plane in enumerate(file.plane, 1) for one in plane.made(file, problems, f"plane[{i}]")]
    problems.stop()
    house = problems.make(_house, problems, file, planes, folder)
    problems.stop()
    return house


@lru_cache(maxsize=4)
def minutes_of_use(use_kwh, appliances, weather_file, place):
    """Return what a house draws in each minute of the typical year: see `household`. [W]"""
    warm = open_weather(weather_file, place)["temp_air"] if appliances else None
    return household(use_kwh, place.tz, appliances=appliances, temp_air=warm, southern=place.latitude < 0)


def _house(problems, file, planes, folder):
    """Put a house together from the tables of its file, and note what does not go together."""
    costs = file.costs and replace(file.costs, growth=file.outlook.inflation)
    if costs:
        problems.make(costs.check_years, file.outlook.years)
    sky, age, parts = file.weather, file.age, (planes, file.module, file.converter, file.losses)
    system, load = ArraySystem(*parts, age.years, age.degradation, sky.albedo), file.load
    problems.make(_check_growth, file.outlook.growth, file.tariff)
    problems.make(_check_array, system)
    circuit = problems.make(of_array, file.circuit, system)
    where = replace(file.place, horizon=sky.horizon), sky.source(folder, file.place)
    if problems.make(open_weather, where[1], where[0]) is not None and load.appliance:
        problems.make(minutes_of_use, load.monthly_kwh or load.yearly_kwh, load.appliance, where[1], where[0])
    first, *later = file.tariff
    use = load.yearly_kwh or sum(load.monthly_kwh), load.appliance
    after = costs, file.outlook, tuple(later), circuit, load.monthly_kwh
    return House(file.name, *where, system, *use, file.meter, first, *after)


def _check_array(system):
    """Refuse planes that stand in radians, and converters that cannot belong to the modules."""
    for i, plane in enumerate(system.planes, 1):
        tilt, turn = plane.surface_tilt, plane.surface_azimuth
        wrong = 0 < tilt < 1.6 and 0 < turn < 6.3 and turn != round(turn)
        refuse_if(wrong, "radians", f"plane[{i}]", tilt=tilt, turn=turn)
    for one in system.converters:
        where = f"other_converter {one.name!r}" if one.name else "converter"
        for behind in system.behind_one_w(one):
            told = {"limit": one.ac_limit_w, "behind": behind, "kind": one.kind}
            fits = 0.25 * behind <= one.ac_limit_w <= 4 * behind
            refuse_if(not fits, "converter_size", f"{where}.ac_limit_w", **told)


def _check_growth(growth, tariffs):
    """Refuse the growth of a kind of price that no tariff of the file has."""
    known = set().union(*map(kinds_of, tariffs))
    unknown = [kind for kind, path in vars(growth).items() if path != PricePath() and kind not in known]
    has = ", ".join(kind for kind in vars(growth) if kind in known)
    refuse_if(unknown, "no_such_price", f"outlook.growth.{''.join(unknown[:1])}", known=has)
