"""From the bytes of a person's table to lines and cells, block by block, without losing count of a single line.

A table is text with one row a line and one character between its cells. Lines before it, blank lines and footers are
part of real files; every line keeps its number, so that whatever cannot be used is named by it. Blocks are cut with
array operations on the bytes, so ten million rows need no more memory than one block and no text until it is shown.
"""

import codecs
import csv
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from solarlib.quantities import InputError

BLOCK_BYTES = 1 << 20
SAMPLE_BYTES = 1 << 18
SAMPLE_ROWS = 2000
DELIMITERS = ("\t", ";", "|", ",")  # in the order of trust: a comma may be part of a number
NEWLINE, RETURN, QUOTE, SPACE, TAB = 10, 13, 34, 32, 9


@dataclass(frozen=True)
class Layout:
    """How a file is cut into cells.

    ``encoding`` name for `codecs`; ``delimiter`` one character; ``header_line`` number of the line with the names, 0
    for none; ``names`` the names there; ``width`` cells a row; ``first_line`` number of the first line of the table.
    """

    path: Path
    encoding: str
    delimiter: str
    header_line: int
    names: tuple
    width: int
    first_line: int
    sample: tuple = ()  # cells of the first lines of the table, for a look at how its numbers are written
    above: tuple = ()  # (number, cells) of lines above the header that are as wide as the table

    def position(self, column):
        """Return the place of a column given by its name, or by its number counted from 1."""
        if isinstance(column, int):
            if not 1 <= column <= self.width:
                raise InputError(f"{self.path.name}: found column {column}, allowed are 1 to {self.width}")
            return column - 1
        places = [place for place, name in enumerate(self.names) if plain(name) == plain(column)]
        if len(places) != 1 or places[0] >= self.width:
            found = "more than once" if len(places) > 1 else "in no header line"
            raise InputError(
                f"{self.path.name}: found the column {column!r} {found}, allowed is one of "
                f"{', '.join(map(repr, self.names)) or 'the column numbers'} or a number from 1 to {self.width}"
            )
        return places[0]


def plain(name):
    """Return a column name as it is compared: one blank for several, no capitals."""
    return " ".join(str(name).split()).casefold()


@dataclass(frozen=True)
class Block:
    """Some whole lines: their bytes, numbers, ends and, for lines with the right number of cells, the cells' ends."""

    data: np.ndarray
    lines: np.ndarray  # number of each line, shape (n,)
    line_start: np.ndarray
    line_end: np.ndarray
    blank: np.ndarray  # bool, shape (n,)
    fits: np.ndarray  # bool, shape (n,): as many cells as the table is wide
    first: np.ndarray  # place in `breaks` of the first break of each line
    breaks: np.ndarray  # places of the delimiters
    width: int

    def cell(self, column, rows):
        """Return start and end of one column's cells in the lines `rows` (which must fit), blanks and quotes off."""
        at = self.first[rows] + column
        start = self.line_start[rows].copy() if column == 0 else self.breaks[at - 1] + 1
        end = self.line_end[rows].copy() if column == self.width - 1 else self.breaks[at].copy()
        for edge, side in ((start, 0), (end, -1)):
            todo = np.arange(len(rows))
            while todo.size:
                todo = todo[start[todo] < end[todo]]
                byte = self.data[edge[todo] + side]
                todo = todo[(byte == SPACE) | (byte == QUOTE) | (byte == TAB)]
                edge[todo] += 1 if side == 0 else -1
        return start, end

    def texts(self, start, end, encoding):
        """Return the cells as text."""
        raw = self.data.tobytes()
        return [decoded(raw[a:b], encoding) for a, b in zip(start.tolist(), end.tolist())]


def decoded(raw, encoding):
    """Return bytes as text; what does not fit the encoding becomes a mark, for it is only shown."""
    return raw.decode("utf-8" if _wide(encoding) else encoding, errors="replace")


