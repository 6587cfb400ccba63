"""Make the example files in data/examples: one house, one made truth from 1 March to 15 November 2026, and its records.

    python data/build_examples.py

Needs `solarlib`, the house file `houses/two-storey.toml`, the weather that it names and `load_minutes.csv.gz`.
Faults are put in on purpose: `README.md` lists them, and `tests/house/test_examples.py` finds each of them.
"""

from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from solarlib.bill.accounts import ledger
from solarlib.files.days import by_day
from solarlib.files.flow import flow_of_table
from solarlib.files.records import keep
from solarlib.files.steps import Measured
from solarlib.house.file import House, read_house
from solarlib.house.year import house_load, weather
from solarlib.house.year_bills import ratings
from solarlib.meter.load import test_load
from solarlib.meter.registers import split, unsigned
from solarlib.quantities import energy_kwh
from solarlib.roof.array import array_power
from solarlib.roof.parts import Plane
from solarlib.sky.clouds import minute_weather
from solarlib.sky.sun import clear_sky, position

HERE = Path(__file__).parent
ZONE = "America/New_York"
START, END = "2026-03-01", "2026-11-16"  # END is not included; both midnights are in standard time
SEED = 20260301
SNOW = {"2026-03-02": ("02-16", 0.02), "2026-03-03": ("02-17", 0.10)}  # frosty typical day that is taken; power left
LIGHT = ["ghi", "dni", "dhi"]
DUSK_W_M2 = 5.0  # hourly light of a cloudless sky below which a typical hour counts as dark
STEEP = 35.0  # on a roof as steep as this or steeper, half of the snow's loss slides off [deg]
MODULE_LOST = "2026-09-18"  # from here on one module of the larger plane gives nothing
REGISTERS = {"delivered": 97_371.4, "received": 11_204.7, "generation": 20_466.2}  # on the first day, 00:00 [kWh]
DIAL = 100_000
EXCHANGE = "2026-11-05 10:30"  # of the meter: both registers begin at 0 again
DETAIL_START = "2026-10-12"  # of the quarter hours and the hourly registers; the kept record ends here
TESTS_AT, TESTS_LAST = ("08:20", "10:20", "12:20", "14:20", "16:20"), "3min"
SENSOR_WEEK = "2026-10-26", "2026-11-01"
LOGGER_OFF = (
    ("2026-04-24 09:00", "2026-04-24 13:00"),
    ("2026-06-20", "2026-06-22"),
    ("2026-08-15 14:00", "2026-08-15 18:00"),
    ("2026-09-04", "2026-09-06"),
)
NOTES = {"2026-03-02": "snow", "2026-07-04": "guests", "2026-08-27": "washed by rain"}
READS = (
    "2026-03-01",
    "2026-04-01",
    "2026-05-01",
    "2026-06-02",
    "2026-07-01",
    "2026-08-01",
    "2026-09-01",
    "2026-10-01",
    "2026-11-01",
)
SWAPPED_READ = "2026-07-01"
WRONG_BILL = 1  # counted from 0: made as if nothing had been received in that period
NEIGHBOURS = {
    "A": (31, 185),
    "B": (30, 170),
    "C": (27, 205),
    "D": (20, 160),
    "E": (37, 190),
    "F": (38, 215),
    "G": (25, 90),
}
SICK, SICK_FROM, SICK_LEFT = "C", "2026-07-10", 0.75
SILENT, SILENT_MONTH = "F", "2026-08"
SLIP, SLIP_DAYS, SLIP_RATED_KW = "E", ("2026-05-05", "2026-05-13"), 7.2  # kWh in place of kWh/kW


@dataclass(frozen=True)
class World:
    """The truth: ``sky`` by hour in standard time, ``minutes`` [W] and ``registers`` [kWh, uncut] in its zone."""

    house: House
    sky: pd.DataFrame
    minutes: pd.DataFrame
    registers: pd.DataFrame


def at(text):
    return pd.Timestamp(text, tz=ZONE)


def between(index, first, last):
    """Tell which times lie in the local days from ``first`` to ``last``, the last included."""
    return (index >= at(first)) & (index < at(last) + pd.DateOffset(days=1))


