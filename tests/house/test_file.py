"""A house file is read entry by entry: what is wrong is named, with what is allowed."""

import copy
import re
import tomllib

import pytest

from solarlib.house.file import HOUSE_FOLDER, Meter, Outlook, Spread, _File, house_from_table, read_house
from solarlib.quantities import InputError
from solarlib.schema import Table
from solarlib.worth.lifetime import OUTLAYS

AMOUNTS = (*OUTLAYS, "rebate", "upkeep_per_year", "insurance_and_tax_per_year", "residual", "removal", "tax_owed")


def table(name="two-storey"):
    return tomllib.loads((HOUSE_FOLDER / f"{name}.toml").read_text(encoding="utf-8"))


def test_the_scenario_is_the_one_described():
    house = read_house("two-storey")
    assert [(p.module_count, p.surface_azimuth, p.surface_tilt) for p in house.system.planes] == [
        (10, 200, 27),
        (5, 110, 27),
    ]
    assert house.system.module.rated_power_w == 430
    assert (house.system.converter.kind, house.system.converter.ac_limit_w) == ("per module", 366)
    assert (house.yearly_kwh, house.meter.test_load_w) == (8600, 750)
    assert house.weather_file == "723170TYA.CSV"


def test_costs_and_outlook_are_read_and_may_be_left_out():
    house = read_house("two-storey")
    assert house.costs.installed == 16800 and house.costs.events[0].year == 15
    assert (house.outlook.discount_rate, house.costs.growth) == (0.05, house.outlook.inflation)
    own = table()
    own["outlook"]["spread"] = {"weather_percent": 7}
    assert house_from_table(own).outlook.spread == Spread(yield_every_year=0.06, weather=0.07)
    bare = {key: value for key, value in table().items() if key not in ("costs", "outlook", "age", "losses")}
    assert house_from_table(bare).costs is None and house_from_table(bare).outlook.years == 25


def test_a_tax_credit_is_zero_unless_the_file_names_it():
    assert read_house("two-storey").costs.tax_credit == 0
    own = table()
    own["costs"] |= {"rebate": 800, "tax_credit_percent": 20, "tax_owed": 1500, "tax_credit_year": 2}
    costs = house_from_table(own).costs
    assert costs.tax_credit == 1500 and costs.tax_credit_year == 2  # a share of 20 % would be more than the tax owed
    del own["costs"]["tax_owed"]
    costs = house_from_table(own).costs
    assert costs.tax_credit == pytest.approx(0.2 * (costs.outlay - 800))
    own["costs"] |= {
        "roof_and_panelboard_work": 1000,
        "eligible_roof_and_panelboard_work_percent": 40,
        "eligible_installed_percent": 90,
        "eligible_fees_percent": 0,
        "rebate_lowers_tax_credit": False,
        "tax_owed": 500,
        "tax_credit_carry_years": 3,
    }
    costs = house_from_table(own).costs
    assert costs.tax_credit_base == 0.9 * costs.installed + 400 and costs.tax_credit == 4 * 500
    own["costs"]["tax_credit_percent"] = 120
    with pytest.raises(InputError, match="costs.tax_credit_percent: found 120, allowed is a number from 0 to 100"):
        house_from_table(own)


def wrong(path, value):
    """Return the scenario's table with one entry replaced (or removed, for ...)."""
    entries = copy.deepcopy(table())
    spot = entries
    for key in path[:-1]:
        spot = spot[key]
    if value is ...:
        del spot[path[-1]]
    else:
        spot[path[-1]] = value
    return entries


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        (("place", "latitude"), 36.0, "place.latitude: found an unknown key, allowed is one of name, latitude_deg"),
        (("place", "latitude_deg"), 361, "place.latitude_deg: found 361, allowed is a number from -90 to 90 deg"),
        (("place", "timezone"), "Atlantis/Capital", "found 'Atlantis/Capital', allowed is the name of a time zone"),
        (
            ("plane", 0, "tilt_deg"),
            "steep",
            r"plane\[1\].tilt_deg: found 'steep', allowed is a number from 0 to 90 deg",
        ),
        (("plane", 1, "module_count"), 2.5, r"plane\[2\].module_count: found 2.5, allowed is a whole number"),
        (("plane", 0, "mounting"), "glued", r"plane\[1\].mounting: found 'glued', allowed is one of"),
        (("module", "rated_power_w"), 0.43, "module.rated_power_w: found 0.43, allowed is a number from 50 to 1000 W"),
        (("load", "yearly_kwh"), 8.6, "load.yearly_kwh: found 8.6, allowed is a number from 100 to"),
        (("load", "yearly_kwh"), ..., "load.yearly_kwh: found nothing"),
        (
            ("converter", "kind"),
            "optimiser",
            "converter.kind: found 'optimiser', allowed is one of per module, central",
        ),
        (("meter", "reading_interval_s"), 61, "meter.reading_interval_s: found 61, allowed is one of 5, 10"),
        (("tariff", "credit", "reset_month"), 13, "reset_month"),
        (("plane",), [], "plane: found none, allowed is one table"),
        (("weather",), ..., "weather: found nothing"),
        (("costs", "installed"), -5, "costs.installed: found -5, allowed is 0, or a number from 50 to"),
        (
            ("costs", "event", 0, "year"),
            30,
            "costs.events 'converters replaced': found year 30, allowed is up to the last year, 25",
        ),
        (
            ("outlook", "discount_rate_percent"),
            500,
            "outlook.discount_rate_percent: found 500, allowed is a number from -10 to 50 %",
        ),
    ],
)
def test_a_wrong_entry_is_named_with_what_is_allowed(path, value, message):
    with pytest.raises(InputError, match=message) as caught:
        house_from_table(wrong(path, value), "mine.toml")
    assert str(caught.value).startswith("mine.toml: ") and "\n" not in str(caught.value)


