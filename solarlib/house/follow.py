"""Follow a file of readings while it grows, and sign them: the word `follow` of the front door.

    python3 -m solarlib follow my-house.toml readings.csv signed.csv --array array.csv --earlier june.csv june-array.csv

The signed file is a function of the rows of the readings, in the order in which they stand there: ended at any moment,
in the middle of a row too, and started again, it becomes what one run would have made of it. That holds as long as rows
are only added. Of a file that is replaced, the rows before are not known any more; what is signed of them stays.
"""

import argparse
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.direction.calibration import Repairs
from solarlib.direction.decoder import DECIDED
from solarlib.direction.likelihood import night_habits
from solarlib.direction.live import LONGEST_GAP, LiveFilter
from solarlib.direction.record import LARGEST_W
from solarlib.direction.signs import TOP
from solarlib.files.mapping import mapping_from_toml
from solarlib.files.reading import read
from solarlib.house.file import read_house
from solarlib.house.flows import NIGHT_DEG, Checked, bring, first_measured, measured_in, sun_height
from solarlib.house.sensor import directions
from solarlib.quantities import InputError, refuse_if, texts_beside

WORDS = texts_beside(__file__, "follow")
HEADER = b"time,reading_w,p_export,signed_w,state\n"
LEAST_WAIT_S, REST = 1.0, 20  # between two looks; as many times as long as the look itself took
OLD = 3  # PV windows after which the last one says nothing more


def learned(found, record):
    """Return the `LoadHabits` and the `Repairs` that an earlier record teaches, as `sensor.directions` found it.

    Raises
    ------
    InputError
        If its direction is not determined, or was found only after something was mended, which new rows would lack.
    """
    trust, step = found.account.trust, record.index[1] - record.index[0]
    refuse_if(trust.verdict != "found", "unsound_start", "earlier", why=" ".join(trust.sentences()))
    nights = found.samples["load_w"].to_numpy(), record["pv_w"].to_numpy()
    return night_habits(*nights, step.total_seconds()), found.account.repairs


def grown(path):
    """Return the rows of a CSV file but for a half one at the end, by the mapping beside it. No value is checked.

    Raises
    ------
    InputError
        They cannot be read, or the mapping names no interval, a counter, whose energy would be known a row later, or
        rows of several meters at one moment.
    """
    mapping = replace(mapping_from_toml(path.with_suffix(".toml")), keep="rising")
    told = mapping.interval and not any(one.counts or one.where for one in mapping.column)
    refuse_if(not told, "not_to_follow", path.with_suffix(".toml").name)
    raw = path.read_bytes() if path.is_file() else b""
    with tempfile.TemporaryDirectory() as folder:
        whole = Path(folder, path.name)
        whole.write_bytes(raw[: raw.rfind(b"\n") + 1])
        readings = read(whole, mapping)
    return Checked(path.name, readings, (), readings.table)


def _power_w(measured, low):
    """Return the mean power in each row, NaN where it cannot be. [W]"""
    power = measured.series * measured.watts
    return power.where(power.between(low, LARGEST_W))


def rows_of(house, paths, repairs):
    """Return the rows whose PV power is known, whether others wait long for theirs, and how a `LiveFilter` begins.

    That power is the mean of the last window that is over at the end of the reading. With a file of the array's own it
    is 0 at night, and not waited for.

    Parameters
    ----------
    house : House
    paths : sequence of Path
        The file of readings; the array's file, if the readings hold no generation.
    repairs : Repairs
        What an earlier record taught; see `learned`.
    """
    files = [grown(path) for path in paths]
    sensor, array = first_measured(files[:1], "unsigned"), first_measured(files[-1:], "generation")
    tests, step, window = measured_in(files[:1], "test_load"), sensor.step, array.step
    reading, made = _power_w(sensor, -50.0), _power_w(array, -1000.0) / repairs.gain_used
    ends = reading.index + step
    over = made.index + window - pd.Timedelta(seconds=repairs.late_s if window > step else 0.0)
    sun = made.set_axis(over).reindex(ends, method="pad", tolerance=OLD * window - pd.Timedelta(1, "ns")).to_numpy()
    night = (sun_height(reading.index, step, house) < NIGHT_DEG).to_numpy() & (len(files) > 1)
    load_w = (repairs.load.value if repairs.load else house.meter.test_load_w) if tests else 0.0
    share = (tests.series / load_w).clip(0, 1) if tests else pd.Series(0.0, reading.index)
    reading = reading.where(share.notna())  # nobody says whether the test load ran: as if nothing had been read
    known = np.minimum.accumulate(night | (ends < over[-1] + window))
    refuse_if(not known.any(), "no_common_time", sensor.origin, other=array.origin)
    table = {"reading_w": reading, "pv_w": np.where(night, 0.0, sun), "share": share.fillna(0.0)}
    late = np.count_nonzero(~known) * step > OLD * window
    return pd.DataFrame(table)[known], late, (load_w, step.total_seconds(), window.total_seconds())