def world():
    """Return the truth, without a gap."""
    house = read_house("two-storey")
    sky = minute_sky(house)
    made = generation(house, sky)
    week = pd.date_range(*SENSOR_WEEK, freq="D")
    times = [at(f"{day:%Y-%m-%d} {clock}") for day in week for clock in TESTS_AT]
    test_w = test_load(made.index, times, house.meter.test_load_w, TESTS_LAST)["power_w"]
    minutes = pd.DataFrame(
        {"generation_w": made, "load_w": house_load(house).reindex(made.index) + test_w, "test_load_w": test_w}
    )
    energy = split(minutes["load_w"] - minutes["generation_w"]).assign(generation_kwh=energy_kwh(made))
    energy.columns = energy.columns.str.removesuffix("_kwh")
    registers = energy.cumsum().shift(1, fill_value=0.0) + pd.Series(REGISTERS)
    return World(house, sky.resample("1h").mean(), minutes, registers)


def random(*part):
    """Return the generator of one part, so that a change of one part leaves the others as they are."""
    return np.random.default_rng([SEED, *part])


def minute_sky(house):
    """Return the weather of each minute, in standard time; the sky of a twilight hour, made even, ends with the sun."""
    sky = minute_weather(drawn_weather(house, random(0)), house.place, random(1))
    sky.loc[position(sky.index, house.place)["apparent_elevation"] < 0, LIGHT] = 0.0
    return sky


def drawn_weather(house, rng):
    """Return hours of 2026: each day is a random day of the same month of the typical year, in standard time as there.

    The light of each hour is moved with what a cloudless sky gives in it, so that the sun still rises
    and sets on its day.
    """
    typical = weather(house)
    index = pd.date_range(START, END, freq="1h", tz=typical.index.tz, inclusive="left")
    days = index[::24]
    source = [
        SNOW[f"{day:%Y-%m-%d}"][0]
        if f"{day:%Y-%m-%d}" in SNOW
        else f"{day.month:02d}-{rng.integers(day.days_in_month) + 1:02d}"
        for day in days
    ]
    typical = typical.assign(cloudless=cloudless(typical.index, house.place))
    hours = pd.concat([typical.loc[f"{typical.index[0].year}-{day}"] for day in source]).set_axis(index)
    usual = hours.pop("cloudless").where(lambda light: light >= DUSK_W_M2)
    hours[LIGHT] = hours[LIGHT].mul((cloudless(index, house.place) / usual).clip(upper=2.0).fillna(0.0), axis=0)
    return hours


def cloudless(index, place):
    """Return the hourly means of a cloudless sky's light on the flat. [W/m2]"""
    fine = pd.date_range(index[0], index[-1] + pd.Timedelta(hours=1), freq="5min", inclusive="left")
    return clear_sky(fine, place)["ghi"].resample("1h").mean()


def generation(house, sky):
    """Return what the array gives in each minute, with the lost module and the snow. [W]"""
    planes = list(house.system.planes)
    large = max(range(len(planes)), key=lambda number: planes[number].module_count)
    planes[large] = replace(planes[large], module_count=planes[large].module_count - 1)
    whole, less = (
        array_power(sky, house.place, system)["ac_power_w"].clip(lower=0).tz_convert(ZONE)
        for system in (house.system, replace(house.system, planes=tuple(planes)))
    )
    made = whole.where(whole.index < at(MODULE_LOST), less)
    for day, (_, left) in SNOW.items():
        made = made.where(~between(made.index, day, day), left * made)
    return made.rename("generation_w")


def generation_file(truth):
    """Quarter hours in kW: decimal comma, day first, lines before the table, a footer; faults in `README.md`."""
    power = truth.minutes["generation_w"].loc[DETAIL_START:].resample("15min").mean() / 1000
    power[(power.index >= at("2026-10-15 10:00")) & (power.index < at("2026-10-15 16:00"))] = 1.872  # stuck
    power[between(power.index, "2026-10-20", "2026-10-20")] *= 1000  # W on one day
    shown = [f"{time:%d.%m.%Y %H:%M};" + f"{value:.3f}".replace(".", ",") for time, value in power.items()]
    places = {f"{time:%Y-%m-%d %H:%M}": place for place, time in reversed(list(enumerate(power.index)))}
    for time in ("2026-10-17 11:30", "2026-10-17 11:45", "2026-10-22 09:15"):
        place = places[time]
        shown[place] = shown[place].split(";")[0] + ";no answer"
    twice = places["2026-10-24 12:00"]
    again = shown[twice]
    dropped = range(places["2026-10-28 08:00"], places["2026-10-28 13:00"])
    rows = [row for place, row in enumerate(shown) if place not in dropped]
    rows.insert(rows.index(again) + 1, again)
    system = truth.house.system
    head = [
        "Array of the house, record of the converter",
        f"Tilt {system.planes[0].surface_tilt:g}\u00b0, {system.module_count} modules",
        "",
        "Time;Array power (kW)",
    ]
    return "\r\n".join([*head, *rows, f"Sum;{power.sum():.0f}", ""]).encode("cp1252")


