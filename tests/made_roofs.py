"""The two-storey house with things that hide the sun from its first plane."""

import copy

from solarlib.house.file import HOUSE_FOLDER
from solarlib.schema import read_toml

CHIMNEY = {"name": "chimney", "azimuth_deg": 215, "distance_m": 5, "width_m": 0.8, "height_m": 2.0}
BEECH = {
    **{"name": "beech", "azimuth_deg": 160, "distance_m": 14, "width_m": 8, "height_m": 9, "passes_percent": 15},
    **{"bare_passes_percent": 60, "bare_months": [11, 12, 1, 2, 3, 4]},
}


def table(*things, **plane):
    """Return the two-storey house with things before its first plane."""
    own = copy.deepcopy(dict(read_toml(HOUSE_FOLDER / "two-storey.toml")))
    own["module"] |= {"length_m": 1.75, "width_m": 1.10}
    own["plane"][0] |= {"rows": 2, "upright": True, "obstacle": list(map(dict, things))} | plane
    return own
