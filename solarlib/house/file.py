"""A house file: read, checked entry by entry, and turned into a `House`.

A house file (TOML, see `data/houses/two-storey.toml`) holds the place, weather, modules, planes, converter, losses,
load, meter, tariff and costs. Every lesson starts from one, so a reader who copies a file and edits it sees every
lesson run on their own house.
"""

import tomllib
from dataclasses import dataclass
from pathlib import Path

from solarlib.bill.tariff import Tariff, tariff_from_table
from solarlib.meter.load import KINDS, Appliance
from solarlib.quantities import InputError
from solarlib.roof.parts import MOUNTINGS, ArraySystem, Converter, Losses, Module, Plane
from solarlib.schema import Problems, choice, listing, number, text, whole
from solarlib.sky.climate import MonthlyMeans
from solarlib.sky.weather import Place
from solarlib.worth.lifetime import Costs, Event

HOUSE_FOLDER = Path(__file__).resolve().parents[2] / "data" / "houses"

_PERCENT = number(0, 50, "%")
_MONEY = number(0, 10_000_000, "in the currency of the tariff")
_HOURS = listing(listing(number(0, 24, "h"), 2))
_SCHEMA = {
    "place": {
        "name": text(),
        "latitude_deg": number(-90, 90, "deg"),
        "longitude_deg": number(-180, 180, "deg"),
        "altitude_m": number(-430, 6000, "m"),
        "timezone": text(),
    },
    "weather": {
        "file": text(),
        "monthly_irradiation_kwh_per_m2_day": listing(number(0, 14, "kWh/m2/day"), 12),
        "monthly_temperature_c": listing(number(-80, 50, "degC"), 12),
        "wind_speed_m_per_s": number(0, 30, "m/s"),
        "seed": whole(0, 1_000_000),
        "albedo": number(0, 0.95),
        "horizon": listing(listing(number(0, 360, "deg"), 2)),
    },
    "module": {
        "rated_power_w": number(50, 1000, "W"),
        "temperature_coefficient_percent_per_c": number(-1, 0, "%/degC"),
    },
    "plane": {
        "module_count": whole(1, 1000),
        "tilt_deg": number(0, 90, "deg"),
        "azimuth_deg": number(0, 360, "deg"),
        "mounting": choice(*MOUNTINGS),
    },
    "converter": {
        "kind": choice("per module", "central"),
        "ac_limit_w": number(50, 1_000_000, "W"),
        "efficiency_10_percent": number(50, 100, "%"),
        "efficiency_50_percent": number(50, 100, "%"),
        "efficiency_100_percent": number(50, 100, "%"),
    },
    "losses": {
        f"{name}_percent": _PERCENT
        for name in ("soiling", "first_light", "nameplate", "mismatch", "dc_wiring", "ac_wiring", "availability")
    },
    "age": {"years": number(0, 60, "years"), "degradation_percent_per_year": number(0, 10, "%")},
    "load": {"yearly_kwh": number(100, 1_000_000, "kWh"), "appliance": None},
    "appliance": {
        "name": text(),
        "power_w": number(1, 50_000, "W"),
        "kind": choice(*KINDS),
        "daily_hours": _HOURS,
        "threshold_c": number(-50, 50, "degC"),
        "yearly_kwh": number(0, 100_000, "kWh"),
    },
    "meter": {
        "digits": whole(3, 8),
        "reading_interval_s": choice(5, 10, 15, 20, 30, 60, 120, 180, 300, 600, 900),
        "reading_noise_w": number(0, 1000, "W"),
        "reading_step_w": number(0, 1000, "W"),
        "test_load_w": number(10, 10_000, "W"),
        "test_load_name": text(),
    },
    "tariff": None,
    "costs": {
        "installed": _MONEY,
        "fees": _MONEY,
        "roof_and_panelboard_work": _MONEY,
        "rebate": _MONEY,
        "upkeep_per_year": _MONEY,
        "insurance_and_tax_per_year": _MONEY,
        "residual": _MONEY,
        "removal": _MONEY,
        "tax_credit_percent": number(0, 100, "%"),
        "tax_credit_year": whole(0, 60),
        "tax_owed": _MONEY,
        "event": None,
    },
    "event": {"name": text(), "year": whole(1, 60), "cost": _MONEY},
    "outlook": {
        "years": whole(1, 60),
        "discount_rate_percent": number(-10, 50, "%"),
        "price_growth_percent": number(-10, 30, "%"),
        "inflation_percent": number(-10, 30, "%"),
    },
}
_MONTHLY = ("monthly_irradiation_kwh_per_m2_day", "monthly_temperature_c")
_INNER = ("appliance", "event")  # tables inside load and costs
_TOP = dict.fromkeys(("name", *(key for key in _SCHEMA if key not in _INNER)))
_NEEDED = {
    "": ("name", "place", "weather", "module", "plane", "converter", "load", "meter", "tariff"),
    "place": ("name", "latitude_deg", "longitude_deg", "timezone"),
    "module": ("rated_power_w",),
    "plane": ("module_count", "tilt_deg", "azimuth_deg"),
    "converter": ("kind", "ac_limit_w"),
    "load": ("yearly_kwh",),
    "appliance": ("name", "power_w", "kind"),
    "meter": ("test_load_w",),
    "costs": ("installed",),
    "event": ("name", "year", "cost"),
}


