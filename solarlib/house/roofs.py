"""The tables of a house file about its roofs: modules, planes, what hides the sun from them, converters, losses."""

import math
from dataclasses import dataclass, replace

from solarlib.roof.obstacles import ModuleLayout, Obstacle
from solarlib.roof.parts import MOUNTINGS, Plane
from solarlib.schema import Table, choice, declared, flag, kept, listing, nearest, percent, real, text, whole


def _not_told(why):
    """Reader of a key that people write for what no sum here takes: it says so, but for `false`."""
    return kept(f"no such key: {why}", lambda value: value is False, lambda value: None)


_BIFACIAL = "light on the back hangs on the ground, which no house file tells; without it the year is a little low"
_TRACKER = "behind a central converter each plane has a tracker of its own; what a shared one loses is not computed"
# Keys of the tables [module] and [converter] beside those that stand at the fields of `Module` and `Converter`.
MODULE, CONVERTER = {"bifacial": _not_told(_BIFACIAL)}, {"trackers": _not_told(_TRACKER)}


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
    pair: bool = declared(flag(), "half of the modules face the opposite way, back to back in rows", False)
    row_pitch_m: float | None = declared(real(0.1, 100, "m"), "of rows or pairs on level ground, edge to edge", None)
    module: str | None = declared(text(), "name of its [[other_module]]; else [module]", None)
    converter: str | None = declared(text(), "name of its [[other_converter]]; else [converter]", None)
    tracker: None = declared(_not_told(_TRACKER), default=None)
    horizon: tuple = declared(listing(listing(real(0, 360, "deg"), 2)), "of this plane alone, as in [weather]", ())
    obstacle: tuple[ObstacleTable, ...] = declared(Table(ObstacleTable, many=True), "what stands near", ())

    def made(self, file, problems, where):
        """Return the planes of the array that it is, and note what is wrong; near things ask how the modules lie."""
        before, module = len(problems.found), _named(self.module, "module", file, problems, where)
        converter = _named(self.converter, "converter", file, problems, where)
        for i, thing in enumerate(self.obstacle, 1):
            if (thing.bare_passes is None) == bool(thing.bare_months):
                allowed = "both or none of bare_months and bare_passes_percent: look in winter"
                problems.add(f"{where}.obstacle[{i}].bare_months", "one of two", allowed)
        things = [problems.make(thing.made) for thing in self.obstacle]
        if self.horizon:
            first, *rest = sorted(map(tuple, self.horizon))
            all_round = (first, *rest, (first[0] + 360.0, first[1]))
            far = problems.make(Obstacle, all_round, name=f"{where}.horizon")  # so that what is wrong has a place
            things.append(far and replace(far, name="hills"))
        if self.pair and self.module_count % 2:
            problems.add(f"{where}.module_count", self.module_count, "an even number: pair = true turns half of them")
        count = self.module_count // (1 + self.pair)
        layout = self._layout(module or file.module, count, problems, where)
        if len(problems.found) > before:
            return []
        rest = self.mounting, tuple(things), layout, self.row_pitch_m, module, converter
        turned = [self.surface_azimuth, (self.surface_azimuth + 180.0) % 360.0][: 1 + self.pair]
        return [problems.make(Plane, count, self.surface_tilt, azimuth, *rest) for azimuth in turned]

    def _layout(self, module, count, problems, where):
        """Return how so many modules lie, where something near asks for it; note what is missing or has no room."""
        if not self.obstacle and self.row_pitch_m is None:
            return None
        table = f"other_module {module.name!r}" if module.name else "module"
        told = {f"{where}.rows": self.rows, f"{where}.upright": self.upright}
        told |= {f"{table}.length_m": module.length_m, f"{table}.width_m": module.width_m}
        for key in (key for key, value in told.items() if value is None):
            problems.add(key, "nothing", "a value: it is needed with [[plane.obstacle]] and row_pitch_m")
        if self.rows and count % self.rows:
            allowed = f"a divisor of the {count} modules: unequal rows are planes of their own"
            problems.add(f"{where}.rows", self.rows, allowed)
        if None in told.values() or count % self.rows:
            return None
        up_m = module.length_m if self.upright else module.width_m
        depth_m = (1 + self.pair) * up_m * math.cos(math.radians(self.surface_tilt))
        if self.row_pitch_m is not None and self.row_pitch_m < depth_m:
            allowed = f"{depth_m:.2f} m or more, the depth of a {'pair' if self.pair else 'row'}"
            problems.add(f"{where}.row_pitch_m", f"{self.row_pitch_m:g} m", allowed)
        return ModuleLayout(self.rows, count // self.rows, self.upright, module.length_m, module.width_m)


def _named(name, kind, file, problems, where):
    """Return the other module or converter that a plane names; None where it names none."""
    known = {one.name: one for one in getattr(file, f"other_{kind}")}
    if name is not None and name not in known:
        allowed = f"the name of an [[other_{kind}]]: {', '.join(known) or 'there is none'}{nearest(name, known)}"
        problems.add(f"{where}.{kind}", repr(name), allowed)
    return known.get(name)


def check_kinds(file, problems):
    """Note a kind of module or converter without a name, with that of another, or on no plane."""
    for kind in ("module", "converter"):
        asked = {getattr(plane, kind) for plane in file.plane}
        names = [one.name for one in getattr(file, f"other_{kind}")]
        for i, name in enumerate(names, 1):
            if not name or name in names[: i - 1]:
                problems.add(f"other_{kind}[{i}].name", repr(name), "a name of its own, which a [[plane]] asks for")
            elif name not in asked:
                problems.add(f"other_{kind}[{i}]", "no plane with it", f'{kind} = "{name}" in a [[plane]]')
        if None not in asked:
            problems.add(kind, "no plane with it", f"at least one [[plane]] without the key {kind}")
