"""Pictures of lesson 03, second half: one converter or many, the house's own circuit, voltage rise."""

import re
import textwrap
from dataclasses import replace
from functools import lru_cache

import numpy as np

from solarlib.house.year import plain_words, weather_at
from solarlib.lessons.roof_circuit.pictures import CAPTIONS, lying_bars, move_lying_bars
from solarlib.lessons.tools import Picture, choice, own_slider
from solarlib.lessons.tools.figures import INK, TICK_PT, direct_label, filled, line, new_figure, rows_axis, zero_based
from solarlib.quantities import counted, texts_beside
from solarlib.roof.array import loss_steps
from solarlib.roof.circuits import ALL_BREAKERS, BY_CURRENT, METRIC
from solarlib.roof.parts import Converter
from solarlib.roof.shade import shade_hours, year_loss
from solarlib.roof.voltages import longest_chain
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


def with_branch(house, **values):
    """Return the house's circuit with other values of that branch, and the branch."""
    own, rest = own_branch(house), list(house.circuit.branch)
    branch = replace(own, **values)
    branch = replace(branch, current_a=own.current_a and own.current_a * branch.output_w / own.output_w)
    if own in rest:
        rest.remove(own)
    return replace(house.circuit, branch=(branch, *rest)), branch


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
    values = limits(house)[1][board]
    on_branch = {name: value for name, value in values.items() if name == "conductor_a"}
    known = {"converters": units, "output_w": float(output), "breaker_a": breaker or None}
    circuit, branch = with_branch(house, **known, **on_branch)
    circuit = replace(circuit, **{name: value for name, value in values.items() if name not in on_branch})
    array, own = all_converters(house.system), own_branch(house)
    more_w = units * output - own.converters * own.output_w  # than the house has
    return circuit, branch, replace(array, converters=1, output_w=array.converters * array.output_w + more_w)


def _rows(circuit):
    """Return what each row of bars adds up at a busbar, by the rules that may be in force: name of the sum -> words."""
    names = {BY_CURRENT: "by_current_a", ALL_BREAKERS: "all_breakers_a"}
    return {name: CHOICES["rows"][name] for name in (names.get(rule, "by_breaker_a") for rule in circuit.rules)}


def _bars(finding, circuit):
    """Return where the bars of a sum begin and end, its limit and what that is called; (0, 0) is no bar. [A]"""
    values = {name: value for name, value, _ in finding.values}
    if "by_current_a" in values:
        ends = [0.0 if values[name] == "unknown" else values[name] for name in _rows(circuit)]
        mains = [0.0 if name == "all_breakers_a" else circuit.main_a for name in _rows(circuit)]
        words = "1.2 × busbar" if values["allowed_a"] > circuit.busbar_a else "busbar"
        return [(min(main, end), end) for main, end in zip(mains, ends)], values["allowed_a"], words
    *parts, limit = values.values() or (0.0,)
    words = "service" if "service_a" in values else "wires" if "conductor_a" in values else "breaker"
    return [(sum(parts[:-1]), sum(parts))], limit, words


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
    bars, limit, words = _bars(finding, circuit)
    sums = " or ".join(f"{end:.0f}" for _, end in bars if end)
    name = "Busbar" if "busbar" in words else "Connection to the house"
    return f"{name}{beside}{f', {sums} A against {limit:.0f} A' if sums else ''}: {told(finding)}."


