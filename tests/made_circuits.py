"""House files of unlike circuits, random ones without end, and what is true of a circuit, by hand from its table.

What is summed by hand knows nothing of the library: it reads a table as a person would.
"""

import copy
import math
import tomllib

import numpy as np

from solarlib.house.file import HOUSE_FOLDER

STANDARD = (15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100, 110, 125, 150, 175, 200, 225, 250, 300, 350, 400)
METRIC = (6, 10, 13, 16, 20, 25, 32, 40, 50, 63, 80, 100, 125)
AREA_MM2 = {"12 AWG": 3.309, "10 AWG": 5.261, "8 AWG": 8.366, "6 AWG": 13.30, "4 AWG": 21.15}  # NEC chapter 9, table 8
OHM_MM2_PER_KM = {"copper": 20.97, "aluminium": 34.53}  # at 75 degC


_SCENARIO = tomllib.loads((HOUSE_FOLDER / "two-storey.toml").read_text(encoding="utf-8"))


def house_table(modules, kind, limit_w, circuit, tilt=30, azimuth=180, mounting="roof", name="A house"):
    """Return the table of a house file with one plane and this circuit; all else as in the scenario."""
    table = copy.deepcopy(_SCENARIO)
    plane = {"module_count": modules, "tilt_deg": tilt, "azimuth_deg": azimuth, "mounting": mounting}
    table |= {"name": name, "plane": [plane], "converter": {"kind": kind, "ac_limit_w": limit_w}, "circuit": circuit}
    return copy.deepcopy(table)


def branches(count, breaker, **more):
    return {"converters": count, "breaker_a": breaker} | more


STRINGS = {
    "modules": [12, 11],
    "open_circuit_v": 38.2,
    "operating_v": 32.0,
    "open_circuit_percent_per_c": -0.27,
    "record_low_c": -24,
    "record_high_c": 39,
    "limit_v": 600,
    "tracker_low_v": 150,
    "tracker_high_v": 550,
}
CHAIN = {"trunk": "12 AWG copper", "spacing_m": 1.1, "fed_at": "middle", "run": "10 AWG copper", "run_m": 15}
SPLIT, SINGLE, THREE = (
    {"system": system, "voltage_v": volts}
    for system, volts in (("split phase", 240), ("single phase", 230), ("three phase", 400))
)
UNLIKE = {
    "balcony": house_table(
        2,
        "central",
        800,
        SINGLE
        | {"rule": "IEC", "joined": "socket"}
        | {"branch": [branches(1, 16, current_a=3.6, conductor_a=21, run="1.5 mm2 copper", run_m=12)]},
        tilt=90,
        azimuth=215,
        mounting="rack",
    ),
    "forty-eight": house_table(
        48,
        "per module",
        366,
        SPLIT
        | {"joined": "each breaker", "main_a": 100, "busbar_a": 125, "far_end": True}
        | {
            "branch": [branches(10, 20, listed_limit=10, current_a=1.53, **CHAIN)] * 4
            + [branches(8, 20, current_a=1.53)]
        },
    ),
    "three-phase": house_table(
        30,
        "central",
        12_000,
        THREE
        | {"rule": "IEC", "joined": "each breaker", "main_a": 63, "busbar_a": 125}
        | {
            "branch": [branches(1, 20, phases="L1 L2 L3", conductor_a=25, run="4 mm2 copper", run_m=18, current_a=18.2)]
        },
        tilt=5,
        mounting="tray",
    ),
    "two strings": house_table(
        23,
        "central",
        7600,
        SPLIT
        | {"joined": "each breaker", "rule": "NEC, by breakers", "main_a": 175, "busbar_a": 200, "far_end": True}
        | {"branch": [branches(1, 40, run="8 AWG copper", run_m=25, current_a=31.7)], "strings": STRINGS},
        tilt=22.5,
        azimuth=187.5,
    ),
    "carport": house_table(
        20,
        "per module",
        380.5,
        SPLIT
        | {"joined": "one breaker", "array_breaker_a": 50, "combiner_busbar_a": 125, "main_a": 100, "busbar_a": 125}
        | {"far_end": True, "rule": "NEC, by current"}
        | {"branch": [branches(count, 15, current_a=1.6, **CHAIN) for count in (7, 7, 6)]},
        tilt=3,
        mounting="rack",
    ),
    "supply side": house_table(
        40,
        "per module",
        290,
        SPLIT
        | {"joined": "supply side", "array_breaker_a": 70, "service_a": 200}
        | {"branch": [branches(13, 20, listed_limit=13, current_a=1.21)] * 3 + [branches(1, 15, current_a=1.21)]},
        azimuth=0,
    ),
    "nothing told": house_table(18, "per module", 427, {}, tilt=63, azimuth=359),
}


