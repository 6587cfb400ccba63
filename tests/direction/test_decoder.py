"""The decoder of a whole record: a made house whose truth is known, repairs, invariances, honest answers."""

import itertools
import re
import textwrap
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from direction import scorecard
from hypothesis import given, settings, strategies as st
from scipy.stats import binom

from made_records import LOAD_W, made_house, sign_right
from solarlib.direction.decoder import decode, pulse_noise_w
from solarlib.direction.likelihood import implied_states
from solarlib.direction.record import read_record
from solarlib.quantities import InputError


@pytest.fixture(scope="module")
def house():
    return made_house()


@pytest.fixture(scope="module")
def found(house):
    return decode(house[0], LOAD_W)


def test_signs_and_energies_of_a_made_house(house, found):
    truth = house[1]
    assert sign_right(found, truth) > 0.97
    days = (truth["import_w"] / 60_000).groupby(truth.index.date).sum().to_numpy()
    assert np.abs(found.days["import_kwh"].to_numpy() - days).max() < 0.2
    inside = (found.days["import_low_kwh"] <= days) & (days <= found.days["import_high_kwh"])
    assert inside.mean() >= 0.75
    day = truth["pv_w"] > 50
    assert np.abs(found.samples["load_w"] - truth["load_w"])[day].median() < 10


def test_energy_is_split_not_made(house, found):
    samples = found.samples
    whole = house[0]["reading_w"].to_numpy() / 60_000
    both = (samples["import_kwh"] + samples["export_kwh"]).to_numpy()
    assert both == pytest.approx(whole, rel=1e-9)
    assert samples["p_export"].between(0, 1).all()
    assert (samples["import_kwh"] >= 0).all() and (samples["export_kwh"] >= 0).all()
    for flow in ("import", "export"):
        sums = samples[f"{flow}_kwh"].groupby(samples.index.date).sum().to_numpy()
        assert found.days[f"{flow}_kwh"].to_numpy() == pytest.approx(sums, rel=1e-9)
        assert (found.days[f"{flow}_low_kwh"] <= found.days[f"{flow}_kwh"]).all()
        assert (found.days[f"{flow}_high_kwh"] >= found.days[f"{flow}_kwh"]).all()


def test_step_tests_and_every_kind_of_evidence_help(house, found):
    readings, truth = house
    alone = decode(readings.drop(columns="test_on"))
    reading_w, pv_w = readings["reading_w"], readings["pv_w"]
    day = truth["pv_w"] > 50
    exporting = truth["net_w"] < 0
    feasible = (~(reading_w > 1.03 * pv_w + 40) == exporting)[day].mean()
    assert feasible < sign_right(alone, truth) < sign_right(found, truth)
    assert alone.days["import_high_kwh"].sub(alone.days["import_low_kwh"]).mean() > (
        found.days["import_high_kwh"].sub(found.days["import_low_kwh"]).mean()
    )


def test_account_in_words(found):
    text = " ".join(found.sentences())
    assert "step tests" in text and "standard error" in text and "undecided" in text
    account = found.account
    assert account.steps == 4 * 96
    assert account.steps_agree > 10 * max(account.steps_conflict, 1)


def test_same_input_same_answer(house, found):
    pd.testing.assert_frame_equal(decode(house[0], LOAD_W).days, found.days)


# ---------------------------------------------------------------- repairs


@pytest.mark.parametrize("gain", [0.95, 1.06])
def test_pv_gain_is_found_and_repaired(house, found, gain):
    readings, truth = house
    wrong = readings.assign(pv_w=readings["pv_w"] * gain)
    repaired = decode(wrong, LOAD_W)
    assert repaired.account.repairs.gain.value == pytest.approx(gain, abs=0.005)
    assert sign_right(repaired, truth) > sign_right(found, truth) - 0.003
    day = truth["pv_w"] > 50
    assert np.abs(repaired.samples["load_w"] - truth["load_w"])[day].median() < 15


