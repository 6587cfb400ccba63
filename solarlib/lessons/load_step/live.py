"""The live exercise of lesson 07: a house whose direction is hidden; switch the test load, read, decide, reveal."""

from functools import lru_cache

import numpy as np

from solarlib.direction.step_test import StepTest, posterior
from solarlib.lessons.load_step.pictures import CAPTIONS, LAMP_W, mark, year_in_minutes
from solarlib.lessons.tools import MONTHS, Picture
from solarlib.lessons.tools.figures import BACKGROUND, INK, ROLES, direct_label, line, new_figure, write, zero_based
from solarlib.meter.registers import unsigned

READINGS = 12  # of one minute each, in a round
SPREAD_W = 50.0  # of one reading: its noise and the unrest of the house
HIDDEN = "net power: hidden until you reveal it"
_SEED = 77


@lru_cache(maxsize=32)
def round_of(house, number):
    """Return the net power without the test load in the minutes of a round, START labels in the house's zone. [W]

    They are minutes of a random day in which reading and PV power alone do not tell the direction. Half of the rounds
    start in export, and half of them close to zero. The same number gives the same round.
    """
    year, own = year_in_minutes(house), house.meter.test_load_w
    net, made = year["net_w"].to_numpy(), year["generation_w"].to_numpy()
    rng = np.random.default_rng([_SEED, number])
    outward, near = rng.random(2) < 0.5
    low, high = (0.05 * own, 0.6 * own) if near else (0.6 * own, 3.0 * own)
    size = np.abs(net)
    open_question = (size < made) & (made > 100.0)
    wanted = open_question & ((net < 0) == outward) & (size > low) & (size < high)
    for allowed in (wanted, open_question, made > 0, np.full(len(net), True)):
        starts = np.flatnonzero(allowed[: len(net) - READINGS])
        if len(starts):
            break
    at = int(rng.choice(starts))
    return year["net_w"].iloc[at : at + READINGS]


def readings(house, number, added_w):
    """Return what the sensor has shown so far in a round: one reading for each entry of ``added_w``. [W]

    Parameters
    ----------
    added_w : sequence of float
        What the test load drew in each minute, 0 while off. [W]
    """
    net_w = round_of(house, number)
    added = np.zeros(READINGS)
    added[: len(added_w)] = added_w
    rng = np.random.default_rng([_SEED, number, 1])
    shown = unsigned(net_w + added, house.meter.reading_noise_w, house.meter.reading_step_w, rng)
    return shown.to_numpy()[: len(added_w)]


def judged(shown_w, added_w):
    """Return P(exporting) from the last step in the readings by the test that knows the fold, or None without a step.

    The reading before the load was switched on, the first with it on, and the first after it, where there is one.
    """
    on = np.asarray(added_w) > 0
    starts = np.flatnonzero(on[1:] & ~on[:-1]) + 1
    if len(starts) == 0:
        return None
    at = int(starts[-1])
    ends = np.flatnonzero(~on[at:])
    after = float(shown_w[at + ends[0]]) if len(ends) else None
    test = StepTest(float(added_w[at]), 60.0, SPREAD_W, 60.0, use_after=after is not None)
    return float(posterior(float(shown_w[at - 1]), float(shown_w[at]), test, after)[1:].sum())


def start():
    """Return the state of the first round."""
    return {"round": 1, "on": False, "added": [0.0], "said": None, "shown": False, "right": 0, "decided": 0}


def switch(state, values):
    """Switch the test load on or off; the next reading shows it."""
    if not state["shown"]:
        state["on"] = not state["on"]


def take(state, values):
    """Take the next reading."""
    if not state["shown"] and len(state["added"]) < READINGS:
        state["added"].append(float(values["load"]) if state["on"] else 0.0)


def claim(word):
    """Return what a button with an answer does."""

    def answer(state, values):
        if not state["shown"]:
            state["said"] = word

    return answer


def turn(house):
    """Return what the last button does: reveal, and after that begin the next round."""

    def reveal(state, values):
        if state["shown"]:
            kept = {name: state[name] for name in ("right", "decided")}
            state.update(start() | kept | {"round": state["round"] + 1})
            return
        state["shown"] = True
        if state["said"]:
            state["decided"] += 1
            state["right"] += int(state["said"] == _truth(house, state))

    return reveal