def append(signed, rows, begin):
    """Append rows later than the last whole one of the signed file, day by day, each from its midnight on.

    In the dark the direction is known, so that a day needs no day before it. ``begin()`` gives a new `LiveFilter`.
    """
    old = signed.read_bytes() if signed.is_file() else b""
    refuse_if(not (old.startswith(HEADER) or HEADER.startswith(old)), "not_signed", signed.name)
    whole = old[: old.rfind(b"\n") + 1]
    times = ["1970", whole[:-1].rpartition(b"\n")[2].partition(b",")[0].decode("ascii")]
    last = pd.to_datetime(times, utc=True, format="ISO8601", errors="coerce").max().tz_convert(rows.index.tz)
    with signed.open("ab") as file:
        file.truncate(len(whole))
        file.write(b"" if whole else HEADER)
        for _, day in rows[rows.index >= last.normalize()].groupby(lambda at: at.date()):
            file.write("".join(text for at, text in signed_lines(begin(), day) if at > last).encode("ascii"))


def looks(house, paths, signed, habits, repairs):
    """Sign what can be signed by now, again and again; yield each time a sentence, empty if there is nothing to say.

    Parameters
    ----------
    house, paths, repairs
        As `rows_of` takes them.
    signed : Path
    habits : LoadHabits or None
        What an earlier record taught; see `learned`.
    """
    seen = first = None
    most_w = TOP * house.system.rated_power_w
    while True:
        case, why = "well", ""
        try:
            now = [(path.stat().st_mtime_ns, path.stat().st_size) for path in paths if path.is_file()]
            if now != seen:
                rows, late, begin = rows_of(house, paths, repairs)
                append(signed, rows, lambda begin=begin: LiveFilter(*begin, habits, most_w))
                case = "replaced" if first not in (None, rows.index[0]) else "behind" if late else "well"
                seen, first = now, rows.index[0]
        except (InputError, OSError) as error:  # a file may just be written anew, or the signed one be open elsewhere
            case, why = "waits", error
        yield WORDS[case].format(why=why, name=paths[0].name, array=paths[-1].name)


def signed_lines(live, rows):
    """Yield (moment, line of the signed file) of rows; what is missing between them passes the filter, too."""
    gaps = rows.index.to_series().diff().dt.total_seconds() / live.instrument.interval_s
    for gap, (at, reading, pv, share) in zip(gaps.fillna(1), rows.itertuples()):
        for _ in range(min(round(gap) - 1, LONGEST_GAP)):
            live.update(np.nan, np.nan)
        p = live.update(reading, pv, share)
        state = "missed" if p != p else "export" if p >= DECIDED else "import" if p <= 1 - DECIDED else "open"
        numbers = ",," if p != p else f"{reading:.6g},{p:.3f},{round((1 - 2 * p) * reading)}"
        yield at, f"{at.isoformat()},{numbers},{state}\n"


def main(words):
    """Follow until Ctrl+C."""
    parser = argparse.ArgumentParser("python3 -m solarlib follow", description=WORDS["about"])
    for name in ("house", "readings", "signed", "--array"):
        parser.add_argument(name, help=WORDS[name.strip("-")])
    parser.add_argument("--earlier", nargs="+", default=(), help=WORDS["earlier"])
    given, told = parser.parse_args(words), ""
    try:
        house = read_house(given.house)
        earlier = [bring(path, house) for path in given.earlier]
        known = learned(*directions(earlier)) if earlier else (None, Repairs())
        paths = [Path(path) for path in (given.readings, given.array) if path]
        print(WORDS["begins"].format(given=given))
        looking = looks(house, paths, Path(given.signed), *known)
        while True:
            began, before = time.monotonic(), told
            told = next(looking) or told
            print(told + "\n" if told != before else "", end="", flush=True)
            time.sleep(max(LEAST_WAIT_S, REST * (time.monotonic() - began)))
    except InputError as error:
        sys.exit(str(error))
    except KeyboardInterrupt:
        print("\n" + WORDS["ends"].format(given=given))


if __name__ == "__main__":
    main(sys.argv[1:])
