"""The live exercise: a house whose direction is hidden, and what the live filter makes of its readings."""

from functools import lru_cache

import numpy as np

from solarlib.direction.likelihood import night_habits
from solarlib.direction.live import LiveFilter
from solarlib.lessons.load_step.pictures import CAPTIONS, LAMP_W, mark, year_in_minutes
from solarlib.lessons.tools import Picture, figures
from solarlib.meter.registers import unsigned
from solarlib.quantities import day_words

READINGS = 12  # of one minute each, in a round
_SEED = 77


@lru_cache(maxsize=32)
def round_of(house, number):
    """Return ``net_w`` without the test load and ``generation_w`` in the minutes of a round, as in `year.simulate`. [W]

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
    return year[["net_w", "generation_w"]].iloc[at : at + READINGS]


def readings(house, number, added_w):
    """Return what the sensor has shown so far in a round: one reading for each entry of ``added_w``. [W]

    Parameters
    ----------
    added_w : sequence of float
        What the test load drew in each minute, 0 while off. [W]
    """
    added = np.zeros(READINGS)
    added[: len(added_w)] = added_w
    rng, meter = np.random.default_rng([_SEED, number, 1]), house.meter
    shown = unsigned(round_of(house, number)["net_w"] + added, meter.reading_noise_w, meter.reading_step_w, rng)
    return shown.to_numpy()[: len(added_w)]


@lru_cache(maxsize=2)
def habits_of(house):
    """Return what the nights of the house teach a filter; see `likelihood.night_habits`."""
    year = year_in_minutes(house)
    net_w, made_w = (year[name].to_numpy() for name in ("net_w", "generation_w"))
    return night_habits(net_w + made_w, made_w, 60.0)


def believed(house, number, added_w):
    """Return P(export without the test load) after each reading, by a filter that begins with the round."""
    live, sun = LiveFilter(max(added_w), habits=habits_of(house)), round_of(house, number)["generation_w"]
    samples = zip(readings(house, number, added_w), sun, 1.0 * (np.asarray(added_w) > 0), strict=False)
    return np.array([(live.update(*sample), live.p_export_without)[1] for sample in samples])


def start():
    """Return the state of the first round."""
    return {"round": 1, "load": 0.0, "added": [0.0], "said": None, "right": 0, "decided": 0}


def read(on):
    """Return what a button does that takes the next reading, the test load on or off; one load serves a round."""

    def take(state, values):
        if state["said"] is None and len(state["added"]) < READINGS:
            state["load"] = state["load"] or (on and float(values["load"]))
            state["added"].append(state["load"] if on else 0.0)

    return take


def claim(house, word):
    """Return what a button with an answer does: it ends the round."""

    def answer(state, values):
        if state["said"] is None:
            right = state["right"] + int(word == _truth(house, state))
            state.update(said=word, decided=state["decided"] + 1, right=right)

    return answer


def begin(state, values):
    """Begin the next round."""
    state.update(start() | {name: state[name] for name in ("right", "decided")} | {"round": state["round"] + 1})


def _truth(house, state):
    return "exporting" if round_of(house, state["round"])["net_w"].iloc[len(state["added"]) - 1] < 0 else "importing"


def live_picture(house):
    """Return the live exercise; its state is that of `start`, its buttons are the functions above."""
    unit = max(house.meter.test_load_w, LAMP_W)
    low, high = -3.7 * unit, 5.2 * unit
    figure, (ax, below) = figures.new_figure(2, left=0.1, bottom=0.19, height_ratios=(3, 1), hspace=0.12, sharex=True)
    below.set(xlim=(0.4, READINGS + 0.6), xticks=range(1, READINGS + 1), xlabel="reading number, one a minute")
    figures.zero_based(ax, high, "power (W)", bottom=low)
    figures.zero_based(below, 100, "export (%)")
    ax.axhline(0, color=figures.INK, linewidth=1.2)
    sun = figures.line(ax, "pv", [], [], linewidth=2.0)
    path = figures.line(ax, "reading", [], [], linestyle="-", linewidth=2.0)
    colour = figures.ROLES["reading"].colour
    off, on = mark(ax, "o", 12, figures.BACKGROUND), mark(ax, "s", 13, colour)
    off.set(markeredgecolor=colour, markeredgewidth=3)
    true = figures.line(ax, "load", [], [], drawstyle="steps-mid", linewidth=3.0)
    chance = figures.line(below, "export", [], [], linestyle="-", marker="o", markersize=8, clip_on=False)
    figures.write(ax, CAPTIONS["labels"]["live"], high, va="top")
    figures.write(below, CAPTIONS["labels"]["live_filter"], va="top")
    look = {"ha": "center", "size": 14, "bbox": figures.PAPER}
    numbers = [figures.direct_label(ax, k, 0, "", "reading", **look) for k in range(1, READINGS + 1)]

    def update(state, load):
        shown = readings(house, state["round"], state["added"])
        count, lit = len(shown), np.asarray(state["added"]) > 0
        rows = round_of(house, state["round"])[:count]
        place, drawn = np.arange(1, count + 1), np.clip(shown, 0, 0.72 * high)
        sun.set_data(place, np.clip(rows["generation_w"], 0, 0.76 * high))
        for artist, which in ((path, lit | True), (off, ~lit), (on, lit)):
            artist.set_data(place[which], drawn[which])
        for k, text in enumerate(numbers):
            text.set(text=f"{shown[k]:.0f}" if k < count else "", y=(drawn[k] if k < count else 0.0) + 0.11 * high)
        seen = place if state["said"] else place[:0]
        true.set_data(seen, np.clip(rows["net_w"].to_numpy()[: len(seen)], 0.97 * low, 0.8 * high))
        chances = 100 * believed(house, state["round"], state["added"])
        chance.set_data(seen, chances[: len(seen)])
        told = {
            "first": chances[0],
            "last": chances[-1],
            "shown": shown[-1],
            "sun": rows["generation_w"].iloc[count - 1],
        }
        if state["said"]:
            truth, power = _truth(house, state), abs(rows["net_w"].iloc[-1])
            verdict = "right" if state["said"] == truth else "wrong"
            return CAPTIONS["live_shown"].format(truth=truth, power=power, verdict=verdict, **told, **state)
        at, name = rows.index[0], "live_full" if count == READINGS else "live"
        begun = day_words(at, "%B %H:%M")
        return CAPTIONS[name].format(begun=begun, offered=state["load"] or load, **told, **state)

    return Picture(figure, [sun, path, off, on, true, chance, *numbers], update, state=start())
