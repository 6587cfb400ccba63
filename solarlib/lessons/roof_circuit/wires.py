"""Pictures of lesson 03, second half: one converter or many, the house's own circuit."""

import re
import textwrap
from dataclasses import replace
from functools import lru_cache

from solarlib.house.year import plain_words, weather_at
from solarlib.lessons.roof_circuit.pictures import CAPTIONS, lying_bars, move_lying_bars
from solarlib.lessons.tools import Picture, choice, own_slider
from solarlib.lessons.tools.figures import INK, direct_label, filled, line, new_figure, rows_axis
from solarlib.quantities import counted, texts_beside
from solarlib.roof.array import loss_steps
from solarlib.roof.circuits import ALL_BREAKERS, BY_CURRENT, METRIC
from solarlib.roof.parts import Converter
from solarlib.roof.shade import shade_hours, year_loss
from solarlib.roof.wiring import Branch, all_converters, branch_sum, joint_sum, rise_sum

NOMINAL_V = 240.0  # of the worked numbers
CHOICES = texts_beside(__file__, "choices")
UNKNOWN = "not known"
TURNS = (0, 45, 90, 135, 180)


def limit_share(system):
    """Return the limit of an array's converters together over the label of its modules, in whole percent. [%]"""
    return round(100 * system.ac_limit_w / system.rated_power_w)


# ---------------------------------------------------------------- part 3: one converter or many


def choice_losses(house, share, turn, days):
    """Return what each choice loses in a year, as shares: (per module, central) for limit, directions, one failure.

    Parameters
    ----------
    house : House
        Its modules, half of them on a second plane of the same tilt.
    share : float
        Limit of all converters together over the label of all modules. [%]
    turn : float
        How far the second plane faces away from the first; one of TURNS. [deg]
    days : float
        One converter stands still for so long. [days]
    """
    known = house.weather_file, house.place, house.system
    return {
        "limit": tuple(_limit_loss(*known, kind, share, turn) for kind in ("per module", "central")),
        "directions": (0.0, _turn_loss(*known, turn)),
        "one failure": (days / 365 / house.system.module_count, days / 365),
    }


def choice_picture(house):
    """Return the picture of the choice: limit, second plane, days of standstill -> what each kind loses in a year."""
    for turn in TURNS:
        _turn_loss(house.weather_file, house.place, house.system, turn)
    names = ("limit", "directions", "one failure")
    figure, ax = new_figure(left=0.3, right=0.97, top=0.98)
    kinds = ("one a module", "one for all")
    places = (0, 0.8, 2.1, 2.9, 4.2, 5.0)
    rows_axis(ax, places, [f"{name}: {kind}" for name in names for kind in kinds], (5.6, -0.6))
    ax.set(xlim=(0, 40), xlabel="lost in a year (%)")
    boxes, words = lying_bars(ax, places, [("loss", ""), ("loss", "xx")] * 3, height=0.7, linewidth=0)

    def update(share, turn, days):
        losses = choice_losses(house, share, turn, days)
        values = [100 * value for name in names for value in losses[name]]
        move_lying_bars(boxes, words, values, 0.3, 36)
        said = {"lost": values, "count": house.system.module_count, "plain": plain_words(house.system)}
        return CAPTIONS["choice"].format(share=share, turn=turn, days=days, **said)

    return Picture(figure, [boxes, words], update, slow=True)


def _halves(system, turn):
    """Return the house's largest plane as two halves, the second turned toward the afternoon side and around."""
    first = system.largest_plane.alone(1)
    return first, replace(first, surface_azimuth=(first.surface_azimuth + turn) % 360)


@lru_cache(maxsize=256)
def _limit_loss(weather_file, place, system, kind, share, turn):
    """Return the share of direct-current energy above the limit for equal halves on two planes."""
    sky = weather_at(weather_file, place)
    own = system.ac_limit_w / system.rated_power_w if share == limit_share(system) else share / 100
    one = own * system.module.rated_power_w
    converter = Converter(kind, one if kind == "per module" else 2 * one)
    steps = loss_steps(sky, place, replace(system, planes=_halves(system, turn), converter=converter))
    limit = steps.set_index("step").loc["limit of the converter"]
    taken, left = -limit["change_kwh"], limit["energy_kwh"]
    return float(max(taken, 0.0) / (taken + left)) + 0.0 if taken + left > 0 else 0.0


@lru_cache(maxsize=64)
def _turn_loss(weather_file, place, system, turn):
    """Return what one tracker for both halves in one string loses, as a share."""
    sky = weather_at(weather_file, place)
    two = replace(system, planes=_halves(system, turn))
    return max(0.0, year_loss(shade_hours(sky, place, two, ((), ()), one_string=True)).string_loss)


