"""Pictures of lesson 03, second half: one converter or many, one branch circuit and the panelboard, voltage rise."""

import textwrap
from dataclasses import replace
from functools import lru_cache
from types import SimpleNamespace

import numpy as np

from solarlib.house.year import weather_at
from solarlib.lessons.roof_circuit.pictures import largest_plane, lying_bars, move_lying_bars, rows_axis, shares_axis
from solarlib.lessons.tools.figures import BACKGROUND, INK, ROLES, TICK_PT, direct_label, line, new_figure, zero_based
from solarlib.lessons.tools.panel import Picture
from solarlib.quantities import texts_beside
from solarlib.roof.array import loss_steps
from solarlib.roof.circuits import check_branch, check_busbar
from solarlib.roof.obstacles import ModuleLayout
from solarlib.roof.parts import Converter
from solarlib.roof.shade import shade_hours, year_loss
from solarlib.roof.voltages import awg_area_mm2, chain_change_v, check_voltage_rise, copper_ohm_per_km, longest_chain

NOMINAL_V = 240.0
PANELBOARDS = {
    f"{main}/{bus}": (main, bus) for main, bus in ((100, 100), (100, 125), (150, 150), (200, 200), (200, 225))
}
SPACING_M = ModuleLayout(1, 1).width_m
TRUNK_GAUGE = 12
TURNS = (0, 45, 90, 135, 180)
MOST_UNITS, LONGEST_CHAIN, LONGEST_RUN, THINNEST = 24, 16, 40, 12


def start_values(house):
    """Return the house's converters as values of the controls; a central one is spread over the modules."""
    system = house.system
    each = system.converter.ac_limit_w
    if system.converter.kind == "central":
        each = each / system.module_count
    share = 100 * each / system.module.rated_power_w
    return SimpleNamespace(
        units=int(np.clip(system.module_count, 1, MOST_UNITS)),
        output=int(np.clip(10 * round(each / 10), 200, 480)),
        share=int(np.clip(5 * round(share / 5), 50, 110)),
    )


def unit_current_a(output_w):
    """Return the continuous current of one converter at the nominal voltage. [A]"""
    return output_w / NOMINAL_V


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
    shares_axis(ax, 40)
    boxes, words = lying_bars(ax, places, [("loss", ""), ("loss", "xx")] * 3, height=0.7, linewidth=0)

    def update(share, turn, days):
        losses = choice_losses(house, share, turn, days)
        values = [100 * value for name in names for value in losses[name]]
        move_lying_bars(boxes, words, values, 0.3, 36)
        n = house.system.module_count
        return (
            f"Limit {share} % of the labels, second half turned {turn}°, one converter out for {days} days. "
            f"A converter a module loses {values[0]:.1f}, {values[2]:.1f} and {values[4]:.1f} % (1 of {n} is out); "
            f"one converter with one tracker {values[1]:.1f}, {values[3]:.1f} and {values[5]:.1f} %."
        )

    return Picture(figure, [boxes, words], update, slow=True)


def _halves(system, turn):
    """Return the house's largest plane as two halves, the second turned toward the afternoon side and around."""
    first = replace(largest_plane(system), module_count=1)
    return first, replace(first, surface_azimuth=(first.surface_azimuth + turn) % 360)


@lru_cache(maxsize=256)
def _limit_loss(weather_file, place, system, kind, share, turn):
    """Return the share of direct-current energy above the limit for equal halves on two planes."""
    sky = weather_at(weather_file, place)
    one = share / 100 * system.module.rated_power_w
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


def findings(units, output, breaker, panelboard):
    """Return what the library finds for one branch circuit, and for the panelboard that these converters feed."""
    current = unit_current_a(output)
    main, bus = PANELBOARDS[panelboard]
    return check_branch(units, current, breaker, listed_limit=None), check_busbar([current] * units, main, bus)


def circuit_picture(house):
    """Return the picture of the sums: converters, output, breaker, panelboard -> branch circuit and busbar."""
    figure, (branch, busbar) = new_figure(1, 2, left=0.1, right=0.98, wspace=0.5, bottom=0.3, top=0.9)
    for ax, names in ((branch, ["current", "× 1.25"]), (busbar, ["main +\n1.25 × current", "main +\nbreaker"])):
        rows_axis(ax, [0, 1], names, (1.6, -0.75))
    branch.set(xlim=(0, 85), xlabel="on one branch circuit (A)")
    busbar.set(xlim=(0, 390), xlabel="at the busbar (A)")
    one, two, more = (
        ax.barh([0, 1], [0, 0], height=0.6, facecolor=ROLES[role].colour, hatch=hatch, edgecolor=BACKGROUND)
        for ax, role, hatch in ((branch, "pv", ""), (busbar, "import", "//"), (busbar, "pv", ""))
    )
    marks = [line(ax, "load", [0, 0], [-0.45, 1.5], linestyle="-") for ax in (branch, busbar)]
    tops = [direct_label(ax, 0, -0.48, "", size=TICK_PT, va="bottom", ha="center") for ax in (branch, busbar)]
    sums = [
        direct_label(ax, x, row, "", "pv", va="center", ha="right")
        for ax, x in ((branch, 85), (busbar, 390))
        for row in (0, 1)
    ]
    verdicts = [
        figure.text(x, 0.02, "", fontsize=12, color=INK, fontweight="bold", va="bottom", ha="left")
        for x in (0.02, 0.53)
    ]

    def update(units, output, breaker, panelboard):
        chain, board = findings(units, output, breaker, panelboard)
        current, (main, _) = units * unit_current_a(output), PANELBOARDS[panelboard]
        loads = (current, chain["needed_a"]), (board["by_current_a"], board["by_breaker_a"])
        for bar, amps in zip(one, loads[0]):
            bar.set_width(amps)
        for low, high, amps in zip(two, more, loads[1]):
            low.set_width(main)
            high.set(x=main, width=amps - main)
        for mark, top, limit, words in zip(marks, tops, (breaker, board["allowed_a"]), ("breaker", "1.2 × busbar")):
            mark.set_xdata([limit, limit])
            top.set(x=limit, text=f"{words} {limit:g} A")
        for text, amps in zip(sums, (*loads[0], *loads[1])):
            text.set_text(f"{amps:.1f} A")
        for text, name, finding in zip(verdicts, ("branch", "busbar"), (chain, board)):
            text.set_text(textwrap.fill(f"{name}: {finding.verdict}", 56))
        return (
            f"{units} × {output} W = {units * output / 1000:.1f} kW: {current:.1f} A, × 1.25 = {loads[0][1]:.1f} A. "
            f"Branch with a {breaker} A breaker (most by the sum: {chain['units_by_breaker']}): "
            f"{short_verdict(chain)}. Busbar, {loads[1][0]:.0f} or {loads[1][1]:.0f} A against "
            f"{board['allowed_a']:.0f} A: {short_verdict(board)}."
        )

    return Picture(figure, [one, two, more, marks, tops, sums, verdicts], update)