def circuit_picture(house):
    """Return the picture of the sums: converters, output, breaker, board -> branch circuit, joint with the house."""
    controls, own, (label, options, _) = circuit_controls(house), own_branch(house), limits(house)
    factor = max(house.circuit.factors)
    amps = [house.circuit.unit_current_a(branch) or 0.0 for branch in (own, *house.circuit.branch)]
    most = factor * controls["units"].extremes[-1] * controls["output"].extremes[-1] * max(amps) / own.output_w or 100.0
    board = max(value or 0.0 for values in options.values() for value in values.values())
    tops = 1.42 * most, 1.3 * max(board + most, 1.2 * board)
    figure, (branch, joint) = new_figure(1, 2, left=0.1, right=0.98, wspace=0.5, bottom=0.3, top=0.9)
    rows = [*(_rows(house.circuit).values() if label == "Panelboard" else ["array"]), "", ""][:2]
    for ax, names in ((branch, ["current", f"× {factor:g}"]), (joint, rows)):
        rows_axis(ax, [0, 1], names, (1.6, -0.75))
    branch.set(xlim=(0, tops[0]), xlabel="on one branch circuit (A)")
    joint.set(xlim=(0, tops[1]), xlabel="where it meets the house (A)")
    places = (branch, "pv"), (joint, "import"), (joint, "pv")
    one, two, more = (ax.barh([0, 1], [0, 0], height=0.6, **filled(role)) for ax, role in places)
    marks = [line(ax, "load", [0, 0], [-0.45, 1.5], linestyle="-") for ax in (branch, joint)]
    heads = [direct_label(ax, 0, -0.48, "", size=TICK_PT, va="bottom", ha="center") for ax in (branch, joint)]
    ends = (branch, tops[0], 0), (branch, tops[0], 1), (joint, tops[1], 0), (joint, tops[1], 1)
    sums = [direct_label(ax, top, row, "", "pv", va="center", ha="right") for ax, top, row in ends]
    bold = {"fontsize": 12, "color": INK, "fontweight": "bold"}
    verdicts = [figure.text(x, 0.02, "", va="bottom", ha="left", **bold) for x in (0.02, 0.53)]

    def update(units, output, breaker, board):
        circuit, one_branch, array = changed(house, units, output, breaker, board)
        chain, met = branch_sum(circuit, one_branch), joint_sum(circuit, array)
        current = units * (circuit.unit_current_a(one_branch) or 0.0)
        ends, limit, name = _bars(met, circuit)
        ends = [*ends, (0.0, 0.0)][:2]
        for bar, amps in zip(one, (current, factor * current)):
            bar.set_width(amps)
        for low, high, (begin, end) in zip(two, more, ends):
            low.set_width(begin)
            high.set(x=begin, width=end - begin)
        for mark, head, amps, words in zip(marks, heads, (breaker, limit), ("breaker", name)):
            mark.set_xdata([amps, amps])
            head.set(x=amps, text=f"{words} {amps:g} A" if amps else "")
        for text, amps in zip(sums, (current, factor * current, *(end for _, end in ends))):
            text.set_text(f"{amps:.1f} A" if amps else "")
        for text, words, finding in zip(verdicts, ("branch", "connection"), (chain, met)):
            text.set_text(textwrap.fill(f"{words}: {finding.verdict}", 56))
        flow = f": {current:.1f} A, × {factor:g} = {factor * current:.1f} A" if current else ""
        behind = f" with a {breaker:g} A breaker (most by the sum: {chain['units_by_breaker']})" if chain.values else ""
        power = f"{units} × {output:g} W = {units * output / 1000:.1f} kW{flow}"
        return f"{power}. Branch{behind}: {told(chain)}. {_joint_words(met, circuit)}"

    return Picture(figure, [one, two, more, marks, heads, sums, verdicts], update)


def rise_controls(house):
    """Return the controls of `rise_picture`, which begin with what the house file tells of its largest branch."""
    own, metric = own_branch(house), "mm2" in (own_branch(house).run or "")
    metric = metric or not own.run and house.circuit.system != "split phase"
    wires = {size: f"{size} copper" for size in CHOICES["wires"]["metric" if metric else "AWG"]}
    wires |= {own.run.removesuffix(" copper"): own.run} if own.run else {}
    known, ends = own.run is not None and own.run_m is not None, ["end", "middle"]
    fed_at = own.fed_at or (UNKNOWN if own.converters > 1 else "end")
    return {
        "units": own_slider("Converters", 2, 16 if own.converters > 1 else 4, 1, own.converters),
        "length": own_slider("Home run", 5, 40, 5, 20 if own.run_m is None else own.run_m, "m"),
        "wire": choice("Wire", wires | ({} if known else {UNKNOWN: ""}), own.run if known else ""),
        "fed_at": choice("Chain fed at", ends + [UNKNOWN] * (fed_at == UNKNOWN), fed_at),
    }


def _rise(house, units, length, wire, fed_at):
    """Return branch and sum of the voltage for values of the controls."""
    fed = None if fed_at == UNKNOWN else fed_at
    circuit, branch = with_branch(house, converters=units, run_m=float(length), run=wire or None, fed_at=fed)
    return branch, rise_sum(circuit, branch)


