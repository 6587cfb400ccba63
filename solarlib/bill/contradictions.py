"""Which rules of a tariff contradict each other, and whether an array is small enough for it.

Each field may be right on its own and still make no sense beside another; every such pair is named here, or in the
declaration of the field where it needs one other alone, so that a combination of rules either computes or is refused
with a reason. The reasons stand in ``contradictions.toml``.
"""

from solarlib.bill.plausible import KEYS
from solarlib.bill.tariff import ENERGY, RESETS, RETAIL
from solarlib.quantities import texts_beside
from solarlib.schema import misplaced, nearest

_ONLY_WITH_CREDIT = ("life_bills", "order", "cross_bucket", "at_reset", "payout_price", *RESETS)
_SETTLED = ("usable", "life_bills", "order", "at_end", "on_close")  # what a settlement over a year leaves nothing to
_SHORT = {60: ("hour", "half hour", "quarter hour", "none"), 30: ("half hour", "quarter hour", "none")}

_WORDS = texts_beside(__file__, "contradictions")


def contradictions(tariff):
    """Yield (field, what was found, what is allowed) for every rule that contradicts another."""
    lines = [charge.line for charge in tariff.charges]
    for i, charge in enumerate(tariff.charges, 1):
        for key, found, allowed in [*misplaced(charge), *_of_charge(charge, tariff, lines)]:
            yield f"charge[{i}].{key} of {charge.line!r}", found, allowed
    yield from _unknown("minimum_of", tariff.minimum_of, lines, "names of lines: ")
    yield from _unknown("meant", tariff.meant, [*lines, *KEYS], "names of lines and keys: ")
    yield from misplaced(tariff)
    yield from _of_whole(tariff)
    for key, found, allowed in [*misplaced(tariff.credit), *_of_credit(tariff.credit, tariff)]:
        yield f"credit.{key}", found, allowed


def _told(thing, wrong, **values):
    """Yield the words about a thing for each rule in `wrong` (rule -> whether it is broken) that is broken."""
    for rule, (key, found, allowed) in _WORDS[thing].items():
        if wrong[rule]:
            yield key, found.format(**values), allowed.format(**values)


def _unknown(key, names, known, words):
    for name in names:
        if name not in known:
            yield key, repr(name), words + (", ".join(known) or "there are none") + nearest(name, known)


def _swapped(limited):
    return limited.valid_from and limited.valid_to and limited.valid_from >= limited.valid_to


def _too_long(prices, netting):
    """Whether energy is netted over more than the time that one of these prices holds."""
    return prices and prices.by_interval and netting not in _SHORT[prices.minutes]


def _of_charge(charge, tariff, lines):
    percent, prices, credit = charge.on == "percent", charge.prices, tariff.credit
    priced = (charge.price is not None) + bool(charge.blocks) + (prices is not None)
    limits = [block.limit for block in charge.blocks] or [None]
    rising = None not in limits[:-1] and all(a < b for a, b in zip(limits[:-1], limits[1:-1]))
    other_unit = "up_to_kwh" if charge.on == "demand" else "up_to_kw"
    netted = charge.on in ("import", "export")
    deferred = [name for name in charge.of if name in tariff.deferred]
    wrong = {
        "named twice": lines.count(charge.line) > 1,
        "priced twice": priced > 1,
        "not priced": not priced,
        "blocks of what": charge.blocks and charge.on not in (*ENERGY, "demand"),
        "limits": limits[-1] is not None or not rising,
        "unit of limits": any(getattr(block, other_unit) is not None for block in charge.blocks),
        "prices of what": prices and charge.on not in (*ENERGY[:2], *ENERGY[3:]),
        "prices by bucket": prices and prices.buckets,
        "prices by hour": netted and _too_long(prices, charge.netting or credit.netting),
        "not by bucket": charge.netting == "period" and tariff.buckets,
        "by no bucket": charge.netting == "bucket" and not tariff.buckets,
        "of deferred": deferred,
        "which bucket": charge.bucket is not None and charge.bucket not in tariff.bucket_names,
        "bucket of what": charge.bucket is not None and charge.on not in (*ENERGY, "demand"),
        "percentage": percent and charge.price is not None and not -100 <= charge.price <= 100,
        "after credit": percent and charge.of and charge.after_credit and tariff.credit.unit == "money",
        "offset": percent and charge.offset,
        "limited": percent and charge.limited,
        "dates": _swapped(charge),
        "prorate": charge.prorate and charge.on not in ("month", "kw"),
        "by days": charge.blocks_by_days and charge.on == "demand",
        "use": charge.on == "use" and credit.unit != "none",
    }
    texts = {"limits": ", ".join(map(str, limits)), "energy": ", ".join(ENERGY), "unit": other_unit}
    texts |= {"netting": charge.netting or f"{credit.netting} (of credit.netting)", "deferred": ", ".join(deferred)}
    texts["nettings"] = ", ".join(_SHORT[prices.minutes]) if prices and prices.by_interval else ""
    texts["buckets"] = ", ".join(filter(None, tariff.bucket_names)) or "there is none"
    yield from _told("line", wrong, it=charge, **texts)
    above = tariff.charges[: lines.index(charge.line)]
    known = [other.line for other in tariff.charges if other.on != "percent" or other in above]
    yield from _unknown("of", charge.of, known, "lines, percentages only if they stand above: ")


