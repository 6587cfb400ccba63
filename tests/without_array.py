"""Billing periods of the same house without its array, or with one whose exports earn nothing."""


def _changed(periods, of):
    """Return the periods with delivered, received, generated energy in each bucket as a function of them makes it."""
    table, flows = periods.copy(), ("delivered_kwh", "received_kwh", "generation_kwh")
    for end in (name.removeprefix(flows[0]) for name in periods if name.startswith(flows[0])):
        made = of(*(periods[flow + end] for flow in flows))
        table = table.assign(**{flow + end: kwh for flow, kwh in zip(flows, made)})
        if f"import_kwh{end}" in table:
            table = table.assign(**{f"import_kwh{end}": table[flows[0] + end], f"export_kwh{end}": 0 * made[1]})
    return table


def without_array(periods):
    """Return the periods in which all that the house uses is bought."""
    return _changed(periods, lambda bought, sent, made: (bought + made - sent, 0 * sent, 0 * made))


def unpaid(periods):
    """Return the periods without the energy that was sent out."""
    return _changed(periods, lambda bought, sent, made: (bought, 0 * sent, made - sent))
