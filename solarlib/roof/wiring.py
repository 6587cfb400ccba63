"""The circuit of a house as its file tells it, and every sum about it that what is told allows.

Nothing is filled in: a value that the file leaves out is unknown, and what hangs on it is not decided here. Lengths,
breakers and ratings are those of labels and data sheets; see `circuits` for what a `Sum` is and who decides.
"""

import math
from collections import Counter
from dataclasses import dataclass, fields, replace
from functools import partial

from solarlib.quantities import refuse_if
from solarlib.roof import circuits
from solarlib.roof.circuits import BY_BREAKERS, BY_CURRENT, CONTINUOUS, ELECTRICIAN, METRIC, OUTSIDE, RULES, WITHIN, Sum
from solarlib.roof.parts import ArraySystem, cell_temperature
from solarlib.roof.voltages import as_copper_mm2, check_string_voltage, check_voltage_rise
from solarlib.schema import Table, choice, declared, flag, listing, percent, real, text, whole

unknown = partial(declared, default=None)
_wire = text(r"[0-9.]+ (AWG|mm2) (copper|aluminium)", 'a wire like "10 AWG copper" or "6 mm2 copper"')
LINES = "L1", "L2", "L3"
_PHASES = *LINES, "L1 L2", "L2 L3", "L1 L3", "L1 L2 L3"
_BREAKER = choice(*sorted({*circuits.STANDARD_BREAKERS_A, *circuits.METRIC_BREAKERS_A}))
_WHOLE, _MOST = 0.98, 1.5  # of the array's output: branches hold all of it; an output limit may be below their rating
_STRONG_SUN = 1000.0, 1.0  # light on the modules and wind of the hottest hour. [W/m2, m/s]


@dataclass(frozen=True)
class Branch:
    """One branch circuit of equal converters behind one breaker; None is unknown."""

    converters: int = declared(whole(1, 1000), "how many equal converters stand on it")
    output_w: float | None = unknown(real(10, 1e6, "W"), "rated continuous output of each; else that of [converter]")
    current_a: float | None = unknown(real(0.05, 4000, "A"), "greatest current of each, from its data sheet")
    breaker_a: float | None = unknown(_BREAKER, "its breaker")
    listed_limit: int | None = unknown(whole(1, 1000), "most converters by the listing of the trunk cable")
    phases: str | None = unknown(choice(*_PHASES), "the lines that it feeds, of three phases")
    conductor_a: float | None = unknown(real(1, 4000, "A"), "what its wires carry where they lie")
    spacing_m: float | None = unknown(real(0, 100, "m"), "from converter to converter")
    trunk: str | None = unknown(_wire, "wire from converter to converter")
    run_m: float | None = unknown(real(0, 1000, "m"), "length of the home run, one way")
    run: str | None = unknown(_wire, "wire of the home run")
    fed_at: str | None = unknown(choice("end", "middle"), "where the home run meets the chain")


@dataclass(frozen=True)
class Strings:
    """Strings of equal modules behind a central converter, from data sheets and the records of the place."""

    modules: tuple = declared(listing(whole(1, 100)), "modules in series, of each string")
    open_circuit_v: float | None = unknown(real(1, 500, "V"), "of one module at 25 degC")
    operating_v: float | None = unknown(real(1, 500, "V"), "of one module at 25 degC")
    open_circuit_per_c: float | None = unknown(percent(-1, 0), "its change", key="open_circuit_percent_per_c")
    record_low_c: float | None = unknown(real(-90, 25, "degC"), "coldest air on record")
    record_high_c: float | None = unknown(real(25, 60, "degC"), "hottest air on record")
    limit_v: float | None = unknown(real(10, 2000, "V"), "the most that both converter and code allow")
    tracker_low_v: float | None = unknown(real(0, 2000, "V"), "window of the tracker")
    tracker_high_v: float | None = unknown(real(1, 2000, "V"), "window of the tracker")


