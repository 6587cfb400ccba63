"""One quantity that a file tells of, as it goes from the file to whoever computes with it: in one piece."""

from dataclasses import dataclass

import pandas as pd

from solarlib.files.steps import regular

ONE_HOUR = pd.Timedelta(hours=1)


@dataclass(frozen=True, eq=False)
class Measured:
    """A measured quantity.

    Attributes
    ----------
    series : Series
        Rising time-zone-aware index, START labels at true times; NaN is missing.
    step : Timedelta
        Length of an interval.
    quantity, unit : str
        As in `mapping.QUANTITY_UNITS`; the unit is W (mean over the interval), kWh (in the interval), kWh/kW, W/m2 or
        degC.
    origin : str
        Name of the file.
    """

    series: pd.Series
    step: pd.Timedelta
    quantity: str
    unit: str
    origin: str

    def even(self) -> pd.Series:
        """Return the series with a row for every interval; missing ones are NaN. See `steps.regular`."""
        return regular(self.series, self.step, self.origin)

    def power_w(self) -> pd.Series:
        """Return the even mean power of a power or an energy. [W]"""
        return self.even() if self.unit == "W" else self.even() * (1000.0 / (self.step / ONE_HOUR))

    def energy_kwh(self) -> pd.Series:
        """Return the energy in each even interval of a power or an energy. [kWh]"""
        return self.even() if self.unit == "kWh" else self.even() * (self.step / ONE_HOUR / 1000.0)
