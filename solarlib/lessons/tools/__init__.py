"""What every lesson is made with: panels, controls, predictions and self-checks."""

from solarlib.lessons.tools.controls import act, choice, slider, toggle
from solarlib.lessons.tools.panel import explore, show
