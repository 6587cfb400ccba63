"""What the room says, as data: the texts of ``words.toml``, which can be edited or translated without the code."""

from solarlib.quantities import texts_beside

DIRECTION_WORDS = texts_beside(__file__, "words")
