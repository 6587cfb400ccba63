"""From a person's file to lines and cells, block by block, without losing count of a single line.

A table is text with one row a line and one character between its cells. Lines before it, blank lines and footers are
part of real files; every line keeps its number, so that whatever cannot be used is named by it.
"""

import codecs
import csv
import gzip
import io
import re
import zlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from solarlib.files.mapping import UNIT_WORDS
from solarlib.files.texts import TEXTS
from solarlib.quantities import refusal, refuse_if

BLOCK_CHARACTERS = 1 << 18
LONGEST_LINE = 256 * BLOCK_CHARACTERS
SAMPLE_BYTES = 1 << 18
SAMPLE_ROWS = 2000
DELIMITERS = ("\t", ";", "|", ",")  # in the order of trust: a comma may be part of a number
SHOWN = 200  # characters of a line that an account shows
BROKEN = EOFError, zlib.error, gzip.BadGzipFile  # packed files
MOST_LINES = 10  # of one cell in quotes


@dataclass(frozen=True)
class Layout:
    """How a file is cut into cells.

    ``encoding`` name for `codecs`; ``newline`` what ends a line; ``delimiter`` one character; ``header_line`` number of
    the line with the names, 0 for none; ``names`` the names there; ``width`` cells a row; ``first_line`` number of the
    first line of the table.
    """

    path: Path
    encoding: str
    newline: str
    delimiter: str
    header_line: int
    names: tuple
    width: int
    first_line: int
    sample: tuple = ()  # cells of the first lines of the table, for a look at how its numbers are written
    above: tuple = ()  # (number, cells) of lines above the header that are as wide as the table
    below: tuple = ()  # cells of a line of units right below the names

    def name(self, place):
        """Return how a person calls the column at a place."""
        return place < len(self.names) and self.names[place] or f"column {place + 1}"

    def position(self, column):
        """Return the place of a column given by its name, or by its number counted from 1."""
        if isinstance(column, int):
            refuse_if(not 1 <= column <= self.width, "column_number", self.path.name, column=column, width=self.width)
            return column - 1
        places = [place for place, name in enumerate(self.names) if plain(name) == plain(column)]
        if len(places) != 1 or places[0] >= self.width:
            how = "more than once" if len(places) > 1 else "in no header line"
            names = ", ".join(map(repr, self.names)) or "the column numbers"
            raise refusal("column", self.path.name, column=column, how=how, names=names, width=self.width)
        return places[0]


def plain(name):
    """Return a column name as it is compared: one blank for several, no capitals."""
    return " ".join(str(name).split()).casefold()


def split_line(text, delimiter):
    """Return the cells of one line, quotes and outer blanks off."""
    if delimiter == " ":
        return [cell.strip('"') for cell in text.split()]
    try:
        cells = next(csv.reader([text], delimiter=delimiter), [])
    except csv.Error:
        cells = text.split(delimiter)
    return [cell.strip().strip('"').strip() for cell in cells]


