"""Files as people have them, made here, each with what it holds and what an honest person knows about it.

The house is invented; its sun is computed by a formula of its own (declination after P. I. Cooper, 1969, from memory;
the equation of time is left out, at most a quarter of an hour), so that nothing here leans on what is tested.
"""

import gzip
import json
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from solarlib.files.mapping import Mapping, mapping_from_toml

LATITUDE, LONGITUDE = 41.0, -74.0
ZONE, FIXED = "America/New_York", "-05:00"
SPRING, AUTUMN, SUMMER = "2026-03-03", "2026-10-27", "2026-06-10"


def elevation(index):
    """Elevation of the sun over the invented house. [deg]"""
    utc = index.tz_convert("UTC")
    hours = (utc.hour + utc.minute / 60 + utc.second / 3600).to_numpy() + LONGITUDE / 15
    tilt = np.radians(23.45) * np.sin(2 * np.pi * (284 + utc.day_of_year.to_numpy()) / 365)
    turn, north = np.radians(15 * (hours - 12)), np.radians(LATITUDE)
    height = np.sin(north) * np.sin(tilt) + np.cos(north) * np.cos(tilt) * np.cos(turn)
    return np.degrees(np.arcsin(np.clip(height, -1, 1)))


def energies(start=SUMMER, days=12, step="1h", seed=1, zone=ZONE):
    """The true energies of each interval, labelled by its start. [kWh]"""
    rng, first = np.random.default_rng(seed), pd.Timestamp(start)
    index = pd.date_range(first, first + pd.Timedelta(days=days), freq=step, inclusive="left", tz=zone)
    hours, middle = pd.Timedelta(step) / pd.Timedelta("1h"), index + pd.Timedelta(step) / 2
    clouds = rng.uniform(0.3, 1.0, len(index))
    made = (5.0 * np.sin(np.radians(np.clip(elevation(middle) - 3, 0, None))) * clouds * hours).round(3)
    used = (rng.gamma(2.0, 0.35, len(index)) * hours + 0.08 * hours).round(3)
    bought, sold = np.clip(used - made, 0, None).round(3), np.clip(made - used, 0, None).round(3)
    columns = {"generation": made, "load": used, "delivered": bought, "received": sold, "net": (bought - sold).round(3)}
    return pd.DataFrame(columns, index)


@dataclass(frozen=True)
class Case:
    """One file: its ``name`` and bytes, and what a person knows (keys of a mapping; ``columns`` name -> keys).

    What it holds (``truth``, kWh by quantity), or a part of the sentence that refuses it; ``lost`` rows that it does
    not tell.
    """

    title: str
    name: str
    content: bytes
    known: dict = field(default_factory=dict)
    truth: pd.DataFrame | None = None
    refused: str = ""
    lost: int = 0

    @property
    def mapping(self) -> Mapping:
        keys = {key: value for key, value in self.known.items() if key not in ("columns", "number")}
        columns = [{"name": name, **about} for name, about in self.known["columns"]]
        text = "".join(f"{key} = {toml(value)}\n" for key, value in keys.items())
        for column in columns:
            text += "[[column]]\n" + "".join(f"{key} = {toml(value)}\n" for key, value in column.items())
        return mapping_from_toml(text)


def toml(value):
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(key)} = {toml(item)}" for key, item in value.items()) + " }"
    return json.dumps(value)


TITLES = {
    "generation": "Generation (kWh)",
    "delivered": "Import (kWh)",
    "received": "Export (kWh)",
    "load": "House load (kWh)",
    "net": "Net (kWh)",
}


def about(quantity, unit="kWh", **more):
    return {"quantity": quantity, "unit": unit, **({"kind": "interval"} if "h" in unit else {}), **more}


def stamps(index, label="start", clock=None, form="%Y-%m-%d %H:%M", midnight_24=False):
    """Texts of the times on the clock that a file keeps."""
    step = index[1] - index[0]
    shown = (index + step if label == "end" else index).tz_convert(clock or index.tz)
    texts = shown.strftime(form).tolist()
    if midnight_24:
        before = (shown - pd.Timedelta("1min")).strftime(form).tolist()
        texts = [b[:-5] + "24:00" if t.endswith("00:00") else t for b, t in zip(before, texts)]
    return texts


