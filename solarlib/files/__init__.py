"""People's files in: clean tables and an account of every row out; kept records."""

from solarlib.files.mapping import TITLES
from solarlib.files.proposal import propose
from solarlib.files.reading import read
from solarlib.files.records import keep, read_kept, write_whole