def sniff(path, encoding=None, delimiter=None, header_line=None, wanted=(), is_time=None):
    """Find out how a file is cut into cells; what the caller knows is taken as given.

    Parameters
    ----------
    path : path
        Of a text, plain or packed with gzip.
    encoding, delimiter, header_line : optional
        As in `Layout`.
    wanted : sequence of str or int
        Columns that the table must have; the header line is the one that names them.
    is_time : callable
        Tells whether a row of cells holds a date or time; the table starts at the first that does.

    Raises
    ------
    InputError
        The file cannot be opened, is empty, holds something else, or no table is found in its first 256 kB.
    """
    path = Path(path)
    stream, file = _opened(path)
    try:
        with file, stream:
            raw = stream.read(SAMPLE_BYTES)
            whole = not stream.read(1)
    except BROKEN as error:
        raise refusal("damaged", path.name, error=error) from None
    _refuse_foreign(path, raw, "foreign")
    encoding = encoding or _encoding(raw)
    text = _sample_text(path, raw, encoding)
    newline = "\r" if "\r" in text and "\n" not in text else "\n"
    lines = text.replace("\r\n", "\n").split(newline)
    if len(lines) > 1:
        lines = lines[:-1] if not whole or not lines[-1] else lines  # the sample may cut its last line
    refuse_if(not any(line.strip() for line in lines), "no_text", path.name)
    delimiter = delimiter or _delimiter(lines)
    lines = lines[: (header_line or 1000) + SAMPLE_ROWS]
    usual = Counter(len(split_line(line, delimiter)) for line in lines if line.strip()).most_common(1)[0][0]
    cells = [split_line(line, delimiter) if line.strip() else [] for line in one_line(lines, delimiter, usual)]
    header = header_line or _header(cells, [name for name in wanted if isinstance(name, str)])
    timed = [row for row in cells[header:] if row and is_time(row)][:SAMPLE_ROWS]
    if not timed and header and not header_line:  # rows turned round carry their header last
        timed = [row for row in cells[: header - 1] if row and is_time(row)]
    if not timed:
        _refuse_foreign(path, raw, "foreign_text")
        after = f" after line {header}" if header else ""
        raise refusal("no_time", path.name, after=after, delimiter=delimiter)
    width = Counter(map(len, timed)).most_common(1)[0][0]
    first = next(place for place, row in enumerate(cells) if row is timed[0])
    if not header and any(cells[:first]) and header_line is None:
        header = _header_above(cells, first, width, delimiter)
    titles = tuple(cells[header - 1]) if header else ()
    below = tuple(cells[header]) if header and header < first and units_only(cells[header]) else ()
    wide = [(number, tuple(row)) for number, row in enumerate(cells[: max(0, header - 1)], 1) if len(row) == width]
    above, sample = () if header_line else tuple(wide), tuple(tuple(row) for row in timed if len(row) == width)
    if len(sample) >= sum(bool(row and is_time(row)) for row in cells[: max(0, header - 1)]):  # rows below their header
        _refuse_narrow(path, titles, sample, delimiter)
    cut = encoding, newline, delimiter, header, titles, width, (header or first) + 1
    return Layout(path, *cut, sample=sample, above=above, below=below)


def units_only(cells):
    """Tell whether a row holds units of measure and little else."""
    words = [re.sub(r"[][()]", "", cell).strip() for cell in cells[1:] if cell]
    return bool(words) and all(plain(word) in UNIT_WORDS or word in ("-", "%", "V", "A", "Hz") for word in words)


def _header_above(cells, first, width, delimiter):
    """Return the number of the line with the names above the first row, 0 for none."""
    filled = [number for number, row in enumerate(cells[:first], 1) if row]  # a name over two lines leaves one empty
    number = filled[-2] if len(filled) > 1 and units_only(cells[filled[-1] - 1]) else filled[-1]
    names = cells[number - 1]
    return number if len(names) == width or delimiter == "," and width // 2 < len(names) < width else 0


def _refuse_narrow(path, titles, sample, delimiter):
    """Refuse rows with more cells than the header has names: a decimal comma may have cut a number in two."""
    count = max((place for place, title in enumerate(titles, 1) if title), default=0)
    wider = [row for row in sample if any(row[count:])] if count else ()
    refuse_if(2 * len(wider) > len(sample), "narrow", path.name, names=count, delimiter=delimiter, row=wider[:1])


def require_file(path: Path) -> None:
    """Refuse a path at which no file stands, by the folder looked in."""
    try:
        there, folder = path.is_file(), path.resolve().parent
    except (OSError, ValueError, RuntimeError) as error:  # a path that holds a NUL; a link to itself
        raise refusal("unreadable", path.name, error=getattr(error, "strerror", None) or error) from None
    refuse_if(not there, "no_file", path.name, folder=folder)


def _opened(path):
    """Return the bytes of a file's text as a stream, and the stream whose place tells how far it is read."""
    require_file(path)
    try:
        file = path.open("rb")
    except OSError as error:
        raise refusal("unreadable", path.name, error=error.strerror) from None
    packed = file.peek(2).startswith(b"\x1f\x8b")
    return (gzip.GzipFile(fileobj=file) if packed else file), file


def _refuse_foreign(path, raw, kinds):
    """Refuse what is another thing than a table of text, by what it is."""
    head = raw[:2000].decode("latin-1").removeprefix("\u00ef\u00bb\u00bf").lstrip()
    for what, pattern in TEXTS[kinds].items():
        refuse_if(re.match(pattern, head, re.DOTALL | re.IGNORECASE), "foreign", path.name, what=what)