def _wide(encoding):
    """Tell whether a character takes two or four bytes, so that the file is turned into UTF-8 first."""
    return codecs.lookup(encoding).name.startswith(("utf-16", "utf-32"))


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
    encoding, delimiter, header_line : optional
        As in `Layout`.
    wanted : sequence of str or int
        Columns that the table must have; the header line is the one that names them.
    is_time : callable
        Tells whether a text looks like a date or time; the table starts at the first line with such a cell.

    Raises
    ------
    InputError
        The file cannot be opened, is empty, or no table is found in its first 256 kB.
    """
    path = Path(path)
    raw, whole = _beginning(path)
    encoding = encoding or _encoding(raw)
    text = _sample_text(path, raw, encoding)
    lines = text.splitlines() if "\n" not in text else text.replace("\r\n", "\n").split("\n")
    if len(lines) > 1:
        lines = lines[:-1] if not whole or not lines[-1] else lines  # the sample may cut its last line
    if not any(line.strip() for line in lines):
        raise InputError(f"{path.name}: found no text, allowed is a table with one row a line")
    delimiter = delimiter or _delimiter(lines)
    lines = lines[: (header_line or 1000) + SAMPLE_ROWS]
    cells = [split_line(line, delimiter) if line.strip() else [] for line in lines]
    names = [name for name in wanted if isinstance(name, str)]
    header = header_line or _header(cells, names)
    rows = [cell for cell in cells[header:] if cell][:SAMPLE_ROWS]
    timed = _with_time(rows, is_time)
    if not timed and header and not header_line:  # rows turned round carry their header last
        timed = _with_time(filter(None, cells[: header - 1]), is_time)
    if not timed:
        raise InputError(
            f"{path.name}: found no row with a date or time{f' after line {header}' if header else ''} (cells split at {delimiter!r}),"
            " allowed is a table with a time in each row, such as 2026-03-31 14:30, 31.03.2026 14:30 or 3/31/2026 2:30 PM"
        )
    width = Counter(map(len, timed)).most_common(1)[0][0]
    first = next(place for place, row in enumerate(cells) if row is timed[0])
    if not header and first and len(cells[first - 1]) == width and header_line is None:
        header = first
    titles = tuple(cells[header - 1]) if header else ()
    above = [(number, tuple(row)) for number, row in enumerate(cells[: max(0, header - 1)], 1) if len(row) == width]
    return Layout(
        path,
        encoding,
        delimiter,
        header,
        titles,
        width,
        (header if header else first) + 1,
        tuple(tuple(row) for row in timed if len(row) == width),
        () if header_line else tuple(above),
    )


def _with_time(rows, is_time):
    return [row for row in rows if is_time is None or any(map(is_time, row)) or is_time(" ".join(row[:2]))]


def _beginning(path):
    try:
        with path.open("rb") as file:
            raw = file.read(SAMPLE_BYTES)
            return raw, not file.read(1)
    except OSError as error:
        raise InputError(f"{path}: found {error.strerror or error}, allowed is a file that can be read") from None


def _encoding(raw):
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ):
        if raw.startswith(mark):
            return name
    head = raw[:2000]
    for name, side in (("utf-16-le", 1), ("utf-16-be", 0)):  # every second byte of plain text is 0 there
        if (
            len(head) > 3
            and head[side::2].count(0) > 0.4 * len(head) / 2
            and head[1 - side :: 2].count(0) < len(head) / 20
        ):
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
        raise InputError(
            f"{path.name}: found encoding {encoding!r}, allowed is one such as utf-8, utf-16-le, cp1252, latin-1"
        ) from None


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


def _pieces(layout):
    """Yield the file's bytes in UTF-8 or another encoding that writes digits and breaks as ASCII does."""
    with layout.path.open("rb") as file:
        decoder = codecs.getincrementaldecoder(layout.encoding)("replace") if _wide(layout.encoding) else None
        start = True
        while piece := file.read(BLOCK_BYTES):
            size = len(piece)
            if decoder:
                piece = decoder.decode(piece).encode("utf-8", "replace")
            if start:
                piece = piece.removeprefix(codecs.BOM_UTF8)
                start = False
            yield piece, size
        if decoder:
            yield decoder.decode(b"", True).encode("utf-8", "replace"), 0


