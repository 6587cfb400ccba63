"""Which cells an obstacle hides from the sun: modules laid out on a plane, a silhouette in azimuth and elevation.

The reader stands in the middle of the array and notes the outline of a chimney, tree or neighbour as points of azimuth
and elevation. With a distance the outline becomes a fence of that many metres away, and each cell sees it from its own
place; without one it is far away and the same for every cell. A cell counts as shaded when its middle is.
"""

import math
from dataclasses import dataclass

import numpy as np

from solarlib.quantities import check_ranges, refusal, refuse_if, require

# A module of 60 cells: sections are pairs of columns along the long side.
CELLS_ACROSS, CELLS_ALONG, _SECTIONS = 6, 10, 3
_STEP_DEG = 5.0


@dataclass(frozen=True)
class Obstacle:
    """Something opaque, or nearly, between an array and the sun.

    Parameters
    ----------
    points : tuple of (azimuth, elevation)
        The outline's upper edge as seen from the middle of the array, clockwise; azimuth from north. Straight lines
        join the points; what lies below hides the sun down to the horizon. Azimuth may go on past 360. [deg]
    distance_m : float
        Horizontal distance. Infinite: a hill, or houses far down the road. [m]
    passes, bare_passes : float
        Share of the direct light that comes through: 0 for a wall, more for a tree; and in the months without leaves.
    bare_months : tuple of int
        Those months, 1 to 12; empty for what has no leaves, or keeps them.
    name : str
    """

    points: tuple
    distance_m: float = math.inf
    passes: float = 0.0
    bare_passes: float = 0.0
    bare_months: tuple = ()
    name: str = "obstacle"

    def __post_init__(self):
        try:
            points = tuple((float(azimuth), float(elevation)) for azimuth, elevation in self.points)
        except (TypeError, ValueError):
            raise refusal("no_pairs", f"{self.name}.points", points=self.points) from None
        refuse_if(len(points) < 2, "few_points", f"{self.name}.points", count=len(points))
        for azimuth, elevation in points:
            require(azimuth, f"{self.name}.points azimuth", -360, 720, "deg")
            require(elevation, f"{self.name}.points elevation", 0, 89, "deg")
        azimuths = [azimuth for azimuth, _ in points]
        back = any(b <= a for a, b in zip(azimuths, azimuths[1:])) or azimuths[-1] - azimuths[0] > 360
        refuse_if(back, "turned_back", f"{self.name}.points", azimuths=", ".join(f"{a:g}" for a in azimuths))
        if not math.isinf(self.distance_m):
            require(self.distance_m, f"{self.name}.distance_m", 0.5, 100_000, "m")
        require(self.passes, f"{self.name}.passes", 0, 1)
        require(self.bare_passes, f"{self.name}.bare_passes", 0, 1)
        object.__setattr__(self, "points", points)

    def passes_in(self, months):
        """Return the share of the direct light that comes through in each of an array of months, 1 to 12."""
        return np.where(np.isin(months, self.bare_months), self.bare_passes, self.passes)


@dataclass(frozen=True)
class ModuleLayout:
    """Modules in rows and columns on one plane, seen from in front of it; the top row first, each from left to right.

    Parameters
    ----------
    rows, columns : int
    portrait : bool
        Long sides up the slope; otherwise across it.
    length_m, width_m : float
        Long and short side of a module, the gap to the next included. [m]
    half_cut : bool
        Cells cut in halves: a module is an upper and a lower half of its length, in parallel section by section.
    """

    rows: int
    columns: int
    portrait: bool = True
    length_m: float = 1.75
    width_m: float = 1.10
    half_cut: bool = False

    def __post_init__(self):
        check_ranges(self, "layout")

    @property
    def module_count(self):
        """Modules on the plane."""
        return self.rows * self.columns

    def cells(self):
        """Return the middles of the cells on the plane.

        Returns
        -------
        array, shape (modules, 3 sections, 20 cells, 2)
            Metres to the right and up the slope from the middle of the array; of half cells (modules, 6, 20, 2), the
            two halves of a section one after the other. [m]
        """
        across = (np.arange(CELLS_ACROSS) + 0.5) / CELLS_ACROSS - 0.5
        halves = 1 + self.half_cut
        along = (np.arange(halves * CELLS_ALONG) + 0.5) / (halves * CELLS_ALONG) - 0.5
        short, long = np.meshgrid(across * self.width_m, along * self.length_m, indexing="ij")
        inside = np.stack((short, long) if self.portrait else (long, short), axis=-1)
        columns = CELLS_ACROSS // _SECTIONS
        inside = inside.reshape(_SECTIONS, columns, halves, CELLS_ALONG, 2).swapaxes(1, 2)
        inside = inside.reshape(_SECTIONS * halves, columns * CELLS_ALONG, 2)
        wide, high = (self.width_m, self.length_m) if self.portrait else (self.length_m, self.width_m)
        right = (np.arange(self.columns) - (self.columns - 1) / 2.0) * wide
        up = ((self.rows - 1) / 2.0 - np.arange(self.rows)) * high
        middles = np.stack(np.meshgrid(right, up, indexing="xy"), axis=-1).reshape(-1, 1, 1, 2)
        return middles + inside


