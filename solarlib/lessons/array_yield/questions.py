"""Checks of lesson 02: what is right, and the wrong value of each slip. Texts: questions.toml beside this module."""

from solarlib.health.yields import final_yield
from solarlib.house.year import weather
from solarlib.lessons.array_yield.pictures import largest_step
from solarlib.lessons.tools import check, questions_beside
from solarlib.lessons.tools.field import own_judge
from solarlib.quantities import energy_kwh, require, texts_beside
from solarlib.roof.array import array_power

ASK = questions_beside(__file__)
check_heat = ASK.judge("heat")  # 1: power of a module of `label` W with cells at `cells` degC in 1000 W/m2 [W]
check_limit = ASK.judge("limit")  # 2: output of a 96.5 % converter with `limit` W; the module offers `offered` W [W]
check_peaks = ASK.judge("peaks")  # 3: cut in an hour, half of it at `dark` W and half at `bright` W, above `limit` [Wh]
check_chain = ASK.judge("chain")  # 4: what is left of 10 000 kWh after three losses [%] in a row [kWh]
check_yield = ASK.judge("yield")  # 5: final yield of `energy` kWh from `size` kW [kWh/kW]
check_ratio = ASK.judge("ratio")  # 6: performance ratio for that yield and a reference yield of `light` hours [-]


def numbers(word):
    """Return the numbers of a learner's own for the checks of this lesson; see `check.numbers_for`."""
    return check.numbers_for(word, **texts_beside(__file__, "numbers"))


def predict_step(house):
    """Ask which step takes most of the energy; the right answer is the house's own."""
    dirt, heat, _, converter, another = ASK.entries["step"]["options"]
    right = {"dirt": dirt, "heat": heat, "converter itself": converter}.get(largest_step(house), another)
    return ASK.predict("step", right)


def compare(house, made_kwh, rated_kw):
    """Return a sentence that sets a year's energy of the reader's own array beside the typical year of the house."""
    if made_kwh is None or rated_kw is None:
        return "Not filled in yet. Type your own two numbers, each with Enter."
    energy, size = require(made_kwh, "energy", 0, 1e7, "kWh"), require(rated_kw, "power", 0.01, 1e4, "kW")
    year_kwh = energy_kwh(array_power(weather(house), house.place, house.system)["ac_power_w"]).sum()
    own, typical = final_yield(energy, 1000.0 * size), final_yield(float(year_kwh), house.system.rated_power_w)
    said = f"Your array made {own:,.0f} kWh/kW."
    if not typical > 0:
        return said
    said += f" The typical year of this house file gives {typical:,.0f} kWh/kW. The ratio is {own / typical:.2f}."
    far_off = " That is far off: is the energy that of a whole year in kWh, and the power in kW (not W)?"
    return said if 0.1 < own / typical < 10 else said + far_off


own_year = own_judge(compare, energy_of_one_year="kWh", rated_power="kW")