def short_verdict(finding):
    """Return a verdict in the library's words, without whom to ask: the picture says that in full."""
    return finding.verdict.partition(": ask")[0]


def rise_picture(house):
    """Return the picture of voltage rise: converters, home run, wire, point of feed -> voltage along the branch."""
    current = unit_current_a(start_values(house).output)
    figure, ax = new_figure()
    trunk = awg_area_mm2(TRUNK_GAUGE)
    most = check_voltage_rise(current, LONGEST_CHAIN, SPACING_M, trunk, LONGEST_RUN, awg_area_mm2(THINNEST))
    top = 1.2 * most["total_v"]
    ax.set_xlim(0, LONGEST_RUN + SPACING_M * LONGEST_CHAIN + 2)
    ax.set_xlabel("way along the wire, from the panelboard (m)")
    zero_based(ax, top, "above the panelboard (V)")
    line(ax, "load", [0, 200], [0.02 * NOMINAL_V] * 2, linewidth=2)
    direct_label(ax, 1, 0.02 * NOMINAL_V + 0.01 * top, f"2 % of {NOMINAL_V:.0f} V", va="bottom", size=TICK_PT)
    run = line(ax, "pv", [0, 0], [0, 0])
    chain = line(ax, "pv", [0, 0], [0, 0], linestyle="-", marker="o", markersize=7)
    run_name = direct_label(ax, 0, 0, "", "pv", va="top")
    chain_name = direct_label(ax, 0, 0, "", "pv", va="bottom", ha="right")

    def update(units, length, gauge, fed_at):
        home = awg_area_mm2(gauge)
        found = check_voltage_rise(current, units, SPACING_M, trunk, length, home, NOMINAL_V, fed_at)
        half = longest_chain(units, fed_at)
        per_km = copper_ohm_per_km(trunk)
        left = np.arange(half, -1, -1)
        whole = chain_change_v(current, half, SPACING_M, per_km)
        volts = found["run_v"] + np.array([whole - chain_change_v(current, int(n), SPACING_M, per_km) for n in left])
        run.set_data([0, length], [0, found["run_v"]])
        chain.set_data(length + SPACING_M * np.arange(half + 1), volts)
        run_name.set_text(f"home run: {found['run_v']:.1f} V")
        run_name.set_position((length + 1, max(found["run_v"] - 0.05 * top, 0.09 * top)))
        chain_words = "chain" if fed_at == "end" else "longer half of the chain"
        chain_name.set_text(f"{chain_words}: {found['total_v']:.1f} V at its end")
        above = max(volts[-1] + 0.03 * top, 0.02 * NOMINAL_V + 0.1 * top)
        chain_name.set_position((max(length + SPACING_M * half, 34), above))
        return (
            f"{units} converters of {current:.2f} A, fed at the {fed_at}, {length} m of {gauge} AWG: at noon the last "
            f"one works {found['total_v']:.1f} V above the panelboard, {100 * found['total_share']:.2f} % "
            f"({100 * found['chain_share']:.2f} % on the chain): {found.verdict}."
        )

    return Picture(figure, [run, chain, run_name, chain_name], update)


def whom_to_ask():
    """Return the questions that no sum answers: whom to ask -> topic -> words."""
    return texts_beside(__file__, "whom_to_ask")


def question_list(findings, house):
    """Return the page to take along: each value with its verdict, then what no sum decides and whom to ask."""
    lines = [f"{house.name}: {house.system.module_count} modules of {house.system.module.rated_power_w:.0f} W"]
    if house.system.converter.kind == "central":
        lines.append("The house file has one converter for all; here its output is spread over one a module.")
    for finding in findings:
        lines.append(textwrap.fill(f"{finding.check}: {finding.verdict}", 99, subsequent_indent="   "))
        lines.append(textwrap.fill(finding.reason, 96, initial_indent="   ", subsequent_indent="   "))
    for whom, questions in whom_to_ask().items():
        lines.append(f"Ask {whom}:")
        lines += [textwrap.fill(w, 96, initial_indent="[  ] ", subsequent_indent="     ") for w in questions.values()]
    return "\n".join(lines)
