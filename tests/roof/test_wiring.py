"""The circuit of any house: every verdict against a second solution by hand, and what is unknown is never within."""

import re

import pytest
from made_circuits import (
    SPLIT,
    STRINGS,
    UNLIKE,
    branch_holds,
    branches,
    hidden,
    house_table,
    joint_holds,
    made,
    rise_share,
)

from profiles import examples
from solarlib.house.file import house_from_table
from solarlib.quantities import InputError
from solarlib.roof.circuits import OUTSIDE, WITHIN
from solarlib.roof.wiring import all_converters, branch_sum, circuit_sums, joint_sum, rise_sum

NOT_DECIDED = "not decided here: ask "
RANDOM = range(examples(500))


def verdicts(modules, kind, limit_w, circuit):
    """Return the library's verdicts: [one a branch], [rise a branch], joint."""
    house = house_from_table(house_table(modules, kind, limit_w, circuit))
    held = house.circuit
    return (
        [branch_sum(held, one) for one in held.branch],
        [rise_sum(held, one) for one in held.branch],
        joint_sum(held, all_converters(house.system)),
    )


def test_a_circuit_of_which_everything_is_told_gets_the_verdict_of_the_sum_by_hand():
    safe = within = 0
    for seed in RANDOM:
        known = made(seed)
        on_branch, rises, joint = verdicts(*known)
        circuit = known[3]
        for one, found, rise in zip(circuit["branch"], on_branch, rises):
            assert found.verdict == (WITHIN if branch_holds(one, circuit) else OUTSIDE), (seed, one, str(found))
            assert rise["total_share"] == pytest.approx(rise_share(one, circuit), rel=2e-3), (seed, one)
        assert joint.verdict == (WITHIN if joint_holds(circuit) else OUTSIDE), (seed, circuit, str(joint))
        truly = joint_holds(circuit) and all(branch_holds(one, circuit) for one in circuit["branch"])
        safe += truly
        within += truly and {joint.verdict, *(found.verdict for found in on_branch)} == {WITHIN}
    assert within >= 0.95 * safe > 0.03 * len(RANDOM)


def test_no_within_that_the_full_list_of_breakers_contradicts():
    decided = 0
    for seed in (*RANDOM, 13_739):  # the last: on unknown lines, one breaker below its current beside a roomy one
        *array, circuit = made(seed)
        less = hidden(seed, circuit)
        on_branch, _, joint = verdicts(*array, less)
        if "rule" not in less and circuit["rule"] == "NEC, all breakers":  # a way that is open beside 120 %: not meant
            circuit["rule"] = "NEC, by breakers"
        for one, found in zip(circuit["branch"], on_branch):
            assert found.verdict != WITHIN or branch_holds(one, circuit), (seed, str(found))
            assert found.verdict != OUTSIDE or not branch_holds(one, circuit), (seed, str(found))
        assert joint.verdict != WITHIN or joint_holds(circuit), (seed, circuit, str(joint))
        decided += joint.verdict == WITHIN
    assert decided > 0


@pytest.mark.parametrize("name", UNLIKE)
def test_unlike_circuits_by_hand(name):
    house = house_from_table(UNLIKE[name])
    found = {one.check: one.verdict.partition(": ask")[0] for one in circuit_sums(house.circuit, house.system)}
    branch, rise, undecided = (
        "converters on one branch circuit, ",
        "voltage rise of a branch circuit, ",
        "not decided here",
    )
    assert (
        found
        == {
            "balcony": {
                f"{branch}1 x 800 W": WITHIN,  # 3.6 A on 16 A, wires 21 A
                f"{rise}1 x 800 W": WITHIN,  # 2 x 3.6 A x 15.03 ohm/km x 12 m = 1.30 V, 0.56 %
                "converter on a circuit with loads": WITHIN,  # 16 + 3.6 A on 21 A
            },
            "forty-eight": {
                f"{branch}each of 4 x (10 x 366 W)": WITHIN,  # 19.06 A on 20 A, listed 10
                f"{rise}each of 4 x (10 x 366 W)": WITHIN,
                f"{branch}8 x 366 W": undecided,  # no listing
                f"{rise}8 x 366 W": undecided,
                "busbar of the panelboard, 120 % rule": OUTSIDE,  # 100 + 91.5 A, or 100 + 5 x 20 A, against 150 A
            },
            "three-phase": {
                f"{branch}1 x 12000 W": WITHIN,  # 18.2 A on 20 A, wires 25 A
                f"{rise}1 x 12000 W": WITHIN,
                "busbar of the panelboard": WITHIN,  # 63 + 20 A against 125 A
            },
            "two strings": {
                f"{branch}1 x 7600 W": WITHIN,  # 39.6 A on 40 A
                f"{rise}1 x 7600 W": WITHIN,  # 2 x 31.7 x 2.51 ohm/km x 25 m = 3.97 V, 1.66 %
                "busbar of the panelboard, 120 % rule": WITHIN,  # 175 + 40 A against 240 A
                "voltages of a string, 11 modules": WITHIN,
                "voltages of a string, 12 modules": WITHIN,  # 12 x 38.2 V x 1.1323 = 519 V cold
            },
            "carport": {
                f"{branch}each of 2 x (7 x 380.5 W)": undecided,
                f"{rise}each of 2 x (7 x 380.5 W)": WITHIN,
                f"{branch}6 x 380.5 W": undecided,
                f"{rise}6 x 380.5 W": WITHIN,
                "busbar of the panelboard, 120 % rule": WITHIN,  # 100 + 1.25 x 31.7 A = 139.6 A against 150 A
                "busbar of the combiner": WITHIN,  # 45 A against 125 A
            },
            "supply side": {
                f"{branch}each of 3 x (13 x 290 W)": WITHIN,  # 19.6 A
                f"{rise}each of 3 x (13 x 290 W)": undecided,
                f"{branch}1 x 290 W": WITHIN,
                f"{rise}1 x 290 W": undecided,
                "connection ahead of the main": WITHIN,  # 1.25 x 48.3 = 60.4 A behind 70 A, against 200 A
            },
            "nothing told": {"branch circuits": undecided, "connection to the house": undecided},
        }[name]
    )