# ---------------------------------------------------------------- part 4: circuits


def own_branch(house):
    """Return the branch circuit that the controls begin with: the house file's largest, or all converters of a kind."""
    kinds = [Branch(count, one.ac_limit_w) for one, count in house.system.converters.items()]
    return max(house.circuit.branch or kinds, key=lambda one: one.converters * one.output_w)


def limits(house):
    """Return what stands where the array meets the house: label, words -> values by their keys, the house's words."""
    circuit, branch = house.circuit, own_branch(house)
    panelboard = CHOICES["metric panelboard" if _metric(circuit) else "panelboard"]
    label, names, usual = CHOICES["joined"].get(circuit.joined, panelboard).values()
    own = tuple(getattr(branch if names == ["conductor_a"] else circuit, name) for name in names)
    known = sorted({*map(tuple, usual), *([] if None in own else [own])})
    options = {"/".join(f"{amps:g}" for amps in pair): dict(zip(names, pair)) for pair in known}
    if None in own:
        return label, options | {UNKNOWN: dict.fromkeys(names)}, UNKNOWN
    return label, options, "/".join(f"{amps:g}" for amps in own)


def _metric(circuit):
    return METRIC in circuit.rules


def circuit_controls(house):
    """Return the controls of `circuit_picture`, which begin with what the house file tells of its circuit."""
    own, many = own_branch(house), house.system.converter.kind == "per module"
    sizes = {*((16, 20, 25, 32) if _metric(house.circuit) else (15, 20, 25, 30)), own.breaker_a or 20}
    breakers = {f"{size:g}": size for size in sorted(sizes)} | ({} if own.breaker_a else {UNKNOWN: 0})
    label, options, board = limits(house)
    return {
        "units": own_slider("Converters", 1, 24 if many else 4, 1, own.converters),
        "output": own_slider("Output of one", *((200, 480, 10) if many else (1000, 10_000, 100)), own.output_w, "W"),
        "breaker": choice("Breaker (A)", breakers, own.breaker_a or 0),
        "board": choice(label, list(options), board),
    }


def changed(house, units, output, breaker, board):
    """Return circuit, branch and all converters of the house for values of the controls of `circuit_picture`."""
    own, others, values = own_branch(house), list(house.circuit.branch), limits(house)[1][board]
    if own in others:
        others.remove(own)
    on_branch = {name: value for name, value in values.items() if name == "conductor_a"}
    current_a = own.current_a and own.current_a * output / own.output_w
    known = {"converters": units, "output_w": float(output), "breaker_a": breaker or None, "current_a": current_a}
    branch = replace(own, **known, **on_branch)
    elsewhere = {name: value for name, value in values.items() if name not in on_branch}
    array = all_converters(house.system)
    more_w = units * output - own.converters * own.output_w  # than the house has
    array = replace(array, converters=1, output_w=array.converters * array.output_w + more_w)
    return replace(house.circuit, branch=(branch, *others), **elsewhere), branch, array


def _rows(circuit):
    """Return what each row of bars adds up at a busbar, by the rules that may be in force: name of the sum -> words."""
    names = {BY_CURRENT: "by_current_a", ALL_BREAKERS: "all_breakers_a"}
    return {name: CHOICES["rows"][name] for name in (names.get(rule, "by_breaker_a") for rule in circuit.rules)}


def _bars(finding, circuit):
    """Return where the bars of a sum begin and end, and its limit; (0, 0) is no bar. [A]"""
    values = {name: value for name, value, _ in finding.values}
    if "by_current_a" in values:
        ends = [0.0 if values[name] == "unknown" else values[name] for name in _rows(circuit)]
        mains = [0.0 if name == "all_breakers_a" else circuit.main_a for name in _rows(circuit)]
        return [(min(main, end), end) for main, end in zip(mains, ends)], values["allowed_a"]
    *parts, limit = values.values() or (0.0,)
    return [(sum(parts[:-1]), sum(parts))], limit


def short_verdict(finding):
    """Return a verdict in the library's words, without whom to ask."""
    return finding.verdict.partition(": ask")[0]


def told(finding):
    """Return a verdict in the library's words, and what is unknown; the picture says in full whom to ask."""
    keys = [] if finding.values else re.findall(r"(\w+) [(]", finding.reason)
    return short_verdict(finding) + (f" (unknown: {', '.join(keys)})" if keys else "")