# ---------------------------------------------------------------- random circuits


def made(seed):
    """Return (modules, kind, limit_w, circuit) of a circuit of which everything is told."""
    rng = np.random.default_rng(seed)
    pick = lambda *options: options[rng.integers(len(options))]  # noqa: E731
    supply = pick(SPLIT, SPLIT, SINGLE, THREE)
    metric = supply is not SPLIT
    sizes, rule = (
        (METRIC, "IEC") if metric else (STANDARD, pick("NEC, by current", "NEC, by breakers", "NEC, all breakers"))
    )
    many = rng.random() < 0.6
    output = float(pick(250, 290, 300, 366, 384, 440) if many else pick(800, 3000, 5000, 7600, 11_400))
    held = []
    for _ in range(rng.integers(1, 5)):
        lines = pick("L1", "L2", "L3", "L2 L3", "L1 L2 L3") if supply is THREE else None
        volts = {None: supply["voltage_v"], "L2 L3": 400, "L1 L2 L3": 400 * math.sqrt(3)}.get(lines, 400 / math.sqrt(3))
        count = int(rng.integers(2, 14)) if many else 1
        amps = output / volts * float(rng.uniform(1.0, 1.1))
        needed = count * amps * (1.0 if metric else 1.25) * float(rng.uniform(0.9, 1.3))
        breaker = next((size for size in sizes if size >= needed), sizes[-1])
        one = branches(count, breaker, output_w=output, run_m=float(rng.integers(3, 40)))
        one |= {"current_a": round(amps, 2)}
        one |= {"phases": lines} if lines else {}
        one["run"] = (
            pick("4 mm2 copper", "6 mm2 copper", "16 mm2 aluminium")
            if metric
            else pick("10 AWG copper", "6 AWG copper")
        )
        one["conductor_a"] = float(breaker * pick(0.8, 1.0, 1.2, 1.4))
        if many:
            trunk = "4 mm2 copper" if metric else "12 AWG copper"
            one |= {"listed_limit": int(rng.integers(count - 1, count + 4)), "trunk": trunk, "spacing_m": 1.1}
            one["fed_at"] = pick("end", "middle")
        held.append(one)
    total = sum(one["breaker_a"] for one in held)
    joined = pick("each breaker", "each breaker", "one breaker", "supply side", *(["socket"] if len(held) == 1 else []))
    circuit = supply | {"rule": rule, "joined": joined, "branch": held, "far_end": bool(rng.random() < 0.7)}
    circuit |= (
        {"array_breaker_a": next((size for size in sizes if size >= 0.8 * total), sizes[-1])}
        if joined == "one breaker"
        else {}
    )
    circuit |= {"combiner_busbar_a": float(pick(100, 125, 200))}
    circuit |= {"main_a": float(pick(63, 100, 150, 200)), "service_a": float(pick(63, 100, 200))}
    circuit["busbar_a"] = circuit["main_a"] * pick(1.0, 1.125, 1.25, 1.6, 2.0)
    circuit["load_breakers_a"] = [int(pick(*sizes[:6])) for _ in range(rng.integers(1, 12))]
    if many:
        return sum(one["converters"] for one in held), "per module", output, circuit
    return math.ceil(len(held) * output / 430), "central", len(held) * output, circuit