def test_several_wrong_entries_are_told_at_once():
    entries = wrong(("place", "latitude_deg"), 95)
    entries["module"]["rated_power_w"] = "many"
    with pytest.raises(InputError) as caught:
        house_from_table(entries, "mine.toml")
    assert "latitude_deg" in str(caught.value) and "rated_power_w" in str(caught.value)


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(
        InputError,
        match="house file: found nothing at 'castle', allowed is one of bungalow, cabin, southern, two-storey",
    ):
        read_house("castle")
    broken = tmp_path / "broken.toml"
    broken.write_text("name = two words\n", encoding="utf-8")
    with pytest.raises(InputError, match='broken.toml: line 1, name: found name = two words, .*write "two words"'):
        read_house(broken)
    latin = tmp_path / "latin.toml"
    latin.write_bytes('name = "H\xe4uschen"\n'.encode("latin-1"))
    with pytest.raises(InputError, match="latin.toml: found a character that is not UTF-8"):
        read_house(latin)


MONTHLY = {
    "monthly_irradiation_kwh_per_m2_day": [7.1, 6.2, 5.0, 3.8, 2.8, 2.3, 2.5, 3.3, 4.5, 5.6, 6.6, 7.2],
    "monthly_temperature_c": [24, 23, 21, 17, 13, 10, 10, 12, 14, 17, 20, 23],
}


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (
            {},
            "weather: found nothing, allowed is one line in .weather.: file = .*; hourly = .*; "
            "monthly_irradiation_kwh_per_m2_day = .*; world_table = .*",
        ),
        (MONTHLY | {"file": "723170TYA.CSV"}, "weather: found file and monthly_irradiation_kwh_per_m2_day, "),
        ({"monthly_temperature_c": [10] * 12}, "weather: found nothing, allowed is one line in"),
        ({"world_table": False}, "weather.world_table: found False, allowed is true"),
        (
            {"file": "723170TYA.CSV", "hourly_columns": {"ghi": "G"}},
            "weather.hourly_columns: found it with file, .*hourly only",
        ),
        ({"hourly": "x.csv", "hourly_columns": {"light": "G"}}, "weather.hourly_columns: found .*ghi = "),
        ({"file": "723170TYA.CSV", "world_table": True}, "weather: found file and world_table, allowed is one line"),
        (
            MONTHLY | {"monthly_temperature_c": [10] * 11},
            "weather.monthly_temperature_c: found .*allowed is a list of 12",
        ),
        (MONTHLY | {"monthly_irradiation_kwh_per_m2_day": [130] * 12}, "kwh_per_m2_day: found .*a number from 0 to 14"),
        (
            {"world_table": True, "monthly_diffuse_kwh_per_m2_day": [1] * 12},
            "weather.monthly_diffuse_kwh_per_m2_day: found it with world_table, .*monthly_irradiation.*only",
        ),
        (MONTHLY | {"seed": -1}, "weather.seed: found -1, allowed is a whole number"),
        (MONTHLY | {"wind_speed_m_per_s": "calm"}, "weather.wind_speed_m_per_s: found 'calm'"),
        (
            {"file": "723170TYA.CSV", "seed": 3},
            "weather.seed: found it with file, allowed is it with monthly_irradiation.*only",
        ),
        ({"file": "723170TYA.CSV", "horizon": [[90, 10, 3]]}, "weather.horizon: found .*each item a list of 2"),
        (
            {"file": "723170TYA.CSV", "horizon": [[90, 95]]},
            "horizon elevation: found 95 deg, allowed is a number from 0 to 89",
        ),
        ("sunny", "weather: found 'sunny', allowed is a table"),
    ],
)
def test_a_wrong_weather_table_is_named_with_what_is_allowed(given, message):
    with pytest.raises(InputError, match=message) as caught:
        house_from_table(table() | {"weather": given}, "mine.toml")
    assert str(caught.value).startswith("mine.toml: ") and "\n" not in str(caught.value)


