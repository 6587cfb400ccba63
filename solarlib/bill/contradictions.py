"""Which rules of a tariff contradict each other, and whether an array is small enough for it.

Each field may be right on its own and still make no sense beside another; every such pair is named here, so that a
combination of rules either computes or is refused with a reason.
"""

from dataclasses import fields

from solarlib.schema import ENERGY


def contradictions(tariff):
    """Yield (field, what was found, what is allowed) for every rule that contradicts another.

    `solarlib.bill.tariff.checked` raises them for a tariff made in code rather than read from a table.
    """
    lines = [charge.line for charge in tariff.charges]
    for i, charge in enumerate(tariff.charges):
        for key, found, allowed in _charge_contradictions(charge, tariff, lines):
            yield f"charge[{i}].{key} (line {charge.line!r})", found, allowed
    if not lines:
        yield "charge", "no line", "at least one bill line"
    for line in tariff.minimum_of:
        if line not in lines:
            yield "minimum_of", repr(line), f"names of lines: {', '.join(lines)}"
    if tariff.minimum_of and tariff.minimum_bill is None:
        yield "minimum_of", "no minimum_bill", "minimum_of only together with minimum_bill"
    if tariff.valid_from and tariff.valid_to and tariff.valid_from >= tariff.valid_to:
        yield "valid_to", str(tariff.valid_to), f"a date after valid_from, {tariff.valid_from}"
    yield from _bucket_contradictions(tariff)
    for key, found, allowed in _credit_contradictions(tariff.credit, tariff):
        yield f"credit.{key}", found, allowed


def _charge_contradictions(charge, tariff, lines):
    if lines.count(charge.line) > 1:
        yield "line", "the same name twice", "one name per line"
    if (charge.price is None) == (not charge.blocks):
        yield (
            "price",
            "both price and blocks" if charge.blocks else "neither price nor blocks",
            "exactly one of the two",
        )
    if charge.blocks:
        limits = [block.up_to_kwh for block in charge.blocks]
        if charge.on not in ENERGY:
            yield "blocks", f"on = {charge.on!r}", f"blocks only on {', '.join(ENERGY)}"
        if limits[-1] is not None or None in limits[:-1] or any(a >= b for a, b in zip(limits[:-1], limits[1:-1])):
            yield "blocks", "limits " + ", ".join(map(str, limits)), "up_to_kwh rising, and none on the last block"
    elif charge.blocks_by_days:
        yield "blocks_by_days", "no blocks", "blocks_by_days only with blocks"
    if charge.bucket is not None:
        if charge.bucket not in tariff.bucket_names:
            yield "bucket", repr(charge.bucket), "a bucket named in [[bucket]]"
        if charge.on not in (*ENERGY, "demand"):
            yield "bucket", f"on = {charge.on!r}", "a bucket only on energy or demand"
    if (charge.on == "demand") != (charge.window_minutes is not None):
        yield "window_minutes", str(charge.window_minutes), "given exactly when on = 'demand'"
    if charge.on == "percent":
        if charge.price is not None and not -100 <= charge.price <= 100:
            yield "price", str(charge.price), "a percentage from -100 to 100"
        if charge.of and charge.after_credit and tariff.credit.unit == "money":
            yield "of", "after_credit = true", "after_credit = false when the taxed lines are named one by one"
        if charge.offset:
            yield "offset", "true on a percentage", "false: a tax on the bill after credit uses after_credit"
        if charge.months or charge.valid_from or charge.valid_to:
            yield "months", "a limit in time on a percentage", "a sequence of tariffs with valid_from"
    elif charge.of:
        yield "of", f"on = {charge.on!r}", "of only with on = 'percent'"
    taxable = [other.line for other in tariff.charges if other.on != "percent"]
    for line in charge.of:
        if line not in taxable:
            yield "of", repr(line), f"lines that are no percentage: {', '.join(taxable)}"
    if charge.valid_from and charge.valid_to and charge.valid_from >= charge.valid_to:
        yield "valid_to", str(charge.valid_to), f"a date after valid_from, {charge.valid_from}"
    if charge.prorate and charge.on not in ("month", "kw"):
        yield "prorate", f"on = {charge.on!r}", "prorate only on month or kw"
    if charge.on == "use" and tariff.credit.unit != "none":
        yield "on", "'use' with a credit", "credit.unit = 'none': house use already contains what was generated"


def _bucket_contradictions(tariff):
    if tariff.buckets:
        names = [bucket.name for bucket in tariff.buckets]
        rest = [not bucket.hours and bucket.days == "all" and not bucket.months for bucket in tariff.buckets]
        if len(set(names)) < len(names):
            yield "bucket", ", ".join(names), "one name per bucket"
        if rest != [False] * (len(rest) - 1) + [True]:
            yield (
                "bucket",
                "no or several buckets without limits",
                "the last, and only the last, takes every other hour",
            )
        for bucket in tariff.buckets:
            if any(start >= end for start, end in bucket.hours):
                yield (
                    f"bucket {bucket.name!r}.hours",
                    str(bucket.hours),
                    "pairs [from, to] with from < to, in hours 0 to 24",
                )
        if tariff.credit.netting == "period":
            yield "credit.netting", "'period' with buckets", "bucket, day, hour, quarter hour or none"
    elif tariff.credit.netting == "bucket":
        yield "credit.netting", "'bucket' without buckets", "at least one [[bucket]]"
    elif tariff.credit.cross_bucket != "none":
        yield "credit.cross_bucket", "no buckets", "none"