@dataclass(frozen=True)
class Circuit:
    """How an array is joined to its house; None, or nothing in a list, is unknown."""

    system: str | None = unknown(choice("split phase", "single phase", "three phase"), "lines of the service")
    voltage_v: float | None = unknown(real(80, 1000, "V"), "nominal, line to line; single phase: to neutral")
    rule: str | None = unknown(choice(*RULES), "wording of the busbar's rule that is in force")
    joined: str | None = unknown(choice("each breaker", "one breaker", "supply side", "socket"), "how it is joined")
    array_breaker_a: float | None = unknown(_BREAKER, "the one breaker for all branches")
    combiner_busbar_a: float | None = unknown(real(6, 4000, "A"), "busbar behind that breaker, from its label")
    far_end: bool | None = unknown(flag(), "do the array's breakers stand at the busbar's far end from the main")
    main_a: float | None = unknown(real(6, 4000, "A"), "main breaker, from its label")
    busbar_a: float | None = unknown(real(6, 4000, "A"), "busbar of the panelboard, from its label")
    service_a: float | None = unknown(real(6, 4000, "A"), "rating of the service")
    load_breakers_a: tuple | None = unknown(listing(_BREAKER), "breakers of all loads")
    branch: tuple[Branch, ...] = declared(Table(Branch, many=True), "its branch circuits", default=())
    strings: Strings | None = unknown(Table(Strings), "modules in series")

    @property
    def rules(self):
        """The wordings that may be in force: the one that is told, or all that fit the system.

        The sum of all breakers is one way that the NEC leaves open beside 120 %, so it counts only where it is told.
        """
        both = BY_CURRENT, BY_BREAKERS
        return (self.rule,) if self.rule else both if self.system == "split phase" else (*both, METRIC)

    def volts(self, branch):
        """Return output over current on one line; None if unknown. [V]

        Of three phases: one line is against neutral, two are against each other, three share the output.
        """
        if self.system is None or self.voltage_v is None:
            return None
        if self.system != "three phase":
            return self.voltage_v
        return branch.phases and self.voltage_v * math.sqrt(3.0) ** (len(branch.phases.split()) - 2)

    def unit_current_a(self, branch):
        """Return what one converter of a branch feeds to each of its lines; None if unknown. [A]"""
        volts = self.volts(branch)
        return branch.current_a or (volts and branch.output_w and branch.output_w / volts)

    @property
    def factors(self):
        """By how much a continuous current counts, by each rule that may be in force: 1.25, and 1 by IEC 60364-4-43."""
        return sorted({1.0 if rule == METRIC else CONTINUOUS for rule in self.rules})

    def lines(self, line):
        """Return the branches that feed one of `LINES`; all where there are no three."""
        return [b for b in self.branch if self.system != "three phase" or line in (b.phases or "")]


def of_array(circuit, system):
    """Return a circuit whose branches have the output of the array's converters where none is told.

    Raises
    ------
    InputError
        For a data sheet's current that is far from output / voltage, more converters than modules, or branches that
        give far more than the array.
    """
    output = "circuit.branch.output_w"
    untold = len(system.converters) > 1 and not all(branch.output_w for branch in circuit.branch)
    refuse_if(untold, "several_outputs", output)
    kinds = {plane.module or system.module for plane in _strung(system)}
    refuse_if(circuit.strings and len(kinds) > 1, "several_strings", "circuit.strings")
    told = tuple(replace(b, output_w=b.output_w or system.converter.ac_limit_w) for b in circuit.branch)
    count, most = sum(branch.converters for branch in told), system.module_count
    refuse_if(count > most, "more_converters", "circuit.branch.converters", count=count, modules=most)
    in_all, array = _output_w(*told), system.ac_limit_w
    refuse_if(in_all > _MOST * array, "more_output", output, told=in_all, array=array)
    for branch in told:
        current, usual = branch.current_a, (volts := circuit.volts(branch)) and branch.output_w / volts
        off = current and usual and not 0.95 * usual <= current <= 2.0 * usual
        refuse_if(off, "branch_current", "circuit.branch.current_a", current=current, usual=usual)
    for low, high in (("tracker_low_v", "tracker_high_v"), ("operating_v", "open_circuit_v")):
        below, above = (getattr(circuit.strings, name, None) for name in (low, high))
        swapped = below is not None and above is not None and below >= above
        refuse_if(swapped, "swapped_volts", f"circuit.strings.{low}", below=below, high=high, above=above)
    return replace(circuit, branch=told)


def all_converters(system):
    """Return all converters of an array as one branch of which nothing else is known; the output is their mean."""
    count = sum(system.converters.values())
    return Branch(count, system.ac_limit_w / count)


def _strung(system):
    """Return the planes behind central converters; all where there is none."""
    central = [plane for one, planes in system.groups.items() if one.kind == "central" for plane in planes]
    return central or system.planes


def _output_w(*branches):
    return sum(branch.converters * branch.output_w for branch in branches)


