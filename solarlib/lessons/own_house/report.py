"""Lesson 12: the report of a house, section by section, from its files to one HTML page."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from solarlib.files import write_whole
from solarlib.health.words import CALLING
from solarlib.house.flows import first_measured, silent
from solarlib.house.health import ageing, beside_neighbours, cost_a_year, own_shares, performance, shapes, yields
from solarlib.house.periods import METER, periods_of, register_days
from solarlib.house.records import bills_of, compare_bills, days_of, period_record
from solarlib.house.sensor import directions
from solarlib.house.year import shade_share
from solarlib.lessons.own_house import pictures
from solarlib.lessons.tools.drawing import DRAWING
from solarlib.lessons.tools.kept import recalled
from solarlib.lessons.tools.page import Section, page, section_or_reason
from solarlib.meter.balance import house_use
from solarlib.quantities import InputError, counted, day_words, dollars, refuse_if, texts_beside

_TEXTS = texts_beside(__file__, "report")
SHOWN_DAYS = 14  # of a table by day; the rest is summed
SHOWN_ROWS = 5  # set aside, of each file


@dataclass(frozen=True)
class Report:
    """The finished ``first`` sheet, the ``sections`` and their ``html``."""

    first: Section
    sections: tuple
    html: str

    def __str__(self):
        return "\n".join(
            f"{number} {section.title}: {counted(len(section.pictures), 'picture')}, "
            f"{counted(len(section.tables), 'table')}, {len(section.missing)} not determined"
            for number, section in enumerate(self.sections, 1)
        )

    @property
    def missing(self):
        """What could not be determined, one sentence each."""
        return tuple(f"{section.title}: {sentence}" for section in self.sections for sentence in section.missing)

    def save(self, path):
        """Write the page; return a sentence that says where it is."""
        write_whole(Path(path), self.html)
        return f"The report is in the file {Path(path).name}. Open it with a browser, and print it from there."


def make(house, files, bills=None, days=None, decoded=None, say=silent):
    """Make the report of a house.

    Parameters
    ----------
    house : House
    files : sequence of flows.Checked
    bills : dict of date text to amount, optional
        Bills sent, by the day of the reading that closes them.
    days : DataFrame, optional
        The record by day, as from `records.read_kept`; default: the days of the files.
    decoded : (Decoded, DataFrame), optional
        As from `sensor.directions`; computed if left out.
    say : callable
        ``say(words, share)`` is told how far the work is.

    Returns
    -------
    Report
    """
    files = tuple(files)
    days = _attempt(days_of, files) if days is None else days
    comparison = _attempt(lambda: beside_neighbours(house, _needed(days), files))
    billed = _attempt(periods_of, files, house.tariffs)
    plan = (
        ("faults", faults, files, house),
        ("similar", similar, comparison),
        ("shape", shape, files, house),
        ("health", health, files, house, billed, days),
        ("money", money, house, billed, bills),
        ("periods", periods, house, billed, days, comparison),
        ("flows", flows, files, decoded, say),
        ("records", records, days),
        ("accounts", accounts, files, house),
    )
    sections = []
    for number, (name, tell, *arguments) in enumerate(plan):
        title = _TEXTS[name]["title"]
        say(f"making the report: {title}", number / len(plan))
        sections.append(section_or_reason(title, tell, *arguments))
    front = first(house, files, comparison, _if_made(billed), bills)
    report = Report(front, tuple(sections), page(f"{house.name}: what the readings say", sections, front))
    say("the report is made", 1.0)
    return report


def _attempt(make_it, *arguments):
    """Return what is made, or the `InputError` that says what is missing: each section that needs it tells that."""
    try:
        return make_it(*arguments)
    except InputError as error:
        return error


def _needed(made):
    """Return what an attempt made, or raise why there is nothing."""
    if isinstance(made, InputError):
        raise made
    return made


def _if_made(made):
    """Return what an attempt made, or None."""
    return None if isinstance(made, InputError) else made


def _cautions(name, *more):
    return (*_TEXTS[name]["cautions"], *more)


def first(house, files, comparison, billed, bills):
    """Return the first sheet: when, of what, what was found and what it costs, what to ask whom."""
    words, whom, compared = _TEXTS["first"], [], _if_made(comparison)
    odd = [f"{file.name} ({len(file.findings)})" for file in files if file.findings]
    found = [_or_reason(words["no_neighbours"], lambda: _change_found(house, _needed(comparison), whom))]
    found.append(words["odd" if odd else "not_odd"].format(files=", ".join(odd)))
    if billed and bills:
        found.append(_or_reason(words["no_bills"], _bills_found, house, billed[0], bills, whom))
    if billed:
        found.append(_or_reason(words["no_shares"], _shares_found, billed[0]))
    if compared is None:
        drawn, alt = fault_pictures(files, house)[:1], _TEXTS["faults"]["alt"]
    else:
        drawn, alt = (pictures.neighbour_picture(compared).render(day=len(compared.days)),), words["days_alt"]
    tables = ((words["system"], system_table(house, files)), *decisions())
    return Section(words["title"], (*found, *whom), tables, drawn, alt=alt)


def decisions():
    """Return the table of what the reader decided in the lessons, unit by unit, if there is any."""
    kept, words = recalled("decisions"), _TEXTS["first"]
    rows = [(unit, kept[unit]) for unit in DRAWING["units"] if isinstance(kept.get(unit), str) and kept[unit].strip()]
    return ((words["decided"], pd.DataFrame(rows, columns=words["decided_heads"])),) if rows else ()


def _or_reason(why_not, tell, *arguments):
    """Return what is told, or why it cannot be."""
    try:
        return tell(*arguments)
    except InputError as error:
        return why_not.format(error=error)


def system_table(house, files):
    """Return what the page is about: dates, rated power, planes, converter."""
    system, words = house.system, _TEXTS["first"]
    indices = [file.readings.table.index.tz_localize(None) for file in files]
    seen = [at for index in indices for at in (*index[:1], *index[-1:])]
    ends = f"{day_words(min(seen))} to {day_words(max(seen))}" if seen else words["none"]
    rows = {words["made"]: day_words(date.today()), words["covers"]: ends}
    rows[words["power"]] = words["kw"].format(kw=system.rated_power_w / 1000.0, count=system.module_count)
    for number, plane in enumerate(system.planes, 1):
        rows[words["plane_of"].format(number=number)] = words["plane"].format(plane=plane)
    rows[words["converter"]] = words["limit"].format(kw=system.ac_limit_w / 1000.0)
    return pd.DataFrame(rows.items(), columns=words["heads"])


def _change_found(house, comparison, whom):
    """Tell what the comparison with similar systems found, its cost, what fits; add what to ask."""
    words, step = _TEXTS["first"], comparison.step
    if step is None or comparison.stage not in CALLING or step.change >= 0:
        return comparison.sentences()[0]
    shares = [max(0.0, float(-np.expm1(step.change + side * step.error))) for side in (0, 2, -2)]
    kwh, usd = zip(*(cost_a_year(house, share) for share in shares))
    numbers = {"percent": [100 * share for share in shares], "kwh": kwh, "usd": [dollars(amount) for amount in usd]}
    fits, day = ", ".join(item.reason for item in comparison.evidence if item.fits), day_words(step.first_day)
    whom += [words["ask_installer"].format(day=day), words["ask_yourself"]]
    return f"{words['change'].format(day=day, **numbers)} {words['fits' if fits else 'no_fit'].format(fits=fits)}"


def _bills_found(house, periods, bills, whom):
    """Tell how the bills sent lie beside those computed; add what to ask."""
    words, table = _TEXTS["first"], compare_bills(periods, bills_of(periods, house), bills)
    off = table[table["difference"].abs() > pictures.SAME_USD]
    if "least" in table:  # a bill within the range of the computed one is as good as that
        off = off[~off["sent"].between(off["least"], off["most"])]
    if off.empty:
        return words["bills_within" if "least" in table else "bills_agree"].format(count=len(bills))
    worst = off.loc[off["difference"].abs().idxmax()]
    day = day_words(pd.Timestamp(worst["meter read on"]))
    whom.append(words["ask_utility"].format(day=day))
    amounts = {name: dollars(worst[name]) for name in ("computed", "sent")}
    return words["bills_differ"].format(count=len(bills), off=len(off), day=day, **amounts)


def _shares_found(periods):
    """Tell self-consumption and self-sufficiency, with the range of the periods."""
    shares = 100 * own_shares(periods)
    each, many = shares.drop(index="all"), len(shares) > 2
    form = _TEXTS["first"]["share" if many else "one_share"]
    told = {name: form.format(share=shares[name]["all"], low=one.min(), high=one.max()) for name, one in each.items()}
    return _TEXTS["first"]["shares" if many else "one_period"].format(count=len(each), **told)


def accounts(title, files, house):
    """Tell of each file what was read, used and set aside."""
    refuse_if(not files, "no_files", "files")
    lines = ["; ".join(line.strip() for line in str(file.readings.account).splitlines()) + "." for file in files]
    told = [(file, file.readings.account) for file in files]
    rows = [(file.name, it.rows_read, it.rows_used, len(it.set_aside), file.left_out) for file, it in told]
    heads = ["file", "rows read", "used", "set aside", "values left out of sums"]
    tables = [("Rows read are rows used and rows set aside", pd.DataFrame(rows, columns=heads))]
    for file, account in told:
        aside, first = account.set_aside, account.set_aside.head(SHOWN_ROWS)
        if len(aside):
            tables.append((f"{file.name}: set aside (the first {len(first)} of {len(aside)})", first))
    other = ", ".join(file.name for file in files if str(file.readings.table.index.tz) != house.place.tz)
    doubt = f"{other}: the clock is not that of the house ({house.place.tz}). Do file and house belong together?"
    return Section(title, tuple(lines), tuple(tables), cautions=(doubt,) if other else ())


def faults(title, files, house):
    """Tell what the plausibility checks found, with several reasons each."""
    lines = [f"{file.name}, {finding}" for file in files for finding in file.findings]
    unchecked = ", ".join(file.name for file in files if file.readings.step is None)
    words = _TEXTS["faults"]
    missing = (words["unchecked"].format(files=unchecked),) if unchecked else ()
    gone = [f"{file.name}, {counted(file.left_out, 'value')}" for file in files if file.left_out]
    cautions = _cautions("faults", *([words["left_out"].format(files="; ".join(gone))] if gone else []))
    told, drawn = tuple(lines) or (words["none"],), fault_pictures(files, house)
    return Section(title, told, (), drawn, cautions, missing, words["alt"])


def fault_pictures(files, house):
    """Return the day with most marks of each file whose first column has some, as pictures."""
    drawn = []
    for file in files:
        column = file.readings.table.columns[0]
        found = [finding for finding in file.findings if finding.column == column and len(finding.rows)]
        if found:
            drawn.append(pictures.fault_picture(file, house).render(day=fault_days(file, found)[0], marks=True))
    return tuple(drawn)


def fault_days(file, findings):
    """Return the numbers of the days that findings touch, the day of most marks first."""
    numbers = {day: number for number, day in enumerate(pictures.days_shown(file.readings.table), 1)}
    rows = pd.concat([pd.Series(1, finding.rows.tz_localize(None).normalize()) for finding in findings])
    marks = rows.groupby(level=0).sum().sort_values(ascending=False, kind="stable")
    return [numbers[day] for day in marks.index if day in numbers]


def flows(title, files, decoded, say):
    """Tell which way the power of a reading without direction flowed."""
    sensor = first_measured(files, "unsigned")
    first_measured(files, "generation")  # a direction found before, from files that are left out now, is not told
    found, record = decoded or directions(files, lambda words, share: say(words))  # the bar is the report's
    times = sensor.series.index
    apart = record.index[0] < times[0] or record.index[-1] > times[-1]
    refuse_if(apart, "other_days", "decoded", origin=sensor.origin)
    days = found.days.drop(columns="date", errors="ignore")
    table = days.round(1).assign(seen=days["seen"].map("{:.0%}".format, na_action="ignore"))
    table.insert(0, "day", [str(day)[:10] for day in days.index])
    missing = ()
    try:
        counted = register_days(files)
        counted = counted.set_axis(counted.index.strftime("%Y-%m-%d")).reindex(table["day"])
        table["meter_delivered_kwh"], table["meter_received_kwh"] = (counted[f"{it}_kwh"].to_numpy() for it in METER)
    except InputError as error:
        missing = (f"No comparison with the meter. {error}",)
    best = int(days["seen"].to_numpy().argmax()) + 1
    drawn = pictures.direction_picture(found, record).render(day=best, sure=90)
    shown, (inward, outward) = table.head(SHOWN_DAYS), days[["import_kwh", "export_kwh"]].sum()
    sums = _TEXTS["flows"]["sums"].format(days=len(table), inward=inward, outward=outward)
    tables = ((f"The first {len(shown)} of {len(table)} days, kWh", shown),)
    return Section(
        title, (sums, *found.sentences()), tables, (drawn,), _cautions("flows"), missing, _TEXTS["flows"]["alt"]
    )


def periods(title, house, billed, days, comparison):
    """Tell what each billing period brought: the record that is kept by period."""
    table, meter = _needed(billed)
    record = with_dates(period_record(table, house, _if_made(days), _if_made(comparison)))
    record = record.astype({"usable_days": "Int64"}).drop(columns=["days", "measured_share"])
    record = record[[name for name in record if not name.startswith("bill_")]]
    states = ["yield_h", "yield_low_h", "yield_high_h", "neighbour_ratio_percent", "usable_days", "quality"]
    words, shown = _TEXTS["periods"], record[["period_start", "period_end", *states]]
    tables = ((words["energies"], record.drop(columns=states)), (words["states"], shown))
    line = words["line"].format(count=len(table), file=meter.origin)
    return Section(title, (line,), tables, missing=(*_cut_off(table, meter), *_use_not_known(table)))


def _cut_off(table, meter):
    """Say which time of a meter's record is in no period."""
    seen, first, last = meter.edges.tz_localize(None), table["period_start"].iloc[0], table["period_end"].iloc[-1]
    outside = [f"before {first:%Y-%m-%d}"] if first > seen[0].ceil("D") else []
    outside += [f"after {last:%Y-%m-%d}"] if last < seen[-1].floor("D") else []
    if outside:
        yield _TEXTS["periods"]["cut_off"].format(outside=" and ".join(outside))