def _of_whole(tariff):
    credit, names = tariff.credit, [bucket.name for bucket in tariff.buckets]
    rest = [bucket.unlimited for bucket in tariff.buckets]
    yearly = tariff.settlement == "year"
    deferred = [name for name in tariff.minimum_of if name in tariff.deferred]
    wrong = {
        "no line": not tariff.charges,
        "dates": _swapped(tariff),
        "same names": len(set(names)) < len(names),
        "no rest": names and rest != [False] * (len(rest) - 1) + [True],
        "not by bucket": names and credit.netting == "period",
        "by no bucket": not names and credit.netting == "bucket",
        "crosses nothing": not names and credit.netting != "bucket" and credit.cross_bucket != "none",
        "settles what": yearly and credit.unit != "money",
        "settles when": yearly and credit.resets in ([], ["reset_bills"]),
        "minimum of deferred": deferred,
        "carries until when": tariff.carried_at_reset != "keep" and not credit.resets,
    }
    limited = ", ".join(bucket.name for bucket in tariff.buckets if bucket.unlimited) or "no bucket"
    yield from _told("whole", wrong, it=tariff, names=", ".join(names), deferred=", ".join(deferred), limited=limited)
    for i, bucket in enumerate(tariff.buckets, 1):
        for first, end in (pair for pair in bucket.hours if pair[0] >= pair[1]):
            allowed = _WORDS["hours"].format(first=first, end=end)
            yield f"bucket[{i}].hours of {bucket.name!r}", f"[{first}, {end}]", allowed


def _of_credit(credit, tariff):
    unit, reset, price = credit.unit, bool(credit.resets), credit.export_price
    yearly = tariff.settlement == "year" and unit == "money"
    resets = credit.resets if tariff.carried_at_reset != "keep" else ()  # the carried sum ends then
    for key in _SETTLED if yearly else _ONLY_WITH_CREDIT if unit == "none" else ():
        value = getattr(credit, key)
        if value == type(credit).__dataclass_fields__[key].default or key in resets:
            continue
        if yearly:
            yield key, f"{value!r} with settlement = 'year'", "left out: at_reset says what happens to the year"
        else:
            yield key, "unit = 'none'", f"{key} only with a credit"
    retail = [charge for charge in tariff.charges if charge.on in RETAIL]
    billed = [charge for charge in retail if charge.on == "billed"]
    pays = credit.at_reset in ("pay", "pay if over") or "pay" in (credit.on_close, credit.at_end)
    wrong = {
        "worth": unit == "money" and len(credit.worth) != 1,
        "resets": len(credit.resets) > 1,
        "reset without end": unit != "none" and reset and credit.at_reset is None,
        "end without reset": unit != "none" and not reset and credit.at_reset is not None,
        "years": credit.reset_every_years > 1 and credit.resets in ([], ["reset_bills"]),
        "no payout price": unit == "kWh" and pays and credit.payout_price is None,
        "nothing paid": unit == "kWh" and not pays and credit.payout_price is not None,
        "payout of money": unit == "money" and credit.payout_price is not None and not (yearly and pays),
        "share": credit.payout_share is not None and not pays,
        "share of kWh": yearly and credit.payout_share is not None and credit.payout_price is not None,
        "pool": credit.order == "pool" and credit.life_bills is not None,
        "no life": credit.issuing_bill_counts and (credit.life_bills or 1) < 2,
        "convert": credit.at_end == "convert" and unit != "kWh",
        "crosses": credit.cross_bucket != "none" and unit != "kWh",
        "no line": unit == "kWh" and not billed,
        "crosses blocks": credit.cross_bucket != "none" and any(charge.blocks for charge in billed),
        "share of blocks": credit.export_share is not None and any(charge.price is None for charge in retail),
        "which buckets": price and price.buckets and {*price.buckets} != {bucket.name for bucket in tariff.buckets},
        "hours": _too_long(price, credit.netting),
        "settled roll": yearly and credit.at_reset == "roll",
        "settled below": yearly and credit.at_reset == "pay if over" and credit.below_threshold == "roll",
        "settled free": yearly and credit.payout_price == 0,
    }
    texts = {
        "worth": ", ".join(credit.worth) or "no worth",
        "resets": ", ".join(credit.resets) or "no reset",
        "paid": "something is paid out (at_reset, on_close, at_end)",
        "priced": ", ".join(price.buckets) if price else "",
        "names": ", ".join(tariff.bucket_names) or "the buckets, of which there are none",
        "nettings": ", ".join(_SHORT[price.minutes]) if price and price.by_interval else "",
    }
    yield from _told("credit", wrong, it=credit, **texts)
    lines = [charge.line for charge in retail if charge.price is not None]
    yield from _unknown("export_lines", credit.export_lines, lines, "lines with one price per kWh: ")


def size_problems(tariff, rated_dc_kw=None, rated_ac_kw=None, yearly_generation_kwh=None, yearly_use_kwh=None):
    """Return one sentence for each size limit of the tariff that an array exceeds; an empty list if it fits.

    Parameters
    ----------
    tariff : Tariff
    rated_dc_kw, rated_ac_kw : float, optional
        Ratings. [kW]
    yearly_generation_kwh, yearly_use_kwh : float, optional
        Expected generation and house use of a year. [kWh]
    """
    found = []
    rating = {"dc": rated_dc_kw, "ac": rated_ac_kw}[tariff.size_cap_rating]
    if tariff.size_cap_kw is not None and rating is not None and rating > tariff.size_cap_kw:
        found.append(f"{rating:g} kW {tariff.size_cap_rating.upper()} is above the limit of {tariff.size_cap_kw} kW.")
    share = tariff.size_cap_share_of_use
    if share is not None and yearly_generation_kwh is not None and yearly_use_kwh is not None:
        allowed = float(share) * yearly_use_kwh
        if yearly_generation_kwh > allowed:
            limit = f"{100 * float(share):g} % of the use, {allowed:,.0f} kWh"
            found.append(f"{yearly_generation_kwh:,.0f} kWh a year is above {limit}.")
    return found