def plain(value, digits=3):
    return f"{value:.{digits}f}"


def table(times, truth, mark=",", titles=None, show=plain, time="Time"):
    titles = titles or {quantity: TITLES[quantity] for quantity in truth}
    rows = [mark.join([time, *titles.values()])]
    return rows + [
        mark.join([stamp, *(show(value) for value in values)])
        for stamp, values in zip(times, truth[list(titles)].to_numpy())
    ]


def file(lines, end="\n", encoding="utf-8"):
    return end.join([*lines, ""]).encode(encoding)


def serials(index, label="start", base="1899-12-30", clock=None):
    step = index[1] - index[0]
    shown = (index + step if label == "end" else index).tz_convert(clock or index.tz).tz_localize(None)
    return ((shown - pd.Timestamp(base)) / pd.Timedelta("1D")).tolist()


def cases():
    """Return all cases."""
    return [
        *_stamps(),
        *_clocks(),
        *_marks(),
        *_days(),
        *_long(),
        *_split(),
        *_packed(),
        *_layouts(),
        *_columns(),
        *_foreign(),
    ]


def _known(truth, label="start", zone=ZONE, time="Time", titles=None, unit="kWh", **more):
    names = titles or TITLES
    return {"time": time, "zone": zone, "label": label, **more, "columns": [(names[q], about(q, unit)) for q in truth]}


MONTHS = {
    "en": "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec",
    "es": "enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre",
    "fr": "janv. févr. mars avril mai juin juil. août sept. oct. nov. déc.",
    "de": "Januar Februar März April Mai Juni Juli August September Oktober November Dezember",
    "nl": "jan feb mrt apr mei jun jul aug sep okt nov dec",
    "it": "gennaio febbraio marzo aprile maggio giugno luglio agosto settembre ottobre novembre dicembre",
    "pt": "janeiro fevereiro março abril maio junho julho agosto setembro outubro novembro dezembro",
    "sv": "januari februari mars april maj juni juli augusti september oktober november december",
}


