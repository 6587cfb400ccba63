"""How fast each panel redraws and whether it leaks: `python tests/benchmarks/bench_explore.py [lesson number ...]`.

The yardstick is measured in the same run: matplotlib drawing and encoding an EMPTY figure of the same size with
the same number of panels. A redraw (new numbers to new picture, ready to send) may take half of it; one that
recomputes a year may take 1.5 times as long, and has to say so on the panel. After 200 moves the process may
have grown by 20 MB and no figure may be open. The exit code is 1 if a bar is missed.
"""

import contextlib
import gc
import io
import itertools
import statistics
import sys
import time
from functools import partial
from pathlib import Path

import nbformat
import psutil

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from lesson_panels import NOTEBOOKS, panels_of  # noqa: E402
from solarlib.lessons import save  # noqa: E402
from solarlib.lessons.tools.figures import new_figure  # noqa: E402

QUICK_RATIO, YEAR_RATIO, MOVES, GROWTH_MB = 0.5, 1.5, 200, 20.0


def medians(rounds, *actions):
    """Return the median time of each action, taken in turn so that a busy machine slows all alike. [ms]"""
    times = [[] for _ in actions]
    for _ in range(rounds):
        for action, held in zip(actions, times):
            begin = time.perf_counter()
            action()
            held.append((time.perf_counter() - begin) * 1000)
    return [statistics.median(held) for held in times]


def draw_empty(panels):
    """Draw and encode an empty figure with so many panels, with matplotlib's own means."""
    figure, _ = new_figure(1, panels)
    figure.savefig(io.BytesIO(), format="png", dpi=figure.dpi)


def settings_of(panel):
    """Yield settings for ever: each control walks through its range, each at its own pace."""
    for move in itertools.count():
        setting = {}
        for number, (name, control) in enumerate(panel.controls.items()):
            low, high = control.extremes[0], control.extremes[-1]
            share = (move * (0.137 + 0.071 * number)) % 1.0
            if len(control.extremes) == 3 and hasattr(panel.widgets[name], "step"):
                step = panel.widgets[name].step
                value = low + step * round(share * (high - low) / step)
                setting[name] = int(value) if isinstance(low, int) and isinstance(step, int) else min(value, high)
            else:
                setting[name] = control.extremes[int(share * len(control.extremes))]
        yield setting


def move(panel, settings):
    """Set a panel's controls to the next setting."""
    panel.set(**next(settings))


def resident_mb():
    """Return the memory that this process holds. [MB]"""
    gc.collect()
    return psutil.Process().memory_info().rss / 1e6


def measure(path):
    """Print one line a panel of a lesson; return how many bars were missed."""
    with contextlib.redirect_stdout(io.StringIO()):
        found = panels_of(path)
    missed = 0
    for cell, panel in found:
        if not panel.controls:
            continue
        settings, panels = settings_of(panel), len(panel.picture.figure.axes)
        empty, redraw = medians(15, partial(draw_empty, panels), partial(move, panel, settings))
        ratio, bar = redraw / empty, YEAR_RATIO if panel.picture.slow else QUICK_RATIO
        before = resident_mb()
        for _ in range(MOVES):
            move(panel, settings)
        growth = resident_mb() - before
        open_figures = len(sys.modules["matplotlib.pyplot"].get_fignums()) if "matplotlib.pyplot" in sys.modules else 0
        failed = ratio > bar or growth > GROWTH_MB or open_figures or panel.error is not None
        missed += bool(failed)
        print(
            f"{path.stem:28} cell {cell:2}  empty {empty:6.1f} ms  redraw {redraw:6.1f} ms  ratio {ratio:4.2f} "
            f"(bar {bar})  growth {growth:+5.1f} MB  open figures {open_figures}  {'MISSED' if failed else 'ok'}"
        )
    return missed


KERNEL_CELLS = (
    """import gc, psutil
from solarlib.lessons.tools import explore, slider
from solarlib.lessons.tools.panel import Picture
from solarlib.lessons.tools.figures import line, new_figure
figure, ax = new_figure()
curve = line(ax, "pv", [0, 1], [0, 0])
def update(height):
    curve.set_data([0, 1], [0, height])
    return f"The line ends at a height of {height}."
panel = explore(Picture(figure, [curve], update), height=slider("Height", 0, 1, 0.01, 0.5))
panel""",
    """panel.set(height=0.1).set(height=0.2)
gc.collect()
before = psutil.Process().memory_info().rss
for move in range(%d):
    panel.widgets["height"].value = move %% 100 / 100
gc.collect()
print((psutil.Process().memory_info().rss - before) / 1e6)"""
    % MOVES,
)


def measure_kernel():
    """Print how much a real kernel grows while it sends the pictures of a panel; return 1 if the bar is missed."""
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(source) for source in KERNEL_CELLS])
    save.execute(notebook, Path.cwd())
    growth = float(notebook.cells[-1].outputs[0].text)
    print(
        f"kernel after {MOVES} moves: {growth:+.1f} MB (bar {GROWTH_MB:g})  {'MISSED' if growth > GROWTH_MB else 'ok'}"
    )
    return int(growth > GROWTH_MB)


def main(numbers):
    """Measure the lessons with these numbers, or all."""
    chosen = [path for path in NOTEBOOKS if not numbers or path.stem[:2] in numbers]
    unknown = set(numbers) - {path.stem[:2] for path in NOTEBOOKS}
    if unknown:
        sys.exit(f"lessons: found {', '.join(sorted(unknown))}, allowed are two digits, such as 04")
    missed = measure_kernel() + sum(measure(path) for path in chosen)
    print(f"{missed} bars missed")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
