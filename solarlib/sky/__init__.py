"""Where the sun stands, what a cloudless sky gives, what falls on a plane, and the clouds of single minutes."""

from solarlib.sky.clouds import minute_weather
from solarlib.sky.sun import clear_sky, plane_of_array, position, solar_noon