def _stamps():
    """Ways to write a time."""
    truth = energies()[["generation", "delivered"]]
    forms = {
        "iso": "%Y-%m-%dT%H:%M:%S",
        "day first dots": "%d.%m.%Y %H:%M",
        "month first am": "%m/%d/%Y %I:%M %p",
        "two digit year": "%d.%m.%y %H:%M",
        "packed": "%Y%m%d%H%M",
        "packed T": "%Y%m%dT%H%M%S",
        "month word": "%d-%b-%Y %H:%M",
        "month word first": "%b %d, %Y %H:%M",
        "weekday": "%a %d %b %Y %H:%M",
        "dot clock": "%d.%m.%Y %H.%M",
        "dash": "%d/%m/%Y - %H:%M",
        "h": "%d/%m/%Y %Hh%M",
        "glued month": "%d%b%Y %H:%M",
        "millis": "%Y-%m-%d %H:%M:%S.000",
        "comma": "%d.%m.%Y, %H:%M:%S",
        "narrow am": "%m/%d/%Y, %I:%M:%S\u202f%p",
        "uhr": "%d.%m.%Y um %H:%M Uhr",
        "a.m.": "%d/%m/%Y %I:%M %p",
    }
    for title, form in forms.items():
        for start in ("2026-06-05", "2026-06-20"):
            made = energies(start, seed=3)[["generation", "delivered"]]
            texts = stamps(made.index, form=form)
            if title == "a.m.":
                texts = [text.replace("AM", "a. m.").replace("PM", "p. m.") for text in texts]
            order = {"date_order": "month first" if form.startswith("%m") else "day first"} if form[1] in "dm" else {}
            yield Case(f"stamp {title} {start}", "a.csv", file(table(texts, made, ";")), _known(made, **order), made)
    for language, words in MONTHS.items():
        names = words.split()
        for start in ("2026-02-20", "2026-07-25", "2026-11-24"):
            made = energies(start, days=9, seed=4)[["generation", "delivered"]]
            link = " de " if language in ("es", "pt") else ". " if language == "de" else " "
            texts = [
                f"{t.day}{link}{names[t.month - 1]}{link if link == ' de ' else ' '}{t:%Y %H:%M}" for t in made.index
            ]
            yield Case(f"month {language} {start}", "a.csv", file(table(texts, made, ";")), _known(made), made)
    for title, text in {
        "offset": "%Y-%m-%dT%H:%M:%S%z",
        "zone word": "%Y-%m-%d %H:%M %Z",
        "bracket": "%d.%m.%Y %H:%M (%Z)",
    }.items():
        for start in (SPRING, AUTUMN):
            made = energies(start)[["generation", "delivered"]]
            more = {"date_order": "day first"} if title == "bracket" else {}
            yield Case(
                f"{title} {start}",
                "a.csv",
                file(table(stamps(made.index, form=text), made, ";")),
                _known(made, **more),
                made,
            )
    berlin = energies(AUTUMN, zone="Europe/Berlin")[["delivered"]]
    texts = [
        text.replace("CEST", "MESZ").replace("CET", "MEZ") for text in stamps(berlin.index, form="%d.%m.%Y %H:%M %Z")
    ]
    yield Case(
        "MEZ",
        "a.csv",
        file(table(texts, berlin, ";")),
        _known(berlin, zone="Europe/Berlin", date_order="day first"),
        berlin,
    )
    utc = [f"{text} UTC" for text in stamps(truth.index, clock="UTC")]
    yield Case("utc word", "a.csv", file(table(utc, truth)), _known(truth), truth)
    unix = [str(int(time.timestamp())) for time in truth.index]
    yield Case("unix", "a.csv", file(table(unix, truth)), _known(truth, date_order="unix"), truth)
    yield Case(
        "unix ms", "a.csv", file(table([text + "000" for text in unix], truth)), _known(truth, date_order="unix"), truth
    )
    days = [f"{value:.6f}" for value in serials(truth.index)]
    yield Case("serial", "a.csv", file(table(days, truth)), _known(truth, date_order="serial"), truth)
    commas = [text.replace(".", ",") for text in days]
    lines = table(commas, truth, ";", show=lambda value: plain(value).replace(".", ","))
    yield Case("serial comma", "a.csv", file(lines), _known(truth, date_order="serial", number="1234,5"), truth)
    texts = [f"{a} - {b}" for a, b in zip(stamps(truth.index), stamps(truth.index, "end"))]
    yield Case("range", "a.csv", file(table(texts, truth)), _known(truth), truth)
    texts = [f"{a}-{b[-5:]}" for a, b in zip(stamps(truth.index, form="%d.%m.%Y %H:%M"), stamps(truth.index, "end"))]
    yield Case("glued range", "a.csv", file(table(texts, truth)), _known(truth, date_order="day first"), truth)
    turned = energies("2026-04-05", days=12, step="15min")[["delivered"]]
    texts = stamps(turned.index[:600], form="%d/%m/%Y %H:%M") + stamps(turned.index[600:], form="%m/%d/%Y %H:%M")
    yield Case(
        "order turns", "a.csv", file(table(texts, turned)), _known(turned, date_order="day first"), refused="order"
    )
    twelve = stamps(truth.index, form="%Y-%m-%d %I:%M")
    yield Case("twelve hours", "a.csv", file(table(twelve, truth)), _known(truth), refused="24 hours")


def _clocks():
    """Clocks and labels, over both changes and between them."""
    for start in (SPRING, AUTUMN, SUMMER):
        for step in ("15min", "1h"):
            truth = energies(start, step=step)[["generation", "delivered"]]
            for zone in (ZONE, FIXED, "UTC"):
                for label in ("start", "end"):
                    texts = stamps(truth.index, label, zone)
                    title = f"clock {start} {step} {zone} {label}"
                    yield Case(title, "a.csv", file(table(texts, truth)), _known(truth, label, zone), truth)
            texts = stamps(truth.index, "end", midnight_24=True)
            yield Case(f"24:00 {start} {step}", "a.csv", file(table(texts, truth)), _known(truth, "end"), truth)
    truth = energies(SUMMER)[["generation"]]
    two = [f"{a},{b}" for a, b in zip(stamps(truth.index), stamps(truth.index, "end"))]
    yield Case("from to", "a.csv", file(table(two, truth, time="From,To")), _known(truth, time="From"), truth)
    swapped = [f"{b},{a}" for a, b in zip(stamps(truth.index), stamps(truth.index, "end"))]
    yield Case(
        "to from", "a.csv", file(table(swapped, truth, time="Fin,Debut")), _known(truth, "end", time="Fin"), truth
    )
    newest = file([*table([], truth), *table(stamps(truth.index), truth)[:0:-1]])
    yield Case("newest first", "a.csv", newest, _known(truth), truth)
    ending = file(table(stamps(truth.index, "end"), truth, time="Hour ending"))
    yield Case("hour ending title", "a.csv", ending, _known(truth, "end", time="Hour ending"), truth)


