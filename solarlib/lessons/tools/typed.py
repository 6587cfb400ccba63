"""What a person typed, as the numbers that it may mean: units, commas, currency signs and sums are read."""

import ast
import math
import re
import warnings

from solarlib.quantities import InputError, texts_beside

LONGEST = 100  # characters
SIGNS = str.maketrans({"−": "-", "–": "-", "×": "*", "·": "*", "÷": "/", "∗": "*", "²": "2", "³": "3", "’": "'"})
TOKEN = re.compile(
    r"(?P<number>\d{1,3}(?:[ '\u00a0\u202f]\d{3})+(?:[.,]\d+)?(?!\d)|\d[\d.,]*(?:e[+-]?\d+)?|[.,]\d+)"
    r"|(?P<sign>\*\*|[-+*/^()])|(?P<word>[a-zµ°%$€£]+(?:/[a-z]+[23]?)?)|(?P<blank>\s+)|(?P<other>.)"
)
FUNCTIONS: dict[str, object] = {
    of.__name__: lambda degrees, of=of: of(math.radians(degrees)) for of in (math.cos, math.sin, math.tan)
}
FUNCTIONS |= {"sqrt": math.sqrt, "pi": math.pi}
# What a sum of a file of questions may hold.
PIECES = (ast.Expression, ast.BinOp, ast.operator, ast.UnaryOp, ast.USub, ast.Constant, ast.Name, ast.Load, ast.Call)
# unit as a check names it -> {other ways to write it, in small letters: factor}
UNITS = texts_beside(__file__, "units")


def numbers_in(text, unit=""):
    """Return the numbers that a text may mean, the likeliest first.

    Parameters
    ----------
    text : str
        "26.3 kWh", "26,3", "1,234", "$46.88", "0.75 x 4", "2^3", "430 * cos(60)" with angles in degrees.
    unit : str
        The unit that the number is wanted in; one like it is converted.

    Raises
    ------
    InputError
        A sentence for the person who typed it.
    """
    if len(text) > LONGEST:
        raise InputError(f"This is {len(text)} characters long. A number, or a sum of at most {LONGEST}, is read here.")
    readings, factors, foreign = [[], []], [], None
    for found in TOKEN.finditer(text.strip().lstrip("=").translate(SIGNS).lower()):
        kind, piece = found.lastgroup, found.group()
        if kind in ("number", "sign") or piece in FUNCTIONS or piece == "x":
            both = _readings(piece) if kind == "number" else [{"x": "*", "^": "**"}.get(piece, piece)] * 2
            for reading, one in zip(readings, both):
                reading.append(one)
        elif kind == "word":
            factor = _factor(piece, unit)
            factors.append(factor)
            foreign = piece if factor is None else foreign
        elif kind == "other":
            raise InputError(f"This check needs a number; {piece!r} is none. Write for example 26.3 or 4 * 0.75.")
    if not any(character.isdigit() for piece in readings[0] for character in piece):
        raise InputError(f"This check needs a number{f' of {unit}' if unit else ''}, in figures: 26.3 or 4 * 0.75.")
    wanted = f"in {unit}" if unit else "without a unit"
    if foreign:
        raise InputError(f"{foreign!r} is not read here: the answer is wanted {wanted}.")
    if len({*factors}) > 1 or (len(readings[0]) > 2 and {*factors} - {1}):
        raise InputError(f"In a sum, write all numbers so that the result is {wanted}, and leave other units out.")
    values = [value * (factors or [1])[0] for value in map(_value, readings)]
    return list(dict.fromkeys(values))


def _factor(word, unit):
    """Return by what a number with this unit is multiplied, or None for one that does not fit."""
    names = {unit.lower().translate(SIGNS): 1, unit.lower().translate(SIGNS).removesuffix("s"): 1}
    names |= {"$": 1} if unit.startswith("$") else {}
    return (names | UNITS.get(unit, {})).get(word)


def _readings(piece):
    """Return the two ways to read a number with commas and points, as Python floats; mostly they are the same."""
    bare = re.sub(r"[ '\u00a0\u202f]", "", piece).rstrip(".,") or "0"
    if "," in bare and "." in bare:  # the later one is the decimal mark
        bare = bare.replace("." if bare.rfind(",") > bare.rfind(".") else ",", "")
    elif re.fullmatch(r"\d{1,3}(,\d{3}){2,}|\d{1,3}(\.\d{3}){2,}", bare):
        bare = re.sub("[.,]", "", bare)
    thousands = re.fullmatch(r"[1-9]\d{0,2},\d{3}", bare)
    try:
        return [repr(float(bare.replace(",", mark))) for mark in ("" if thousands else ".", ".")]
    except ValueError:
        raise InputError(f"{piece!r} is not one number.") from None


def _value(pieces):
    """Work out a sum: each piece is a number, a sign or one of four functions, so nothing else can be run by it."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # 2(3) is a mere warning
            value = eval("".join(pieces), {"__builtins__": {}}, FUNCTIONS)
    except (SyntaxError, SyntaxWarning, TypeError, ValueError, OverflowError, ZeroDivisionError):
        raise InputError(
            "This is not one number, nor a sum that can be worked out. Write for example 4 * 0.75."
        ) from None
    if not isinstance(value, float) or not math.isfinite(value):
        raise InputError("This sum has no finite result.")
    return value


def formula(text):
    """Return a sum of a file of questions, such as ``min(made, used) * price``, ready to be worked out.

    Raises
    ------
    InputError
        It holds more than numbers, names, signs and functions.
    """
    try:
        tree = ast.parse(text.strip(), mode="eval")
    except SyntaxError:
        tree = None
    if tree is None or not all(isinstance(node, PIECES) for node in ast.walk(tree)):
        raise InputError(f"found {text!r}, allowed is a sum of numbers and names with + - * / **, min and max")
    return compile(tree, "a sum", "eval")


def worked_out(text, numbers):
    """Return the value of a sum of a file of questions for numbers by name; angles are in degrees.

    Raises
    ------
    InputError
        A name is not among the numbers, or the sum has no finite value.
    """
    try:
        value = float(eval(formula(text), {"__builtins__": {}}, FUNCTIONS | {"min": min, "max": max} | numbers))
    except (NameError, TypeError, ArithmeticError, ValueError) as error:
        raise InputError(f"found {text!r} ({error}), allowed is a sum of {', '.join(sorted(numbers))}") from None
    if not math.isfinite(value):
        raise InputError(f"found {text!r} without a finite value")
    return value
