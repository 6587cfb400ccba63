"""What every lesson is made with: panels, controls, predictions and self-checks."""

from solarlib.lessons.tools.asked import questions_beside
from solarlib.lessons.tools.controls import act, choice, own_slider, slider, toggle
from solarlib.lessons.tools.drawing import system_drawing
from solarlib.lessons.tools.field import answer, first_name
from solarlib.lessons.tools.panel import Picture, explore, show