@dataclass(frozen=True)
class Meter:
    """What measures the house: the registers' digits, the cheap sensor's readings, and the known test load.

    The sensor gives one reading each `reading_interval_s` seconds, with a standard deviation of `reading_noise_w`
    and a display step of `reading_step_w`; it knows no direction.
    """

    test_load_w: float
    test_load_name: str = "test load"
    digits: int = 5
    reading_interval_s: int = 60
    reading_noise_w: float = 5.0
    reading_step_w: float = 1.0


@dataclass(frozen=True)
class Outlook:
    """What the owner expects: years of use, and nominal yearly rates as shares: 0.05 is five percent."""

    years: int = 25
    discount_rate: float = 0.05
    price_growth: float = 0.025
    inflation: float = 0.025


@dataclass(frozen=True)
class House:
    """A house as its file describes it.

    `weather_file` is a path or the name of a file that pvlib ships, or the monthly means that stand in for one;
    `yearly_kwh` is the use of the whole house, `appliances` (on top of the measured household) included. `costs` is
    None where the file names no costs.
    """

    name: str
    place: Place
    weather_file: str | MonthlyMeans
    system: ArraySystem
    yearly_kwh: float
    appliances: tuple[Appliance, ...]
    meter: Meter
    tariff: Tariff
    costs: Costs | None = None
    outlook: Outlook = Outlook()


def read_house(house):
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
    if not path.is_file():
        shipped = ", ".join(sorted(file.stem for file in HOUSE_FOLDER.glob("*.toml")))
        raise InputError(
            f"house file: found nothing at {str(house)!r}, allowed is one of {shipped}, or a path ending in .toml"
        )
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path.name}: found a character that is not UTF-8 at byte {error.start}, allowed is a UTF-8 text"
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path.name}: found {error}, allowed is a TOML text: key = value, text in quotes") from None
    return house_from_table(table, path.name, path.parent)


def house_from_table(table, where="house", folder=HOUSE_FOLDER):
    """Return the house that a table describes; see `read_house`. `folder` is where a weather file may lie."""
    problems = Problems(where)
    top = problems.read(table, _TOP, "", _NEEDED[""])
    name = _value(problems, text(), top.get("name", "?"), "name")
    parts = {key: _section(problems, key, top[key]) for key in _SCHEMA if key in top and key not in ("tariff", "plane")}
    planes = _sections(problems, "plane", top.get("plane", []))
    appliances = _sections(problems, "appliance", parts.get("load", {}).pop("appliance", []), "load.appliance")
    events = _sections(problems, "event", parts.get("costs", {}).pop("event", []), "costs.event")
    if not planes and "plane" in top:
        problems.add("plane", "none", "one table [[plane]] for each roof plane")
    if "weather" in top:
        _check_weather(problems, top["weather"])
    problems.stop()
    try:
        return House(
            name=name,
            place=_place(parts["place"], parts["weather"].get("horizon", ())),
            weather_file=_weather_source(folder, parts["weather"]),
            system=_system(parts, planes),
            yearly_kwh=parts["load"]["yearly_kwh"],
            appliances=tuple(Appliance(**row) for row in appliances),
            meter=Meter(**parts["meter"]),
            tariff=tariff_from_table(top["tariff"], "tariff"),
            **_money(parts, events),
        )
    except InputError as error:
        raise InputError(f"{where}: {error}") from None