@pytest.mark.parametrize("late_s", [60, -60, 20])
def test_pv_clock_is_found_and_repaired(late_s):
    readings, truth = made_house(interval_s=10, seed=5)
    fine = truth["pv_w"].to_numpy()
    moved = pd.Series(np.interp(np.arange(fine.size) - late_s / 10, np.arange(fine.size), fine), readings.index)
    minute = readings.index.floor("60s")
    means = readings.groupby(minute).mean()
    table = means.assign(pv_w=moved.groupby(minute).mean().round())
    signs = truth.groupby(minute).mean()
    repaired, as_is = decode(table, LOAD_W), decode(table, LOAD_W, calibrate=False)
    clock = repaired.account.repairs.clock
    assert clock.value == pytest.approx(late_s, abs=10)
    assert abs(clock.value - late_s) <= 2 * clock.error and clock.error < 10
    straight = decode(means, LOAD_W)
    assert sign_right(repaired, signs) > sign_right(straight, signs) - 0.006
    if abs(late_s) == 60:
        assert sign_right(repaired, signs) > sign_right(as_is, signs) + 0.01


def test_test_load_watts_and_timer_are_found(house):
    readings, truth = house
    found = decode(readings, 930.0)
    assert found.account.repairs.load.value == pytest.approx(LOAD_W, abs=5)
    late = readings.assign(test_on=np.roll(readings["test_on"], -2))  # the timetable runs two minutes ahead
    found = decode(late, LOAD_W)
    assert found.account.trust.mended == ("the log of the test load is late by -2 min",)
    assert sign_right(found, truth) > 0.97


def test_registers_as_audit_and_as_constraint(house):
    readings, truth = house
    coarse = readings["pv_w"].groupby(readings.index.floor("15min")).transform("mean")
    table = readings.drop(columns="test_on").assign(pv_w=coarse)
    received = (truth["import_w"] - truth["net_w"]).sum() / 60_000
    registers = pd.DataFrame(
        {
            "start": [readings.index[0]],
            "end": [readings.index[-1] + pd.Timedelta("1min")],
            "delivered_kwh": [truth["import_w"].sum() / 60_000],
            "received_kwh": [received],
        }
    )
    free = decode(table).days["export_kwh"].sum()
    bound = decode(table, registers=registers).account.registers.iloc[0]
    assert abs(bound["export_kwh"] - received) < 0.005 * received
    assert abs(bound["export_kwh"] - received) < abs(free - received)
    assert bound["verdict"] == "differ" and bound["reading_ratio"] == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize("seed", range(30, 34))
def test_registers_narrow_the_intervals(seed):
    """Totals of days leave what the meter and the reading differ by; a total of all days takes off a little of each."""
    readings, truth = made_house(days=4, seed=seed, test_every=0)
    table = readings.assign(pv_w=readings["pv_w"].groupby(readings.index.floor("15min")).transform("mean"))
    daily = scorecard.daily_registers(truth)
    whole = daily.iloc[[0]].assign(end=daily["end"].iloc[-1], **daily[["delivered_kwh", "received_kwh"]].sum())
    found = {name: decode(table, registers=kept).days for name, kept in (("no", None), ("one", whole), ("all", daily))}
    width = {name: days["import_high_kwh"] - days["import_low_kwh"] for name, days in found.items()}
    assert width["all"].max() < 0.15 * width["no"].mean()
    assert width["one"].mean() < 0.95 * width["no"].mean()
    true = (truth["import_w"] / 60_000).groupby(truth.index.date).sum().to_numpy()
    assert ((found["all"]["import_low_kwh"] <= true) & (true <= found["all"]["import_high_kwh"])).all()


def test_what_is_printed_are_days_and_sentences(found):
    told = repr(found).splitlines()
    assert len(told) == 2 + 4 + len(found.sentences()) and told[-1] == found.sentences()[-1]
    assert "import_kwh" in told[0] and told[2].startswith("2026-06-01")


# ---------------------------------------------------------------- invariances


def test_other_days_and_zones_give_the_same_answer(house, found):
    readings = house[0]
    moved = readings.set_axis(pd.date_range("2026-01-05", periods=len(readings), freq="1min", tz="Etc/GMT+5"))
    other = decode(moved, LOAD_W)
    assert other.samples["p_export"].to_numpy() == pytest.approx(found.samples["p_export"].to_numpy(), abs=1e-9)


