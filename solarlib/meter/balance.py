"""What a house used, and what follows from which meters: sums and differences of a period's energies."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TypeAlias

import numpy as np
import pandas as pd

from solarlib.quantities import refuse_if, require, texts_beside

Numbers: TypeAlias = float | pd.Series  # of one period, or of each of many


@dataclass(frozen=True)
class HouseUse:
    """Where the energy of a period went; numbers, or Series when the inputs were Series."""

    use_kwh: Numbers
    self_consumed_kwh: Numbers
    self_consumption_share: Numbers
    self_sufficiency_share: Numbers


def house_use(
    generation_kwh: Numbers, delivered_kwh: Numbers, received_kwh: Numbers, tolerance_kwh: float = 0.0
) -> HouseUse:
    """Return the use of a house from its generation meter and its two registers.

    Parameters
    ----------
    generation_kwh, delivered_kwh, received_kwh : number or Series
        Energies of the same period(s). [kWh]
    tolerance_kwh : float
        How far ``received`` may pass ``generation``: 1 for displays of whole kWh, the inverter's own night draw
        for short intervals. [kWh]

    Returns
    -------
    HouseUse
        use = generation + delivered - received; self-consumed = generation - received, as a share of generation
        and of use. A share of nothing is NaN. It holds without a battery.

    Raises
    ------
    InputError
        If the three cannot belong together; says what to look at.
    """
    require(tolerance_kwh, "tolerance_kwh", 0, 1e6, "kWh")
    energies = (generation_kwh, delivered_kwh, received_kwh)
    g, d, r = np.broadcast_arrays(*(np.asarray(value, float) for value in energies))
    allowed = tolerance_kwh + 1e-9 * np.abs(g)
    for name, value, slack in (("generation", g, allowed), ("delivered", d, 0), ("received", r, 0)):
        refuse_if((value < -slack).any(), "negative_register", name, kwh=value[value < -slack])
    over = r > g + allowed
    swapped = ", swapped registers (delivered would fit)" if (d <= g)[over][:1].any() else ""
    refuse_if(over.any(), "received_above", "received", kwh=r[over], generation=g[over], swapped=swapped)
    use = generation_kwh + delivered_kwh - received_kwh
    own = generation_kwh - received_kwh
    return HouseUse(use, own, _share(own, generation_kwh), _share(own, use))


def _share(part, whole):
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(np.asarray(whole) > 0, np.divide(part, whole), np.nan)
    return pd.Series(share, whole.index) if isinstance(whole, pd.Series) else float(share)


METERED = texts_beside(__file__, "balance")  # every quantity as a sum of delivered, received and generation


def what_is_known(measured: Sequence[str]) -> pd.DataFrame:
    """Say which energies of a period follow from the meters that a reader has.

    Parameters
    ----------
    measured : sequence of str
        Keys of `METERED`. ``"net"`` is a single register that runs both ways; ``"unsigned sum"`` is what a
        sensor without sign adds up, import plus export.

    Returns
    -------
    DataFrame
        One row a quantity: ``known`` (bool), ``how`` (``"measured"``, or the shortest sum of measured ones, or
        empty) and ``needs`` (each single further quantity that would settle it, else ``"two more"``).

    Examples
    --------
    >>> what_is_known(["net", "generation"]).loc["use", "how"]
    'net + generation'
    >>> what_is_known(["delivered", "received"]).loc["use", "needs"]
    'generation or self-consumed'
    """
    measured = list(dict.fromkeys(measured))
    for name in measured:
        refuse_if(name not in METERED, "not_metered", "measured", name=name, known=", ".join(METERED))
    rows = []
    for wanted in METERED:
        how = "measured" if wanted in measured else _formula(wanted, measured)
        others = [name for name in METERED if name not in (*measured, wanted)]
        needs = [other for other in others if _formula(wanted, [*measured, other])]
        missing = "" if how else " or ".join(needs) or "two more"
        rows.append({"quantity": wanted, "known": bool(how), "how": how, "needs": missing})
    return pd.DataFrame(rows).set_index("quantity")


def _formula(wanted, measured):
    """Return ``wanted`` as the shortest weighted sum of ``measured``, or an empty text."""
    target = np.array(METERED[wanted], float)
    for count in range(1, min(3, len(measured)) + 1):
        for names in combinations(measured, count):
            basis = np.array([METERED[name] for name in names], float).T
            weights = np.linalg.lstsq(basis, target, rcond=None)[0]
            if np.allclose(basis @ weights, target, atol=1e-9):
                terms = [_term(weight, name) for weight, name in zip(weights, names) if abs(weight) > 1e-9]
                terms.sort(key=lambda term: term.startswith("-"))
                return " ".join(terms).removeprefix("+ ")
    return ""


def _term(weight, name):
    factor = "" if abs(abs(weight) - 1) < 1e-9 else f"{abs(weight):g} x "
    return f"{'-' if weight < 0 else '+'} {factor}{name}"