def shown_on_dial(kwh):
    """Return whole kWh as a register shows them; rounded first, so that no sum ends just below its whole number."""
    return int(np.floor(round(kwh, 6))) % DIAL


def registers_file(truth):
    """Hourly registers in whole kWh, month first, grouped thousands, UTF-16; faults in `README.md`."""
    true = truth.registers[["delivered", "received"]]
    before, rows = true.loc[at(EXCHANGE)], []
    for time, row in true.loc[DETAIL_START:].resample("1h").first().iterrows():
        values = [f"{shown_on_dial(kwh):,}" for kwh in (row if time < at(EXCHANGE) else row - before)]
        if time == at("2026-10-19 07:00"):
            values.reverse()  # read in each other's place
        rows.append(f'{time:%m/%d/%Y %I:%M %p},"{values[0]}","{values[1]}"')
    return ("\ufeff" + "\r\n".join(["Read at,Register in (kWh),Register out (kWh)", *rows, ""])).encode("utf-16-le")


def sensor_file(truth, rng):
    """One week of minutes from a sensor that shows no direction, W, with the offset beside the time."""
    week, meter = truth.minutes.loc[slice(*SENSOR_WEEK)], truth.house.meter
    reading = unsigned(week["load_w"] - week["generation_w"], meter.reading_noise_w, meter.reading_step_w, rng)
    lost = rng.random(len(week)) < 0.01
    lost[3000:3090] = True
    rows = [
        f"{time.isoformat()},{value:.0f},{test:.0f}"
        for time, value, test, gone in zip(week.index, reading, week["test_load_w"], lost)
        if not gone
    ]
    time, _, test = rows[5000].split(",")
    rows[5000] = f"{time},99999999,{test}"  # a spike
    rows[6000], rows[6001] = rows[6001], rows[6000]
    return "\n".join(["time,reading_w,test_load_w", *rows, rows[-1][:19]]).encode("utf-8")  # cut off in its last line


def sheet(truth):
    """Return what stands on the registers on the days of the sheet, a table of whole kWh without its mistake."""
    return truth.registers.loc[[at(day) for day in READS]].map(shown_on_dial)


def reads_file(truth):
    """What the owner noted once a month: by hand, two digits for the year, a mistake in one line."""
    rows = []
    for day, read in sheet(truth).iterrows():
        values = [read["delivered"], read["received"], read["generation"]]
        if day == at(SWAPPED_READ):
            values[:2] = values[1::-1]
        rows.append(f"{day:%m/%d/%y}\t" + "\t".join(map(str, values)))
    return "\n".join(["Date\tIn\tOut\tArray", *rows, ""]).encode("utf-8-sig")


def bills_file(truth):
    """Return the bills of the periods between the readings that stand; one of them is wrong. The bank opens empty."""
    reads = sheet(truth).drop(at(SWAPPED_READ))
    used = (reads.diff().iloc[1:] % DIAL).add_suffix("_kwh").reset_index(drop=True)
    days = reads.index.tz_localize(None)
    periods = pd.DataFrame({"period_start": days[:-1], "period_end": days[1:]}).join(used.astype(float))
    wrong = periods.assign(received_kwh=periods["received_kwh"].where(periods.index != WRONG_BILL, 0.0))
    right, mistaken = (ledger(table, truth.house.tariff, **ratings(truth.house))["bill"] for table in (periods, wrong))
    sent = right.where(periods.index != WRONG_BILL, mistaken)
    return "\n".join(
        ["period_end,bill_usd", *(f"{day:%Y-%m-%d},{bill:.2f}" for day, bill in zip(days[1:], sent)), ""]
    ).encode("utf-8")


def kept_record(truth):
    """The owner's record by day, as `solarlib.files.records` keeps it, from quarter hours before those
    of the other file.
    """
    made = truth.minutes[["generation_w"]]
    quarters = made[made.index < at(DETAIL_START)].resample("15min").mean()
    for off, on in LOGGER_OFF:
        quarters[(quarters.index >= at(off)) & (quarters.index < at(on))] = np.nan
    with TemporaryDirectory() as folder:
        path = Path(folder) / "days-kept.csv"
        measured = Measured(quarters["generation_w"], pd.Timedelta("15min"), "generation", "W", "")
        keep(path, by_day({"generation": flow_of_table(measured, (0.0, 10.0))}, NOTES))
        return path.read_bytes()