def _joint_words(finding, circuit):
    """Return one sentence about where the array meets the house."""
    others = len(circuit.branch) - 1
    beside = f" with {counted(others, 'other branch', 'other branches')}" if others else ""
    bars, limit = _bars(finding, circuit)
    sums = " or ".join(f"{end:.0f}" for _, end in bars if end)
    name = "Busbar" if len(finding.values) > 3 else "Connection to the house"
    return f"{name}{beside}{f', {sums} A against {limit:.0f} A' if sums else ''}: {told(finding)}."


def circuit_picture(house):
    """Return the picture of the sums: converters, output, breaker, board -> branch circuit, joint with the house."""
    factor, rows = max(house.circuit.factors), range(3)
    joint = _rows(house.circuit).values() if limits(house)[0] == "Panelboard" else ["array"]
    figure, ax = new_figure(left=0.17, right=0.8, bottom=0.3)
    rows_axis(ax, rows, [f"branch:\n{factor:g} × current", *joint, ""][:3], (2.6, -0.6))
    ax.set(xlim=(0, 150), xlabel="of what is allowed (%)")
    limit_line = line(ax, "load", [100, 100], [-0.6, 2.6], linestyle="-")
    mains, arrays = (ax.barh(rows, 0.0, height=0.6, **filled(role)) for role in ("import", "pv"))
    sums = [direct_label(ax, 152, row, "", "pv", va="center", clip_on=False) for row in rows]
    bold = {"fontsize": 12, "color": INK, "fontweight": "bold"}
    verdicts = [figure.text(x, 0.02, "", va="bottom", ha="left", **bold) for x in (0.02, 0.53)]

    def update(units, output, breaker, board):
        circuit, branch, array = changed(house, units, output, breaker, board)
        chain, met = branch_sum(circuit, branch), joint_sum(circuit, array)
        current = units * (circuit.unit_current_a(branch) or 0.0)
        bars, limit = _bars(met, circuit)
        ends = [(0.0, factor * current, breaker), *((*bar, limit) for bar in bars), (0.0, 0.0, 0.0)]
        for main, more, text, (begin, end, most) in zip(mains, arrays, sums, ends):
            percent = 100.0 / most if most else 0.0
            main.set_width(begin * percent)
            more.set(x=begin * percent, width=(end - begin) * percent)
            text.set_text(f"{end:.1f} of {most:g} A" if end and most else "")
        for text, words, finding in zip(verdicts, ("branch", "connection"), (chain, met)):
            text.set_text(textwrap.fill(f"{words}: {finding.verdict}", 50))
        flow = f": {current:.1f} A, × {factor:g} = {factor * current:.1f} A" if current else ""
        behind = f" with a {breaker:g} A breaker (most by the sum: {chain['units_by_breaker']})" if chain.values else ""
        power = f"{units} × {output:g} W = {units * output / 1000:.1f} kW{flow}"
        return f"{power}. Branch{behind}: {told(chain)}. {_joint_words(met, circuit)}"

    return Picture(figure, [mains, arrays, limit_line, sums, verdicts], update)


def rise_of(house, **change):
    """Return in words how far the voltage rises along the house's largest branch, with other values of its file."""
    found = rise_sum(house.circuit, replace(own_branch(house), **change))
    rise = f"{found['total_v']:.1f} V, {100 * found['total_share']:.2f} %: " if found.values else ""
    return rise + told(found)


def whom_to_ask():
    """Return the questions that no sum answers: whom to ask -> topic -> words."""
    return texts_beside(__file__, "whom_to_ask")


def question_list(findings, house):
    """Return the page to take along: each value with its verdict, then what no sum decides and whom to ask."""
    circuit, system = house.circuit, house.system
    modules = [f"{counted(n, 'module')} of {one.rated_power_w:g} W" for one, n in system.modules.items()]
    converters = [f"{counted(n, 'converter')} of {one.ac_limit_w:g} W" for one, n in system.converters.items()]
    array = {"modules": " and ".join(modules), "converters": " and ".join(converters)}
    array["tables"] = "tables" if system.mixed else "table"
    known = {name: getattr(circuit, name) or UNKNOWN for name in ("system", "joined", "rule")}
    known["voltage"] = f"{circuit.voltage_v:g} V" if circuit.voltage_v else UNKNOWN
    lines = CHOICES["question_list"].strip().format(house=house.name, **array, **known).splitlines()
    for finding in findings:
        lines.append(textwrap.fill(f"{finding.check}: {finding.verdict}", 99, subsequent_indent="   "))
        lines.append(textwrap.fill(finding.reason, 96, initial_indent="   ", subsequent_indent="   "))
    for whom, questions in whom_to_ask().items():
        lines.append(f"Ask {whom}:")
        lines += [textwrap.fill(w, 96, initial_indent="[  ] ", subsequent_indent="     ") for w in questions.values()]
    return "\n".join(lines)
