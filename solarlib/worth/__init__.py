"""What owning a system is worth: money and years, yearly cash flow, spread."""

from solarlib.worth.lifetime import figures_of_merit
from solarlib.worth.premium import gain_needed, value_of_gain
from solarlib.worth.risk import exceeded_yield, relative_sd