def _encoding(raw):
    marks = ("utf-8", codecs.BOM_UTF8), ("utf-16-le", codecs.BOM_UTF16_LE), ("utf-16-be", codecs.BOM_UTF16_BE)
    for name, mark in marks:
        if raw.startswith(mark):
            return name
    head = raw[:2000]
    for name, side in (("utf-16-le", 1), ("utf-16-be", 0)):  # every second byte of plain text is 0 there
        zeros, others = head[side::2].count(0), head[1 - side :: 2].count(0)
        if len(head) > 3 and zeros > 0.4 * len(head) / 2 and others < len(head) / 20:
            return name
    try:
        codecs.getincrementaldecoder("utf-8")().decode(raw)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _sample_text(path, raw, encoding):
    try:
        return codecs.getincrementaldecoder(encoding)("replace").decode(raw).removeprefix("\ufeff").replace("\0", "")
    except (LookupError, TypeError, AttributeError):
        raise refusal("encoding", path.name, encoding=encoding) from None


def _delimiter(lines):
    """The first mark, in the order of trust, that cuts about as many lines alike as any other does."""
    lines = [line for line in lines[:400] if line.strip()]
    alike = {}
    for mark in DELIMITERS:
        counts = Counter(len(split_line(line, mark)) for line in lines)
        alike[mark] = max((share for count, share in counts.items() if count > 1), default=0)
    best = max(alike.values())
    return next((mark for mark in DELIMITERS if best and alike[mark] >= 0.7 * best), ",")


def _header(cells, names):
    """Number of the line that names the wanted columns; 0 where none is wanted or none does."""
    wanted = {plain(name) for name in names}
    for number, row in enumerate(cells[:500], 1):
        if wanted and wanted <= {plain(cell) for cell in row}:
            return number
    return 0


@dataclass(frozen=True)
class Lines:
    """Whole lines of a file: number of the ``first``, their ``texts``, and the share of the file up to the ``end``."""

    first: int
    texts: list
    end: float


def blocks(layout):
    """Yield the whole file as `Lines`s; what does not fit the encoding becomes a mark."""
    stream, read = _opened(layout.path)
    total, first, rest = max(1, layout.path.stat().st_size), 1, ""
    try:
        with read, io.TextIOWrapper(stream, layout.encoding, "replace", newline="") as file:
            while piece := file.read(BLOCK_CHARACTERS):
                text = rest + (piece.removeprefix("\ufeff") if first == 1 and not rest else piece)
                *lines, rest = text.split(layout.newline)
                refuse_if(len(rest) > LONGEST_LINE, "long_line", layout.path.name)
                if lines:
                    yield Lines(first, _ends_off(lines), min(1.0, read.tell() / total))
                    first += len(lines)
    except BROKEN as error:
        raise refusal("damaged", layout.path.name, error=error) from None
    if rest:
        yield Lines(first, _ends_off([rest]), 1.0)


def _ends_off(lines):
    return [line.removesuffix("\r") for line in lines]


def one_line(texts, delimiter, width):
    """Return lines with each cell in quotes that runs over several of them put together; an empty line follows it."""
    texts, odd = list(texts), [place for place, text in enumerate(texts) if text.count('"') % 2]
    for start, end in zip(odd, odd[1:]):
        text = " ".join(texts[start : end + 1]) if end - start < MOST_LINES else ""
        if len(split_line(text, delimiter)) == width and len(split_line(texts[start], delimiter)) <= width:
            texts[start : end + 1] = [text, *[""] * (end - start)]
    return texts


def cells_of(texts, layout):
    """Return the cells of each line: a list as long as the table is wide, None for a blank line, else what is there.

    Cells may still have blanks around them. More cells than columns are no matter where nothing stands in them.
    """
    mark, width = layout.delimiter, layout.width
    if mark == " " or any('"' in text for text in texts):
        texts = one_line(texts, mark, width)
        rows = [split_line(text, mark) if '"' in text or mark == " " else text.split(mark) for text in texts]
    else:
        rows = [text.split(mark) for text in texts]
    for place in [place for place, row in enumerate(rows) if len(row) != width]:
        if not texts[place].strip():
            rows[place] = None
        elif not "".join(rows[place][width:]).strip(' "\t'):
            rows[place] = rows[place][:width]
    return rows


def line_texts(layout, wanted):
    """Return the text of the lines with the given numbers, as a dict; long ones are cut. Reads the file once more."""
    left, found = sorted(set(wanted), reverse=True), {}
    for block in blocks(layout) if left else ():
        while left and left[-1] < block.first + len(block.texts):
            number = left.pop()
            found[number] = block.texts[number - block.first][:SHOWN]
        if not left:
            break
    return found
