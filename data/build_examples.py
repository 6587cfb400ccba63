"""Make the example files in data/examples, with their deliberate faults, from the shipped load and an invented array.

    python data/build_examples.py

Needs the shipped `load_minutes.csv.gz` only. `README.md` lists the faults; `tests/test_examples.py` finds each of them.
"""

from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
ZONE = "America/New_York"
START, END = "2026-10-12", "2026-11-16"  # five weeks with the end of summer time, 1 November
LATITUDE, LONGITUDE = np.radians(36.1), -79.95
RATED_W = 5760.0
EXCHANGE = ("2026-11-05 10:30", 412, 0)  # delivered: last of the old meter, first of the new one (received: 29_381, 0)


def minutes(rng):
    """Return load and generation of every minute, true and without a gap. [W]"""
    index = pd.date_range(START, END, freq="1min", tz=ZONE, inclusive="left")
    measured = pd.read_csv(HERE / "load_minutes.csv.gz", index_col="date").loc["2009-10-12":"2009-11-15"]
    measured = measured.bfill(axis=1).ffill(axis=1).to_numpy(float)  # same weekdays as 2026
    wall = index.tz_localize(None)
    day = (wall.normalize() - pd.Timestamp(START)).days
    load = measured[day, wall.hour * 60 + wall.minute]
    utc = index.tz_convert("UTC")
    year_angle = 2 * np.pi * (utc.day_of_year + utc.hour / 24 - 81) / 365
    declination = np.radians(23.45) * np.sin(year_angle)
    hour = utc.hour + (utc.minute + 0.5) / 60 + LONGITUDE / 15 + 0.16 * np.sin(2 * year_angle) - 0.13 * np.cos(year_angle)
    angle = np.radians(15 * (hour - 12))
    high = np.sin(LATITUDE) * np.sin(declination) + np.cos(LATITUDE) * np.cos(declination) * np.cos(angle)
    tilt = np.radians(30)
    plane = np.sin(LATITUDE - tilt) * np.sin(declination) + np.cos(LATITUDE - tilt) * np.cos(declination) * np.cos(angle)
    clear = rng.uniform(0.35, 1.0, 35)[day]
    slow = np.repeat(rng.uniform(0.75, 1.0, len(index) // 20 + 1), 20)[: len(index)]
    generation = RATED_W * 0.86 * np.maximum(plane, 0) * (high > 0) * np.minimum(1, high / 0.12) ** 0.5 * clear * slow
    return pd.DataFrame({"load_w": load, "generation_w": np.where(generation > 0, generation, 0.0)}, index)


def generation_file(truth):
    """Quarter hours in kW: decimal comma, day first, lines before the table, a footer; faults in `README.md`."""
    power = truth["generation_w"].resample("15min").mean() / 1000
    power[(power.index >= at("2026-10-15 10:00")) & (power.index < at("2026-10-15 16:00"))] = 1.872  # stuck
    day = power.index.strftime("%Y-%m-%d")
    power[day == "2026-10-20"] *= 1000  # W on one day
    shown = [f"{time:%d.%m.%Y %H:%M};{value:.3f}".replace(".", ",").replace(",", ".", 2)
             for time, value in power.items()]
    places = {f"{time:%Y-%m-%d %H:%M}": place for place, time in reversed(list(enumerate(power.index)))}
    for time in ("2026-10-17 11:30", "2026-10-17 11:45", "2026-10-22 09:15"):
        place = places[time]
        shown[place] = shown[place].split(";")[0] + ";no answer"
    twice = places["2026-10-24 12:00"]
    again = shown[twice]
    dropped = range(places["2026-10-28 08:00"], places["2026-10-28 13:00"])
    rows = [row for place, row in enumerate(shown) if place not in dropped]
    rows.insert(rows.index(again) + 1, again)
    head = ["Array of the house, record of the converter", "Tilt 30\u00b0, 16 modules", "", "Time;Array power (kW)"]
    return "\r\n".join([*head, *rows, f"Sum;{power.sum():.0f}", ""]).encode("cp1252")


def registers_file(truth):
    """Hourly registers in whole kWh, month first, grouped thousands, UTF-16; faults in `README.md`."""
    net = (truth["load_w"] - truth["generation_w"]) / 60_000
    rows, dial = [], 100_000
    exchange = at(EXCHANGE[0])
    sums = pd.DataFrame({"delivered": net.clip(lower=0), "received": (-net).clip(lower=0)}).cumsum().shift(1, fill_value=0.0)
    before = sums.loc[exchange]
    starts = {"delivered": EXCHANGE[1] + 0.4 + dial - before["delivered"], "received": 29_381.4 - before["received"]}
    for time, row in sums.resample("1h").first().iterrows():
        for name in row.index:
            row[name] = (row[name] + starts[name]) % dial if time < exchange else row[name] - before[name]
        values = [f"{int(np.floor(round(value, 6))):,}" for value in row]
        if f"{time:%Y-%m-%d %H:%M}" == "2026-10-19 07:00":
            values.reverse()  # read in each other's place
        rows.append(f'{time:%m/%d/%Y %I:%M %p},"{values[0]}","{values[1]}"')
    return ("\ufeff" + "\r\n".join(["Read at,Register in (kWh),Register out (kWh)", *rows, ""])).encode("utf-16-le")


def sensor_file(truth, rng):
    """One week of minutes from a sensor that shows no direction, W, with the offset beside the time."""
    week = truth.loc["2026-10-26":"2026-11-01"]
    reading = np.abs(np.abs(week["load_w"] - week["generation_w"]) + rng.normal(0, 3, len(week))).round()
    lost = rng.random(len(week)) < 0.01
    lost[3000:3090] = True
    rows = [f"{time.isoformat()},{value:.0f}" for time, value, gone in zip(week.index, reading, lost) if not gone]
    rows[5000] = rows[5000].split(",")[0] + ",99999999"  # a spike
    rows[6000], rows[6001] = rows[6001], rows[6000]
    return "\n".join(["time,reading_w", *rows, rows[-1][:19]]).encode("utf-8")  # cut off in its last line


def reads_file():
    """What an owner noted once a month: by hand, two digits for the year, a mistake in one line."""
    rows = [("03/01/26", 97_310, 11_204, 20_466), ("04/01/26", 97_871, 11_467, 20_903), ("05/01/26", 98_290, 11_842, 21_472),
            ("06/02/26", 98_744, 12_225, 22_061), ("07/01/26", 12_600, 99_302, 22_622), ("08/01/26", 99_988, 12_958, 23_179),
            ("09/01/26", 612, 13_297, 23_711), ("10/01/26", 1_020, 13_627, 24_178), ("11/01/26", 1_436, 13_921, 24_570)]
    return "\n".join(["Date\tIn\tOut\tArray", *("\t".join(map(str, row)) for row in rows), ""]).encode("utf-8-sig")


MAPPINGS = {
    "generation-quarter-hours": f'''zone = "{ZONE}"
time = "Time"
[[column]]
name = "Array power (kW)"
quantity = "generation"
unit = "kW"
''',
    "meter-registers": f'''zone = "{ZONE}"
time = "Read at"
decimal = "."
thousands = ","
[[column]]
name = "Register in (kWh)"
quantity = "delivered"
unit = "kWh"
kind = "counter"
digits = 5
exchange = [{{time = "{EXCHANGE[0]}", old_last = {EXCHANGE[1]}, new_first = {EXCHANGE[2]}}}]
[[column]]
name = "Register out (kWh)"
quantity = "received"
unit = "kWh"
kind = "counter"
digits = 5
exchange = [{{time = "{EXCHANGE[0]}", old_last = 29381, new_first = 0}}]
''',
    "sensor-week": f'''zone = "{ZONE}"
time = "time"
[[column]]
name = "reading_w"
quantity = "unsigned"
unit = "W"
''',
    "reads-by-hand": f'''zone = "{ZONE}"
time = "Date"
date_order = "month first"
''' + "".join(f'[[column]]\nname = "{name}"\nquantity = "{quantity}"\nunit = "kWh"\nkind = "counter"\ndigits = 5\n'
              for name, quantity in (("In", "delivered"), ("Out", "received"), ("Array", "generation"))),
}


def at(text):
    return pd.Timestamp(text, tz=ZONE)


def build():
    """Return the content of every example file by its name."""
    rng = np.random.default_rng(20261012)
    truth = minutes(rng)
    return {
        "generation-quarter-hours.csv": generation_file(truth),
        "meter-registers.csv": registers_file(truth),
        "sensor-week.csv": sensor_file(truth, rng),
        "reads-by-hand.csv": reads_file(),
        **{f"{name}.toml": text.encode("utf-8") for name, text in MAPPINGS.items()},
    }


if __name__ == "__main__":
    (HERE / "examples").mkdir(exist_ok=True)
    for name, content in build().items():
        (HERE / "examples" / name).write_bytes(content)
