"""One printable page: sections with words, tables and pictures in a single HTML file that needs no network.

Every section is there, or says why it is not. Pictures are inside the file (data URIs) with their caption as
alternative text. The page forbids itself every connection.
"""

import base64
from dataclasses import dataclass
from html import escape

import pandas as pd

from solarlib.quantities import InputError

UNITS = {
    "_kwh": "kWh",
    "_kw": "kW",
    "_w": "W",
    "_h": "h",
    "_percent": "%",
    "_usd": "$",
}  # at the end of a column's name
STYLE = """
body { font: 16px/1.5 Georgia, serif; color: #1A1A1A; background: #FFFFFF; max-width: 1040px; margin: 24px auto; padding: 0 16px; }
h1, h2 { font-family: Verdana, sans-serif; line-height: 1.25; }
h2 { margin-top: 40px; border-bottom: 2px solid #1A1A1A; }
figure { margin: 16px 0; } img { width: 100%; height: auto; }
figcaption { font-size: 15px; }
table { border-collapse: collapse; margin: 16px 0; font-size: 15px; }
th, td { border: 1px solid #7A7A7A; padding: 4px 8px; text-align: right; } th, td.words { text-align: left; }
td { white-space: nowrap; } td.words { white-space: normal; }
.missing { border-left: 6px solid #7A7A7A; padding-left: 12px; }
.caution { border-left: 6px double #1A1A1A; padding-left: 12px; }
@media print {
  body { max-width: none; margin: 0; font-size: 11pt; }
  h2 { break-after: avoid; } figure, tr, .missing, .caution { break-inside: avoid; }
}
"""


@dataclass(frozen=True)
class Section:
    """One part of a report.

    Attributes
    ----------
    title : str
    lines : tuple of str
        Sentences.
    tables : tuple of (str, DataFrame)
        Caption and cells, which are shown as they are: round them before.
    pictures : tuple of (bytes, str)
        PNG and caption.
    cautions : tuple of str
    missing : tuple of str
        What could not be determined, and what is needed for it.
    """

    title: str
    lines: tuple = ()
    tables: tuple = ()
    pictures: tuple = ()
    cautions: tuple = ()
    missing: tuple = ()

    def __post_init__(self):
        if not (self.lines or self.tables or self.pictures or self.missing):
            raise InputError(
                f"section {self.title!r}: found nothing in it, allowed is content, or a sentence why there is none"
            )


def section_or_reason(title, make, *arguments):
    """Return ``make(title, *arguments)``, or a section that says why it cannot be made.

    Only an `InputError` is a reason; any other error is a fault of the program and is raised.
    """
    try:
        return make(title, *arguments)
    except InputError as error:
        return Section(title, missing=(str(error),))


def page(title, sections):
    """Return the whole report as HTML text.

    Parameters
    ----------
    title : str
    sections : sequence of Section
        The cautions and gaps of all of them are gathered once more at the end.
    """
    gaps = [(section.title, sentence) for section in sections for sentence in section.missing]
    body = [_section(number, section) for number, section in enumerate(sections, 1)]
    last = "".join(f"<li>{escape(where)}: {escape(what)}</li>" for where, what in gaps)
    closing = f"<ul>{last}</ul>" if gaps else "<p>Every section above could be made from the files.</p>"
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'\">"
        f"<title>{escape(title)}</title><style>{STYLE}</style></head>\n<body><h1>{escape(title)}</h1>\n"
        + "\n".join(body)
        + f"\n<h2>{len(sections) + 1} What could not be determined</h2>{closing}\n</body></html>\n"
    )


def _section(number, section):
    parts = [f"<h2>{number} {escape(section.title)}</h2>"]
    parts += [f"<p>{escape(line)}</p>" for line in section.lines]
    for picture, caption in section.pictures:
        data = base64.b64encode(picture).decode("ascii")
        parts.append(
            f'<figure><img src="data:image/png;base64,{data}" alt="{escape(caption)}">'
            f"<figcaption>{escape(caption)}</figcaption></figure>"
        )
    parts += [_table(caption, cells) for caption, cells in section.tables]
    parts += [f'<p class="caution"><b>Caution.</b> {escape(line)}</p>' for line in section.cautions]
    parts += [f'<p class="missing"><b>Not determined.</b> {escape(line)}</p>' for line in section.missing]
    return "\n".join(parts)


def heading(name):
    """Return a column's name in words, e.g. ``delivered (kWh)`` for ``delivered_kwh``."""
    for ending, unit in UNITS.items():
        if name.endswith(ending):
            return f"{name.removesuffix(ending).replace('_', ' ')} ({unit})"
    return name.replace("_", " ")


def _table(caption, cells):
    head = "".join(f'<th scope="col">{escape(heading(str(name)))}</th>' for name in cells.columns)
    rows = "".join(
        "<tr>" + "".join(f"<td{_kind(cell)}>{escape(_shown(cell))}</td>" for cell in row) + "</tr>"
        for row in cells.itertuples(index=False)
    )
    return f"<table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def _kind(cell):
    """Words stand left and may break; numbers, dates and shares stand right and do not."""
    return ' class="words"' if isinstance(cell, str) and any(letter.isalpha() for letter in cell) else ""


def _shown(cell):
    return "not known" if pd.isna(cell) else str(cell)
