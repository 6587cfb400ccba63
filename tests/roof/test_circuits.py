"""Circuit and roof sums: the numbers, the three verdicts, and what they never say."""

import ast
import re
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from profiles import examples
from solarlib.quantities import InputError
from solarlib.roof import circuits, loads, voltages
from solarlib.roof.circuits import OUTSIDE, STANDARD_BREAKERS_A, WHO_DECIDES, WITHIN, Sum

QUICK = settings(deadline=None, max_examples=examples(50))
COPPER_12, COPPER_10 = (voltages.awg_area_mm2(gauge) for gauge in (12, 10))
STRING = dict(
    modules=10,
    open_circuit_v=40.0,
    operating_v=33.0,
    change_per_c=(-0.003, -0.0035),
    cell_c=(-15.0, 65.0),
    limit_v=600.0,
    tracker_v=(200.0, 480.0),
)


def rise(units=16, fed_at="end", run_m=20.0):
    return voltages.check_voltage_rise(1.0, units, 1.05, COPPER_12, run_m, COPPER_10, fed_at=fed_at)


def every_finding():
    """One finding of each check in each verdict that it can give."""
    yield from (circuits.check_branch(units, 1.5, 20, limit) for units in (8, 14) for limit in (None, 9))
    yield from (circuits.check_busbar(amps, 100, 100) for amps in ([10.0], [18.75], [12.5]))
    yield circuits.check_busbar([50.0], 175, 200)
    yield from (rise(units) for units in (8, 24))
    yield from (voltages.check_string_voltage(**STRING | {"modules": count}) for count in (10, 15, 4))
    yield loads.velocity_pressure(50.0)


def test_every_output_names_who_decides_and_one_of_three_verdicts():
    seen = set()
    for finding in every_finding():
        text = str(finding)
        assert WHO_DECIDES in text and finding.reason in text and finding.verdict in text
        assert all(f"  {name}: " in text for name, _, _ in finding.values)
        seen.add(finding.verdict.split(":")[0])
    assert seen == {WITHIN, OUTSIDE, "not decided here"}
    assert (
        "authority having jurisdiction" in WHO_DECIDES
        and "licensed electrician" in WHO_DECIDES
        and "licensed engineer" in WHO_DECIDES
    )


def test_no_output_approves_anything():
    words = " ".join([str(finding) for finding in every_finding()]).lower()
    found = re.findall(
        r"\b(safe|approved|compliant|certified|permitted|passes|passed|ok|guaranteed|strong enough)\b|[✓✔✅🟢]", words
    )
    assert found == []


def test_a_finding_takes_no_other_verdict_and_cannot_be_changed():
    with pytest.raises(InputError, match="sum.verdict: found 'approved'"):
        Sum("x", (), "approved", "")
    finding = circuits.check_branch(10, 1.0)
    with pytest.raises(AttributeError):
        finding.verdict = WITHIN
    with pytest.raises(KeyError):
        finding["ampacity_a"]


def test_nothing_computes_a_ballast_or_what_a_roof_carries():
    public = {
        node.name
        for path in ("circuits", "voltages", "loads", "layout")
        for node in ast.parse((Path(circuits.__file__).parent / f"{path}.py").read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef)
    }
    assert not [name for name in public if re.search("ballast|capacity|ampacity|attachment|approve", name)]
    names = {name for finding in every_finding() for name, _, _ in finding.values}
    assert not [name for name in names if re.search("ballast|capacity|ampacity|attachment", name)]


def test_the_trap_of_sixteen_units_that_sound_like_four_kilowatts():
    finding = circuits.check_branch(16, 250 / 240, 20, listed_limit=16)
    assert (
        finding.verdict == OUTSIDE
        and finding["needed_a"] == pytest.approx(20.83, abs=0.01)
        and finding["units_by_breaker"] == 15
    )


def test_the_smaller_of_the_sum_and_the_listing_counts():
    assert circuits.check_branch(11, 1.25, 20, listed_limit=11)["smaller_of_both"] == 11
    assert circuits.check_branch(12, 1.25, 20, listed_limit=11).verdict == OUTSIDE
    assert circuits.check_branch(12, 1.25, 20, listed_limit=14).verdict == WITHIN
    assert circuits.check_branch(13, 1.25, 20, listed_limit=14).verdict == OUTSIDE
    unknown = circuits.check_branch(12, 1.25, 20)
    assert (
        unknown.verdict.startswith("not decided here: ask a licensed electrician")
        and unknown["listed_limit"] == "unknown"
    )
    assert circuits.check_branch(13, 1.25, 20).verdict == OUTSIDE  # the sum alone can rule it out


def test_the_two_wordings_of_the_busbar_rule_can_differ():
    finding = circuits.check_busbar([12.8], 100, 100)
    assert finding.verdict == WITHIN and finding["back_fed_breaker_a"] == 20
    finding = circuits.check_busbar([50.0], 175, 200)
    assert finding["by_current_a"] == pytest.approx(237.5) and finding["by_breaker_a"] == 245
    assert finding.verdict == "not decided here: ask a licensed electrician, which edition is adopted"


@QUICK
@given(st.floats(0.1, 200), st.floats(0.1, 200))
def test_breakers_round_up_and_grow_with_the_current(a, b):
    low, high = sorted((a, b))
    assert circuits.standard_breaker_a(low) <= circuits.standard_breaker_a(high)
    size = circuits.standard_breaker_a(low)
    assert size >= low - 1e-9 and all(other < low or other >= size for other in STANDARD_BREAKERS_A)


