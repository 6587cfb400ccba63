"""Two numbers about a roof, for orientation before the engineer comes; and the questions that no sum answers."""

from dataclasses import dataclass

from solarlib.quantities import require
from solarlib.roof.circuits import ELECTRICIAN, ENGINEER, OUTSIDE, Finding, not_decided

_PSF_PER_PA = 1.0 / 47.880259  # pounds per square foot
_PSF_PER_MPH2 = 0.00256  # half the density of air, 1.225 kg/m3, in these units: 0.002557; ASCE 7 prints 0.00256
_UPLIFT = (
    0.3,
    1.5,
)  # net coefficients met in practice, tested and sheltered to an exposed corner (`common practice, no source`)


def average_roof_load(module_kg, other_kg, array_area_m2, roof_area_m2, documented_reserve_kg_m2=None):
    """Spread the weight of an array evenly over its own area and over the roof.

    Parameters
    ----------
    module_kg, other_kg : float
        All modules; all rails, trays and ballast as somebody else designed them. [kg]
    array_area_m2, roof_area_m2 : float
        [m2]
    documented_reserve_kg_m2 : float, optional
        What the roof may still carry, ONLY from a drawing or an engineer. [kg/m2]

    Returns
    -------
    Finding
        on_array_kg_m2, on_roof_kg_m2. Never "within": weight stands on feet and edges, not evenly.
    """
    weight = require(module_kg, "module_kg", 0, 1e6, "kg") + require(other_kg, "other_kg", 0, 1e6, "kg")
    area = require(array_area_m2, "array_area_m2", 0.1, 1e5, "m2")
    roof = require(roof_area_m2, "roof_area_m2", area, 1e6, "m2")
    verdict = not_decided(ENGINEER)
    reason = "An average: the load at feet, edges and corners is higher, and snow and water come on top."
    values = [("on_array_kg_m2", weight / area, "kg/m2"), ("on_roof_kg_m2", weight / roof, "kg/m2")]
    if documented_reserve_kg_m2 is not None:
        reserve = require(documented_reserve_kg_m2, "documented_reserve_kg_m2", 0, 10_000, "kg/m2")
        values.append(("documented_reserve_kg_m2", reserve, "kg/m2"))
        if weight / area > reserve:
            verdict = OUTSIDE
            reason = (
                f"Even the average, {weight / area:.1f} kg/m2, is above the documented reserve of {reserve:g} kg/m2."
            )
    return Finding("average weight on the roof", tuple(values), verdict, reason)


def velocity_pressure(wind_m_s, exposure=0.85, terrain=1.0, direction=0.85):
    """Return the pressure of the design wind and the span of uplift that it can mean.

    Parameters
    ----------
    wind_m_s : float
        Design wind of the place, 3-second gust, from the adopted code's map. [m/s]
    exposure, terrain, direction : float
        Factors Kz, Kzt, Kd of ASCE 7.

    Returns
    -------
    Finding
        pressure_pa, pressure_psf, uplift_low_pa, uplift_high_pa: net uplift coefficients of 0.3 and 1.5. That the two
        differ five-fold is the point: ballast cannot be found from the pressure.

    Notes
    -----
    ASCE 7-05 eq. 6-15 without the importance factor, `seen` in a worked page.
    """
    wind = require(wind_m_s, "wind_m_s", 0, 120, "m/s")
    factors = [
        require(f, name, 0.1, 5) for f, name in ((exposure, "exposure"), (terrain, "terrain"), (direction, "direction"))
    ]
    psf = _PSF_PER_MPH2 * factors[0] * factors[1] * factors[2] * (wind / 0.44704) ** 2
    pa = psf / _PSF_PER_PA
    return Finding(
        "velocity pressure of the wind",
        (
            ("pressure_pa", pa, "Pa"),
            ("pressure_psf", psf, "lb/ft2"),
            ("uplift_low_pa", _UPLIFT[0] * pa, "Pa"),
            ("uplift_high_pa", _UPLIFT[1] * pa, "Pa"),
        ),
        not_decided(ENGINEER),
        "What an array does with this pressure depends on zone, tilt, gaps, deflectors, parapet, joints and tests: the two uplifts "
        "differ five-fold. No ballast follows from it.",
    )


@dataclass(frozen=True)
class Question:
    """A question that no sum here answers: what it is about, whom to ask, and its words."""

    topic: str
    whom: str
    words: str


UTILITY, OFFICE, MAKER = "your utility", "the building office", "the instructions of the equipment"
QUESTIONS = tuple(
    Question(*row)
    for row in (
        (
            "code",
            OFFICE,
            "Which editions of the electrical, building and fire codes are adopted here, and with which local changes?",
        ),
        ("point of connection", ELECTRICIAN, "Where is the array joined to the house, and which rule for it is used?"),
        (
            "panelboard",
            ELECTRICIAN,
            "What do the labels say: busbar, main breaker, fed at an end or in the middle, breakers it is listed for?",
        ),
        (
            "conductors",
            ELECTRICIAN,
            "Which conductor carries the current in this conduit, on this roof, at this temperature?",
        ),
        (
            "branch circuit",
            MAKER,
            "How many converters does the listing of the trunk cable allow at this breaker and voltage, and which largest breaker?",
        ),
        ("voltage", ELECTRICIAN, "What is the voltage of the service at noon on a sunny day with little load?"),
        (
            "rapid shutdown",
            ELECTRICIAN,
            "What lowers the voltage on the roof within the time of the adopted code, and where is its switch?",
        ),
        ("grounding", ELECTRICIAN, "How are modules, rails and converters bonded and grounded?"),
        ("arc fault", ELECTRICIAN, "Is protection against arcs needed here, and what gives it?"),
        ("disconnects and labels", ELECTRICIAN, "Which switches and labels do code and utility ask for, and where?"),
        ("grid", UTILITY, "What approval, meter, export limit and test must come before the array is switched on?"),
        (
            "roof strength",
            ENGINEER,
            "Does this roof carry the array with wind, snow, water and people, at edges, corners and feet?",
        ),
        (
            "ballast or attachments",
            ENGINEER,
            "How is the array held against uplift, sliding and earthquake, by which tested method?",
        ),
        (
            "roof covering",
            "the roofer who answers for the roof",
            "How many years are left, and what does the warranty ask for?",
        ),
        ("fire", OFFICE, "Which pathways and setbacks stay free?"),
        ("insurance", "your insurer", "What must be told and documented?"),
    )
)