def usual_layout(module_count):
    """Return portrait modules in two rows, or in one where the count is odd."""
    rows = 2 if module_count % 2 == 0 and module_count > 2 else 1
    return ModuleLayout(rows, module_count // rows)


def in_space(on_plane, surface_tilt, surface_azimuth):
    """Return where points of a plane are: metres east, north and up of the plane's middle.

    Parameters
    ----------
    on_plane : array, shape (..., 2)
        Right (for an eye in front of the plane) and up the slope. [m]
    surface_tilt, surface_azimuth : float
        [deg]

    Returns
    -------
    array, shape (..., 3)
        [m]
    """
    tilt, azimuth = math.radians(surface_tilt), math.radians(surface_azimuth)
    # The eye in front looks against the plane's azimuth, so its right is the azimuth less a quarter turn.
    right = (-math.cos(azimuth), math.sin(azimuth), 0.0)
    up = (-math.sin(azimuth) * math.cos(tilt), -math.cos(azimuth) * math.cos(tilt), math.sin(tilt))
    return on_plane @ np.array([right, up])


def hidden(obstacle, places, solar_azimuth, solar_elevation):
    """Tell for each place and instant whether the sun stands behind the obstacle.

    Parameters
    ----------
    obstacle : Obstacle
    places : array, shape (p, 3)
        East, north, up of the point from which the outline was drawn. [m]
    solar_azimuth, solar_elevation : arrays, shape (n,)
        [deg]

    Returns
    -------
    bool array, shape (n, p)

    Raises
    ------
    InputError
        If a place is not nearer than the obstacle.
    """
    places = np.asarray(places, dtype=float)
    azimuth, elevation = np.array(obstacle.points).T
    if math.isinf(obstacle.distance_m):
        one = _below(azimuth, elevation, solar_azimuth, solar_elevation)
        return np.repeat(one[:, None], len(places), axis=1)
    reach = np.hypot(places[:, 0], places[:, 1]).max()
    near = obstacle.distance_m
    refuse_if(reach >= near, "too_near", f"{obstacle.name}.distance_m", distance=near, reach=reach)
    # Every few degrees a point of its own: straight on the drawing stays at the distance, and never spans half a turn.
    fine = np.unique(np.concatenate([azimuth, np.arange(azimuth[0], azimuth[-1], _STEP_DEG)]))
    azimuth, elevation = fine, np.interp(fine, azimuth, elevation)
    east, north = (obstacle.distance_m * f(np.radians(azimuth)) for f in (np.sin, np.cos))
    height = obstacle.distance_m * np.tan(np.radians(elevation))
    result = np.empty((len(solar_azimuth), len(places)), dtype=bool)
    for column, (x, y, z) in enumerate(places):
        seen = np.degrees(np.unwrap(np.arctan2(east - x, north - y)))
        seen += 360.0 * np.round((azimuth[0] - seen[0]) / 360.0)
        raised = np.degrees(np.arctan2(height - z, np.hypot(east - x, north - y)))
        result[:, column] = _below(seen, raised, solar_azimuth, solar_elevation)
    return result


def may_hide(obstacle, places, solar_azimuth, solar_elevation):
    """Tell when the sun stands so that some place may be shaded: a wide net around `hidden`, quick to throw."""
    top = max(height for _, height in obstacle.points)
    left, right = obstacle.points[0][0], obstacle.points[-1][0]
    aside = 0.0
    if math.isfinite(obstacle.distance_m):
        reach = min(np.hypot(places[:, 0], places[:, 1]).max() / obstacle.distance_m, 1.0 - 1e-6)
        raised = np.tan(np.radians(top)) - places[:, 2].min() / obstacle.distance_m
        aside = np.degrees(np.arcsin(reach)) + 0.1
        top = np.degrees(np.arctan2(raised, 1.0 - reach))
    wide = min(right - left + 2.0 * aside, 360.0)
    return (solar_elevation < top) & ((solar_azimuth - left + aside) % 360.0 <= wide)


def _below(azimuth, elevation, solar_azimuth, solar_elevation):
    turned = azimuth[0] + (solar_azimuth - azimuth[0]) % 360.0
    return solar_elevation < np.interp(turned, azimuth, elevation, right=-90.0)