def test_string_voltages_from_data_sheet_and_record_cold():
    house = house_from_table(UNLIKE["two strings"])
    sums = {one.check: one for one in circuit_sums(house.circuit, house.system)}
    longest = sums["voltages of a string, 12 modules"]
    assert longest["cold_open_circuit_v"] == pytest.approx(12 * 38.2 * (1 + 0.0027 * 49))  # 24 below 0, 25 above
    assert longest["cold_operating_v"] == pytest.approx(12 * 32.0 * (1 + 0.0034 * 49))
    hot = 39 + 1000 / (19.14 + 1.04)  # Faiman's roof mounting, 1 m/s
    assert longest["hot_operating_v"] == pytest.approx(12 * 32.0 * (1 - 0.0034 * (hot - 25)))


@pytest.mark.parametrize("gone", sorted(set(STRINGS) - {"modules"}))
def test_a_string_of_which_something_is_unknown_is_never_within(gone):
    for count in (12, 16):
        told = STRINGS | {"modules": [count], "tracker_high_v": 700}
        del told[gone]
        house = house_from_table(house_table(23, "central", 7600, {"strings": told}))
        (found,) = [one for one in circuit_sums(house.circuit, house.system) if "string" in one.check]
        assert found.verdict != WITHIN
        crossed = count == 16 and gone not in (
            "open_circuit_v",
            "open_circuit_percent_per_c",
            "record_low_c",
            "limit_v",
        )
        assert (found.verdict == OUTSIDE) == crossed  # 16 x 38.2 V x 1.13 = 692 V
        if not crossed:
            key = "open_circuit_per_c" if gone == "open_circuit_percent_per_c" else gone
            assert found.verdict.startswith(NOT_DECIDED) and key in found.reason


def test_what_the_branches_do_not_hold_is_not_decided():
    told = UNLIKE["carport"]["circuit"]
    whole = joint(house_table(20, "per module", 380.5, told))
    part = joint(house_table(24, "per module", 380.5, told))
    assert whole.verdict == WITHIN and part.verdict.startswith(NOT_DECIDED) and "7.61 of 9.13 kW" in part.reason


def joint(table):
    house = house_from_table(table)
    return joint_sum(house.circuit, all_converters(house.system))


def test_without_branches_the_whole_array_can_still_be_outside():
    board = {"system": "split phase", "voltage_v": 240, "joined": "each breaker", "main_a": 100, "busbar_a": 125}
    found = joint(house_table(48, "per module", 366, board | {"far_end": True}))
    assert found.verdict == OUTSIDE and found["by_current_a"] == pytest.approx(100 + 1.25 * 48 * 366 / 240)  # 191.5
    assert joint(house_table(10, "per module", 366, board | {"far_end": True})).verdict.startswith(NOT_DECIDED)
    by_current = board | {"far_end": True, "rule": "NEC, by current"}
    unread = joint(house_table(10, "per module", 366, by_current))
    assert unread.verdict.startswith(NOT_DECIDED) and "breaker_a" in unread.reason


def test_a_current_by_division_is_not_a_data_sheets():
    told = UNLIKE["two strings"]["circuit"]
    bare = told | {"branch": [{key: value for key, value in told["branch"][0].items() if key != "current_a"}]}
    (branch,), (rise,), met = verdicts(23, "central", 7600, bare)
    assert "data sheet" in branch.verdict and "data sheet" in met.verdict and rise.verdict == WITHIN
    assert branch["needed_a"] == pytest.approx(1.25 * 7600 / 240)


@pytest.mark.parametrize(
    "circuit, message",
    [
        (SPLIT | {"branch": [branches(1, 20, current_a=0.5)]}, "circuit.branch.current_a: found 0.5 A"),
        ({"branch": [branches(9, 20), branches(9, 20)]}, "found 18 in all, allowed are 10 at most"),
        ({"branch": [branches(2, 20, output_w=3660)]}, "circuit.branch.output_w: found 7320 W in all, allowed is"),
        ({"branch": [branches(9, 22)]}, "circuit.branch[1].breaker_a: found 22, allowed is one of 6, 8, 10"),
        ({"branch": [branches(9, 20, run="10 AWG")]}, "circuit.branch[1].run: found '10 AWG', allowed is a wire like"),
        ({"system": "120 V"}, "circuit.system: found '120 V', allowed is one of split phase, single phase"),
        ({"volts": 240}, "circuit.volts: found an unknown key"),
    ],
)  # fmt: skip
def test_a_circuit_that_cannot_be_is_refused_by_its_key(circuit, message):
    with pytest.raises(InputError, match=re.escape(message)):
        house_from_table(house_table(10, "per module", 366, circuit))
