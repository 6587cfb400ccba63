"""Is every room covered as far as it was? Run by CI after `coverage run`: `python tests/coverage_floors.py`.

Lines that no test enters are no defect by themselves; a room that falls below its floor has grown without tests.
"""

import json
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

# Share of a room's lines that the tests enter, in percent: one below what was measured when the floor was set.
FLOORS = {
    "bill": 98, "direction": 97, "files": 96, "health": 98, "house": 98, "lessons": 93, "meter": 98, "roof": 99,
    "schema": 98, "quantities": 99, "sky": 98, "worth": 99,
}  # fmt: skip


def shares(files):
    """Return the share of lines entered by room, from the table `files` that coverage writes. [%]"""
    lines, entered = Counter(), Counter()
    for name, told in files.items():
        parts = Path(name).parts
        room = Path(parts[parts.index("solarlib") + 1]).stem
        lines[room] += told["summary"]["num_statements"]
        entered[room] += told["summary"]["covered_lines"]
    return {room: 100.0 * entered[room] / lines[room] for room in sorted(lines) if lines[room]}


def main():
    """Print the share of each room beside its floor; return 1 if one lies below."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "coverage.json"
        subprocess.run([sys.executable, "-m", "coverage", "combine", "--quiet"], check=False)
        subprocess.run([sys.executable, "-m", "coverage", "json", "--quiet", "-o", str(path)], check=True)
        found = shares(json.loads(path.read_text(encoding="utf-8"))["files"])
    below = [room for room, floor in FLOORS.items() if found.get(room, 0.0) < floor]
    for room, floor in FLOORS.items():
        print(f"{room:12} {found.get(room, 0.0):6.1f} %  floor {floor} %  {'BELOW' if room in below else ''}".rstrip())
    return int(bool(below))


if __name__ == "__main__":
    sys.exit(main())
