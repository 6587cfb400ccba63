"""Picture of lesson 03: a roof plane on a plan, with the modules that have room on it."""

from matplotlib.collections import PolyCollection
from matplotlib.patches import Rectangle

from solarlib.lessons.roof_circuit.pictures import CAPTIONS
from solarlib.lessons.tools import Picture
from solarlib.lessons.tools.figures import BACKGROUND, GRID, INK, ROLES, direct_label, new_figure
from solarlib.roof.layout import RoofPlane, fit_modules
from solarlib.roof.obstacles import ModuleLayout

GAP_M = 0.02
_MODULE = ModuleLayout(1, 1)  # of part 2; its gap is taken off
LONG_M, SHORT_M = _MODULE.length_m - GAP_M, _MODULE.width_m - GAP_M
WIDEST, HIGHEST = 14, 8  # of the controls. [m]
CHIMNEY_M, ROOM_M = 0.6, 0.2  # its side, and what stays free around it
_BORDER_M = 0.3  # around the largest roof


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


def plan_picture(house):
    """Return the picture of a plan: size of the plane, clear strip, chimney -> modules upright and sideways."""
    rated_w = house.system.module.rated_power_w
    figure, axes = new_figure(1, 2, left=0.075, right=0.985, bottom=0.2, top=0.98, wspace=0.1)
    drawn = [_plan(figure, ax) for ax in axes]
    axes[0].set_ylabel("up the slope (m)")

    def update(along, up, strip, chimney):
        plane = roof_plane(along, up, strip, chimney)
        fits = [fit_modules(plane, LONG_M, SHORT_M, upright, GAP_M) for upright in (True, False)]
        for parts, fit in zip(drawn, fits):
            _move(parts, plane, fit)
        said = {"along": along, "up": up, "strip": strip, "chimney": ", a chimney" if chimney else ""}
        upright, sideways = (fit.count for fit in fits)
        most, by_area = max(upright, sideways), int(free_area_m2(plane) / (LONG_M * SHORT_M))
        if most == 0:
            return CAPTIONS["plan_none"].format(long=LONG_M, short=SHORT_M, **said)
        said |= {"upright": upright, "sideways": sideways, "most": most, "by_area": by_area}
        return CAPTIONS["plan"].format(rated=rated_w, power=most * rated_w / 1000, **said)

    return Picture(figure, [list(parts.values()) for parts in drawn], update)


def _plan(figure, ax):
    """Return what moves on one plan, by name, in the order of drawing; a metre is as long up as across."""
    box = ax.get_position()
    shape = box.height * figure.get_figheight() / (box.width * figure.get_figwidth())
    top = shape * (WIDEST + 2 * _BORDER_M) - _BORDER_M
    ax.set(xlim=(-_BORDER_M, WIDEST + _BORDER_M), ylim=(-_BORDER_M, top), xlabel="along the eave (m)")
    ax.set(xticks=range(0, WIDEST + 1, 2), yticks=range(0, HIGHEST + 1, 2))
    ax.grid(visible=False)
    free = dict(facecolor=BACKGROUND, edgecolor=INK, linewidth=1.2, linestyle="--")
    looks = {
        "strips": dict(facecolor=BACKGROUND, edgecolor=GRID, hatch="//", linewidth=0),
        "free": free,
        "edge": dict(fill=False, edgecolor=INK, linewidth=2.5),
        "room": free,
        "chimney": dict(facecolor=ROLES["load"].colour, linewidth=0),
    }
    parts = {}
    for place, (name, look) in enumerate(looks.items()):
        parts[name] = ax.add_patch(Rectangle((0, 0), 1, 1, zorder=2 + place / 10, **look))
    laid = PolyCollection([], facecolor=ROLES["pv"].colour, edgecolor=BACKGROUND, linewidth=1.2, zorder=2.15)
    return parts | {"modules": ax.add_collection(laid), "name": direct_label(ax, 0, 0, "", "pv")}


def _move(parts, plane, fit):
    """Give one plan its roof and its modules."""
    whole = (0, 0, plane.along_eave_m, plane.up_slope_m)
    room = plane.taken[0] if plane.taken else None
    chimney = (room[0] + ROOM_M, room[1] + ROOM_M, room[2] - ROOM_M, room[3] - ROOM_M) if room else None
    for name, box in (("strips", whole), ("free", plane.free), ("edge", whole), ("room", room), ("chimney", chimney)):
        seen = box is not None and box[2] > box[0] and box[3] > box[1]
        parts[name].set_visible(seen)
        if seen:
            parts[name].set_bounds(box[0], box[1], box[2] - box[0], box[3] - box[1])
    parts["modules"].set_verts([((a, b), (c, b), (c, d), (a, d)) for a, b, c, d in fit.modules])
    parts["name"].set(text=f"{fit.way}: {fit.count} modules", y=plane.up_slope_m + 0.25)