def rise_picture(house):
    """Return the picture of voltage rise: converters, home run, wire, point of feed -> voltage along the branch."""
    own, ends = own_branch(house), {name: control.extremes for name, control in rise_controls(house).items()}
    current, volts = house.circuit.unit_current_a(own), house.circuit.volts(own)
    nominal = min(volts, house.circuit.voltage_v) if volts else None  # from line to line where it feeds three
    worst = [_rise(house, n, ends["length"][-1], wire, "end")[1] for n in ends["units"] for wire in ends["wire"]]
    top = 1.2 * max([found["total_v"] for found in worst if found.values], default=1.0)
    figure, ax = new_figure()
    spacing = own.spacing_m or 0.0
    far = ends["length"][-1] + spacing * ends["units"][-1] + 2
    ax.set(xlim=(0, far), xlabel="way along the wire, from the panelboard (m)")
    zero_based(ax, top, "above the panelboard (V)")
    if nominal:
        line(ax, "load", [0, 2000], [0.02 * nominal] * 2, linewidth=2)
        direct_label(ax, 1, 0.02 * nominal + 0.01 * top, f"2 % of {nominal:.0f} V", va="bottom", size=TICK_PT)
    run = line(ax, "pv", [0, 0], [0, 0])
    chain = line(ax, "pv", [0, 0], [0, 0], linestyle="-", marker="o", markersize=7)
    run_name = direct_label(ax, 0, 0, "", "pv", va="top")
    chain_name = direct_label(ax, 0, 0, "", "pv", va="bottom", ha="right")

    def update(units, length, wire, fed_at):
        branch, found = _rise(house, units, length, wire, fed_at)
        half = longest_chain(units, branch.fed_at or "end") if found.values and units > 1 else 0
        known = {name: value for name, value, _ in found.values} or {"run_v": 0.0, "chain_v": 0.0, "total_v": 0.0}
        left = np.arange(half, -1, -1)
        volts = known["run_v"] + known["chain_v"] * (1.0 - left * (left + 1) / max(half * (half + 1), 1))
        run.set_data([0, length], [0, known["run_v"]])
        chain.set_data(length + spacing * np.arange(half + 1), volts)
        run_name.set_text(f"home run: {known['run_v']:.1f} V" if found.values else "")
        run_name.set_position((length + 1, max(known["run_v"] - 0.05 * top, 0.09 * top)))
        words = "chain" if fed_at == "end" else "longer half of the chain"
        chain_name.set_text(f"{words}: {known['total_v']:.1f} V at its end" if half else "")
        above = max(volts[-1] + 0.03 * top, 0.02 * (nominal or 0.0) + 0.1 * top)
        chain_name.set_position((max(length + spacing * half, 34), above))
        flow = f" of {current:.2f} A" if current else ""
        start = f"{counted(units, 'converter')}{flow}{f', fed at the {fed_at}' if half else ''}"
        if not found.values:
            return f"{start}: the voltage rise is {told(found)}. Ask an electrician."
        on_chain = f" ({100 * found['chain_share']:.2f} % on the chain)" if half else ""
        rise = {"total": found["total_v"], "share": 100 * found["total_share"], "on_chain": on_chain}
        return CAPTIONS["rise"].format(start=start, length=length, wire=wire, verdict=found.verdict, **rise)

    return Picture(figure, [run, chain, run_name, chain_name], update)


def whom_to_ask():
    """Return the questions that no sum answers: whom to ask -> topic -> words."""
    return texts_beside(__file__, "whom_to_ask")


def question_list(findings, house):
    """Return the page to take along: each value with its verdict, then what no sum decides and whom to ask."""
    circuit, kinds = house.circuit, house.system.converters.items()
    modules = " and ".join(
        f"{counted(n, 'module')} of {one.rated_power_w:g} W" for one, n in house.system.modules.items()
    )
    converters = " and ".join(f"{counted(n, 'converter')} of {one.ac_limit_w:g} W" for one, n in kinds)
    array = {"modules": modules, "converters": converters, "tables": "tables" if house.system.mixed else "table"}
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
