"""A tariff from its file: read by its declarations, and refused where it is wrong, contradictory or hardly meant.

A tariff is a TOML table that a person can fill in from a bill and its tariff sheet. Every wrong field is named at once,
with what is allowed.
"""

from dataclasses import replace
from decimal import Decimal
from pathlib import Path

from solarlib import schema
from solarlib.bill.contradictions import contradictions
from solarlib.bill.plausible import puzzling, uncovered, unusual
from solarlib.bill.tariff import Tariff
from solarlib.quantities import InputError, refusal, refuse_if
from solarlib.schema import Table

TARIFF_FOLDER = Path(__file__).resolve().parents[2] / "data" / "tariffs"


def read_tariff(source: str | Path | dict) -> Tariff:
    """Read a tariff from a TOML file, a shipped file's bare name, or a table.

    Parameters
    ----------
    source : path, str or dict
        ``"kwh-bank-march"`` means ``data/tariffs/kwh-bank-march.toml``.

    Returns
    -------
    Tariff

    Raises
    ------
    InputError
        One line that names the file, each wrong or contradictory field, what was found and what is allowed.
    """
    if isinstance(source, dict):
        return tariff_from_table(source)
    path = Path(source)
    if path.suffix != ".toml":
        path = TARIFF_FOLDER / f"{path}.toml"
    if not path.is_file():
        shipped = ", ".join(sorted(file.stem for file in TARIFF_FOLDER.glob("*.toml")))
        raise InputError(f"tariff.file: found nothing at {str(source)!r}, allowed is a .toml path or one of {shipped}")
    table = schema.read_toml(path, parse_float=Decimal)
    refuse_if(set(table) - {"form"} != {"tariff"}, "no_tariff_table", path.name, keys=", ".join(table) or "none")
    return tariff_from_table(table.inside("tariff"), f"{path.name}: tariff", path.parent)


def tariff_from_table(table, where="tariff", folder=Path()):
    """Return the tariff that a table describes, e.g. the ``[tariff]`` table of a house file.

    Parameters
    ----------
    table : dict
        Keys as in `data/tariffs/README.md`; or ``file`` naming a shipped tariff, with its dates if wanted.
    where : str
        Opens each message, e.g. ``"cabin.toml: tariff"``.
    folder : Path
        Where files of prices stand: that of the file with the table.

    Raises
    ------
    InputError
        Names each wrong or contradictory field and what is allowed.
    """
    if isinstance(table, dict) and "file" in table:
        dates = {key: value for key, value in table.items() if key in ("valid_from", "valid_to")}
        if len(table) > 1 + len(dates) or not isinstance(table["file"], str):
            raise refusal("tariff_by_name", f"{where}.file", file=table["file"], others=len(table) - 1)
        problems = schema.Problems(where)
        dates = problems.values(dates, {key: Table(Tariff).keys[key] for key in dates})
        problems.stop()
        return replace(read_tariff(table["file"]), **dates)
    form = Table(Tariff, name="tariff")
    problems = schema.Problems(where, form, table)
    values = problems.values(placed(table, folder), form.keys)
    tariff = None if problems.found else Tariff(**values)
    told = list(contradictions(tariff)) if tariff else []
    for row in [*unusual(values), *(uncovered(tariff) if tariff else ()), *(puzzling(tariff) if tariff else ())]:
        if not any(key.startswith(row[0]) for key, *_ in told) or row[0] == "charge":
            told.append(row)
    for row in told:
        problems.add(*row)
    problems.stop()
    return tariff


def placed(value, folder):
    """Return a value of a table with every file of prices named from the folder that it stands in."""
    if isinstance(value, list):
        return [placed(item, folder) for item in value]
    if not isinstance(value, dict):
        return value
    table = {key: placed(item, folder) for key, item in value.items()}
    return table | {"file": str(folder / str(table["file"]))} if {"file", "column"} <= set(table) else table
