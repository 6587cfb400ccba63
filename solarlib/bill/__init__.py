"""The rules of a bill as data, and the bills, credits and resets that follow from them."""

from solarlib.bill.accounts import ledger
from solarlib.bill.periods import monthly_periods
from solarlib.bill.reset import best_reset, spendable_kwh
from solarlib.bill.words import COUNTED, explain
