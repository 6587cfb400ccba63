"""One house, everything composed: its file, its year, its bills, its owner's files and how it stands."""

from solarlib.house.bills import avoided_price, good_to, owner_cash_flow, saving
from solarlib.house.file import read_house
from solarlib.house.flows import bring
from solarlib.house.periods import periods_of, register_days
from solarlib.house.sensor import directions
from solarlib.house.year import simulate, weather
from solarlib.house.year_bills import year_energies
