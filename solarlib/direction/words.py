"""What the room says, as data: the texts of ``words.toml``, which can be edited or translated without the code."""

import tomllib
from pathlib import Path

DIRECTION_WORDS = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