def _marks():
    """Ways to write a number."""
    truth = energies()[["generation", "delivered"]]
    big = (truth * 10_000).round(0) + 1000.0
    shows = {
        "comma": (lambda v: plain(v).replace(".", ","), "1234,5", ";", truth),
        "unit behind": (lambda v: f"{v:.3f} kWh", None, ",", truth),
        "wh behind": (lambda v: f"{v * 1000:.0f} Wh", None, ",", truth),
        "exponent": (lambda v: f"{v:.6e}", None, ",", truth),
        "apostrophe": (lambda v: f"{v * 100 + 1000:,.1f}".replace(",", "'"), None, ";", truth * 100 + 1000),
        "typographic": (lambda v: f"{v * 100 + 1000:,.1f}".replace(",", "\u2019"), None, ";", truth * 100 + 1000),
        "swiss whole": (lambda v: f"{v * 10_000 + 1000:,.0f}".replace(",", "\u2019"), None, ";", big),
        "thin blank": (lambda v: f"{v * 10_000 + 1000:,.0f}".replace(",", "\u202f"), None, ";", big),
        "blank": (lambda v: f"{v * 10_000 + 1000:,.0f}".replace(",", " "), None, ";", big),
        "quoted thousands": (lambda v: f'"{v * 10_000 + 1000:,.0f}"', "1,234.5", ",", big),
        "dots": (lambda v: f"{v * 10_000 + 1000:,.0f}".replace(",", "."), "1.234,5", ";", big),
        "plus": (lambda v: f"+{v:.3f}", None, ",", truth),
        "leading point": (lambda v: plain(v).lstrip("0") or "0", None, ",", truth),
    }
    for title, (show, number, mark, held) in shows.items():
        more = {"number": number} if number else {}
        marks = {"1234,5": (",", ""), "1,234.5": (".", ","), "1.234,5": (",", ".")}.get(number)
        more |= {"decimal": marks[0], "thousands": marks[1]} if marks else {}
        yield Case(
            f"number {title}",
            "a.csv",
            file(table(stamps(truth.index), truth, mark, show=show)),
            _known(truth, **more),
            held,
        )
    net = energies()[["net"]]
    minus = {
        "unicode": lambda v: plain(v).replace("-", "\u2212"),
        "brackets": lambda v: f"({-v:.3f})" if v < 0 else plain(v),
        "behind": lambda v: f"{-v:.3f}-" if v < 0 else plain(v),
    }
    for title, show in minus.items():
        yield Case(f"minus {title}", "a.csv", file(table(stamps(net.index), net, show=show)), _known(net), net)
    lines = table(stamps(truth.index), truth[["delivered"]], show=lambda v: plain(v).replace(".", ","))
    yield Case("decimal commas in commas", "a.csv", file(lines), _known(truth[["delivered"]]), refused="decimal commas")
    sold = energies()[["received", "delivered"]]
    lines = table(stamps(sold.index), sold.assign(received=-sold["received"]))
    known = _known(sold)
    known["columns"][0][1]["multiplier"] = -1
    yield Case("export below 0", "a.csv", file(lines), known, sold)


