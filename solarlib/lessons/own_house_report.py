"""Lesson 09: the report of a house, section by section, from its files to one HTML page."""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from solarlib.lessons import own_house as own
from solarlib.lessons.own_house_pictures import bill_picture, direction_picture, fault_picture, yield_picture
from solarlib.lessons.report import Section, page, section_or_reason
from solarlib.quantities import InputError
from solarlib.records import daily, write_whole

SHOWN_DAYS = 14  # of a table by day; the rest is summed
SHOWN_ROWS = 5  # set aside, of each file


@dataclass(frozen=True)
class Report:
    """The finished ``sections`` and their ``html``."""

    sections: tuple
    html: str

    def __str__(self):
        lines = [f"{number} {section.title}: {len(section.pictures)} pictures, {len(section.tables)} tables, "
                 f"{len(section.missing)} not determined" for number, section in enumerate(self.sections, 1)]
        return "\n".join(lines)

    @property
    def missing(self):
        """What could not be determined, one sentence each."""
        return tuple(f"{section.title}: {sentence}" for section in self.sections for sentence in section.missing)

    def save(self, path):
        """Write the page; return a sentence that says where it is."""
        write_whole(Path(path), self.html)
        return f"The report is in the file {Path(path).name}. Open it with a browser, and print it from there."


def make(house, files, bills=None, decoded=None, say=print):
    """Make the report of a house.

    Parameters
    ----------
    house : House
    files : sequence of own_house.Checked
    bills : dict of date text to amount, optional
        Bills sent, by the day of the reading that closes them.
    decoded : (Decoded, DataFrame), optional
        As from `own_house.directions`; computed if left out.
    say : callable
        Gets a line of progress.

    Returns
    -------
    Report
    """
    files = tuple(files)
    say("making the report: files and faults")
    sections = [section_or_reason("What the files hold", accounts, files, house),
                section_or_reason("What can hardly be so", faults, files, house)]
    say("making the report: direction, energy, bills")
    sections += [section_or_reason("Which way the power flowed", flows, files, decoded, say),
                 section_or_reason("Energy by billing period", periods, files, house),
                 section_or_reason("The bills", money, files, house, bills)]
    say("making the report: yield and records")
    sections += [section_or_reason("What the array gave", health, files, house),
                 section_or_reason("The record by day", records, files)]
    return Report(tuple(sections), page(f"{house.name}: what the readings say", sections))


def accounts(title, files, house):
    """Tell of each file what was read, used and set aside."""
    if not files:
        raise InputError("files: found none, allowed is one CSV file or more")
    lines = [line for file in files for line in str(file.readings.account).splitlines()]
    rows = [{"file": file.name, "rows read": file.readings.account.rows_read, "used": file.readings.account.rows_used,
             "set aside": len(file.readings.account.set_aside), "values left out of sums": own.left_out(file)} for file in files]
    tables = [("Rows read are rows used and rows set aside", pd.DataFrame(rows))]
    for file in files:
        aside = file.readings.account.set_aside
        if len(aside):
            tables.append((f"{file.name}: set aside (the first {min(SHOWN_ROWS, len(aside))} of {len(aside)})", aside.head(SHOWN_ROWS)))
    other = [file.name for file in files if str(file.readings.table.index.tz) != house.place.tz]
    cautions = (f"{', '.join(other)}: the clock is not that of the house ({house.place.tz}). Do file and house belong together?",)
    return Section(title, tuple(lines), tuple(tables), cautions=cautions if other else ())


def faults(title, files, house):
    """Tell what the plausibility checks found, with several reasons each."""
    lines = [f"{file.name}, {finding}" for file in files for finding in file.findings]
    pictures = []
    for file in files:
        found = [finding for finding in file.findings if finding.column == file.readings.table.columns[0] and len(finding.rows)]
        if found:
            picture = fault_picture(file, house)
            days = fault_days(file, found)
            pictures.append(picture.render(day=days[0], marks=True))
    unchecked = [file.name for file in files if file.readings.step is None]
    missing = (f"{', '.join(unchecked)}: no constant interval, so powers, nights and hours cannot be checked.",) if unchecked else ()
    return Section(title, tuple(lines) or ("The checks found nothing.",), pictures=tuple(pictures), missing=missing, cautions=(
        "These are possible reasons, not verdicts. Where nothing was found, a fault can still be there.",
        f"Values of the kinds {', '.join(own.LEFT_OUT)} are left out of every sum in this report."))