def _use_not_known(table):
    """Say of which periods the use of the house is not known, and why."""
    if "generation_kwh" not in table:
        yield _TEXTS["periods"]["no_generation"]
        return
    unknown = int(table["generation_kwh"].isna().sum())
    if unknown:
        yield _TEXTS["periods"]["part_made"].format(unknown=unknown, count=len(table))
    try:
        house_use(table["generation_kwh"], table["delivered_kwh"], table["received_kwh"], tolerance_kwh=1.0)
    except InputError as error:
        yield f"House use of one or more periods. {error}"


def with_dates(table):
    """Return a table as it is shown: days as text, numbers with one decimal."""
    return table.apply(lambda column: column.dt.strftime("%Y-%m-%d") if column.dtype.kind == "M" else column.round(1))


def money(title, house, billed, bills):
    """Compute the bills and compare them with those sent."""
    table, _ = _needed(billed)
    book = bills_of(table, house)
    missing = () if bills else ("No bill was given, so nothing could be compared.",)
    try:
        compared = compare_bills(table, book, bills or {})
    except InputError as error:
        compared, missing = compare_bills(table, book, {}), (f"No comparison with the bills sent. {error}",)
    shown = compared.map(lambda cell: dollars(cell) if isinstance(cell, float) and cell == cell else cell)
    since = [f" (from {rules.valid_from})" if rules.valid_from else "" for rules in house.tariffs]
    names = ", ".join(f"{rules.name}{day}" for rules, day in zip(house.tariffs, since))
    rules, picture = f"Rules: {names}.", pictures.bill_picture(compared).render()
    return Section(
        title, (rules,), (("Bills", shown),), (picture,), _cautions("money"), missing, _TEXTS["money"]["alt"]
    )


