"""The tables of a house file about its roofs: modules, planes, what hides the sun from them, converters, losses."""

import math
from dataclasses import dataclass

from solarlib.roof.obstacles import ModuleLayout, Obstacle
from solarlib.roof.parts import MOUNTINGS, Losses, Plane
from solarlib.schema import Reader, Table, choice, declared, flag, listing, number, percent, real, text, whole

_PER_DEGREE = number(-1, -0.05, "%/degC", lambda value: float(value) / 100.0)


def none_or(reader):
    """Reader of 0 or what `reader` takes: a smaller number above 0 is a slip of its unit."""
    zero = number(0, 0, kind=float)
    return Reader(f"0, or {reader.allowed}", lambda value: (zero if value == 0 else reader).convert(value))


MODULE = {
    "rated_power_w": ("rated_power_w", real(50, 1000, "W")),
    "temperature_coefficient_percent_per_c": ("temperature_coefficient_per_c", _PER_DEGREE),
    "length_m": ("length_m", real(0.2, 4, "m")),
    "width_m": ("width_m", real(0.2, 4, "m")),
}
CONVERTER = {"kind": ("kind", choice("per module", "central")), "ac_limit_w": ("ac_limit_w", real(50, 1_000_000, "W"))}
CONVERTER |= {f"efficiency_{load}_percent": (f"efficiency_{load}", percent(50, 100)) for load in (10, 50, 100)}
LOSSES = {f"{name}_percent": (name, none_or(percent(0.1, 50))) for name in Losses.__dataclass_fields__}


@dataclass(frozen=True)
class ObstacleTable:
    """A table [[plane.obstacle]]: a chimney, tree or gable, as measured from the middle of the plane's modules.

    The direct sun alone is hidden; what an obstacle hides of the sky too is left out.
    """

    name: str = declared(text(), "what it is")
    azimuth: float = declared(real(0, 360, "deg"), "direction of its middle, clockwise from north", key="azimuth_deg")
    distance_m: float = declared(real(0.5, 10_000, "m"), "how far away, level")
    width_m: float = declared(real(0.01, 10_000, "m"), "how wide, across that direction")
    height_m: float = declared(real(0.01, 1000, "m"), "how high its middle stands above the modules' middle")
    side_height_m: float | None = declared(real(0, 1000, "m"), "its two sides, where lower: a gable", None)
    passes: float = declared(percent(0, 100), "direct light that comes through", 0.0, key="passes_percent")
    bare_passes: float | None = declared(percent(0, 100), "in months without leaves", None, key="bare_passes_percent")
    bare_months: tuple = declared(listing(whole(1, 12)), "those months, of what loses its leaves", ())

    def made(self):
        """Return the obstacle as `shade` takes it."""
        half = math.degrees(math.atan2(self.width_m / 2.0, self.distance_m))
        sides = self.height_m if self.side_height_m is None else self.side_height_m
        up = (math.degrees(math.atan2(height, self.distance_m)) for height in (sides, self.height_m, sides))
        points = tuple(zip((self.azimuth - half, self.azimuth, self.azimuth + half), up))
        return Obstacle(points, self.distance_m, self.passes, self.bare_passes or 0.0, self.bare_months, self.name)


@dataclass(frozen=True)
class RoofTable:
    """A table [[plane]]: modules that face one way, how they lie, and what hides the sun from them."""

    module_count: int = declared(whole(1, 1000))
    surface_tilt: float = declared(real(0, 90, "deg"), key="tilt_deg")
    surface_azimuth: float = declared(real(0, 360, "deg"), key="azimuth_deg")
    mounting: str = declared(choice(*MOUNTINGS), default=Plane.mounting)
    rows: int | None = declared(whole(1, 100), "rows of modules, one above the other", None)
    upright: bool | None = declared(flag(), "long sides up the slope", None)
    horizon: tuple = declared(listing(listing(real(0, 360, "deg"), 2)), "of this plane alone, as in [weather]", ())
    obstacle: tuple[ObstacleTable, ...] = declared(Table(ObstacleTable, many=True), "what stands near", ())

    def made(self, module, problems, where):
        """Return the plane of the array, or None and note why not; what stands near asks how the modules lie."""
        for i, thing in enumerate(self.obstacle, 1):
            if (thing.bare_passes is None) == bool(thing.bare_months):
                allowed = "both or none of bare_months and bare_passes_percent: look in winter"
                problems.add(f"{where}.obstacle[{i}].bare_months", "one of two", allowed)
        things = [problems.make(thing.made) for thing in self.obstacle]
        if self.horizon:
            first, *rest = sorted(map(tuple, self.horizon))
            all_round = (first, *rest, (first[0] + 360.0, first[1]))
            things.append(problems.make(Obstacle, all_round, name=f"{where}.horizon"))
        if self.obstacle:
            told = {f"{where}.rows": self.rows, f"{where}.upright": self.upright}
            told |= {"module.length_m": module.length_m, "module.width_m": module.width_m}
            for key in (key for key, value in told.items() if value is None):
                problems.add(key, "nothing", "a value: it is needed with [[plane.obstacle]]")
            if self.rows and self.module_count % self.rows:
                allowed = f"a divisor of the {self.module_count} modules: unequal rows are planes of their own"
                problems.add(f"{where}.rows", self.rows, allowed)
        if problems.found:
            return None
        sizes = self.upright, module.length_m, module.width_m
        layout = ModuleLayout(self.rows, self.module_count // self.rows, *sizes) if self.obstacle else None
        known = self.module_count, self.surface_tilt, self.surface_azimuth, self.mounting
        return problems.make(Plane, *known, tuple(things), layout)
