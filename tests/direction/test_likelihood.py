"""What a sample says about its sign: the formulas by hand, so that no constant moves unseen."""

import numpy as np
import pytest
from scipy.stats import norm

from solarlib.direction import likelihood
from solarlib.direction.likelihood import Instrument, LoadHabits, Steps

MINUTE = Instrument(60.0, 60.0)
QUARTER = Instrument(60.0, 900.0)


def flat(levels=lambda load_w: 0.0 * load_w, share_of=1, samples=10**9, base_w=-1e9, holds_s=1800.0):
    """Return habits with changes of one scale, and a log-density that is a function of the load."""
    shares = np.zeros(8)
    shares[share_of] = 1.0
    return LoadHabits(shares, levels(likelihood.LEVELS_W), base_w, holds_s, samples)


def one(load_w, before_w, pv_sd_w=0.0, dark=False, unknown=False):
    """Return the steps of one sample; loads are (state 0, state 1)."""
    column = np.array([[1.0], [1.0]])
    loads = (np.array([[a], [b]]) * column for a, b in (before_w, load_w))
    return Steps(*loads, np.full(1, pv_sd_w), np.zeros(1), np.ones(1), np.array([dark]), np.array([unknown]))


def test_doubt_about_the_sun_by_hand():
    level, change = likelihood.pv_doubt(2000.0, 1800.0, 100.0, 2.0, QUARTER)
    inside = 40.0
    assert level == pytest.approx(np.sqrt(5**2 + 30**2 + inside**2))
    moved = inside * np.sqrt(2 * (1 - np.exp(-4 * 60 * 2 / 900)))
    assert change == pytest.approx(np.sqrt(2 * 5**2 + 3**2 + moved**2))
    assert likelihood.pv_doubt(2000.0, 1800.0, 100.0, 2.0, QUARTER, 7.0)[1] == pytest.approx(np.sqrt(50 + 9 + 49))


def test_windowed_means_more_than_one_sample_a_window():
    assert QUARTER.windowed and not MINUTE.windowed and not Instrument(120, 60).windowed


def test_the_load_before_pulls_towards_likelier_levels():
    """Two pasts equally far from the load differ by exp(0.5 x difference of their log-densities) alone."""
    habits = flat(lambda load_w: -load_w / 100)
    w = likelihood.step_weights(one((100.0, 100.0), (99.0, 101.0)), habits, MINUTE)
    gap = habits.log_level(np.array([101.0]))[0] - habits.log_level(np.array([99.0]))[0]
    assert w[0, 0, 0] / w[1, 0, 0] == pytest.approx(np.exp(0.5 * gap), rel=1e-3)
    unsure = likelihood.step_weights(one((100.0, 100.0), (99.0, 101.0), pv_sd_w=250.0), habits, MINUTE)
    assert unsure[0, 0, 0] / unsure[1, 0, 0] == pytest.approx(np.exp(0.25 * gap), rel=1e-3)


@pytest.mark.parametrize("holds_s", [600, 1800])
def test_a_level_counts_by_the_share_of_how_long_it_lasts_and_by_the_nights_seen(holds_s):
    jump = -np.expm1(-0.001)
    for samples, share in ((10**9, 1.0), (300, 0.5)):
        habits = flat(lambda load_w: -load_w / 100, samples=samples, holds_s=holds_s)
        low, high = habits.log_level(np.array([100.0, 300.0]))
        stays = (1 - jump) * norm.pdf(0, scale=np.sqrt(4.0**2 + 2 * 4.0**2))
        changes = (stays + jump * np.exp(low)) / (stays + jump * np.exp(high))
        w = likelihood.step_weights(one((100.0, 300.0), (100.0, 300.0)), habits, MINUTE)
        level = np.exp(share * 60 / holds_s * (low - high))
        assert w[0, 0, 0] / w[1, 1, 0] == pytest.approx(level * changes, rel=1e-6)


def test_a_level_weighs_at_most_eight_against_the_likelier():
    habits = flat(lambda load_w: -load_w)
    w = likelihood.step_weights(one((100.0, 900.0), (100.0, 900.0)), habits, MINUTE)
    assert w[0, 0, 0] / w[1, 1, 0] == pytest.approx(np.exp(8 * 60 / 1800), rel=1e-3)