@QUICK
@given(st.integers(1, 40), st.floats(0.2, 5), st.sampled_from(STANDARD_BREAKERS_A[:8]))
def test_the_unit_count_is_the_largest_that_fits(units, current, breaker):
    most = circuits.check_branch(units, current, breaker)["units_by_breaker"]
    assert circuits.CONTINUOUS * most * current <= breaker + 1e-6 < circuits.CONTINUOUS * (most + 1) * current + 2e-6


@QUICK
@given(st.integers(1, 60), st.floats(0.1, 3), st.floats(0.1, 3))
def test_a_chain_is_the_sum_of_its_pieces(units, current, spacing):
    ohm = voltages.copper_ohm_per_km(COPPER_12)
    pieces = sum(voltages.two_wire_change_v(k * current, ohm, spacing) for k in range(1, units + 1))
    assert voltages.chain_change_v(current, units, spacing, ohm) == pytest.approx(pieces, rel=1e-9)


def test_feeding_in_the_middle_lowers_the_chain_part_only():
    end, middle = rise(16), rise(16, "middle")
    assert middle["run_v"] == end["run_v"]
    assert middle["chain_v"] / end["chain_v"] == pytest.approx(8 * 9 / (16 * 17))  # near, not exactly, a quarter
    assert rise(1)["chain_v"] == rise(1, "middle")["chain_v"]


def test_voltage_rise_verdicts_and_inputs():
    assert rise(16).verdict == WITHIN and rise(24).verdict == OUTSIDE
    assert [rise(units, run_m=10.0).verdict for units in (18, 19)] == [WITHIN, OUTSIDE]  # 0.95 and 1.05 % on the chain
    assert [rise(units).verdict for units in (17, 18)] == [WITHIN, OUTSIDE]  # 1.98 and 2.14 % in all
    with pytest.raises(InputError, match="fed_at: found 'side'"):
        rise(16, "side")
    with pytest.raises(InputError, match="units: found 2.5"):
        rise(2.5)


def test_string_voltages_move_with_the_temperature():
    finding = voltages.check_string_voltage(**STRING)
    assert finding["cold_open_circuit_v"] == pytest.approx(400 * 1.12)
    assert finding["hot_operating_v"] == pytest.approx(330 * 0.86)
    assert finding.verdict == WITHIN
    for change in (
        {"limit_v": 440.0},
        {"tracker_v": (290.0, 480.0)},
        {"tracker_v": (200.0, 370.0)},
        {"cell_c": (-60.0, 65.0), "limit_v": 500.0},
    ):
        assert voltages.check_string_voltage(**STRING | change).verdict == OUTSIDE
    with pytest.raises(InputError, match="change_per_c: found 0.3"):
        voltages.check_string_voltage(**STRING | {"change_per_c": (0.3, -0.0035)})


def test_the_span_of_uplift_is_five_fold():
    finding = loads.velocity_pressure(51.4)
    assert finding["uplift_high_pa"] / finding["uplift_low_pa"] == pytest.approx(5.0)
    assert finding.verdict.startswith("not decided here")


@pytest.mark.parametrize(
    "call, message",
    [
        (lambda: circuits.check_branch(1, 1.0, 22), "breaker_a: found 22, allowed is one of 15, 20, 25"),
        (lambda: circuits.check_branch(0, 1.0), "units: found 0"),
        (lambda: circuits.check_branch(True, 1.0), "units: found True"),
        (lambda: circuits.continuous_current_a(-1.0), "current_a: found -1 A"),
        (lambda: circuits.standard_breaker_a(601.0), "rating_a: found 601 A"),
        (lambda: voltages.copper_ohm_per_km(0.0), "area_mm2: found 0 mm2"),
    ],
)
def test_bad_input_is_one_line(call, message):
    with pytest.raises(InputError, match=re.escape(message)) as caught:
        call()
    assert "\n" not in str(caught.value)


def test_a_sum_in_full():
    """Every figure and word of one sum, and numbers of three digits."""
    assert str(circuits.check_busbar([18.75], 100, 125)).splitlines()[:-1] == [
        "busbar of the panelboard, 120 % rule: within this check",
        "  by_current_a: 123 A",
        "  by_breaker_a: 125 A",
        "  allowed_a: 150 A",
        "  room_a: 50 A",
        "  room_continuous_a: 40 A",
        "  back_fed_breaker_a: 25 A",
        "  main 100 A + 1.25 x current = 123.44 A, main + breaker = 125 A, against 1.2 x 125 A = 150 A (NEC 705.12), "
        "for a breaker at the far end of the busbar; a panelboard fed in its middle needs care. There are other ways "
        "to connect: a smaller main, the sum of all breakers, ahead of the main, another panelboard, "
        "listed power control.",
    ]
    wind = str(loads.velocity_pressure(120.0)).splitlines()
    assert wind[1:5] == [
        "  pressure_pa: 6381 Pa",
        "  pressure_psf: 133 lb/ft2",
        "  uplift_low_pa: 1914 Pa",
        "  uplift_high_pa: 9572 Pa",
    ]


def test_sums_at_the_very_edge_are_within():
    assert circuits.check_busbar([16.0], 100, 100).verdict == WITHIN  # 100 + 20 and 100 + 20 against 120
    assert circuits.check_branch(16, 1.0, 20, 16).verdict == WITHIN  # 16 x 1.25 = 20 A
    assert circuits.standard_breaker_a(20.0) == 20 and circuits.standard_breaker_a(20.1) == 25
    edge = voltages.check_string_voltage(**STRING)
    at = {"limit_v": edge["cold_open_circuit_v"], "tracker_v": (edge["hot_operating_v"], edge["cold_operating_v"])}
    assert voltages.check_string_voltage(**STRING | at).verdict == WITHIN
    assert edge["cold_operating_v"] == pytest.approx(330 * 1.14)
