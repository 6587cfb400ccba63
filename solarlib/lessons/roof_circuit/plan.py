"""A roof plane, and how many modules have room on it: sums in words."""

from solarlib.lessons.roof_circuit.pictures import CAPTIONS
from solarlib.roof.layout import RoofPlane, fit_modules
from solarlib.roof.obstacles import ModuleLayout

GAP_M = 0.02
_MODULE = ModuleLayout(1, 1)  # of the shade; its gap is taken off
LONG_M, SHORT_M = _MODULE.length_m - GAP_M, _MODULE.width_m - GAP_M
CHIMNEY_M, ROOM_M = 0.6, 0.2  # its side, and what stays free around it


def roof_plane(along, up, strip, chimney=False):
    """Return a plane with one strip all round, and perhaps with a chimney above its middle. [m]"""
    half, middle, height = CHIMNEY_M / 2 + ROOM_M, along / 2, 0.65 * up
    taken = ((middle - half, height - half, middle + half, height + half),) if chimney else ()
    return RoofPlane(along, up, strip, strip, strip, strip, taken)


def free_area_m2(plane):
    """Return the area inside the strips, less what is taken out of it. [m2]"""
    left, low, right, top = plane.free
    cuts = ((min(c, right) - max(a, left), min(d, top) - max(b, low)) for a, b, c, d in plane.taken)
    cut = sum(max(wide, 0) * max(high, 0) for wide, high in cuts)
    return max(right - left, 0) * max(top - low, 0) - cut


def plan_words(house, along, up, strip, chimney=False):
    """Return in words how many modules have room on a roof plane, upright and sideways; lengths in m."""
    plane, rated_w = roof_plane(along, up, strip, chimney), house.system.module.rated_power_w
    upright, sideways = (fit_modules(plane, LONG_M, SHORT_M, way, GAP_M).count for way in (True, False))
    most, by_area = max(upright, sideways), int(free_area_m2(plane) / (LONG_M * SHORT_M))
    said = {"along": along, "up": up, "strip": strip, "chimney": ", a chimney" if chimney else ""}
    if most == 0:
        return CAPTIONS["plan_none"].strip().format(long=LONG_M, short=SHORT_M, **said)
    said |= {"upright": upright, "sideways": sideways, "most": most, "by_area": by_area}
    return CAPTIONS["plan"].strip().format(rated=rated_w, power=most * rated_w / 1000, **said)
