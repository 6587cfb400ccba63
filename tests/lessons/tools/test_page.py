"""The printable page: every section in its place, what a file holds escaped, no network, columns named in words."""

import base64

import numpy as np
import pandas as pd
import pytest

from solarlib.lessons.tools.page import Section, heading, page, section_or_reason
from solarlib.quantities import InputError

TABLE = pd.DataFrame({"day": ["a<b", "2026-01-02"], "delivered_kwh": [1.5, np.nan], "share": ["90%", pd.NaT]})
FULL = Section("One", ("a < b",), (("c & d", TABLE),), ((b"png", 'say "x"'),), ("Ask.",), ("none <i>",))


def body(*sections, first=None):
    """Return the lines of a page below its head."""
    return page("T & U", sections, first).partition("<body>")[2].splitlines()


def test_a_whole_page_line_by_line():
    sheet = Section("In short", ("z",))
    lines = [line for line in body(FULL, Section("Two", ("x",)), Section("Three", missing=("y",)), first=sheet) if line]
    assert lines == [
        "<main>",
        '<div class="first"><h1>T &amp; U</h1>',
        "<p>z</p>",
        '<p>Sections: <a href="#part-1">1 One</a>, <a href="#part-2">2 Two</a>, <a href="#part-3">3 Three</a>.</p>',
        '<p>Not determined, at least in part: <a href="#part-1">One</a>, <a href="#part-3">Three</a>.</p>',
        "</div>",
        '<h2 id="part-1">1 One</h2>',
        "<p>a &lt; b</p>",
        f'<figure><img src="data:image/png;base64,{base64.b64encode(b"png").decode()}"'
        ' alt="One: the sentence below tells what is seen"><figcaption>say &#34;x&#34;</figcaption></figure>',
        '<table><caption>c &amp; d</caption><thead><tr><th scope="col">day</th><th scope="col">delivered (kWh)</th>'
        '<th scope="col">share</th></tr></thead><tbody>'
        '<tr><th scope=row class="words">a&lt;b</th><td>1.5</td><td>90\u00a0%</td></tr>'
        "<tr><th scope=row>2 January 2026</th><td>not known</td><td>not known</td></tr></tbody></table>",
        '<p class="caution"><b>Caution.</b> Ask.</p>',
        '<p class="missing"><b>Not determined.</b> none &lt;i&gt;</p>',
        '<h2 id="part-2">2 Two</h2>',
        "<p>x</p>",
        '<h2 id="part-3">3 Three</h2>',
        '<p class="missing"><b>Not determined.</b> y</p>',
        "<h2>4 What could not be determined</h2><ul><li>One: none &lt;i&gt;</li><li>Three: y</li></ul>",
        "</main></body></html>",
    ]
    assert body(Section("Two", ("x",)), first=sheet)[-2] == (
        "<h2>2 What could not be determined</h2><p>Every section above could be made from the files.</p>"
    )


def test_a_page_without_a_first_sheet_is_its_sections_alone():
    lines = [line for line in body(Section("Timer", ("x",))) if line]
    assert lines == [
        "<main>",
        "<h1>T &amp; U</h1>",
        '<h2 id="part-1">1 Timer</h2>',
        "<p>x</p>",
        "</main></body></html>",
    ]


def test_the_head_forbids_every_connection_and_has_one_style():
    head = page("T & U", [FULL]).partition("<body>")[0]
    assert head.startswith('<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">')
    assert "content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'\"" in head
    assert "<title>T &amp; U</title><style>" in head and "@media print" in head
    assert "://" not in head and "<script" not in head and "<link" not in head


@pytest.mark.parametrize(
    "name, words",
    [
        ("delivered_kwh", "delivered (kWh)"),
        ("test_load_w", "test load (W)"),
        ("rated_kw", "rated (kW)"),
        ("yield_low_h", "yield low (kWh/kW)"),
        ("neighbour_ratio_percent", "ratio to similar systems (%)"),
        ("bill_usd", "bill ($)"),
        ("rows read", "rows read"),
        ("usable_days", "usable days"),
        ("kwh", "kwh"),
        (3, "3"),
    ],
)
def test_columns_are_named_in_words(name, words):
    assert heading(name) == words


def test_a_section_that_cannot_be_made_says_why_and_a_fault_of_the_program_is_raised():
    def refuse(title, found):
        raise InputError(f"file: found {found}, allowed is y")

    assert section_or_reason("Two", refuse, "x") == Section("Two", missing=("file: found x, allowed is y",))
    assert section_or_reason("Two", Section, ("a",)) == Section("Two", ("a",))
    with pytest.raises(ZeroDivisionError):
        section_or_reason("Three", lambda title: 1 / 0)
    with pytest.raises(InputError, match="section 'empty': found nothing in it, allowed is content"):
        Section("empty", cautions=("only this",))