def test_days_with_a_clock_change():
    readings, truth = made_house(days=3, start="2026-10-24", tz="Europe/Paris")
    found = decode(readings, LOAD_W)
    assert found.samples.index.equals(readings.index)
    assert sign_right(found, truth) > 0.95
    assert found.days.index.is_unique


def test_missing_samples_stay_missing_and_cost_little(house, found):
    readings, truth = house
    rng = np.random.default_rng(3)
    holes = readings.copy()
    holes.loc[rng.random(len(holes)) < 0.1, "reading_w"] = np.nan
    some = decode(holes, LOAD_W)
    assert (some.samples["p_export"].isna() == holes["reading_w"].isna()).all()
    assert not some.samples["decided"][holes["reading_w"].isna()].any()
    assert sign_right(some, truth) > sign_right(found, truth) - 0.01
    fewer = decode(holes.dropna(), LOAD_W)
    both = fewer.samples["p_export"].to_numpy() - some.samples["p_export"].dropna().to_numpy()
    assert np.abs(both).mean() < 1e-3
    assert some.days["seen"].to_numpy() == pytest.approx(0.9, abs=0.03)


def test_irregular_sampling(house):
    readings, truth = house
    rng = np.random.default_rng(4)
    kept = np.sort(rng.choice(len(readings), len(readings) * 2 // 3, replace=False))
    found = decode(readings.iloc[kept], LOAD_W)
    assert sign_right(found, truth.iloc[kept]) > 0.95


def test_fast_snapshots_and_coarse_pv():
    readings, truth = made_house(days=3, interval_s=10, kind="snapshot", seed=6)
    fast = decode(readings, LOAD_W, kind="snapshot")
    assert sign_right(fast, truth) > 0.96
    quarter = readings["pv_w"].groupby(readings.index.floor("15min")).transform("mean")
    assert read_record(readings.assign(pv_w=quarter)).window_s == 900
    assert read_record(readings).window_s == 60


def test_whole_pulses(house):
    readings, truth = house
    energy = readings["reading_w"].cumsum() / 60
    counted = np.diff(np.floor(energy), prepend=0) * 60
    found = decode(readings.assign(reading_w=counted), LOAD_W, wh_per_pulse=1.0)
    assert sign_right(found, truth) > 0.95


def test_night_draw_of_the_converter(house, found):
    readings, truth = house
    for draw in (-6.0, 6.0):
        night = readings["pv_w"].where(readings["pv_w"] > 0, draw)
        assert sign_right(decode(readings.assign(pv_w=night), LOAD_W), truth) > sign_right(found, truth) - 0.005


def test_part_samples_keep_the_energy():
    for net0 in (-3000.0, -900.0, -300.0, 500.0):
        for share in (0.2, 0.7):
            u = (1 - share) * abs(net0) + share * abs(net0 + LOAD_W)
            net, into, out, _ = implied_states(np.array([u]), np.array([share]), LOAD_W, np.array([abs(net0)]))
            state = np.abs(net[:, 0] - net0).argmin()
            assert net[state, 0] == pytest.approx(net0)
            assert into[state, 0] + out[state, 0] == pytest.approx(u)
            true_in = (1 - share) * max(net0, 0) + share * max(net0 + LOAD_W, 0)
            assert into[state, 0] == pytest.approx(true_in)


# ---------------------------------------------------------------- honest answers


def plain(reading, pv, n=600, start="2026-06-01 08:00"):
    index = pd.date_range(start, periods=n, freq="1min", tz="UTC")
    return pd.DataFrame({"reading_w": np.broadcast_to(float(reading), n), "pv_w": np.broadcast_to(float(pv), n)}, index)


@pytest.mark.slow
def test_nine_days_in_ten_lie_inside_their_interval():
    """Pooled over six kinds of record, ten short ones each; the bounds hold 999 of 1000 binomial counts."""
    inside = {"import": [], "export": []}
    for minutes, test_every in itertools.product((1, 5, 15), (10, 0)):
        for seed in range(100, 110):
            readings, truth = made_house(days=3, seed=seed, test_every=test_every)
            power = readings["pv_w"].groupby(readings.index.floor(f"{minutes}min")).transform("mean")
            found = decode(readings.assign(pv_w=power), LOAD_W, pv_window_s=60 * minutes)
            flows = {"import": truth["import_w"], "export": truth["import_w"] - truth["net_w"]}
            for flow, flow_w in flows.items():
                days = (flow_w / 60_000).groupby(truth.index.date).sum().to_numpy()
                low, high = (found.days[f"{flow}_{end}_kwh"].to_numpy() for end in ("low", "high"))
                inside[flow].extend((low <= days) & (days <= high))
    for hits in inside.values():
        fewest, most = binom.interval(0.999, len(hits), 0.9)
        assert len(hits) == 180 and fewest <= sum(hits) <= most


def test_all_zero_by_day_is_undecided():
    found = decode(plain(0, 2000))
    assert found.samples["p_export"].between(0.2, 0.8).all()
    assert not found.samples["decided"].any()
    assert (found.days[["import_kwh", "export_kwh"]] == 0).all(axis=None)


def test_all_night_is_import():
    found = decode(plain(300, 0))
    assert (found.samples["p_export"] < 1e-6).all()
    assert found.account.daylight == 0


def test_constant_reading_below_constant_sun_says_little():
    found = decode(plain(700, 1000))
    assert found.samples["p_export"].between(0.03, 0.97).all()


def test_one_sample():
    assert 0.05 < decode(plain(500, 2000, n=1)).samples["p_export"].iloc[0] < 0.99
    assert decode(plain(500, 0, n=1)).samples["p_export"].iloc[0] < 0.01
    assert decode(plain(3000, 100, n=1)).samples["p_export"].iloc[0] < 0.4


def test_unknown_sun_is_undecided():
    found = decode(plain(500, np.nan))
    assert found.samples["p_export"].between(0.02, 0.98).all()
    assert found.samples["load_w"].isna().all()
    assert any("not known" in sentence for sentence in found.sentences())


def test_a_pv_record_that_was_off_for_a_day_is_not_taken_for_night():
    readings, _ = made_house(days=8, seed=9)
    off = readings.index.normalize() == readings.index[0].normalize() + pd.Timedelta("4D")
    found = decode(readings.assign(pv_w=readings["pv_w"].where(~off, 0.0)), LOAD_W)
    noon = off & (readings.index.hour >= 11) & (readings.index.hour < 15)
    assert found.account.pv_unknown > 200
    assert found.samples.loc[noon, "load_w"].isna().all()


@pytest.mark.parametrize(
    "change, words",
    [
        ({"reading_w": np.nan}, "no reading at all"),
        ({"reading_w": -400.0}, "reading_w: found -400"),
        ({"reading_w": 5e7}, "reading_w: found 50,000,000"),
        ({"reading_w": np.inf}, "reading_w: found inf"),
        ({"reading_w": "much"}, "reading_w: found text"),
        ({"pv_w": [1000.0] * 599 + [-3000.0]}, "pv_w: found -3000"),
        ({"test_on": 1.5}, "test_on: found 1.5"),
        ({"test_on": 1.0}, "test_load_w: found nothing"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(change, words):
    with pytest.raises(InputError) as error:
        decode(plain(500, 1000).assign(**change))
    assert words in str(error.value) and "allowed" in str(error.value) and "\n" not in str(error.value)


def test_tables_that_cannot_be_read():
    table = plain(500, 1000)
    for wrong in (
        table.tz_localize(None),
        table.iloc[::-1],
        table.drop(columns="pv_w"),
        table.reset_index(drop=True),
        pd.concat([table, table[["pv_w"]]], axis=1),
        table.set_axis(table.index[:-1].append(pd.DatetimeIndex([pd.NaT])), axis=0),
        None,
        {"reading_w": [1.0]},
    ):
        with pytest.raises(InputError):
            decode(wrong)
    with pytest.raises(InputError):
        decode(table, kind="average")
    for option in ({"pv_window_s": "long"}, {"wh_per_pulse": -1.0}):
        with pytest.raises(InputError):
            decode(table, **option)
    with pytest.raises(InputError):
        decode(table, registers=pd.DataFrame({"start": [1]}))


def test_small_negative_noise_is_zero():
    assert decode(plain(-3, 1000)).samples["import_kwh"].eq(0).all()


WATTS = st.one_of(st.floats(0, 20_000), st.just(np.nan), st.just(0.0), st.floats(-1e7, 1e7), st.just(np.inf))


@settings(deadline=None, max_examples=25)
@given(
    rows=st.lists(st.tuples(WATTS, WATTS, st.sampled_from([0.0, 0.0, 0.3, 0.5, 1.0]), st.integers(1, 400)), min_size=1),
    kind=st.sampled_from(["mean", "snapshot"]),
)
def test_whatever_comes_the_answer_is_a_probability_or_one_line(rows, kind):
    second = np.cumsum([row[3] for row in rows])
    index = pd.Timestamp("2026-06-01 11:00", tz="Europe/Paris") + pd.to_timedelta(second, unit="s")
    table = pd.DataFrame([row[:3] for row in rows], index, columns=["reading_w", "pv_w", "test_on"])
    try:
        found = decode(table, LOAD_W, kind=kind)
    except InputError as error:
        assert "\n" not in str(error) and "found" in str(error) and "allowed" in str(error)
        return
    samples = found.samples
    seen = table["reading_w"].notna()
    assert samples.loc[seen, "p_export"].between(0, 1).all()
    assert samples.loc[~seen, ["p_export", "net_w", "import_kwh"]].isna().all(axis=None)
    assert (samples.loc[seen, "net_w"].abs() <= table.loc[seen, "reading_w"].clip(lower=0) + 1e-6).all()
    assert found.days.notna().all(axis=None)
    assert all(isinstance(sentence, str) for sentence in found.sentences())


def test_half_a_sample_of_test_load_borrows_the_export_nearby():
    export = 350.0
    u = 0.5 * export + 0.5 * (LOAD_W - export)
    net, into, out, doubt = implied_states(np.array([u]), np.array([0.5]), LOAD_W, np.array([export]))
    assert net[1, 0] == pytest.approx(-export, abs=30)
    assert into[1, 0] == pytest.approx(0.5 * (LOAD_W - export), abs=15)
    assert doubt[0] > 50


def test_order_within_the_minute_does_not_matter():
    readings, _ = made_house(days=2, interval_s=10, seed=8)
    rng = np.random.default_rng(2)
    minute = readings.index.floor("60s")
    shuffled = readings.iloc[np.lexsort((rng.random(len(readings)), np.arange(len(readings)) // 6))]
    means = [table.to_numpy().reshape(-1, 6, 3).mean(axis=1) for table in (readings, shuffled)]
    first, second = (
        decode(pd.DataFrame(m, minute.unique(), columns=readings.columns), LOAD_W).samples["p_export"] for m in means
    )
    assert second.to_numpy() == pytest.approx(first.to_numpy(), abs=1e-6)


def test_noise_of_whole_pulses_and_what_counts_as_decided(found):
    assert pulse_noise_w(1.0, 60.0) == pytest.approx(np.sqrt(1 / 6) * 60)
    p = found.samples["p_export"]
    assert (found.samples["decided"] == ((p >= 0.9) | (p <= 0.1))).all()
    few = decode(plain(300, 0, n=499)).sentences()
    assert any("Only 499 night samples" in sentence for sentence in few)
    assert not any("Only" in sentence for sentence in decode(plain(300, 0, n=500)).sentences())


def test_the_lines_of_the_readme_decode_a_table_of_ones_own(house, tmp_path, monkeypatch, capsys):
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    (lines,) = [block for block in re.findall(r"(?m)(?:^    .*\n|^\n)+", text) if "decode(table" in block]
    table = house[0].tz_convert("America/New_York").tz_localize(None).rename_axis("time")
    table[["reading_w", "pv_w"]].to_csv(tmp_path / "sensor.csv")
    monkeypatch.chdir(tmp_path)
    exec(textwrap.dedent(lines), {})
    printed = capsys.readouterr().out
    assert "import_low_kwh" in printed and "samples have a reading" in printed
