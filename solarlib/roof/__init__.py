"""From light on a plane to alternating current, with shade, layout and circuits."""

from solarlib.roof.array import array_power
from solarlib.roof.circuits import check_branch, check_busbar
from solarlib.roof.layout import RoofPlane, fit_modules, pitch_without_shade, up_slope_m
from solarlib.roof.loads import velocity_pressure
from solarlib.roof.parts import cell_temperature
from solarlib.roof.wiring import circuit_sums