def blocks(layout, progress=None):
    """Yield the whole file as `Block`s of whole lines.

    Parameters
    ----------
    layout : Layout
    progress : callable, optional
        Called with the share of the file read so far, 0 to 1.
    """
    total, done, rest, number = max(1, layout.path.stat().st_size), 0, b"", 1
    lone_return = None
    for piece, size in _pieces(layout):
        done += size
        if lone_return is None:
            lone_return = b"\n" not in piece and b"\r" in piece
        if lone_return:
            piece = piece.replace(b"\r", b"\n")
        cut = piece.rfind(b"\n") + 1
        if not cut:
            rest += piece
            if len(rest) > 64 * BLOCK_BYTES:
                raise InputError(f"{layout.path.name}: found a line of over 64 MB, allowed is one row a line")
            continue
        block = _block(rest + piece[:cut], number, layout)
        rest, number = piece[cut:], number + len(block.lines)
        yield block
        if progress is not None:
            progress(min(1.0, done / total))
    if rest:
        yield _block(rest + b"\n", number, layout)
    if progress is not None:
        progress(1.0)


def _block(raw, number, layout):
    data = np.frombuffer(raw, np.uint8)
    ends = np.flatnonzero(data == NEWLINE)
    starts = np.concatenate([[0], ends[:-1] + 1])
    stops = ends - ((data[np.maximum(ends - 1, 0)] == RETURN) & (ends > starts))
    breaks = np.flatnonzero(data == ord(layout.delimiter))
    quotes = data == QUOTE
    if quotes.any():  # a delimiter between quotes is part of a cell; a line break never is
        count = np.cumsum(quotes)
        line = np.searchsorted(ends, breaks)
        before = count[starts] - quotes[starts]
        breaks = breaks[(count[breaks] - before[line]) % 2 == 0]
    if layout.delimiter == " " and breaks.size:  # several blanks are one break, and none at a line's edge
        inner = np.r_[True, data[breaks[1:] - 1] != SPACE] & ~np.isin(breaks, starts)
        following = data[np.minimum(breaks + 1, len(data) - 1)]
        breaks = breaks[inner & (following != NEWLINE) & (following != RETURN)]
    first = np.searchsorted(breaks, starts)
    cells = np.searchsorted(breaks, ends) - first + 1
    fits = cells == layout.width
    blank = starts >= stops
    for row in np.flatnonzero(~fits & ~blank):  # few: blanks only, or more breaks than cells with nothing after them
        line = raw[starts[row] : stops[row]]
        if not line.strip():
            blank[row] = True
        elif cells[row] > layout.width:
            extra = raw[breaks[first[row] + layout.width - 1] : stops[row]]
            if not extra.strip(layout.delimiter.encode() + b' "\t'):
                stops[row], fits[row] = breaks[first[row] + layout.width - 1], True
    lines = np.arange(number, number + len(ends))
    return Block(data, lines, starts, stops, blank, fits & ~blank, first, breaks, layout.width)


def line_texts(layout, wanted, longest=200):
    """Return the text of the lines with the given numbers, as a dict; long ones are cut. Reads the file once more."""
    wanted = np.unique(np.asarray(wanted, np.int64))
    found = {}
    if not wanted.size:
        return found
    for block in blocks(layout):
        low, high = np.searchsorted(wanted, [block.lines[0], block.lines[-1] + 1])
        raw = block.data.tobytes() if high > low else b""
        for number in wanted[low:high].tolist():
            row = number - int(block.lines[0])
            start, end = int(block.line_start[row]), int(block.line_end[row])
            found[number] = decoded(raw[start : min(end, start + longest)], layout.encoding)
        if high == len(wanted):
            break
    return found