def _truth(house, state):
    net = round_of(house, state["round"]).iloc[len(state["added"]) - 1]
    return "exporting" if net < 0 else "importing"


def live_picture(house):
    """Return the live exercise; its state is that of `start`, its buttons are the functions above."""
    unit = max(house.meter.test_load_w, LAMP_W)
    low, high = -3.7 * unit, 5.2 * unit
    figure, ax = new_figure(left=0.1, bottom=0.2)
    ax.set(xlim=(0.4, READINGS + 0.6), xticks=range(1, READINGS + 1), xlabel="reading number, one a minute")
    zero_based(ax, high, "power (W)", bottom=low)
    ax.axhline(0, color=INK, linewidth=1.2)
    path = line(ax, "reading", [], [], linestyle="-", linewidth=2.0)
    colour = ROLES["reading"].colour
    off, on = mark(ax, "o", 12, BACKGROUND), mark(ax, "s", 13, colour)
    off.set(markeredgecolor=colour, markeredgewidth=3)
    on.set(markeredgecolor=colour)
    true = line(ax, "load", [], [], drawstyle="steps-mid", linewidth=3.0)
    write(ax, CAPTIONS["labels"]["live"], high, va="top")
    hidden = direct_label(ax, 0.5, 0.95 * low, "", "load", va="bottom")
    numbers = [direct_label(ax, k + 1, 0, "", "reading", ha="center", va="bottom", size=14) for k in range(READINGS)]

    def update(state, load):
        shown = readings(house, state["round"], state["added"])
        place, lit = np.arange(1, len(shown) + 1), np.asarray(state["added"]) > 0
        drawn = np.clip(shown, 0, 0.78 * high)
        path.set_data(place, drawn)
        off.set_data(place[~lit], drawn[~lit])
        on.set_data(place[lit], drawn[lit])
        for k, text in enumerate(numbers):
            text.set_text(f"{shown[k]:.0f}" if k < len(shown) else "")
            text.set_position((k + 1, (drawn[k] if k < len(shown) else 0.0) + 0.05 * high))
        net = round_of(house, state["round"]).to_numpy()[: len(shown)] if state["shown"] else np.array([])
        true.set_data(place[: len(net)], np.clip(net, 0.97 * low, 0.8 * high))
        hidden.set_text("–·– net power without the test load" if state["shown"] else HIDDEN)
        hidden.set_position((0.5, 0.95 * low) if not state["shown"] or net.min() > 0.6 * low else (0.5, 0.7 * high))
        return _words(house, state, load, shown)

    return Picture(figure, [path, off, on, true, hidden, *numbers], update, state=start())


def _words(house, state, load, shown):
    said = state["said"]
    if state["shown"]:
        truth, net = _truth(house, state), round_of(house, state["round"]).iloc[len(shown) - 1]
        verdict = f"you said {said}: {'right' if said == truth else 'wrong'}" if said else "you did not decide"
        chance = judged(shown, state["added"])
        found = CAPTIONS["live_no_step"] if chance is None else CAPTIONS["live_step"].format(chance=_percent(chance))
        return CAPTIONS["live_shown"].format(truth=truth, power=abs(net), verdict=verdict, found=found, **state)
    first = round_of(house, state["round"]).index[0]
    latest = list(zip(shown, state["added"]))[-5:]
    listed = ", ".join(f"{value:.0f}{' (on)' if added else ''}" for value, added in latest)
    todo = "said" if said else "full" if len(shown) == READINGS else "open"
    told = {"todo": CAPTIONS[f"live_{todo}"].format(said=said), "switched": "on" if state["on"] else "off"}
    begin = f"{first.day} {MONTHS[first.month - 1]} {first:%H:%M}"
    return CAPTIONS["live"].format(begin=begin, load=load, listed=listed, **told, **state)


def _percent(chance):
    return "more than 99 %" if chance > 0.99 else "less than 1 %" if chance < 0.01 else f"{100 * chance:.0f} %"