DAY_TITLES = {
    24: {
        "clock": lambda k: f"{k}:00",
        "he": lambda k: f"HE{k + 1:02d}",
        "number": lambda k: str(k + 1),
        "h": lambda k: f"H{k}",
        "range": lambda k: f"{k:02d}:00-{k + 1:02d}:00",
        "ending": lambda k: f"{k + 1:02d}:00",
        "word": lambda k: f"kWh {k:02d}:00",
    },
    48: {
        "clock": lambda k: f"{k // 2}:{k % 2 * 30:02d}",
        "ending": lambda k: f"{(k + 1) // 2:02d}:{(k + 1) % 2 * 30:02d}",
        "decimal": lambda k: f"{k / 2:.1f}",
        "number": lambda k: str(k + 1),
        "range": lambda k: f"{k // 2:02d}:{k % 2 * 30:02d} - {(k + 1) // 2 % 24:02d}:{(k + 1) % 2 * 30:02d}",
    },
    96: {
        "clock": lambda k: f"{k // 4:02d}:{k % 4 * 15:02d}",
        "number": lambda k: f"Period {k + 1}",
        "decimal": lambda k: f"{k / 4:.2f}",
    },
}


def _days():
    """A day a row."""
    for count, titles in DAY_TITLES.items():
        truth = energies(SUMMER, step=pd.Timedelta(days=1) / count)[["delivered"]]
        values = truth["delivered"].to_numpy().reshape(-1, count)
        days = truth.index[::count].strftime("%Y-%m-%d")
        for title, name in titles.items():
            names = [name(place) for place in range(count)]
            lines = [",".join(["Date", *names])] + [",".join([d, *map(plain, row)]) for d, row in zip(days, values)]
            known = {"time": "Date", "zone": ZONE, "columns": [(names[0], about("delivered", to=names[-1]))]}
            yield Case(f"day {count} {title}", "a.csv", file(lines), known, truth)
    truth = energies(SUMMER, step="30min")[["delivered"]]
    names = [DAY_TITLES[48]["clock"](k) for k in range(48)]
    bare = zip(truth.index[::48].strftime("%Y-%m-%d"), truth["delivered"].to_numpy().reshape(-1, 48))
    lines = [",".join([day, *map(plain, row)]) for day, row in bare]
    known = {"time": 1, "zone": ZONE, "columns": [(2, about("delivered", to=49))]}
    yield Case("day without a header", "a.csv", file(lines), known, truth)
    values, days = truth["delivered"].to_numpy().reshape(-1, 48), truth.index[::48].strftime("%d.%m.%Y")
    rows = [
        ";".join([d, "kWh", *(plain(v).replace(".", ",") for v in row), plain(row.sum()).replace(".", ",")])
        for d, row in zip(days, values)
    ]
    known = {
        "time": "Day",
        "zone": ZONE,
        "date_order": "day first",
        "decimal": ",",
        "number": "1234,5",
        "columns": [(names[0], about("delivered", to=names[-1]))],
    }
    yield Case("day with total", "a.csv", file([";".join(["Day", "Unit", *names, "Total"]), *rows]), known, truth)
    short = [
        line.rsplit(",", 1)[0]
        for line in [",".join(["Date", *names])]
        + [",".join([d, *map(plain, row)]) for d, row in zip(truth.index[::48].strftime("%Y-%m-%d"), values)]
    ]
    yield Case(
        "day of 47",
        "a.csv",
        file(short),
        {"time": "Date", "zone": ZONE, "columns": [(names[0], about("delivered", to=names[46]))]},
        refused="whole day",
    )
    for start in (SPRING, AUTUMN):
        truth = energies(start)[["delivered"]]
        groups = [(day, part["delivered"].tolist()) for day, part in truth.groupby(truth.index.strftime("%Y-%m-%d"))]
        rows = [",".join([day, *map(plain, part), *[""] * (25 - len(part))]) for day, part in groups]
        names = [f"HE{k + 1}" for k in range(25)]
        known = {"time": "Date", "zone": ZONE, "columns": [("HE1", about("delivered", to="HE25"))]}
        yield Case(f"day of 25 {start}", "a.csv", file([",".join(["Date", *names]), *rows]), known, truth)