def _credit_contradictions(credit, tariff):
    worth = [key for key in ("export_price", "export_share", "export_lines") if getattr(credit, key) not in (None, ())]
    resets = [key for key in ("reset_month", "reset_date", "reset_anniversary", "reset_bills") if getattr(credit, key)]
    given = {field.name for field in fields(credit) if getattr(credit, field.name) != field.default}
    if credit.unit == "money" and len(worth) != 1:
        yield "export_price", ", ".join(worth) or "no worth", "exactly one of export_price, export_share, export_lines"
    if credit.unit != "money":
        for key in sorted(
            given & {"export_price", "export_share", "export_lines", "export_factor", "payout_share", "usable"}
        ):
            yield key, f"unit = {credit.unit!r}", f"{key} only with unit = 'money'"
    if credit.unit == "none":
        for key in sorted(given & {"life_bills", "order", "cross_bucket", "at_reset", "payout_price", *resets}):
            yield key, "unit = 'none'", f"{key} only with a credit"
    if len(resets) > 1:
        yield "reset_month", ", ".join(resets), "only one of these"
    if bool(resets) != (credit.at_reset is not None) and credit.unit != "none":
        yield "at_reset", "given" if credit.at_reset else "missing", "given exactly when there is a reset rule"
    if credit.reset_first_bill and not credit.reset_bills:
        yield "reset_first_bill", "no reset_bills", "only together with reset_bills"
    if credit.reset_every_years > 1 and not ({"reset_month", "reset_date", "reset_anniversary"} & set(resets)):
        yield "reset_every_years", "no yearly reset", "only with reset_month, reset_date or reset_anniversary"
    pays = credit.at_reset in ("pay", "pay if over") or "pay" in (credit.on_close, credit.at_end)
    if credit.unit == "kWh" and pays != (credit.payout_price is not None):
        yield (
            "payout_price",
            str(credit.payout_price),
            "given exactly when something is paid out (at_reset, on_close, at_end)",
        )
    if credit.unit == "money" and credit.payout_price is not None:
        yield "payout_price", str(credit.payout_price), "payout_share with unit = 'money'"
    if credit.payout_share is not None and not pays:
        yield "payout_share", str(credit.payout_share), "only when something is paid out (at_reset, on_close, at_end)"
    if (credit.at_reset == "pay if over") != (credit.payout_threshold is not None):
        yield "payout_threshold", str(credit.payout_threshold), "given exactly when at_reset = 'pay if over'"
    if credit.order == "pool" and credit.life_bills is not None:
        yield "order", "'pool' with life_bills", "fifo or lifo: a pool does not know how old its credits are"
    if credit.issuing_bill_counts and (credit.life_bills or 1) < 2:
        yield (
            "issuing_bill_counts",
            f"life_bills = {credit.life_bills}",
            "life_bills of 2 or more, else no bill could use the credit",
        )
    if (credit.at_end == "convert") != (credit.conversion_price is not None):
        yield "conversion_price", str(credit.conversion_price), "given exactly when at_end = 'convert'"
    if credit.at_end == "convert" and credit.unit != "kWh":
        yield "at_end", f"'convert' with unit = {credit.unit!r}", "convert only from kWh to money"
    if credit.cross_bucket != "none" and credit.unit != "kWh":
        yield "cross_bucket", f"unit = {credit.unit!r}", "none: money crosses buckets by itself"
    billed = [charge for charge in tariff.charges if charge.on == "billed"]
    if credit.unit == "kWh" and not billed:
        yield "unit", "'kWh' but no line on = 'billed'", "at least one line that a kWh credit can reduce"
    if credit.cross_bucket != "none" and any(charge.blocks for charge in billed):
        yield "cross_bucket", "block prices", "none: with blocks no bucket has one price"
    if credit.export_share is not None and any(
        c.blocks for c in tariff.charges if c.on in ("import", "billed", "delivered")
    ):
        yield (
            "export_share",
            "block prices",
            "export_price or export_lines: with blocks there is no single retail price",
        )
    priced = [
        charge.line for charge in tariff.charges if charge.on in ("import", "billed", "delivered") and not charge.blocks
    ]
    for line in credit.export_lines:
        if line not in priced:
            yield "export_lines", repr(line), f"lines with one price per kWh: {', '.join(priced) or 'there are none'}"
    price = credit.export_price
    if price and price.buckets and set(price.buckets) != {bucket.name for bucket in tariff.buckets}:
        names = ", ".join(tariff.bucket_names) or "the buckets, of which there are none"
        yield "export_price", f"buckets {', '.join(price.buckets)}", f"one price for each of {names}"
    if price and price.by_hour and credit.netting not in ("hour", "quarter hour", "none"):
        found = f"an hourly table with netting = {credit.netting!r}"
        yield "export_price", found, "netting by hour, quarter hour or none"


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
            found.append(
                f"{yearly_generation_kwh:,.0f} kWh a year is above {100 * float(share):g} % of the use, {allowed:,.0f}"
                " kWh."
            )
    return found