def _value(problems, reader, value, key):
    return problems.read({key: value}, {key: reader}, "").get(key, "?")


def _section(problems, key, table, shown=None):
    """Return the checked values of one table; numbers as float, other values as they are."""
    values = problems.read(table, _SCHEMA[key], shown or key, _NEEDED.get(key, ()))
    return {name: _plain(value) for name, value in values.items()}


def _sections(problems, key, rows, shown=None):
    shown = shown or key
    return [_section(problems, key, row, f"{shown}[{i}]") for i, row in enumerate(problems.rows(rows, shown), 1)]


def _plain(value):
    """Return exact decimals as floats, also inside tuples: physics works in floats."""
    if isinstance(value, tuple):
        return tuple(_plain(item) for item in value)
    return float(value) if type(value).__name__ == "Decimal" else value


def _place(values, horizon):
    return Place(
        values["name"],
        values["latitude_deg"],
        values["longitude_deg"],
        values["timezone"],
        values.get("altitude_m", 0.0),
        horizon,
    )


def _check_weather(problems, given):
    """Note a weather table that has both a file and monthly means, or neither, or half of the means."""
    if not isinstance(given, dict):
        return
    found = [key for key in ("file", *_MONTHLY) if key in given]
    if found not in (["file"], list(_MONTHLY)):
        problems.add("weather", " and ".join(found) or "nothing", f"either file or {' and '.join(_MONTHLY)}")
    elif "file" in given and ("wind_speed_m_per_s" in given or "seed" in given):
        problems.add("weather", "file with wind_speed_m_per_s or seed", "these two with monthly means only")


def _weather_source(folder, values):
    if "file" in values:
        return _beside(folder, values["file"])
    more = {new: values[key] for key, new in (("wind_speed_m_per_s", "wind_speed"), ("seed", "seed")) if key in values}
    return MonthlyMeans(*(values[key] for key in _MONTHLY), **more)


def _beside(folder, file):
    """Return a weather file's path: beside the house file if it lies there, else as written."""
    return str(Path(folder) / file) if (Path(folder) / file).is_file() else file


def _money(parts, events):
    outlook = Outlook(**_shares(parts.get("outlook", {})))
    if "costs" not in parts:
        return {"outlook": outlook}
    given = dict(parts["costs"])
    share = given.pop("tax_credit_percent", 0.0) / 100.0
    costs = Costs(
        **given, tax_credit_share=share, events=tuple(Event(**row) for row in events), growth=outlook.inflation
    )
    costs.check_years(outlook.years)
    return {"costs": costs, "outlook": outlook}


def _shares(values, suffix="_percent"):
    """Return the values with every percentage as a share, under its name without the ending."""
    return {key.removesuffix(suffix): value / 100.0 if key.endswith(suffix) else value for key, value in values.items()}


def _system(parts, planes):
    module, age = parts["module"], parts.get("age", {})
    converter = dict(parts["converter"])
    kind, limit = converter.pop("kind"), converter.pop("ac_limit_w")
    coefficient = module.get("temperature_coefficient_percent_per_c")
    return ArraySystem(
        planes=tuple(
            Plane(row["module_count"], row["tilt_deg"], row["azimuth_deg"], row.get("mounting", "roof"))
            for row in planes
        ),
        module=Module(module["rated_power_w"], *([] if coefficient is None else [coefficient / 100.0])),
        converter=Converter(kind, limit, **_shares(converter)),
        losses=Losses(**_shares(parts.get("losses", {}))),
        age_years=age.get("years", 0.0),
        degradation_per_year=age.get("degradation_percent_per_year", 0.5) / 100.0,
        albedo=parts["weather"].get("albedo", 0.2),
    )