def _long():
    """Rows of several meters or directions."""
    both = energies()[["delivered", "received"]]
    times = stamps(both.index)
    rows = [
        f"{t},{word},{plain(v)}"
        for t, d, r in zip(times, both["delivered"], both["received"])
        for word, v in (("Import", d), ("Export", r))
    ]
    where = [("kWh", about(q, where={"Flow": word})) for q, word in (("delivered", "Import"), ("received", "Export"))]
    known = {"time": "Time", "zone": ZONE, "label": "start", "columns": where}
    yield Case("long directions", "a.csv", file(["Time,Flow,kWh", *rows]), known, both)
    blocks = [
        f"{t},{word},{plain(v)}"
        for word, q in (("Import", "delivered"), ("Export", "received"))
        for t, v in zip(times, both[q])
    ]
    yield Case("long blocks", "a.csv", file(["Time,Flow,kWh", *blocks]), known, both)
    other = energies(seed=8)[["delivered"]]
    shifted = [text[:-2] + "07" for text in times]
    for title, second in (("same stamps", times), ("stamps apart", shifted)):
        rows = [
            line
            for a, b, v, w in zip(times, second, both["delivered"], other["delivered"])
            for line in (f"{a};4711;{plain(v)}", f"{b};4712;{plain(w)}")
        ]
        known = {
            "time": "Time",
            "zone": ZONE,
            "label": "start",
            "columns": [("kWh", about("delivered", where={"Meter": "4711"}))],
        }
        yield Case(f"two meters {title}", "a.csv", file(["Time;Meter;kWh", *rows]), known, both[["delivered"]])
        careless = {**known, "columns": [("kWh", about("delivered"))]}
        yield Case(
            f"two meters careless {title}", "a.csv", file(["Time;Meter;kWh", *rows]), careless, refused="several meters"
        )
    flagged = [f"{t},{plain(v)},{'A' if n % 7 else 'E'}" for n, (t, v) in enumerate(zip(times, both["delivered"]))]
    known = {"time": "Time", "zone": ZONE, "label": "start", "columns": [("Import (kWh)", about("delivered"))]}
    yield Case("quality flags", "a.csv", file(["Time,Import (kWh),Quality", *flagged]), known, both[["delivered"]])


def _split():
    """Dates and times over several columns."""
    truth = energies(SUMMER)[["delivered"]]
    values = list(zip(truth.index, truth["delivered"]))
    known = {"zone": ZONE, "label": "start", "columns": [("kWh", about("delivered"))]}
    ways = {
        "ymdh": (["Year", "Month", "Day", "Hour"], lambda t: f"{t.year},{t.month},{t.day},{t.hour}"),
        "dmyh": (["Day", "Month", "Year", "Hour"], lambda t: f"{t.day},{t.month},{t.year},{t.hour}"),
        "ymdhm": (
            ["Y", "M", "D", "h", "min"],
            lambda t: f"{t.year},{t.month:02d},{t.day:02d},{t.hour:02d},{t.minute:02d}",
        ),
        "date time": (["Date", "Clock"], lambda t: f"{t:%Y-%m-%d},{t:%H:%M}"),
        "date hour": (["Date", "Hour"], lambda t: f"{t:%Y-%m-%d},{t.hour}"),
        "date hour 1": (["Date", "HE"], lambda t: f"{t:%Y-%m-%d},{t.hour + 1}"),
        "date hmm": (["Date", "Time"], lambda t: f"{t:%Y-%m-%d},{t.hour * 100 + t.minute}"),
        "date am": (["Date", "Time"], lambda t: f"{t:%Y-%m-%d},{t:%I:%M %p}"),
    }
    for title, (names, show) in ways.items():
        more = {"date_order": "day first"} if title == "dmyh" else {}
        lines = [",".join([*names, "kWh"]), *(f"{show(t)},{plain(v)}" for t, v in values)]
        yield Case(f"split {title}", "a.csv", file(lines), {**known, "time": names, **more}, truth)
    half = energies(SUMMER, step="30min")[["delivered"]]
    lines = [
        "Date,Period,kWh",
        *(f"{t:%Y-%m-%d},{t.hour * 2 + t.minute // 30 + 1},{plain(v)}" for t, v in zip(half.index, half["delivered"])),
    ]
    yield Case("split period", "a.csv", file(lines), {**known, "time": ["Date", "Period"]}, half)
    for start in (SPRING, AUTUMN):
        half = energies(start, step="30min")[["delivered"]]
        count = half.groupby(half.index.date).cumcount()
        lines = [
            "Date,Period,kWh",
            *(f"{t:%Y-%m-%d},{k + 1},{plain(v)}" for t, k, v in zip(half.index, count, half["delivered"])),
        ]
        yield Case(f"split period {start}", "a.csv", file(lines), {**known, "time": ["Date", "Period"]}, half)
    half = energies(SUMMER, step="30min")[["delivered"]]
    lines = [
        "Date;Hour;kWh",
        *(f"{t:%d.%m.%Y};{t.hour + t.minute / 60:.2f};{plain(v)}" for t, v in zip(half.index, half["delivered"])),
    ]
    yield Case(
        "split decimal hour", "a.csv", file(lines), {**known, "time": ["Date", "Hour"], "date_order": "day first"}, half
    )