def health(title, files, house, billed, days):
    """Tell the yield beside that of a typical year, the performance ratio if light was measured, and ageing."""
    known, billed = _if_made(days), _if_made(billed)
    table = yields(house, None if billed is None else billed[0], known)
    shown = with_dates(table).assign(ratio=table["ratio"].map("{:.0%}".format, na_action="ignore"))
    lines, missing = [], []
    try:
        found = performance(files, house)
        hours, ratio = found["hours"], found["performance_ratio"]
        lines.append(f"Performance ratio over {hours:,.0f} hours with light and power: {ratio:.2f}.")
        if found["corrected"] is None:
            missing.append("Performance ratio without the effect of heat: it needs the temperature of the cells.")
        else:
            lines.append(f"Brought to cells of 25 degrees: {found['corrected']:.2f}.")
    except InputError:
        missing.append("Performance ratio: it needs light measured on the plane of the modules.")
    if house.system.shaded:
        lines.append(f"The typical year has the shade of the house file in it: {shade_share(house):.1%} of its energy.")
    if known is not None:
        aged = ageing(house, known)
        (missing if aged.low is None else lines).append(f"Ageing, {aged.text}.")
    tables, drawn = ((_TEXTS["health"]["yields"], shown),), (pictures.yield_picture(table).render(),)
    return Section(title, tuple(lines), tables, drawn, _cautions("health"), tuple(missing), _TEXTS["health"]["alt"])