def _lacks(check, **told):
    """Return the sum that cannot be done because the house file lacks what is None or empty; None if nothing is."""
    lacking = [name for name, value in told.items() if value in (None, ())]
    about = {item.name: item.metadata["words"] for kind in (Circuit, Branch, Strings) for item in fields(kind)}
    words = "; ".join(f"{name} ({about[name]})" for name in lacking)
    return lacking and Sum(check, (), circuits.not_decided(ELECTRICIAN), f"Not in the house file: {words}.")


def _basis(circuit, branch):
    """Return what the current of a branch hangs on, by its keys in the house file."""
    if circuit.unit_current_a(branch) is not None and (circuit.system != "three phase" or branch.phases):
        return {}
    lines = {"phases": branch.phases} if circuit.system == "three phase" else {}
    return {"system": circuit.system, "voltage_v": circuit.voltage_v, **lines}


def _compared(name, **values):
    """Return the sum of the values but the last, which is the limit, by its name in ``sums.toml``, or what lacks."""
    if lacks := _lacks(circuits.SUMS[name]["check"], **values):
        return lacks
    *parts, limit = values.values()
    return circuits.summed(name, WITHIN if sum(parts) <= limit else OUTSIDE, values)


def _by_data_sheet(found, *branches):
    """Return a sum that is within only if its currents stand on data sheets: output / voltage may be too little."""
    if found.verdict != WITHIN or all(branch.current_a for branch in branches):
        return found
    verdict = circuits.not_decided(f"{ELECTRICIAN}, with the greatest current on the converter's data sheet")
    return replace(found, verdict=verdict, reason=found.reason + " The current is output / voltage (no current_a).")


def branch_sum(circuit, branch):
    """Return the sum of one branch circuit: its converters against breaker, cable and wires."""
    check = "converters on one branch circuit"
    if lacks := _lacks(check, **_basis(circuit, branch), breaker_a=branch.breaker_a):
        return lacks
    listed = 1 if branch.converters == 1 else branch.listed_limit
    known = circuit.unit_current_a(branch), branch.breaker_a, listed, circuit.factors
    found = _by_data_sheet(circuits.check_branch(branch.converters, *known), branch)
    if METRIC not in circuit.rules or found.verdict == OUTSIDE or branch.breaker_a <= (branch.conductor_a or 0):
        return found
    words = f" Wires: {branch.conductor_a or 'unknown'} A against the breaker (IEC 60364-4-43, from memory)."
    ask = circuits.not_decided() if found.verdict == WITHIN else found.verdict
    small = branch.conductor_a and circuit.rules == (METRIC,)
    verdict = OUTSIDE if small else f"{ask}, with what the wires carry where they lie"
    return replace(found, verdict=verdict, reason=found.reason + words)


def rise_sum(circuit, branch):
    """Return the sum of the voltage along one branch circuit."""
    chain = {name: getattr(branch, name) for name in ("spacing_m", "trunk", "fed_at") if branch.converters > 1}
    supply = {"system": circuit.system, "voltage_v": circuit.voltage_v}
    told = _basis(circuit, branch) | supply | {"run_m": branch.run_m, "run": branch.run} | chain
    if lacks := _lacks("voltage rise of a branch circuit", **told):
        return lacks
    current, volts = circuit.unit_current_a(branch), min(circuit.voltage_v, circuit.volts(branch))
    if circuit.system == "three phase" and branch.phases == _PHASES[-1]:
        current *= math.sqrt(3.0) / 2.0  # from line to line a wire counts root 3 times, in the sum for two wires twice
    home = as_copper_mm2(branch.run)
    along = chain.get("spacing_m", 0.0), as_copper_mm2(chain.get("trunk", branch.run)), branch.run_m, home
    return check_voltage_rise(current, branch.converters, *along, volts, chain.get("fed_at", "end"))


def joint_sum(circuit, array):
    """Return the sum where the array meets the house, for the way in which it is joined.

    `array` is a branch that holds all converters: what the branches of the circuit do not hold is not decided.
    """
    circuit = replace(circuit, branch=circuit.branch or (array,))
    basis = {name: value for branch in circuit.branch for name, value in _basis(circuit, branch).items()}
    basis |= {"system": circuit.system} if len(circuit.branch) > 1 else {}  # one branch may be short of its breaker
    if lacks := _lacks("connection to the house", joined=circuit.joined, **basis):
        return lacks
    lines = LINES if circuit.system == "three phase" else ("all",)
    currents = {line: sum(b.converters * circuit.unit_current_a(b) for b in circuit.lines(line)) for line in lines}
    sizes = {line: [b.breaker_a for b in circuit.lines(line)] for line in lines}
    if circuit.joined == "one breaker" or circuit.joined == "supply side" and circuit.array_breaker_a:
        sizes = dict.fromkeys(lines, [circuit.array_breaker_a])
    found = [(_on_line(circuit, currents[line], sizes[line]), currents[line]) for line in lines]
    worst, _ = max(found, key=lambda one: (one[0].verdict == OUTSIDE, one[0].verdict != WITHIN, one[1]))
    described, whole_w = _output_w(*circuit.branch), _output_w(array)
    if worst.verdict != WITHIN or described >= _WHOLE * whole_w:
        return _by_data_sheet(worst, *circuit.branch)
    rest = f" The branches of the house file give {described / 1000:.3g} of {whole_w / 1000:.3g} kW."
    return replace(worst, verdict=circuits.not_decided(f"{ELECTRICIAN}, where the rest is"), reason=worst.reason + rest)


