"""House files as people write them at home, each with a slip or two: every slip is told with its key, what was found,
what is allowed and the likely cause, those of one file all at once.
"""

import re

import pytest

from solarlib.house.file import HOUSE_FOLDER, read_house
from solarlib.quantities import InputError

BASE = re.sub(r"[ ]*# .*", "", (HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8"))
PLANES = BASE[BASE.index("[[plane]]") : BASE.index("[converter]")]
PLACE = BASE[BASE.index("[place]") : BASE.index("[weather]")]
TARIFF = BASE[BASE.index("[tariff]") : BASE.index("[costs]")]
TILT = "tilt_deg = 27\nazimuth_deg = 200"
FIRST_ROOF = 'mounting = "roof"\n\n[[plane]]'
OUTLOOK = "price_growth_percent = 2.5\n"
USE = "yearly_kwh = 8600\n"
PUMP = USE + '\n[[load.appliance]]\nname = "pump"\npower_w = 900\nkind = '
IN_STRINGS = "[losses]", "[circuit.strings]\n{}\n\n[losses]"


def means(light="[2, 3, 4, 5, 6, 6, 6, 5, 4, 3, 2, 2]", warm="[1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]"):
    """Return the edit that puts monthly means in place of the weather file."""
    words = f"monthly_irradiation_kwh_per_m2_day = {light}\nmonthly_temperature_c = {warm}"
    return 'file = "723170TYA.CSV"', words


def strings(words):
    return IN_STRINGS[0], IN_STRINGS[1].format(words)


LIGHT, WARM = "weather.monthly_irradiation_kwh_per_m2_day", "weather.monthly_temperature_c"
SOUTH = "[6.9, 6.1, 5, 3.8, 2.9, 2.4, 2.6, 3.4, 4.5, 5.6, 6.5, 7]"
HALVES = "[2,1, 3,0, 4,1, 5,2, 6,0, 6,3, 6,1, 5,5, 4,4, 3,3, 2,2, 1,9]"
SUMS = "[70, 90, 130, 150, 170, 180, 180, 160, 130, 100, 70, 60]"
FAHRENHEIT = "[39, 43, 51, 59, 67, 75, 79, 77, 71, 60, 51, 42]"


def at(start):
    """Return the number of the first line of the base file that begins so."""
    return next(number for number, row in enumerate(BASE.splitlines(), 1) if row.startswith(start))


# name of the slip: (edits of the base file, (key, what was found, what is allowed, the likely cause) of each slip)
FILES = {
    # ------------------------------------------------------------ numbers
    "decimal comma": (
        [("36.10", "36,10")],
        (f"line {at('latitude_deg')}, latitude_deg", "36,10", "a decimal point", "Write 36.10"),
    ),
    "comma between thousands": (
        [("8600", "8,600")],
        (f"line {at('yearly_kwh')}, yearly_kwh", "8,600", "without marks between thousands", "write 8600"),
    ),
    "point between thousands": (
        [("8600", "8.600")],
        ("load.yearly_kwh", "8.6", "from 100 to", "a point between thousands"),
    ),
    "point between thousands of money": (
        [("16800", "16.800")],
        ("costs.installed", "16.8", "0, or a number from 50", "16.800 is 16800"),
    ),
    "currency": ([("16800", "$16,800")], ("installed", "$16,800", "a number", "write 16800")),
    "currency in words": ([("16800", '"16800 EUR"')], ("costs.installed", "16800 EUR", "a number from 50", "16800")),
    "unit behind": (
        [("= 430", "= 430 W")],
        (f"line {at('rated_power_w')}, rated_power_w", "430 W", "a number alone", "write 430"),
    ),
    "sign of a degree": (
        [(TILT, TILT.replace("27", "27°"))],
        (f"line {at('tilt_deg')}, tilt_deg", "27°", "a number alone", "write 27"),
    ),
    "text for a number": (
        [("voltage_v = 240", 'voltage_v = "240 V"')],
        ("circuit.voltage_v", "'240 V'", "80 to", "240"),
    ),
    "number in words": (
        [("count = 10", 'count = "ten"')],
        ("plane[1].module_count", "'ten'", "whole number", "digits"),
    ),
    "half a module": (
        [("count = 10", "count = 10.0")],
        ("plane[1].module_count", "10.0", "a whole number", "write 10"),
    ),
    "list for a number": (
        [("count = 10", "count = [10, 5]")],
        ("plane[1].module_count", "[10, 5]", "a whole number", "without brackets"),
    ),
    "true for a number": ([("8600", "true")], ("load.yearly_kwh", "True", "a number from 100", "a number")),
    "no number at all": (
        [("albedo = 0.2", "albedo = nan")],
        ("weather.albedo", "nan", "from 0 to 0.95", "leave the line"),
    ),
    "long minus": (
        [("-79.95", "−79.95")],
        (f"line {at('longitude_deg')}, longitude_deg", "−79.95", "an ordinary minus", "write -79.95"),
    ),
    # ------------------------------------------------------------ units and signs
    "kW of a module": ([("= 430", "= 0.43")], ("module.rated_power_w", "0.43", "50 to 1000 W", "in kW?")),
    "the array for a module": (
        [("= 430", "= 6450")],
        ("module.rated_power_w", "6450", "to 1000 W", "not of the array"),
    ),
    "kW of a converter": ([("= 366", "= 5.5")], ("converter.ac_limit_w", "5.5", "from 50", "in kW?")),
    "kW of a load": ([("= 750", "= 0.75")], ("meter.test_load_w", "0.75", "from 10", "in kW?")),
    "Wh of a year": ([("8600", "8600000")], ("load.yearly_kwh", "8600000", "from 100", "in Wh?")),
    "one small converter for all": (
        [('"per module"', '"central"')],
        ("converter.ac_limit_w", "366 W", "0.25 to 4 times the 6450 W", "is kind another"),
        ("circuit.branch.output_w", "5490 W", "about the 366 W", "[converter]"),
    ),
    "a large one behind each module": (
        [("ac_limit_w = 366", "ac_limit_w = 5500")],
        ("converter.ac_limit_w", "5500 W", "the 430 W", "is kind another"),
    ),
    "loss per degree without minus": (
        [("-0.34", "0.34")],
        ("coefficient_percent_per_c", "0.34", "-1 to -0.05", "fall with heat: -0.34"),
    ),
    "loss per degree as a share": (
        [("-0.34", "-0.0034")],
        ("coefficient_percent_per_c", "-0.0034", "-1 to -0.05", "a share?"),
    ),
    "loss per degree in W": ([("-0.34", "-1.46")], ("coefficient_percent_per_c", "-1.46", "-1 to -0.05", "in W")),
    "soiling as a share": (
        [("soiling_percent = 2.0", "soiling_percent = 0.02")],
        ("losses.soiling_percent", "0.02", "0, or a number from 0.1 to 50 %", "0.02 is 2"),
    ),
    "efficiency as a share": (
        [("ac_limit_w = 366", "ac_limit_w = 366\nefficiency_50_percent = 0.965")],
        ("converter.efficiency_50_percent", "0.965", "50 to 100 %", "0.965 is 96.5"),
    ),
    "what is left for what is lost": (
        [("degradation_percent_per_year = 0.5", "degradation_percent_per_year = 99.5")],
        ("degradation_percent_per_year", "99.5", "0 to 10 %", "not what is left"),
    ),
    "percent for a share": ([("albedo = 0.2", "albedo = 20")], ("weather.albedo", "20", "0 to 0.95", "20 / 100")),
    "feet": ([("= 273", "= 8950")], ("place.altitude_m", "8950", "to 6000 m", "in feet?")),
    "digits of a register": (
        [("digits = 5", "digits = 99999")],
        ("meter.digits", "99999", "3 to 8", "how many digits"),
    ),
    "minutes for seconds": (
        [("interval_s = 60", "interval_s = 1")],
        ("meter.reading_interval_s", "1", "one of 5", "one minute is 60"),
    ),
    "year of the calendar": (
        [("years = 0\n", "years = 2019\n")],
        ("age.years", "2019", "0 to 60", "not the calendar's"),
    ),
    "late expense": ([("year = 15", "year = 2041")], ("costs.event[1].year", "2041", "1 to 60", "years of use")),
    # ------------------------------------------------------------ place and directions
    "west in letters": (
        [("= -79.95", '= "79.95 W"')],
        ("place.longitude_deg", "'79.95 W'", "-180 to 180", "west is negative: -79.95"),
    ),
    "minutes of a degree": (
        [("36.10", '"36°06\'N"')],
        ("place.latitude_deg", "36°06'N", "from -90 to 90", "one minute is 1/60"),
    ),
    "latitude and longitude swapped": (
        [("36.10", "-79.95"), ("longitude_deg = -79.95", "longitude_deg = 36.10")],
        ("723170TYA.CSV", "latitude 36.1, longitude -79.95", "within 5 deg", "are they swapped?"),
    ),
    "swapped beyond the pole": (
        [("36.10", "151.2")],
        (f"line {at('latitude_deg')}, place.latitude_deg", "151.2", "-90 to 90", "in each other's place?"),
    ),
    "minus of the longitude lost": (
        [("= -79.95", "= 79.95")],
        ("723170TYA.CSV", "longitude -79.95", "7.5 deg of longitude", "is west negative?"),
    ),
    "a station of elsewhere": (
        [("36.10", "48.1"), ("-79.95", "-89.6")],
        ("723170TYA.CSV", "a station at latitude 36.1", "within 5 deg", "Twelve monthly means"),
    ),
    "a station that is not there": (
        [("723170TYA", "724940TYA")],
        ("weather file", "724940TYA.CSV", "the path of a TMY3", "723170TYA.CSV"),
    ),
    "zone by its letters": (
        [("America/New_York", "EST5")],
        (f"line {at('timezone')}, place.timezone", "EST5", "a time zone", "a continent and a city"),
    ),
    "zone by hours": (
        [('"America/New_York"', "-5")],
        (f"line {at('timezone')}, place.timezone", "-5", "a time zone", "a continent and a city"),
    ),
    "zone with a blank": (
        [("New_York", "New York")],
        ("place.timezone", "New York", "a time zone", "is 'America/New_York'"),
    ),
    "zone of another side of the world": (
        [("America/New_York", "Asia/Tokyo")],
        ("place", "longitude -79.95 deg with a clock of UTC+9", "a longitude within", "east is +"),
    ),
    "radians": ([(TILT, "tilt_deg = 0.47\nazimuth_deg = 3.49")], ("plane[1]", "0.47", "degrees", "in radians?")),
    "azimuth from south": ([("= 200", "= -20")], ("plane[1].azimuth_deg", "-20", "0 to 360", "from south, add 180")),
    "azimuth in a word": ([("= 200", '= "south"')], ("plane[1].azimuth_deg", "'south'", "0 to 360", "south 180")),
    "azimuth in letters": (
        [("= 200", "= SSW")],
        (f"line {at('azimuth_deg')}, azimuth_deg", "SSW", "0 to 360", "south 180"),
    ),
    "slope of a carpenter": ([(TILT, TILT.replace("27", '"6/12"'))], ("plane[1].tilt_deg", "6/12", "0 to 90", "is 45")),
    "beyond upright": ([(TILT, TILT.replace("27", "117"))], ("plane[1].tilt_deg", "117", "0 to 90", "90 a wall")),
    "hills as one list": (
        [("albedo = 0.2", "albedo = 0.2\nhorizon = [120, 5, 180, 8]")],
        ("weather.horizon", "[120, 5, 180, 8]", "a list of 2 items", "a list of pairs"),
    ),
    # ------------------------------------------------------------ monthly means
    "one number for twelve": ([means(light="4.5")], (LIGHT, "4.5", "a list of 12", "January to December")),
    "eleven months": ([means(light="[2, 3, 4, 5, 6, 6, 6, 5, 4, 3, 2]")], (LIGHT, "[2, 3", "a list of 12", "twelve")),
    "sums of months": ([means(light=SUMS)], (LIGHT, "[70, 90", "from 0 to 14 kWh/m2/day", "Divide each by its days")),
    "decimal commas in a list": ([means(light=HALVES)], (LIGHT, "[2, 1, 3, 0", "a list of 12", "decimal commas?")),
    "Fahrenheit": ([means(warm=FAHRENHEIT)], (WARM, "[39, 43", "-80 to 50 degC", "in Fahrenheit?")),
    "months of the other hemisphere": (
        [means(light=SOUTH)],
        ("monthly irradiation, January", "6.9", "from 0 to 4.0", "is south negative?"),
    ),
    # ------------------------------------------------------------ words
    "a kind of mounting": (
        [(FIRST_ROOF, FIRST_ROOF.replace("roof", "Roof"))],
        ("plane[1].mounting", "'Roof'", "rack, roof", "is 'roof' meant"),
    ),
    "small converters": (
        [('"per module"', '"micro"')],
        ("converter.kind", "'micro'", "per module, central", "'per module'"),
    ),
    "a converter for strings": (
        [('"per module"', '"string"')],
        ("converter.kind", "'string'", "central", "is 'central'"),
    ),
    "three phases": (
        [("split phase", "3-phase")],
        ("circuit.system", "'3-phase'", "split phase", "'three phase' meant"),
    ),
    "a wire without its metal": (
        [("12 AWG copper", "12 AWG")],
        ("circuit.branch[1].trunk", "12 AWG", "a wire", "the metal"),
    ),
    "a car that charges": (
        [(USE, PUMP + '"charging"\n')],
        ("appliance[1].kind", "'charging'", "timer, cooling", "a 'timer'"),
    ),
    "hours as one pair": (
        [(USE, PUMP + '"timer"\ndaily_hours = [9, 17]\n')],
        ("load.appliance[1].daily_hours", "[9, 17]", "a list of 2 items", "[[9, 17]]"),
    ),
    "more than the house": (
        [(USE, PUMP + '"heating"\nthreshold_c = 12\nyearly_kwh = 9000\n')],
        ("appliance pump, yearly_kwh", "9000 kWh", "up to 3077 kWh", "900 W running whenever it is below 12 degC"),
    ),
    "yes": ([("far_end = true", 'far_end = "yes"')], ("circuit.far_end", "'yes'", "true or false", "write true")),
    "capital True": (
        [("far_end = true", "far_end = True")],
        (f"line {at('far_end')}, far_end", "True", "true or false", "write true"),
    ),
    "date in words": (
        [(OUTLOOK, OUTLOOK + 'first_day = "1 April 2027"\n')],
        ("outlook.first_day", "'1 April 2027'", "a date like", "31 March 2026 is 2026-03-31"),
    ),
    "date with points": (
        [(OUTLOOK, OUTLOOK + "first_day = 15.04.2027\n")],
        ("first_day", "15.04.2027", "a date like", "write 2027-04-15"),
    ),
    "no such day": (
        [(OUTLOOK, OUTLOOK + 'first_day = "2027-02-30"\n')],
        ("outlook.first_day", "2027-02-30", "a date like", "there is no such day"),
    ),
    "no such tariff": (
        [(TARIFF, '[tariff]\nfile = "net-metering"\n\n')],
        ("tariff.file", "'net-metering'", "a .toml path or one of", "kwh-bank-march"),
    ),
    "a price in cents": (
        [("0.135", "13.5")],
        ("tariff.charge[2].price of 'energy'", "13.5", "from 0 to 1 $/kWh", "13.5 cents, 0.135"),
    ),
    "rules without a date": (
        [(TARIFF, '[[tariff]]\nfile = "flat-no-credit"\n\n[[tariff]]\nfile = "kwh-bank-march"\n\n')],
        ("tariff[2].valid_from", "nothing", "the first day", "2026-03-31"),
    ),
    # ------------------------------------------------------------ the circuit
    "current of a whole branch": (
        [("current_a = 1.53\ntrunk", "current_a = 15.3\ntrunk")],
        ("circuit.branch.current_a", "15.3 A", "0.95 to 2 times", "of one converter"),
    ),
    "more converters than modules": (
        [("converters = 10", "converters = 100")],
        ("circuit.branch.converters", "105 in all", "15 at most", "one for each module"),
    ),
    "window turned round": (
        [strings("modules = [12]\ntracker_low_v = 500\ntracker_high_v = 100")],
        ("circuit.strings.tracker_low_v", "500 V", "less than tracker_high_v", "in each other's place"),
    ),
    "voltages exchanged": (
        [strings("modules = [12]\nopen_circuit_v = 32\noperating_v = 38")],
        ("circuit.strings.operating_v", "38 V", "less than open_circuit_v", "in each other's place"),
    ),
    "one string as a number": (
        [strings("modules = 12")],
        ("circuit.strings.modules", "12", "a list of one or more", "in square brackets"),
    ),
    # ------------------------------------------------------------ marks of TOML
    "backslashes": (
        [("723170TYA.CSV", "C:\\Users\\me\\year.csv")],
        (f"line {at('file')}", "C:\\Users", "without \\", "write / instead"),
    ),
    "other backslashes": (
        [("723170TYA.CSV", "data\\year.csv")],
        (f"line {at('file')}", "data\\year", "without \\", "write / instead"),
    ),
    "curly quotes": (
        [('"Two-storey house"', "“Two-storey house”")],
        (f"line {at('name')}, name", "“", "straight quotes", 'write "'),
    ),
    "no quotes": (
        [(FIRST_ROOF, FIRST_ROOF.replace('"roof"', "roof"))],
        (f"line {at('mounting')}, mounting", "mounting = roof", "text in quotes", 'write "roof"'),
    ),
    "quote not closed": (
        [('storey house"', "storey house")],
        (f"line {at('name')}, name", '"Two-storey house', "at both ends", "missing"),
    ),
    "colon": (
        [(TILT, TILT.replace(" =", ":", 1))],
        (f"line {at('tilt_deg')}, tilt_deg", "tilt_deg: 27", "key = value", "tilt_deg = 27"),
    ),
    "tab and unit": (
        [("latitude_deg = 36.10", "\tlatitude_deg\t=\t36.10 N")],
        (f"line {at('latitude_deg')}, latitude_deg", "36.10 N", "a number alone", "write 36.10"),
    ),
    "no-break blank": (
        [("deg = 36", "deg\u00a0= 36")],
        (f"line {at('latitude_deg')}", "36.10", "ordinary blanks", "copied from a web page"),
    ),
    "bracket not closed": (
        [("[module]", "[module")],
        (f"line {at('[module]')}", "[module", "in brackets", "a bracket is missing"),
    ),
    "comment of a programmer": (
        [("[module]", "// ours\n[module]")],
        (f"line {at('[module]')}", "// ours", "after #", "# opens a comment"),
    ),
    "semicolon": (
        [("= 0.2\n", "= 0.2;\n")],
        (f"line {at('albedo')}, albedo", "0.2;", "nothing after", "write albedo = 0.2"),
    ),
    "twice the same key": (
        [("= 0.2\n", "= 0.2\nalbedo = 0.3\n")],
        (f"line {at('albedo') + 1}, albedo", "0.3", "each key once", "above"),
    ),
    "twice the same table": (
        [("[load]", "[place]\n\n[load]")],
        (f"line {at('[load]')}, place", "[place]", "each table once", "join"),
    ),
    "one table for several": (
        [("[[plane]]", "[plane]")],
        ("plane", "[[plane]]", "in double brackets, each time", "single brackets"),
    ),
    "one roof as one table": (
        [(PLANES, PLANES[: PLANES.rindex("[[plane]]")].replace("[[plane]]", "[plane]"))],
        (f"line {at('[[plane]]')}, plane", "module_count = 10", "a list of tables", "[[plane]]"),
    ),
    "several tables for one": ([("[module]", "[[module]]")], ("module", "[{ rated", "a table", "[module]")),
    "text for a table": (
        [
            ("[losses]", "extra = 1\n[losses]"),
            ("form = 1", 'form = 1\nage = "new"'),
            ("[age]\nyears = 0\ndegradation_percent_per_year = 0.5\n", ""),
        ],
        ("age", "'new'", "a table", "[age]"),
        ("circuit.branch[2].extra", "unknown", "one of", "converters"),
    ),
    # ------------------------------------------------------------ keys
    "capital letter": (
        [("latitude_deg", "Latitude_deg")],
        ("place.Latitude_deg", "an unknown key", "one of", "'latitude_deg'"),
        ("place.latitude_deg", "nothing", "-90 to 90", "this key is needed"),
    ),
    "blank in a key": (
        [("latitude_deg", "latitude deg")],
        (f"line {at('latitude_deg')}, latitude deg", "36.10", "without blanks", "_ instead"),
    ),
    "key of another table": (
        [("[module]\n", "[module]\nac_limit_w = 366\n")],
        ("module.ac_limit_w", "an unknown key", "rated_power_w", "belongs to [converter]"),
    ),
    "plural": ([("[[plane]]", "[[planes]]")], ("planes", "an unknown key", "one of", "is 'plane' meant?")),
    "place without numbers": (
        [(PLACE, '[place]\nname = ""\n\n')],
        ("place.name", "''", "a text", "not empty"),
        *(
            (f"place.{key}", "nothing", words, "needed")
            for key, words in (("latitude_deg", "-90 to 90"), ("longitude_deg", "-180"), ("timezone", "New_York"))
        ),
    ),
    # ------------------------------------------------------------ several at once
    "three tables": (
        [("36.10", "361"), ("= 430", "= 0.43"), ("digits = 5", "digits = 50")],
        ("place.latitude_deg", "361", "90", "in each other's"),
        ("module.rated_power_w", "0.43", "W", "in kW?"),
        ("meter.digits", "50", "3 to 8", "how many"),
    ),
    "three lines": (
        [("36.10", "36,10"), ("= 430", "= 430 W"), ('"per module"', "“per module”")],
        (f"line {at('latitude_deg')}, latitude_deg", "36,10", "point", "36.10"),
        (f"line {at('rated_power_w')}, rated_power_w", "430 W", "alone", "430"),
        (f"line {at('kind')}, kind", "“per module”", "straight quotes", 'write "'),
    ),
    "three that do not go together": (
        [("year = 15", "year = 30"), ("723170TYA", "nowhere"), (TILT, "tilt_deg = 0.47\nazimuth_deg = 3.49")],
        ("costs.events 'converters replaced'", "year 30", "up to the last year", "25"),
        ("weather file", "nowhere.CSV", "the path", "TMY3"),
        ("plane[1]", "0.47", "degrees", "radians"),
    ),
}


def edited(edits, text=BASE):
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def refused(path, content):
    """Return what is said of a file."""
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    with pytest.raises(InputError) as error:
        read_house(path)
    return str(error.value)


@pytest.mark.parametrize("name", FILES)
def test_each_slip_is_told_with_key_value_range_and_cause(name, tmp_path):
    edits, *slips = FILES[name]
    words = refused(tmp_path / "mine.toml", edited(edits))
    assert words.startswith("mine.toml") and "\n" not in words
    at = 0
    for key, found, allowed, cause in sorted(slips, key=lambda slip: words.find(f"{slip[0]}:")):
        told = words[at:]
        spots = [told.find(f"{key}:")]
        for part in (found, "allowed", allowed, cause):
            spots.append(told.find(part, max(spots[-1], 0)))
        assert -1 not in spots and spots == sorted(spots), f"{(key, found, allowed, cause)} in: {told}"
        at += spots[0]


def test_at_least_fifty_files_and_the_base_itself_is_read(tmp_path):
    assert len(FILES) >= 50
    for content in (BASE, "\ufeff" + BASE, BASE.replace("\n", "\r\n"), BASE.replace(" = ", "\t=\t")):
        (tmp_path / "mine.toml").write_bytes(content.encode("utf-8"))
        assert read_house(tmp_path / "mine.toml") == read_house("two-storey")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", ("place: found nothing", "plane: found nothing", "tariff: found nothing")),
        (BASE.encode("utf-16"), ("not UTF-8", "save it as UTF-8")),
        ('{"name": "x"}', ("line 1", "this is JSON, not TOML")),
        ("name: x\nplace:\n  latitude_deg: 36.1\n", ("line 1, name", "line 3, latitude_deg", "an equals sign")),
        ("name\tx\nlatitude\t36.1\n", ("line 2, latitude", "the equals sign is missing")),
        (BASE.replace("form = 1", "form = 7"), ("form = 7", "a newer solarlib")),
    ],
)
def test_a_file_of_another_kind_is_refused_in_words(content, words, tmp_path):
    told = refused(tmp_path / "mine.toml", content)
    assert all(part in told for part in words), told


def test_0_is_allowed_where_a_small_number_is_a_slip(tmp_path):
    text = edited([("soiling_percent = 2.0", "soiling_percent = 0"), ("installed = 16800", "installed = 0")])
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    house = read_house(tmp_path / "mine.toml")
    assert house.system.losses.soiling == 0 and house.costs.installed == 0
    words = refused(tmp_path / "mine.toml", edited([("soiling_percent = 2.0", "soiling_percent = false")]))
    assert "losses.soiling_percent: found False, allowed is 0, or a number from 0.1 to 50 %" in words