def test_all_tables_of_a_file_are_told_at_once_also_what_two_entries_make_together():
    entries = wrong(("place", "timezone"), "Atlantis/Capital")
    entries["tariff"]["credit"]["reset_month"] = 13
    entries["converter"]["efficiency_10_percent"] = 99
    with pytest.raises(InputError) as caught:
        house_from_table(entries, "mine.toml")
    words = str(caught.value)
    assert "Atlantis/Capital" in words and "credit.reset_month: found 13" in words and "a curve that neither" in words


def test_percentages_become_shares_and_what_is_left_out_takes_its_default():
    entries = table()
    entries["losses"] = {"soiling_percent": 3}
    entries["age"] = {"years": 4, "degradation_percent_per_year": 0.7}
    entries["module"]["temperature_coefficient_percent_per_c"] = -0.4
    entries["weather"] |= {"albedo": 0.3, "horizon": [[90, 10], [180, 5]]}
    house = house_from_table(entries)
    system = house.system
    assert (system.losses.soiling, system.losses.first_light) == (0.03, 0.015)
    assert (system.age_years, system.degradation_per_year, system.albedo) == (4.0, 0.7 / 100, 0.3)
    assert system.module.temperature_coefficient_per_c == -0.004
    assert house.place.horizon == ((90.0, 10.0), (180.0, 5.0)) and house.place.altitude_m == 273
    assert (system.converter.efficiency_10, house.meter.digits, house.outlook.years) == (0.945, 5, 25)
    del entries["age"], entries["losses"], entries["weather"]["albedo"]
    system = house_from_table(entries).system
    assert (system.age_years, system.degradation_per_year, system.albedo) == (0, 0.005, 0.2)


def test_an_appliance_and_an_event_are_counted_from_one_in_messages():
    entries = table()
    entries["load"]["appliance"] = [{"name": "pump", "power_w": 300, "kind": "timer", "daily_hours": [[1, 25]]}]
    entries["costs"]["event"] = [{"name": "roof", "year": 61, "cost": 10}]
    with pytest.raises(InputError) as caught:
        house_from_table(entries)
    assert "load.appliance[1].daily_hours: found [[1, 25]]" in str(caught.value)
    assert "costs.event[1].year: found 61, allowed is a whole number from 1 to 60" in str(caught.value)


@pytest.mark.parametrize("name", sorted(file.stem for file in HOUSE_FOLDER.glob("*.toml")))
def test_every_shipped_house_tells_its_form(name):
    text = (HOUSE_FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text)["form"] == 1 and read_house(name).name


