"""What a house draws, and what instruments make of its net power."""

from solarlib.meter.balance import house_use, what_is_known
from solarlib.meter.registers import pulse_power, register_difference, split, unsigned