def similar(title, comparison):
    """Tell how the array stands beside similar systems nearby."""
    comparison = _needed(comparison)
    table = evidence_table(comparison.evidence)
    tables = ((_TEXTS["similar"]["reasons"], table),) if len(table) else ()
    return Section(title, tuple(comparison.sentences()), tables, cautions=_cautions("similar"))


def shape(title, files, house):
    """Tell what the clearest days look like beside a cloudless sky."""
    evidence, count = shapes(files, house)
    words, tables = _TEXTS["shape"], ((_TEXTS["shape"]["looked_for"], evidence_table(evidence)),)
    line = f"{count} clear days beside the power under a cloudless sky."
    return Section(title, (line,), tables, cautions=_cautions("shape"), missing=(words["missing"],))


def evidence_table(evidence):
    """Return pieces of evidence as a table: possible reason, whether it fits, and the numbers."""
    rows = [(item.reason, "fits" if item.fits else "does not fit", item.text) for item in evidence]
    return pd.DataFrame(rows, columns=["possible reason", "the numbers say", "numbers"])


def records(title, days):
    """Tell how many days are complete, and show the last ones."""
    kept = _needed(days)
    whole = int((kept["quality"] == "complete").sum())
    ends = [day_words(pd.Timestamp(kept["date"].iloc[at])) for at in (0, -1)]
    line = f"{len(kept)} days, {ends[0]} to {ends[1]}: {whole} are complete."
    return Section(title, (line,), (("The last days", shown_days(kept).tail(5)),))


def shown_days(kept):
    """Return the daily record as it is shown: empty columns out, numbers short."""
    full = kept.loc[:, [kept[name].notna().any() and (kept[name] != "").any() for name in kept]]
    return full.round(2).assign(measured_share=kept["measured_share"].map("{:.0%}".format, na_action="ignore"))
