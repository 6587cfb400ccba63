"""Is a system healthy? Yields, neighbours, the chart of days, shapes of a loss, ageing."""

from solarlib.health.ageing import change_a_year
from solarlib.health.chart import baseline, watch_for
from solarlib.health.neighbours import PRIVACY, group_median, log_ratio_to_median
from solarlib.health.shapes import DAY_SHAPES
from solarlib.health.words import reasons_that_fit
from solarlib.health.yields import final_yield, performance_ratio, reference_yield