def hidden(seed, circuit):
    """Return the same circuit with some of its entries left out."""
    rng, less = np.random.default_rng([seed, 1]), copy.deepcopy(circuit)
    for key in [key for key in less if key not in ("branch", "strings")]:
        if rng.random() < 0.15:
            del less[key]
    for one in less["branch"]:
        for key in [key for key in one if key not in ("converters", "output_w")]:
            if rng.random() < 0.1:
                del one[key]
    if len(less["branch"]) > 1 and rng.random() < 0.1:
        less["branch"].pop()
    return less


# ---------------------------------------------------------------- by hand


def branch_holds(one, circuit):
    """Tell whether one branch keeps the rule in force: breaker, listing and, by the IEC, the wires."""
    amps = one["converters"] * one["current_a"]
    listed = one["converters"] == 1 or one["converters"] <= one["listed_limit"]
    if circuit["rule"] != "IEC":
        return listed and 1.25 * amps <= one["breaker_a"]
    return listed and amps <= one["breaker_a"] <= one["conductor_a"]


def joint_holds(circuit):
    """Tell whether the full list of breakers keeps the rule in force where the array meets the house."""
    lines = ("L1", "L2", "L3") if circuit["system"] == "three phase" else (None,)
    for line in lines:
        on = [one for one in circuit["branch"] if line is None or line in one["phases"]]
        amps = sum(one["converters"] * one["current_a"] for one in on)
        breakers = sum(one["breaker_a"] for one in on)
        if circuit["joined"] == "one breaker":
            breakers = circuit["array_breaker_a"]
        spare = 1.0 if circuit["rule"] == "IEC" else 1.25
        if breakers < spare * amps:
            return False
        if not line_holds(circuit, amps, breakers):
            return False
    return True


def line_holds(circuit, amps, breakers):
    """Tell whether one line's current and breakers keep the rule."""
    if circuit["joined"] == "supply side":
        return breakers <= circuit["service_a"]
    if circuit["joined"] == "socket":
        return circuit["branch"][0]["breaker_a"] + amps <= circuit["branch"][0]["conductor_a"]
    main, bus = circuit["main_a"], circuit["busbar_a"]
    share = 1.2 if circuit["far_end"] else 1.0
    return {
        "NEC, by current": main + 1.25 * amps <= share * bus,
        "NEC, by breakers": main + breakers <= share * bus,
        "NEC, all breakers": sum(circuit["load_breakers_a"]) + breakers <= bus,
        "IEC": main + breakers <= bus,
    }[circuit["rule"]]


def rise_share(one, circuit):
    """Return the rise along a branch over the nominal voltage, piece by piece of its wires."""
    amps, volts = one["current_a"], circuit["voltage_v"]
    ways = 2.0
    if circuit["system"] == "three phase":
        if len(one["phases"]) != 5:  # of three lines each against neutral, with no current in it
            volts, ways = volts / math.sqrt(3), 2.0 if len(one["phases"]) == 2 else 1.0
    count = one["converters"]
    rise = ways * amps * count * ohm_per_m(one["run"]) * one["run_m"]
    if count > 1:
        behind = count if one["fed_at"] == "end" else math.ceil(count / 2)
        rise += sum(ways * amps * k * ohm_per_m(one["trunk"]) * one["spacing_m"] for k in range(1, behind + 1))
    return rise / volts


def ohm_per_m(wire):
    """Return the resistance of one conductor. [ohm/m]"""
    size, unit, metal = wire.split()
    return OHM_MM2_PER_KM[metal] / (0.93 * float(size) if unit == "mm2" else AREA_MM2[f"{size} AWG"]) / 1000.0