@pytest.mark.parametrize("form", ["2", "0", "true", "'one'", "1.0"])
def test_a_form_that_is_not_known_is_refused_with_its_line(form, tmp_path):
    text = (HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8")
    (tmp_path / "mine.toml").write_text(text.replace("form = 1", f"form = {form}"), encoding="utf-8")
    line = text.splitlines().index(next(row for row in text.splitlines() if row.startswith("form"))) + 1
    with pytest.raises(InputError, match=f"^mine.toml, line {line}: found form = .*, allowed is form = 1"):
        read_house(tmp_path / "mine.toml")
    without = "\n".join(row for row in text.splitlines() if not row.startswith("form"))
    (tmp_path / "mine.toml").write_text(without, encoding="utf-8")
    assert read_house(tmp_path / "mine.toml") == read_house("two-storey")


def test_the_range_of_every_number_of_a_house_file():
    """Each key of the file with what may be written there."""
    allowed = {}
    for table, item in _File.__dataclass_fields__.items():
        read = item.metadata["read"]
        for key, (_, reader, _) in read.keys.items() if isinstance(read, Table) else ():
            inner = reader.keys.items() if isinstance(reader, Table) else [("", (None, reader, None))]
            allowed |= {f"{table}.{key}.{name}".rstrip("."): reader.allowed for name, (_, reader, _) in inner}
    ranges = {key: words.removeprefix("a number from ") for key, words in allowed.items() if "from" in words}
    money, pair = (
        "0 to 10,000,000 in the currency of the tariff",
        "a list of one or more items, each item a list of 2 items",
    )
    assert ranges == {
        "place.latitude_deg": "-90 to 90 deg",
        "place.longitude_deg": "-180 to 180 deg",
        "place.altitude_m": "-430 to 6000 m",
        "weather.monthly_irradiation_kwh_per_m2_day": "a list of 12 items, each item a number from 0 to 14 kWh/m2/day",
        "weather.monthly_temperature_c": "a list of 12 items, each item a number from -80 to 50 degC",
        "weather.monthly_diffuse_kwh_per_m2_day": "a list of 12 items, each item a number from 0 to 9 kWh/m2/day",
        "weather.wind_speed_m_per_s": "0 to 30 m/s",
        "weather.seed": "a whole number from 0 to 1000000",
        "weather.albedo": "0 to 0.95",
        "weather.horizon": f"{pair}, each item a number from 0 to 360 deg",
        "module.rated_power_w": "50 to 1000 W",
        "module.temperature_coefficient_percent_per_c": "-1 to -0.05 %/degC",
        "plane.module_count": "a whole number from 1 to 1000",
        "plane.tilt_deg": "0 to 90 deg",
        "plane.azimuth_deg": "0 to 360 deg",
        **dict.fromkeys(
            (f"{table}.{side}_m" for table in ("module", "other_module") for side in ("length", "width")), "0.2 to 4 m"
        ),
        "other_module.rated_power_w": "50 to 1000 W",
        "other_module.temperature_coefficient_percent_per_c": "-1 to -0.05 %/degC",
        "other_converter.ac_limit_w": "50 to 1,000,000 W",
        **{f"other_converter.efficiency_{load}_percent": "50 to 100 %" for load in (10, 50, 100)},
        "plane.row_pitch_m": "0.1 to 100 m",
        "losses.soiling_percent_by_month": "a list of 12 items, each item 0, or a number from 0.1 to 50 %",
        "losses.snow_percent_by_month": "a list of 12 items, each item 0, or a number from 0.1 to 100 %",
        "plane.rows": "a whole number from 1 to 100",
        "plane.horizon": f"{pair}, each item a number from 0 to 360 deg",
        "plane.obstacle.azimuth_deg": "0 to 360 deg",
        "plane.obstacle.distance_m": "0.5 to 10000 m",
        "plane.obstacle.width_m": "0.01 to 10000 m",
        "plane.obstacle.height_m": "0.01 to 1000 m",
        "plane.obstacle.side_height_m": "0 to 1000 m",
        "plane.obstacle.passes_percent": "0 to 100 %",
        "plane.obstacle.bare_passes_percent": "0 to 100 %",
        "plane.obstacle.bare_months": "a list of one or more items, each item a whole number from 1 to 12",
        "converter.ac_limit_w": "50 to 1,000,000 W",
        **{f"converter.efficiency_{load}_percent": "50 to 100 %" for load in (10, 50, 100)},
        "load.monthly_kwh": "a list of 12 items, each item a number from 0 to 100000 kWh",
        "load.yearly_kwh": "100 to 1,000,000 kWh",
        "load.appliance.power_w": "1 to 50000 W",
        "load.appliance.daily_hours": f"{pair}, each item a number from 0 to 24 h",
        "load.appliance.threshold_c": "-50 to 50 degC",
        "load.appliance.yearly_kwh": "0 to 100000 kWh",
        "meter.test_load_w": "10 to 10000 W",
        "meter.digits": "a whole number from 3 to 8",
        "meter.reading_noise_w": "0 to 1000 W",
        "meter.reading_step_w": "0 to 1000 W",
        **{
            f"losses.{name}_percent": "0, or a number from 0.1 to 50 %"
            for name in ("soiling", "first_light", "nameplate", "mismatch", "dc_wiring", "ac_wiring", "availability")
        },
        "age.years": "0 to 60 years",
        "age.degradation_percent_per_year": "0 to 10 %",
        **{f"costs.{name}": money for name in AMOUNTS},
        "costs.installed": f"0, or a number from 5{money}",
        "costs.tax_credit_percent": "0 to 100 %",
        "costs.tax_credit_year": "a whole number from 0 to 60",
        "costs.tax_credit_carry_years": "a whole number from 0 to 60",
        **{f"costs.eligible_{cost}_percent": "0 to 100 %" for cost in OUTLAYS},
        "costs.event.year": "a whole number from 1 to 60",
        "costs.event.cost": money,
        "outlook.years": "a whole number from 1 to 60",
        "outlook.discount_rate_percent": "-10 to 50 %",
        "outlook.price_growth_percent": "-10 to 30 %",
        "outlook.inflation_percent": "-10 to 30 %",
        **{f"outlook.spread.{name}_percent": "0 to 15 %" for name in ("yield_every_year", "weather")},
        "circuit.voltage_v": "80 to 1000 V",
        **{f"circuit.{name}_a": "6 to 4000 A" for name in ("combiner_busbar", "main", "busbar", "service")},
        "circuit.branch.converters": "a whole number from 1 to 1000",
        "circuit.branch.output_w": "10 to 1,000,000 W",
        "circuit.branch.current_a": "0.05 to 4000 A",
        "circuit.branch.listed_limit": "a whole number from 1 to 1000",
        "circuit.branch.conductor_a": "1 to 4000 A",
        "circuit.branch.spacing_m": "0 to 100 m",
        "circuit.branch.run_m": "0 to 1000 m",
        "circuit.strings.modules": "a list of one or more items, each item a whole number from 1 to 100",
        "circuit.strings.open_circuit_v": "1 to 500 V",
        "circuit.strings.operating_v": "1 to 500 V",
        "circuit.strings.open_circuit_percent_per_c": "-1 to 0 %",
        "circuit.strings.record_low_c": "-90 to 25 degC",
        "circuit.strings.record_high_c": "25 to 60 degC",
        "circuit.strings.limit_v": "10 to 2000 V",
        "circuit.strings.tracker_low_v": "0 to 2000 V",
        "circuit.strings.tracker_high_v": "1 to 2000 V",
    }
    assert allowed["meter.reading_interval_s"] == "one of 5, 10, 15, 20, 30, 60, 120, 180, 300, 600, 900"
    assert Meter(750.0) == Meter(750.0, "test load", 5, 60, 5.0, 1.0) and Outlook() == Outlook(25, 0.05, 0.025, 0.025)


def test_the_appliances_to_copy_are_read_as_they_stand(tmp_path):
    """The lines of the scenario's file from the first appliance to the next empty line, without the sign in front."""
    text = (HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8")
    lines = text[text.index("# [[load.appliance]]") :].split("\n\n")[0]
    own = text + "\n" + lines.replace("# ", "", 1).replace("\n# ", "\n")
    (tmp_path / "mine.toml").write_text(own, encoding="utf-8")
    house = read_house(tmp_path / "mine.toml")
    assert [one.name for one in house.appliances] == ["electric car", "water heater", "heat pump"]
    assert [one.kind for one in house.appliances] == ["timer", "timer", "heating"]
    assert house.appliances[0].daily_hours == ((22, 1),) and house.yearly_kwh == 8600


def test_the_obstacle_to_copy_is_read_as_it_stands(tmp_path):
    text = (HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8")
    lines = text[text.index("# horizon = ") :].split("\n\n")[0]
    lines = lines.replace("# ", "", 1).replace("\n# ", "\n")
    own = text.replace('mounting = "roof"         #', f'mounting = "roof"\n{lines}\n#', 1)
    own = own.replace("[module]\n", "[module]\nlength_m = 1.75\nwidth_m = 1.10\n")
    (tmp_path / "mine.toml").write_text(own, encoding="utf-8")
    plane = read_house(tmp_path / "mine.toml").system.planes[0]
    assert [thing.name for thing in plane.obstacles] == ["beech", "hills"]


def test_the_readme_of_house_files_has_every_key_in_the_section_of_its_table():
    """And no other key in bold than those that are needed: a person fills in a file by it."""
    parts = re.split(r"^## (.*)$", (HOUSE_FOLDER / "README.md").read_text(encoding="utf-8"), flags=re.MULTILINE)
    sections = {"": parts[0]}
    for heading, words in zip(parts[1::2], parts[2::2]):
        sections |= dict.fromkeys(re.findall(r"[a-z_.]+", heading), words)

    def check(table, name):
        keys = {key: needed for key, (_, reader, needed) in table.keys.items() if not isinstance(reader, Table)}
        keys = {"file": True} if name == "tariff" else {key: keys[key] for key in keys if key != "tariff"}
        words = sections[name]
        assert [key for key in keys if f"`{key}`" not in words and f"`{key} = " not in words] == [], name
        needed = {key for key in keys if keys[key]}
        assert needed <= set(re.findall(r"\*\*`(\w+)`\*\*", words)) <= set(keys) | {"file"}, name
        for key, (_, reader, _) in table.keys.items():
            if isinstance(reader, Table):
                check(reader, f"{name}.{key}".strip("."))

    check(Table(_File), "")
