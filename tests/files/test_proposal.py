"""What a file proves, what its words propose, what is asked: headings of eight languages, nights, balances, clocks."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from solarlib.files import proofs
from solarlib.files.proposal import LEAVE_OUT, propose
from solarlib.files.reading import read

sys.path.insert(0, str(Path(__file__).parent))
import hostile


def proposal(folder, lines, zone=hostile.ZONE, sun=hostile.elevation):
    path = folder / "house.csv"
    path.write_text("\n".join([*lines, ""]), encoding="utf-8")
    return propose(path, zone, sun)


def point(found, key, field=None):
    return found.points[key, field]


TRUTH = hostile.energies()

# Headings that are nearly clear: each has something in it that makes another meaning possible.
ASKED = {
    "English": (
        "Self consumption (kWh)",
        "Battery charge from PV (kWh)",
        "Grid consumption (kWh)",
        "Solar to house (kWh)",
        "Forecast PV (kWh)",
        "Internet router (kWh)",
        "Usage (kWh)",
        "Energy in kWh",
    ),
    "Spanish": ("Autoconsumo (kWh)", "Consumo (kWh)", "Carga de bateria solar (kWh)"),
    "French": ("Autoconsommation (kWh)", "Consommation (kWh)", "Prix import (kWh)"),
    "German": ("Eigenverbrauch (kWh)", "Verbrauch (kWh)", "Batterieladung aus PV (kWh)"),
    "Dutch": ("Eigen verbruik (kWh)", "Levering (kWh)", "Verbruik zonnepanelen (kWh)"),
    "Italian": ("Autoconsumo (kWh)", "Consumo (kWh)", "Scambio in rete (kWh)"),
    "Portuguese": ("Autoconsumo (kWh)", "Consumo (kWh)", "Carga da bateria solar (kWh)"),
    "Swedish": ("Egenanvandning (kWh)", "Förbrukning (kWh)", "Batteriladdning sol (kWh)"),
}
CLEAR = {
    "Grid import (kWh)": "delivered",
    "Netzbezug [kWh]": "delivered",
    "Netzeinspeisung": "received",
    "Immissione in rete": "received",
    "Prelievo": "delivered",
    "Afname": "delivered",
    "Teruglevering (kWh)": "received",
    "Soutirage": "delivered",
    "Injection": "received",
    "Energia importada": "delivered",
    "Vertido": "received",
    "Energia injetada na rede": "received",
    "Importação": "delivered",
    "Uttag": "delivered",
    "Inmatning": "received",
    "PV energy in kWh": "generation",
    "Solproduktion": "generation",
    "Produzione (kWh)": "generation",
    "Producción solar": "generation",
    "Producao": "generation",
    "Erzeugung": "generation",
    "Opbrengst zonnepanelen": "generation",
    "Production photovoltaïque": "generation",
    "Hausverbrauch": "load",
}


@pytest.mark.parametrize("title", [title for titles in ASKED.values() for title in titles])
def test_a_heading_that_is_not_clear_is_asked_about(tmp_path, title):
    found = proposal(tmp_path, hostile.table(hostile.stamps(TRUTH.index), TRUTH[["load"]], titles={"load": title}))
    asked = point(found, "quantity", 0)
    assert asked.state == "open" and asked.value is None and LEAVE_OUT in dict(asked.answers)
    assert title in asked.question and "quantity" not in found.toml


@pytest.mark.parametrize("title", CLEAR)
def test_a_clear_heading_proposes_what_its_numbers_bear_out(tmp_path, title):
    times = hostile.stamps(TRUTH.index)
    for held in ("generation", "load"):
        found = point(proposal(tmp_path, hostile.table(times, TRUTH[[held]], titles={held: title})), "quantity", 0)
        fits = (CLEAR[title] in ("generation", "received")) == (held == "generation")
        assert (found.state, found.value) == (("proposed", CLEAR[title]) if fits else ("open", None)), held


def test_two_columns_of_one_quantity_are_asked_about(tmp_path):
    titles = {"generation": "Solar", "received": "PV (kWh)"}
    found = proposal(tmp_path, hostile.table(hostile.stamps(TRUTH.index), TRUTH[list(titles)], titles=titles))
    assert [point(found, "quantity", number).state for number in (0, 1)] == ["open", "open"]


def test_a_column_of_which_no_number_can_be_read_is_asked_about_all_the_same(tmp_path):
    times = hostile.stamps(TRUTH.index)
    lines = ["Time;Import (kWh);Export (kWh)", *(f"{time};1,2{n % 9}0;0.{n % 7}" for n, time in enumerate(times))]
    found = proposal(tmp_path, lines).answered("number", "1234.5")
    assert point(found.answered("quantity", "delivered", 0), "quantity", 0).value == "delivered"


@pytest.mark.parametrize(
    "start, kept, wrong",
    [
        (s, k, w)
        for s in (hostile.SPRING, hostile.AUTUMN)
        for k, w in ((hostile.ZONE, hostile.FIXED), (hostile.FIXED, hostile.ZONE), ("UTC", hostile.ZONE))
    ],
)
@pytest.mark.parametrize("label", ["start", "end"])
def test_the_file_or_the_sun_proves_the_clock(tmp_path, start, kept, wrong, label):
    first = pd.Timestamp(start) - pd.Timedelta(days=14)  # two weeks on each side of the change
    truth = hostile.energies(first, days=28, step="15min")[["generation"]]
    found = point(proposal(tmp_path, hostile.table(hostile.stamps(truth.index, label, kept), truth)), "zone")
    assert (found.state, found.value) == ("proved", kept) and wrong not in dict(found.answers)


def test_without_a_place_the_clock_is_asked_for(tmp_path):
    lines = hostile.table(hostile.stamps(TRUTH.index), TRUTH[["delivered"]])
    assert point(proposal(tmp_path, lines, None, None), "zone").state == "open"
    assert point(proposal(tmp_path, lines), "zone").state == "open"  # what the house draws tells no sun
    assert point(proposal(tmp_path, lines), "label").state == "open"


def test_an_answer_may_prove_other_points(tmp_path):
    truth = hostile.energies("2026-03-01", days=11, step="1h")[["generation"]]
    found = proposal(tmp_path, hostile.table(hostile.stamps(truth.index, form="%d/%m/%Y %H:%M"), truth))
    order = point(found, "date_order")
    assert order.state == "open" and dict(order.answers).keys() == {"day first", "month first"}
    assert point(found.answered("date_order", "day first"), "zone").value == hostile.ZONE


def test_the_text_of_a_proposal_reads_the_file(tmp_path):
    found = proposal(tmp_path, hostile.table(hostile.stamps(TRUTH.index), TRUTH[["generation"]]))
    while found.open:
        found = found.answered(found.open[0].key, found.open[0].answers[0][0], found.open[0].field)
    got = read(tmp_path / "house.csv", found.toml)
    assert np.allclose(got.table["generation_kwh"], TRUTH["generation"])


@pytest.mark.parametrize(
    "values, expected", [([1, 2, 3, 4, 5, 6], False), (np.arange(100) + 5000.0, True), (np.tile([0, 5], 50), False)]
)
def test_a_register_rises(values, expected):
    assert proofs.rises(np.array(values, float)) == expected


def dates(texts):
    return ["Date;In"] + [f"{text};{1000 + 30 * place}" for place, text in enumerate(texts)]


@pytest.mark.parametrize(
    "texts, day_first",
    [
        (["03/01/2026", "04/01/2026", "05/01/2026", "07/01/2026"], "3 January 2026, 4"),
        (["01.03.2026", "02.04.2026", "01.05.2026"], "1 March 2026, 2 April 2026, 1 May 2026"),
        (["03/01/2026", "04/01/2026"], "3 January 2026, 4"),
    ],
)
def test_a_proposal_says_what_each_order_would_mean_and_leaves_the_choice(tmp_path, texts, day_first):
    order = point(proposal(tmp_path, dates(texts)), "date_order")
    said = dict(order.answers)
    assert order.state == "open" and said.keys() == {"day first", "month first"}
    assert said["day first"].startswith(f"day first: {day_first}")
    first, last = (
        pd.to_datetime(text, format="%m/%d/%Y" if "/" in text else "%m.%d.%Y") for text in (texts[0], texts[-1])
    )
    assert f"month first: {first.day} {first:%B %Y}, " in said["month first"]
    assert said["month first"].endswith(f" ... {last.day} {last:%B %Y}")


def test_a_mark_before_three_digits_is_asked_about(tmp_path):
    lines = ["Time;PV (kWh)"] + [f"{time:%Y-%m-%d %H:%M};1,2{n % 60 + 10}" for n, time in enumerate(TRUTH.index)]
    found = proposal(tmp_path, lines)
    asked = point(found, "number")
    assert asked.state == "open" and "1,210" in asked.question
    assert [words for _, words in asked.answers] == ["1,210 is 1.21", "1,210 is 1,210"]
    assert 'decimal = ","' in found.answered("number", "1.234,5").toml


@pytest.mark.parametrize(
    "title, quantity, unit",
    [
        ("Test heater (W)", "test_load", "W"),
        ("test_load_w", "test_load", "W"),
        ("Heater [kW]", None, "kW"),
        ("Water heater usage (kWh)", None, "kWh"),
        ("Test meter (kWh)", None, "kWh"),
        ("Solar irradiance (W/m\u00b2)", "light", "W/m2"),
        ("Lighting (kW)", None, "kW"),
        ("Module temperature (\u00b0C)", "cell_temperature", "degC"),
        ("House temperature [degC]", None, "degC"),
        ("Ambient", "air_temperature", "degC"),
        ("Mill (kWh/kW)", "neighbour", "kWh/kW"),
        ("Neighbor 2", "neighbour", "kWh/kW"),
        ("House load (kW)", "load", "kW"),
        ("Import (kWh)", "delivered", "kWh"),
        ("Net power W", "net", "W"),
        ("reading_w", "unsigned", "W"),
        ("degC", None, "degC"),
        ("Voltage (V)", LEAVE_OUT, None),
    ],
)
def test_a_proposal_takes_quantity_and_unit_from_a_heading(tmp_path, title, quantity, unit):
    lines = [f"Time;{title}"] + [f"{time:%Y-%m-%d %H:%M};{n % 7 + 0.5}" for n, time in enumerate(TRUTH.index[:20])]
    found = proposal(tmp_path, lines)
    assert point(found, "quantity", 0).value == quantity
    assert (
        found.value("unit", 0) if quantity else found.fields[0].unit
    ) == unit  # asked for when the quantity is known


def test_dates_of_two_orders_are_asked_about_with_the_ways_that_are_left(tmp_path):
    """One row far down is of another order: the first rows allow one alone, and the file does not prove it."""
    days = pd.date_range("2026-01-01", periods=2500, freq="6h")
    texts = [f"{day:%d/%m/%Y %H:%M}" for day in days[:-1]] + ["12/31/2027 00:00"]
    order = point(proposal(tmp_path, ["Time;PV (kWh)", *(f"{t};0.{n % 7}" for n, t in enumerate(texts))]), "date_order")
    assert (order.state, [value for value, _ in order.answers]) == ("open", ["day first"])


def test_pulses_are_asked_about(tmp_path):
    times = pd.date_range("2026-06-01", periods=40, freq="1min")
    lines = [
        "Time;Reading (Wh)",
        *(f"{time + pd.Timedelta(minutes=n * n):%Y-%m-%d %H:%M:%S};1" for n, time in enumerate(times)),
    ]
    found = proposal(tmp_path, lines).answered("quantity", "unsigned", 0)
    assert point(found, "kind", 0).state == "open"
    assert point(found.answered("kind", "pulse", 0), "label").value == "start"