def _packed():
    """Packed files."""
    truth = energies()[["generation", "delivered"]]
    lines, known = table(stamps(truth.index), truth), _known(truth)
    yield Case("gzip", "a.csv.gz", gzip.compress(file(lines)), known, truth)
    yield Case("gzip cut", "a.csv.gz", gzip.compress(file(lines))[:1500], known, refused="whole one")


def _layouts():
    """What stands around a table."""
    truth = energies()[["generation", "delivered"]]
    times, known = stamps(truth.index), _known(truth)
    lines = table(times, truth)
    yield Case(
        "units row",
        "a.csv",
        file(["Time,Generation,Import", ",kWh,kWh", *lines[1:]]),
        {**known, "columns": [("Generation", about("generation")), ("Import", about("delivered"))]},
        truth,
    )
    yield Case(
        "comments", "a.csv", file(["# made by a logger", "#", *lines[:50], "# a break", *lines[50:]]), known, truth
    )
    yield Case(
        "title lines", "a.csv", file(["Report of my house", "Meter 4711", "", *lines, "", "Total,99,99"]), known, truth
    )
    for title, end, encoding in (
        ("windows", "\r\n", "utf-8-sig"),
        ("old ends", "\r", "utf-8"),
        ("utf16", "\n", "utf-16"),
    ):
        yield Case(title, "a.csv", file(lines, end, encoding), known, truth)
    broken = [
        'Time,"Generation\n(kWh)","Import (kWh)"',
        *(f'{line},"a note\nof two lines"' if n == 9 else f"{line}," for n, line in enumerate(lines[1:])),
    ]
    broken[0] += ",Note"
    yield Case(
        "line breaks in quotes",
        "a.csv",
        file(broken),
        {**known, "columns": [("Generation (kWh)", about("generation")), (TITLES["delivered"], about("delivered"))]},
        truth,
    )
    yield Case(
        "quotes around all", "a.csv", file(['"' + line.replace(",", '","') + '"' for line in lines]), known, truth
    )
    yield Case("trailing commas", "a.csv", file([line + "," for line in lines]), known, truth)
    yield Case("tabs", "a.tsv", file([line.replace(",", "\t") for line in lines]), known, truth)
    yield Case(
        "no header",
        "a.csv",
        file(lines[1:]),
        {**known, "time": 1, "columns": [(2, about("generation")), (3, about("delivered"))]},
        truth,
    )
    yield Case(
        "empty cells",
        "a.csv",
        file(
            [
                lines[0],
                *(
                    f"{t},{plain(g)},{'' if n % 5 == 2 else plain(d)}"
                    for n, (t, (g, d)) in enumerate(zip(times, truth.to_numpy()))
                ),
            ]
        ),
        known,
        truth.assign(delivered=truth["delivered"].where(np.arange(len(truth)) % 5 != 2)),
    )