@pytest.mark.parametrize(
    "dark, instrument, power",
    [(True, MINUTE, 1.0), (False, MINUTE, 0.1), (False, QUARTER, 60 / 2700), (False, Instrument(900, 60), 1.0)],
)
def test_a_load_below_the_base_is_hardly_possible(dark, instrument, power):
    habits = flat(base_w=150.0)
    w = likelihood.step_weights(one((150.0, 130.0), (150.0, 130.0), pv_sd_w=6.0, dark=dark), habits, instrument)
    below = norm.cdf(-20 / (6 + 4)) / 0.5
    assert w[1, 1, 0] / w[0, 0, 0] == pytest.approx(below**power, rel=1e-3)


def test_a_load_where_the_sun_is_unknown_tells_nothing_by_its_level():
    habits = flat(lambda load_w: -load_w, base_w=500.0)
    w = likelihood.step_weights(one((100.0, 900.0), (100.0, 900.0), unknown=True), habits, MINUTE)
    # Only the pull of a level that stays and the changes are left; both are alike.
    assert w[0, 0, 0] / w[1, 1, 0] == pytest.approx(1.0, rel=1e-3)


def test_an_unknown_sun_leaves_little_of_the_pull():
    habits = flat(lambda load_w: -load_w / 100)
    w = likelihood.step_weights(one((900.0, 900.0), (600.0, 1200.0), unknown=True), habits, Instrument(60, 60, 500.0))
    gap = habits.log_level(np.array([1200.0]))[0] - habits.log_level(np.array([600.0]))[0]
    assert w[0, 0, 0] / w[1, 0, 0] == pytest.approx(np.exp(0.5 / (1 + 6.0**2) * gap), rel=5e-3)


def test_anything_happens_once_in_a_thousand_minutes():
    habits = flat()
    w = likelihood.step_weights(one((5000.0, 5000.0), (100.0, 5000.0)), habits, MINUTE)
    jump = -np.expm1(-0.001)
    assert w[0, 0, 0] == pytest.approx(jump, rel=1e-6)
    stays = (1 - jump) * norm.pdf(0, scale=np.sqrt(4.0**2 + 2 * 4.0**2)) + jump
    assert w[1, 1, 0] == pytest.approx(stays, rel=1e-6)


def test_a_change_is_the_house_blurred_by_the_instruments():
    density = likelihood.change_mixture(flat(share_of=2), 18.0, np.array([10.0]), np.array([3.0]))
    house = 12.0**2 * 3
    for change in (0.0, 25.0, 90.0):
        fine, rough = (norm.pdf(change, scale=np.sqrt(house + 18 + f * 100)) for f in (1, 16))
        assert density(np.array([change]))[0] == pytest.approx(0.8 * fine + 0.2 * rough)


def test_roughness_by_hand():
    mean = np.array([0.0, 0.0, 100.0, 100.0, 100.0, 100.0, 100.0])
    # Bends of half of 100 at the edge, slopes of 100 count 0.3; the widest of three, then the mean of three.
    widest = np.array([50.0, 50.0, 50.0, 50.0, 0.0, 0.0, 0.0])
    assert likelihood.roughness(mean) == pytest.approx(
        np.convolve(np.pad(widest, 1, mode="edge"), np.ones(3) / 3, "valid")
    )
    assert likelihood.roughness_of_last(np.array([[100.0], [0.0], [0.0]]))[0] == 50
    assert likelihood.roughness_of_last(np.array([[100.0], [0.0], [-100.0]]))[0] == 30
    assert likelihood.roughness_of_last(np.array([[100.0], [np.nan], [np.nan]]))[0] == 0


def test_habits_of_nobody_are_those_of_a_plain_house():
    plain = likelihood.learn_habits()
    assert plain.shares == pytest.approx(likelihood.PLAIN_SHARES) and plain.base_w == 0 and plain.samples == 0
    assert plain.holds_s == pytest.approx(1800)
    assert plain.log_level(np.array([450.0])) > plain.log_level(np.array([15.0]))
    ratio = plain.log_level(np.array([450.0])) - plain.log_level(np.array([450.0 * np.exp(1.1)]))
    assert ratio[0] == pytest.approx(0.5 + 1.1, abs=0.02)  # one spread away in the logarithm, and per watt