def neighbour_days(truth, rng):
    """Return the daily yields of seven roofs under the same sky, with faults in `README.md`. [kWh/kW]"""
    system, columns = truth.house.system, {}
    for name, (tilt, azimuth) in NEIGHBOURS.items():
        own = replace(system, planes=(Plane(1, tilt, azimuth),))
        power = array_power(truth.sky, truth.house.place, own)["ac_power_w"].clip(lower=0).tz_convert(ZONE)
        columns[name] = energy_kwh(power).groupby(power.index.normalize()).sum() / (own.rated_power_w / 1000)
    yields = pd.DataFrame(columns)
    yields *= np.exp(0.04 * rng.standard_normal(yields.shape[1])) * np.exp(0.035 * rng.standard_normal(yields.shape))
    for day, (_, left) in SNOW.items():
        yields.loc[day] *= [left if tilt < STEEP else (1 + left) / 2 for tilt, _ in NEIGHBOURS.values()]
    yields.loc[SICK_FROM:, SICK] *= SICK_LEFT
    yields.loc[SILENT_MONTH, SILENT] = np.nan
    yields.loc[slice(*SLIP_DAYS), SLIP] *= SLIP_RATED_KW
    return yields


def neighbours_file(yields):
    """One row a day: decimal comma, day first, an empty cell where a system has no value."""
    rows = [
        ";".join([f"{day:%d.%m.%Y}", *("" if np.isnan(value) else f"{value:.2f}".replace(".", ",") for value in row)])
        for day, row in zip(yields.index, yields.to_numpy())
    ]
    return "\r\n".join([";".join(["Day", *yields.columns]), *rows, ""]).encode("utf-8")


def register_mapping(truth):
    last = truth.registers.loc[at(EXCHANGE)]
    columns = "".join(
        f'''[[column]]
name = "{name}"
quantity = "{quantity}"
unit = "kWh"
kind = "counter"
digits = 5
exchange = [{{time = "{EXCHANGE}", old_last = {shown_on_dial(last[quantity])}, new_first = 0}}]
'''
        for name, quantity in (("Register in (kWh)", "delivered"), ("Register out (kWh)", "received"))
    )
    return f'zone = "{ZONE}"\ntime = "Read at"\ndecimal = "."\nthousands = ","\n' + columns


MAPPINGS = {
    "generation-quarter-hours": f'''zone = "{ZONE}"
time = "Time"
[[column]]
name = "Array power (kW)"
quantity = "generation"
unit = "kW"
''',
    "sensor-week": f'''zone = "{ZONE}"
time = "time"
[[column]]
name = "reading_w"
quantity = "unsigned"
unit = "W"
[[column]]
name = "test_load_w"
quantity = "test_load"
unit = "W"
''',
    "reads-by-hand": f'''zone = "{ZONE}"
time = "Date"
date_order = "month first"
'''
    + "".join(
        f'[[column]]\nname = "{name}"\nquantity = "{quantity}"\nunit = "kWh"\nkind = "counter"\ndigits = 5\n'
        for name, quantity in (("In", "delivered"), ("Out", "received"), ("Array", "generation"))
    ),
    "neighbours-by-day": f'zone = "{ZONE}"\ntime = "Day"\n'
    + "".join(
        f'[[column]]\nname = "{name}"\nquantity = "neighbour"\nunit = "kWh/kW"\n'
        f"tilt_deg = {tilt}\nazimuth_deg = {azimuth}\n"
        for name, (tilt, azimuth) in NEIGHBOURS.items()
    ),
}


def build(truth=None):
    """Return the content of every example file by its name."""
    truth = world() if truth is None else truth
    mappings = MAPPINGS | {"meter-registers": register_mapping(truth)}
    return {
        "generation-quarter-hours.csv": generation_file(truth),
        "meter-registers.csv": registers_file(truth),
        "sensor-week.csv": sensor_file(truth, random(2)),
        "reads-by-hand.csv": reads_file(truth),
        "bills-sent.csv": bills_file(truth),
        "days-kept.csv": kept_record(truth),
        "neighbours-by-day.csv": neighbours_file(neighbour_days(truth, random(3))),
        **{f"{name}.toml": f"form = 1\n{text}".encode() for name, text in mappings.items()},
    }


if __name__ == "__main__":
    (HERE / "examples").mkdir(exist_ok=True)
    for name, content in build().items():
        (HERE / "examples" / name).write_bytes(content)
