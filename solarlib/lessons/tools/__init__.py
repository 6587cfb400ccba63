"""What every lesson is made with: panels, controls, predictions and self-checks."""

from solarlib.lessons.tools.controls import act, choice, own_slider, slider, toggle
from solarlib.lessons.tools.panel import explore, show