def _on_line(circuit, current_a, sizes):
    """Return the sum where the array meets one line of the house, from its current and breakers there. [A]"""
    fed = None if None in sizes else float(sum(sizes))
    factors = circuit.factors
    if fed and fed < factors[-1] * current_a:
        short = _compared("array_breaker", needed_a=factors[-1] * current_a, array_breaker_a=fed)
        ask = circuits.not_decided(f"{ELECTRICIAN}, which rules are adopted")
        return short if fed < factors[0] * current_a else replace(short, verdict=ask)
    if circuit.joined == "supply side":
        return _compared("supply", array_breaker_a=fed, service_a=circuit.service_a)
    if circuit.joined == "socket":
        carries = min((branch.conductor_a or 0.0 for branch in circuit.branch), default=0.0)
        return _compared("socket", breaker_a=fed, current_a=current_a, conductor_a=carries or None)
    ends = {"main_a": circuit.main_a, "busbar_a": circuit.busbar_a}
    if lacks := _lacks("busbar of the panelboard", **ends):
        return lacks
    how = None if fed is None else sizes, circuit.rules, circuit.far_end, circuit.load_breakers_a
    found = circuits.check_busbar((current_a, 0.0), *ends.values(), *how)  # two: no breaker is taken for granted
    key = "array_breaker_a" if circuit.joined == "one breaker" else "breaker_a"
    return _lacks(found.check, **{key: fed}) or found if found.verdict == WITHIN else found


def string_sum(strings, count, module, mounting):
    """Return the sum of one string's voltages; what is not told of it is left out, and then it is not within."""
    hottest = strings.record_high_c
    if hottest is not None:
        hottest = float(cell_temperature(_STRONG_SUN[0], hottest, _STRONG_SUN[1], mounting))
    module_v = strings.open_circuit_v, strings.operating_v
    changes = strings.open_circuit_per_c, module.temperature_coefficient_per_c
    window = strings.limit_v, (strings.tracker_low_v, strings.tracker_high_v)
    found = check_string_voltage(count, *module_v, changes, (strings.record_low_c, hottest), *window)
    told = {item.name: getattr(strings, item.name) for item in fields(strings)}
    return found if found.verdict == OUTSIDE else _lacks(found.check, **told) or found


def circuit_sums(circuit: Circuit, system: ArraySystem) -> list[Sum]:
    """Return every sum about the circuit of a house; what its file leaves out is not decided.

    Parameters
    ----------
    circuit : Circuit
        Of a house: ``house.circuit``.
    system : ArraySystem
        Its array: ``house.system``.
    """
    found = [] if circuit.branch else [_lacks("branch circuits", branch=circuit.branch)]
    for branch, alike in Counter(circuit.branch).items():
        name = f"{branch.converters} x {branch.output_w:g} W"
        name = name if alike == 1 else f"each of {alike} x ({name})"
        sums = branch_sum(circuit, branch), rise_sum(circuit, branch)
        found += [replace(one, check=f"{one.check}, {name}") for one in sums]
    found.append(joint_sum(circuit, all_converters(system)))
    if circuit.joined == "one breaker":
        sizes = [branch.breaker_a for branch in circuit.branch]
        known = float(sum(size or 0.0 for size in sizes)) if all(sizes) else None
        found.append(_compared("combiner", breaker_a=known or None, combiner_busbar_a=circuit.combiner_busbar_a))
    plane = max(_strung(system), key=lambda plane: plane.module_count)
    for count in sorted(set(circuit.strings.modules if circuit.strings else ())):
        one = string_sum(circuit.strings, count, plane.module or system.module, plane.mounting)
        found.append(replace(one, check=f"{one.check}, {count} modules"))
    return found