def _columns():
    """Titles and columns that look like something else."""
    truth = energies()
    times = stamps(truth.index)
    for title, names in {
        "german": {"delivered": "Netzbezug (kWh)", "received": "Netzeinspeisung (kWh)"},
        "italian": {"received": "Immissione in rete [kWh]", "delivered": "Prelievo da rete [kWh]"},
        "dutch": {"delivered": "Afname van net (kWh)", "received": "Teruglevering aan net (kWh)"},
        "plain words": {"generation": "PV energy in kWh", "load": "Usage (kWh)"},
        "all four": {"generation": "A (kWh)", "load": "B (kWh)", "delivered": "C (kWh)", "received": "D (kWh)"},
        "net and both": {"net": "Saldo (kWh)", "delivered": "Up (kWh)", "received": "Down (kWh)"},
        "net alone": {"net": "Net (kWh)"},
        "wrong word": {"load": "PV (kWh)", "generation": "Import (kWh)"},
        "two alike": {"generation": "Solar (kWh)", "received": "PV (kWh)"},
        "self": {"generation": "Generation (kWh)", "load": "Self consumption (kWh)"},
        "swedish": {"generation": "Producerad el (kWh)", "delivered": "Uttag (kWh)", "received": "Inmatning (kWh)"},
        "french": {"delivered": "Soutirage (kWh)", "received": "Injection (kWh)"},
        "spanish": {"received": "Energia vertida (kWh)", "delivered": "Consumo de red (kWh)"},
        "portuguese": {"received": "Energia injetada na rede (kWh)", "delivered": "Importação (kWh)"},
    }.items():
        held = truth[list(names)]
        yield Case(f"titles {title}", "a.csv", file(table(times, held, titles=names)), _known(held, titles=names), held)
    turned = truth[["net"]].assign(net=-truth["net"])
    known = _known(turned)
    known["columns"][0][1]["multiplier"] = -1
    yield Case("net turned", "a.csv", file(table(times, turned)), known, truth[["net"]])
    registers = truth[["delivered", "received"]].cumsum() + 1234.5
    known = _known(registers)
    for _, keys in known["columns"]:
        keys["kind"] = "counter"
    yield Case(
        "registers",
        "a.csv",
        file(table(times, registers.shift(fill_value=1234.5))),
        known,
        truth[["delivered", "received"]].iloc[:-1],
        lost=1,
    )
    power = truth[["generation"]] * 1000
    yield Case(
        "watts",
        "a.csv",
        file(table(times, power, titles={"generation": "Leistung PV (W)"}, show=lambda v: plain(v, 0))),
        _known(power, titles={"generation": "Leistung PV (W)"}, unit="W"),
        truth[["generation"]],
    )
    wide = [
        f"{line},{230 + n % 3},{n % 50},{n % 7 - 3}.5" for n, line in enumerate(table(times, truth[["generation"]])[1:])
    ]
    yield Case(
        "volts and others",
        "a.csv",
        file(["Time,Generation (kWh),Grid voltage (V),Battery (%),Price", *wide]),
        _known(truth[["generation"]]),
        truth[["generation"]],
    )


def _foreign():
    """What is no table of text."""
    known = _known(energies()[["generation"]])
    for title, name, content, said in (
        ("pdf", "a.pdf", b"%PDF-1.7\n%\xe2\xe3\n1 0 obj", "PDF"),
        ("old workbook", "a.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "an old workbook"),
        ("zip", "a.zip", b"PK\x03\x04" + bytes(100), "packed"),
        ("json", "a.json", b'[{"time": "2026-01-01T00:00", "kwh": 1.5}]', "JSON"),
        ("html", "a.html", b"<html><table><tr><td>2026-01-01 00:00</td><td>1.5</td></tr></table></html>", "web page"),
        ("xml", "a.xml", b"<?xml version='1.0'?>\n<r t='2026-01-01'>1</r>", "XML"),
        ("sqlite", "a.db", b"SQLite format 3\0" + bytes(100), "database"),
        ("picture", "a.png", b"\x89PNG\r\n\x1a\n" + bytes(50), "picture"),
        ("parquet", "a.parquet", b"PAR1" + bytes(50), "programs"),
        ("empty", "a.csv", b"", "no text"),
        ("words", "a.txt", b"Dear owner,\nplease find nothing here.\n", "no row with a date"),
        ("zstd", "a.zst", b"\x28\xb5\x2f\xfd" + bytes(30), "packed file"),
        ("rtf", "a.rtf", b"{\\rtf1 text}", "RTF"),
    ):
        yield Case(title, name, content, known, refused=said)
