"""One converter or many: a picture; the house's own circuit: sums in words."""

import re
import textwrap
from dataclasses import replace
from functools import lru_cache

from solarlib.house.year import plain_words, weather_at
from solarlib.lessons.roof_circuit.pictures import CAPTIONS, lying_bars, move_lying_bars
from solarlib.lessons.tools import Picture
from solarlib.lessons.tools.figures import new_figure, rows_axis
from solarlib.quantities import counted, texts_beside
from solarlib.roof.array import loss_steps
from solarlib.roof.circuits import ALL_BREAKERS, BY_CURRENT
from solarlib.roof.parts import Converter
from solarlib.roof.shade import shade_hours, year_loss
from solarlib.roof.wiring import Branch, all_converters, branch_sum, joint_sum, rise_sum

NOMINAL_V = 240.0  # of the worked numbers
UNKNOWN = "not known"
KINDS = "one for each", "one for all"
TURNS = (0, 45, 90, 135, 180)


def limit_share(system):
    """Return the limit of an array's converters together over the label of its modules, in whole percent. [%]"""
    return round(100 * system.ac_limit_w / system.rated_power_w)


# ---------------------------------------------------------------- one converter or many


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
    places = (0, 0.8, 2.1, 2.9, 4.2, 5.0)
    rows_axis(ax, places, [f"{name}: {kind}" for name in names for kind in KINDS], (5.6, -0.6))
    ax.set(xlim=(0, 40), xlabel="lost in a year (%)")
    boxes, words = lying_bars(ax, places, [("loss", ""), ("loss", "xx")] * 3)

    def update(share, turn, days):
        losses = choice_losses(house, share, turn, days)
        values = [100 * value for name in names for value in losses[name]]
        move_lying_bars(boxes, words, values, 0.3, 36)
        more = {"limit": values[0] - values[1], "turned": values[3] - values[2], "out": values[5] - values[4]}
        return CAPTIONS["choice"].format(plain=plain_words(house.system), **more)

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


# ---------------------------------------------------------------- circuits


def own_branch(house):
    """Return the branch circuit that the sums look at: the house file's largest, or all converters of a kind."""
    kinds = [Branch(count, one.ac_limit_w) for one, count in house.system.converters.items()]
    return max(house.circuit.branch or kinds, key=lambda one: one.converters * one.output_w)


def changed(house, **change):
    """Return circuit, largest branch and all converters of a house with other values of its file, by their keys."""
    own, others = own_branch(house), list(house.circuit.branch)
    if own in others:
        others.remove(own)
    on_branch = {name: value for name, value in change.items() if hasattr(own, name)}
    if own.current_a and "output_w" in change:
        on_branch["current_a"] = own.current_a * change["output_w"] / own.output_w
    branch = replace(own, **on_branch)
    elsewhere = {name: value for name, value in change.items() if name not in on_branch}
    array = all_converters(house.system)
    more_w = branch.converters * branch.output_w - own.converters * own.output_w  # than the house has
    array = replace(array, converters=1, output_w=array.converters * array.output_w + more_w)
    return replace(house.circuit, branch=(branch, *others), **elsewhere), branch, array


def short_verdict(finding):
    """Return a verdict in the library's words, without whom to ask."""
    return finding.verdict.partition(": ask")[0]


def told(finding):
    """Return a verdict in the library's words, and what is unknown; the page to take along says whom to ask."""
    keys = [] if finding.values else re.findall(r"(\w+) [(]", finding.reason)
    return short_verdict(finding) + (f" (unknown: {', '.join(keys)})" if keys else "")


def _joint_words(finding, circuit):
    """Return one sentence about where the array meets the house."""
    others, values = len(circuit.branch) - 1, {name: value for name, value, _ in finding.values}
    beside = f" with {counted(others, 'other branch', 'other branches')}" if others else ""
    *parts, limit = values.values() or (0.0,)
    sums = [sum(parts)] if parts else []
    if "by_current_a" in values:
        names = {BY_CURRENT: "by_current_a", ALL_BREAKERS: "all_breakers_a"}
        by_rule = dict.fromkeys(names.get(rule, "by_breaker_a") for rule in circuit.rules)
        sums, limit = [values[name] for name in by_rule if values[name] != "unknown"], values["allowed_a"]
    against = f", {' or '.join(f'{end:.0f}' for end in sums)} A against {limit:.0f} A" if sums else ""
    return f"{'Busbar' if len(values) > 3 else 'Connection to the house'}{beside}{against}: {told(finding)}."


def circuit_words(house, **change):
    """Return in words the sums of the house's largest branch and of its joint, with other values of its file."""
    circuit, branch, array = changed(house, **change)
    chain, factor = branch_sum(circuit, branch), max(circuit.factors)
    current = branch.converters * (circuit.unit_current_a(branch) or 0.0)
    flow = f": {current:.1f} A, × {factor:g} = {factor * current:.1f} A" if current else ""
    breaker = f" with a {branch.breaker_a:g} A breaker" if chain.values else ""
    most = f" (most by the sum: {chain['units_by_breaker']})" if chain.values else ""
    power = f"{branch.converters} × {branch.output_w:g} W = {branch.converters * branch.output_w / 1000:.1f} kW{flow}"
    return f"{power}. Branch{breaker}{most}: {told(chain)}. {_joint_words(joint_sum(circuit, array), circuit)}"


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
    head = texts_beside(__file__, "question_list")["head"].strip()
    lines = head.format(house=house.name, **array, **known).splitlines()
    for finding in findings:
        lines.append(textwrap.fill(f"{finding.check}: {finding.verdict}", 99, subsequent_indent="   "))
        lines.append(textwrap.fill(finding.reason, 96, initial_indent="   ", subsequent_indent="   "))
    for whom, questions in whom_to_ask().items():
        lines.append(f"Ask {whom}:")
        lines += [textwrap.fill(w, 96, initial_indent="[  ] ", subsequent_indent="     ") for w in questions.values()]
    return "\n".join(lines)