def fault_days(file, findings):
    """Return the numbers of the days that findings touch, the day of most marks first."""
    local = file.readings.table.index.tz_localize(None).normalize()
    days = {day: number for number, day in enumerate(local.unique(), 1)}
    rows = pd.concat([pd.Series(1, finding.rows.tz_localize(None).normalize()) for finding in findings])
    return [days[day] for day in rows.groupby(level=0).sum().sort_values(ascending=False, kind="stable").index if day in days]


def flows(title, files, decoded, say):
    """Tell which way the power of a reading without direction flowed."""
    found, record = decoded or own.directions(files, say)
    days = found.days.drop(columns="date", errors="ignore")
    table = days.round(1).assign(seen=days["seen"].map("{:.0%}".format))
    table.insert(0, "day", [str(day)[:10] for day in days.index])
    try:
        counted = own.register_days(files)
        counted.index = counted.index.strftime("%Y-%m-%d")
        counted = counted.reindex(table["day"])
        table["meter_delivered_kwh"], table["meter_received_kwh"] = (counted[name].to_numpy() for name in own.FLOWS[:2])
        missing = ()
    except InputError as error:
        missing = (f"No comparison with the meter. {error}",)
    best = int(days["seen"].to_numpy().argmax()) + 1
    picture = direction_picture(found, record).render(day=best, sure=90)
    shown = table.head(SHOWN_DAYS)
    words = (f"{len(table)} days: {days['import_kwh'].sum():,.0f} kWh in and {days['export_kwh'].sum():,.0f} kWh out in the time "
             "that has readings. Time without readings is not made up.")
    return Section(title, (words, *found.sentences()), ((f"The first {len(shown)} of {len(table)} days, kWh", shown),), (picture,),
                   ("A direction found from readings is an estimate. The registers of the meter decide what is billed.",), missing)


def periods(title, files, house):
    """Tell what each billing period brought."""
    table, file = own.periods_of(files, house.tariff)
    shown = with_dates(table[["period_start", "period_end", *[flow for flow in own.FLOWS if flow in table]]])
    missing = ()
    try:
        shown["house_use_kwh"] = own.house_use(table).round(1)
    except InputError as error:
        missing = (str(error),)
    return Section(title, (f"{len(table)} periods, from {file.name}.",), (("Energy between readings, kWh", shown),), missing=missing)


def with_dates(table):
    """Return a table as it is shown: days as text, numbers with one decimal."""
    return table.apply(lambda column: column.dt.strftime("%Y-%m-%d") if column.dtype.kind == "M" else column.round(1))


def money(title, files, house, bills):
    """Compute the bills and compare them with those sent."""
    table, _ = own.periods_of(files, house.tariff)
    book = own.bills_of(table, house)
    compared = own.compare_bills(table, book, bills or {})
    missing = () if bills else ("No bill was given, so nothing could be compared.",)
    return Section(title, (f"Rules: {house.tariff.name}.",), (("Bills, $", compared.map(lambda cell: f"{cell:.2f}" if isinstance(cell, float) and cell == cell else cell)),), (bill_picture(compared).render(),), (
        "The bank is taken as empty before the first period. A tariff sheet and its later changes decide, not this page.",), missing)


def health(title, files, house):
    """Tell the yield and what the model gives for the same days of a typical year."""
    table = own.yields(files, house)
    shown = with_dates(table).assign(ratio=table["ratio"].map("{:.0%}".format))
    return Section(title, (), (("yield_h is kWh for each rated kW", shown),), (yield_picture(table).render(),), (
        "A typical year is not the year of the readings. A ratio below 100 % is no proof of a fault: the weather may have been "
        "duller, the house file may differ from the roof. Compare with similar systems nearby.",), (
        "Performance ratio: it needs light measured on the plane of the modules.",
        "Comparison with similar systems nearby: it needs their daily energies."))


def records(title, files):
    """Tell how many days of each regular file are complete."""
    lines, tables = [], []
    for file in files:
        if file.readings.step is None or not any(flow in name for name in file.table for flow in ("generation", "delivered", "received")):
            continue
        kept = daily(file.table, file.readings.step)
        whole = int((kept["quality"] == "complete").sum())
        lines.append(f"{file.name}: {whole} of {len(kept)} days are complete.")
        tables.append((f"{file.name}: the last days", shown_days(kept).tail(5)))
    if not lines:
        raise InputError("files: found no regular readings of generation or registers, allowed is one such file")
    return Section(title, tuple(lines), tuple(tables))


def shown_days(kept):
    """Return the daily record as it is shown: empty columns out, numbers short."""
    full = kept.loc[:, [kept[name].notna().any() and (kept[name] != "").any() for name in kept]]
    return full.round(2).assign(measured_share=kept["measured_share"].map("{:.0%}".format))