def test_habits_learned_from_nights():
    rng = np.random.default_rng(1)
    load = 200 + np.cumsum(rng.normal(0, 4.0, 40_000)) * 0.01 + rng.normal(0, 4.0, 40_000) / np.sqrt(2)
    habits = likelihood.learn_habits(load, np.ones(load.size, dtype=bool))
    assert habits.samples == 40_000 and habits.shares.argmax() == 1 and habits.shares[1] > 0.8
    assert habits.base_w == pytest.approx(np.quantile(load, 0.002))
    assert likelihood.learn_habits(load[:199], np.ones(199, dtype=bool)).base_w == 0
    assert likelihood.learn_habits(load[:200], np.ones(200, dtype=bool)).base_w > 0
    assert np.exp(habits.log_level(np.array([200.0])))[0] > 50 * np.exp(habits.log_level(np.array([400.0])))[0]


def switching(lasts_s, interval_s, hours=1000, seed=3):
    """Return a load that jumps between two levels, each lasting so long on average, and where samples follow."""
    rng, count = np.random.default_rng(seed), int(hours * 3600 / interval_s)
    high = np.cumsum(rng.random(count) < -np.expm1(-2 * interval_s / lasts_s) / 2) % 2  # an odd number of jumps
    return np.where(high, 900.0, 200.0) * rng.uniform(0.99, 1.01, count), np.ones(count, dtype=bool)


@pytest.mark.parametrize("interval_s", [10.0, 60.0, 300.0])
@pytest.mark.parametrize("lasts_s", [600.0, 1200.0, 4800.0])
def test_how_long_a_level_lasts_is_learned_at_any_interval(lasts_s, interval_s):
    """Two levels that each last T forget at the rate 2/T: what is known now says as much about a time T/2 away."""
    habits = likelihood.learn_habits(*switching(lasts_s, interval_s), interval_s)
    assert habits.holds_s == pytest.approx(lasts_s / 2, rel=0.15)


def test_a_short_night_hardly_changes_how_long_levels_last():
    """As many hours as the plain house was watched weigh as much as it does; stretches apart are not compared."""
    load, follows = switching(300.0, 60.0)
    learned, plain = (np.exp(-600 / tau) for tau in (likelihood.learn_habits(load, follows).holds_s, 1800.0))
    some = [likelihood.learn_habits(load[k : k + 190], follows[:190]).holds_s for k in range(0, 19_000, 190)]
    assert np.mean(np.exp(-600 / np.array(some))) == pytest.approx((learned + plain) / 2, abs=0.04)
    apart = np.arange(load.size) % 10 > 0
    assert likelihood.learn_habits(load, apart).holds_s == pytest.approx(1800)
    steady = likelihood.learn_habits(np.linspace(200, 900, 24_000), np.ones(24_000, dtype=bool))
    assert 20_000 < steady.holds_s < 30_000


def test_the_fold_inside_a_sample_by_hand():
    """Half on: the fold shows half the load whatever the export, so the export nearby is taken. At 0.3: a mix."""
    load, near = 1000.0, 300.0
    for share, export in ((0.3, 420.0), (0.8, 420.0)):
        u = (1 - share) * export + share * (load - export)
        states = likelihood.implied_states(np.array([u]), np.array([share]), load, np.array([near]))
        spread = 10 / abs(1 - 2 * share)
        trust = 50**2 / (50**2 + spread**2)
        taken = trust * export + (1 - trust) * near
        state = 1 if share <= 0.5 else 0
        assert states.net_w[state, 0] == pytest.approx(-taken)
        assert states.doubt_w[0] == pytest.approx(0.02 * load + np.sqrt(trust) * spread)
        flows = share * (load - taken), (1 - share) * taken
        scale = u / sum(flows)
        assert states.imported_w[state, 0] == pytest.approx(flows[0] * scale)
        assert states.exported_w[state, 0] == pytest.approx(flows[1] * scale)
    states = likelihood.implied_states(np.array([5000.0]), np.array([0.3]), load, np.array([near]))
    assert states.net_w[:, 0] == pytest.approx([4700.0, -5300.0]) and states.doubt_w[0] == 20


def test_noise_does_not_hide_the_fold_near_half_a_sample():
    near = np.array([400.0])
    folded, not_folded = (
        likelihood.implied_states(np.array([u]), np.array([0.55]), 1000.0, near) for u in (564.0, 566.0)
    )
    assert folded.net_w[0, 0] < 0 and not_folded.net_w[0, 0] == pytest.approx(16.0)  # 550 W, and 15 of the 30 W
    half = likelihood.implied_states(np.array([500.0]), np.array([0.5]), 1000.0, near)
    spread = 10 / 0.02
    assert half.doubt_w[0] == pytest.approx(20 + spread * np.sqrt(50**2 / (50**2 + spread**2)))
